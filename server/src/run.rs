//! Starting and stopping a server inside any program.

use crate::app::App;
use crate::checking::Checking;
use crate::clock::Clock;
use crate::clock::keeper::Keeper;
use crate::config::{Config, Tls};
use crate::contract::Seconds;
#[cfg(target_os = "linux")]
use crate::health::manager;
use crate::journal::Line;
use crate::keys::{self, Chance, Secret};
use crate::local_link::{self, Advert};
use crate::notices::{self, Sending, Ways};
use crate::store::files::Folder;
use crate::store::tokens::TokenRole;
use crate::store::{Db, OpenFault, StoreFault, Unwritable, clock, journal, server, tokens};
use crate::tls::{Certificates, TlsFault};
use crate::{net, ticking};
use actix_server::ServerHandle;
use actix_web::rt;
use pintle_protocol::id::{Digest, PublicKey};
use std::fs::{self, File, TryLockError};
use std::net::{SocketAddr, TcpListener};
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::thread::JoinHandle;

/// Why a server does not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// A file or folder could not be read, written or locked.
    #[error("{}: {source}", path.display())]
    File {
        /// The file or folder.
        path: PathBuf,
        /// What the system answered.
        source: std::io::Error,
    },
    /// The folder cannot be written. What nodes say is written down before they are answered, so
    /// a server that can write nothing from the start is of no use to them.
    #[error(
        "{} cannot be written ({source}), and a server writes down what nodes say before it answers: make \
         room on the disk, make it writable, or let the server's user write there, and start it again; \
         nothing was changed",
        path.display()
    )]
    CannotWrite {
        /// The file or folder.
        path: PathBuf,
        /// What the system answered.
        source: std::io::Error,
    },
    /// Another server has the folder.
    #[error("{} is in use by another server: stop that one first, or take another folder", path.display())]
    InUse {
        /// The folder.
        path: PathBuf,
    },
    /// The folder was in use before, and a file that cannot be made anew is not there.
    #[error(
        "{} is missing or empty in a folder that a server has used: a new one would know no node; put it \
         back, or restore a backup into an empty folder with `pintle-server restore`",
        path.display()
    )]
    Missing {
        /// The file.
        path: PathBuf,
    },
    /// The database cannot be used.
    #[error(transparent)]
    Database(#[from] OpenFault),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreFault),
    /// TLS cannot be set up.
    #[error(transparent)]
    Tls(#[from] TlsFault),
    /// People cannot be told of what needs them, although that is set.
    #[error("notices cannot be sent as they are set: {0}; correct that, or take the setting out")]
    Notices(#[from] notices::Fault),
    /// The address cannot be listened on.
    #[error("{addr} cannot be listened on: {source}")]
    Listen {
        /// The address.
        addr: SocketAddr,
        /// What the system answered.
        source: std::io::Error,
    },
    /// Plain HTTP is asked for on an address that others can reach.
    #[error(
        "plain HTTP is for loopback only, {addr} is not: leave `--plain` out, or listen on 127.0.0.1 behind \
         a reverse proxy"
    )]
    PlainBeyondLoopback {
        /// The address.
        addr: SocketAddr,
    },
    /// The serving thread ended at once.
    #[error("the serving thread could not be started: {why}")]
    Thread {
        /// Why.
        why: String,
    },
}

/// A server that runs. Dropping it stops it.
pub struct Running {
    /// Where it listens, with the port that was taken.
    pub addr: SocketAddr,
    /// `https://` or `http://`, address and port; no path.
    pub base_url: String,
    /// The root certificate to pin, PEM; absent with plain HTTP.
    pub ca_pem: Option<String>,
    /// The operator's token, at the first start only: it is kept nowhere.
    pub operator_token: Option<String>,
    /// Ed25519 key that signs replies to nodes.
    pub server_key: PublicKey,
    /// Where its time comes from; a manual clock is set here.
    pub clock: Clock,
    pub(crate) app: App,
    handle: ServerHandle,
    thread: Option<JoinHandle<std::io::Result<()>>>,
    checking: Option<Checking>,
    sending: Option<Sending>,
    /// Ends with the server.
    _advert: Option<Advert>,
    /// Held for as long as the server runs.
    _lock: File,
}

impl Running {
    /// Evaluates every rollout now, and renews a certificate that nears its end. With a manual clock nothing but this and check-ins does.
    ///
    /// # Errors
    /// [`StoreFault`] if the decisions could not be stored.
    pub fn tick(&self) -> Result<(), StoreFault> {
        ticking::tick_once(&self.app)
    }

    /// Waits until the server ends by itself, by a signal.
    ///
    /// # Errors
    /// What the serving thread ended with.
    pub fn wait(mut self) -> std::io::Result<()> {
        self.join()
    }

    /// Stops it: requests under way are answered, and everything decided is on disk.
    ///
    /// # Errors
    /// What the serving thread ended with.
    pub fn stop(mut self) -> std::io::Result<()> {
        self.ask_to_stop();
        self.join()
    }

    fn ask_to_stop(&self) {
        // The command is sent when `stop` is called; its future only tells when it was carried
        // out, and the end of the thread tells that too.
        drop(self.handle.stop(true));
    }

    fn join(&mut self) -> std::io::Result<()> {
        let Some(thread) = self.thread.take() else { return Ok(()) };
        let ended =
            thread.join().unwrap_or_else(|_| Err(std::io::Error::other("the serving thread panicked")));
        self.checking.take();
        self.sending.take();
        let now = self.app.now();
        let noted: Result<Seconds, StoreFault> =
            self.app.db.write_blocking(move |conn| server::note_alive(conn, now));
        if let Err(fault) = noted {
            tracing::warn!(cause = %fault, "The time of stopping was not noted");
        }
        ended
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        if self.thread.is_some() {
            self.ask_to_stop();
            let _ = self.join();
        }
    }
}

/// Starts a server: opens its folder, listens, and serves on a thread of its own.
///
/// # Errors
/// [`StartError`]; nothing is left running.
pub fn start(config: Config) -> Result<Running, StartError> {
    if config.tls == Tls::Plain && !config.listen.ip().is_loopback() {
        return Err(StartError::PlainBeyondLoopback { addr: config.listen });
    }
    let data = &config.data;
    make_private(data)?;
    let lock = lock(data)?;
    let chance = config.seed.map_or(Chance::System, Chance::Seeded);

    let (online_path, db_path) = (data.join(ONLINE_KEY), data.join("pintle.db"));
    // The key is made after the database: where it is, there was one.
    if online_path.exists() && fs::metadata(&db_path).map_or(0, |file| file.len()) == 0 {
        return Err(StartError::Missing { path: db_path });
    }
    let db = Db::open(&db_path)?;
    let (last, ahead) = db.read_blocking::<_, StoreFault, _>(|conn| {
        Ok((clock::last(conn)?, clock::ahead(conn, Seconds::MAX)?))
    })?;
    let time = Keeper::resume(config.clock.clone(), last, ahead);
    // The first token is made after the key: where there is one, there was a key.
    if !online_path.exists() && db.read_blocking::<_, StoreFault, _>(tokens::any)? {
        return Err(StartError::Missing { path: online_path });
    }
    let online = keys::online_key(&online_path, &chance).map_err(file(&online_path))?;
    let payloads = Folder::open(data.join("payloads"))?;
    let envelopes = Folder::open(data.join("envelopes"))?;
    let operator_token = first_token(&db, &chance, data, time.now())?;
    // Pages can be looked at even if nothing can be written.
    ticking::evaluate(&time, &db).or_else(|fault| fault.unwritable().map(drop).ok_or(fault))?;
    let tls = match &config.tls {
        Tls::Plain => None,
        Tls::Names(names) => {
            let mut names = names.clone();
            names.extend(config.advertise.then(|| local_link::host(&keys::public(&online))));
            Some(Certificates::ready(data, &names, time.wall())?)
        }
    };

    let ways = Ways::ready(&config.notices)?;
    let listen = |source| StartError::Listen { addr: config.listen, source };
    let listener = TcpListener::bind(config.listen).map_err(listen)?;
    let addr = listener.local_addr().map_err(listen)?;
    let ca_pem = tls.as_ref().map(|certificates| certificates.ca_pem()).transpose()?;
    let certificates = tls;
    let tls = certificates.as_ref().map(Certificates::config).transpose()?;
    let scheme = if tls.is_some() { "https" } else { "http" };

    let checking = Checking::begin(&db_path, db.clone())?;
    let app = App::new(&config, time, db, (payloads, envelopes), online, certificates);
    let sending = ways.map(|ways| Sending::begin(app.clone(), ways)).transpose();
    let sending = sending.map_err(|e| StartError::Thread { why: e.to_string() })?;
    let server_key = app.server_key();
    let (tell, told) = mpsc::channel();
    let flags = (config.as_service, config.hsts && tls.is_some());
    let shared = tls.is_none();
    let clock = config.clock.clone();
    let serving = app.clone();
    let thread = std::thread::Builder::new()
        .name("serve".to_owned())
        .spawn(move || {
            rt::System::new().block_on(async move {
                let (server, stopping) = net::serve(serving.clone(), listener, tls, shared, flags)?;
                let _ = tell.send(server.handle());
                let ticking = rt::spawn(ticking::keep_ticking(serving.clone()));
                #[cfg(target_os = "linux")]
                if flags.0 {
                    rt::spawn(manager::keep_telling(serving, stopping));
                }
                #[cfg(not(target_os = "linux"))]
                drop((serving, stopping));
                let ended = server.await;
                ticking.abort();
                ended
            })
        })
        .map_err(|e| StartError::Thread { why: e.to_string() })?;
    let handle = match told.recv() {
        Ok(handle) => handle,
        Err(_) => {
            let ended = thread.join().map_or_else(
                |_| "it panicked".to_owned(),
                |ended| ended.map_or_else(|e| e.to_string(), |()| "it ended".to_owned()),
            );
            return Err(StartError::Thread { why: ended });
        }
    };
    let advert = if config.advertise { advertise(addr, scheme == "https", &server_key) } else { None };
    let running = Running {
        addr,
        base_url: format!("{scheme}://{addr}"),
        ca_pem,
        operator_token,
        server_key,
        clock,
        app,
        handle,
        thread: Some(thread),
        checking,
        sending,
        _advert: advert,
        _lock: lock,
    };
    #[cfg(target_os = "linux")]
    if config.as_service {
        manager::tell_ready(&running.app);
    }
    Ok(running)
}

/// Nodes that know where the server is do not need it: without it the server starts all the same.
fn advertise(addr: SocketAddr, tls: bool, key: &PublicKey) -> Option<Advert> {
    Advert::begin(addr, tls, key)
        .inspect_err(|fault| tracing::warn!(cause = %fault, "The server is not advertised on the local link"))
        .ok()
}

/// Makes a token at the very first start.
fn first_token(db: &Db, chance: &Chance, data: &Path, now: Seconds) -> Result<Option<String>, StartError> {
    if db.read_blocking::<_, StoreFault, _>(tokens::any)? {
        return Ok(None);
    }
    let secret = Secret::from_bytes(chance.bytes("operator token").map_err(file(data))?);
    let hash = secret.hash;
    db.write_blocking(move |conn| {
        tokens::add(conn, "first", TokenRole::Operator, &hash, now)?;
        journal::append(conn, now, vec![Line::new("first_start", "The server started for the first time")])
    })?;
    Ok(Some(secret.text))
}

/// Makes the key that is to sign replies to nodes later; its public half. One that is there
/// already is not replaced.
///
/// # Errors
/// [`StartError`] if there is no server's folder, or it cannot be written.
pub fn new_key(data: &Path, clock: &Clock) -> Result<PublicKey, StartError> {
    let database = data.join("pintle.db");
    fs::metadata(&database).map_err(file(&database))?;
    let path = data.join(NEXT_KEY);
    let was_there = path.exists();
    let key = keys::public(&keys::online_key(&path, &Chance::System).map_err(file(&path))?);
    if !was_there {
        note(&database, clock, "server_key_made", format!("A new key of the server was made: {key}"))?;
    }
    Ok(key)
}

/// Puts the new key in the place of the one that signs replies to nodes; its public half. The
/// old one is kept beside it. Can be repeated after it was interrupted.
///
/// # Errors
/// [`StartError`] if the server runs, or there is no new key.
pub fn switch_key(data: &Path, clock: &Clock) -> Result<PublicKey, StartError> {
    let database = data.join("pintle.db");
    fs::metadata(&database).map_err(file(&database))?;
    let _lock = lock(data)?;
    let (next, online) = (data.join(NEXT_KEY), data.join(ONLINE_KEY));
    fs::metadata(&next).map_err(file(&next))?;
    let key = keys::public(&keys::online_key(&next, &Chance::System).map_err(file(&next))?);
    let bytes = fs::read(&online).map_err(file(&online))?;
    let old = keys::public(&keys::online_key(&online, &Chance::System).map_err(file(&online))?);
    let aside = data.join(format!("online-{}.key", Digest(old.0).short()));
    if !aside.exists() {
        keys::write_private(&aside, &bytes).map_err(file(&aside))?;
    }
    fs::rename(&next, &online).map_err(file(&online))?;
    File::open(data).and_then(|folder| folder.sync_all()).map_err(file(data))?;
    note(
        &database,
        clock,
        "server_key_switched",
        format!("Replies to nodes are signed with key {key} from now on"),
    )?;
    Ok(key)
}

/// The key that signs replies to nodes, and the one that is to take its place.
const ONLINE_KEY: &str = "online.key";
const NEXT_KEY: &str = "next.key";

fn note(database: &Path, machine: &Clock, event: &'static str, sentence: String) -> Result<(), StartError> {
    let db = Db::open(database)?;
    let wall = machine.now();
    db.write_blocking(move |conn| {
        journal::append(conn, clock::own_time(conn, wall)?, vec![Line::new(event, sentence)])
    })
    .map_err(|fault: StoreFault| StartError::Store(fault))
}

pub(crate) fn make_private(data: &Path) -> Result<(), StartError> {
    if data.is_dir() {
        return Ok(());
    }
    fs::create_dir_all(data).map_err(file(data))?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        fs::set_permissions(data, fs::Permissions::from_mode(0o700)).map_err(file(data))?;
    }
    Ok(())
}

/// Two servers on one folder would both believe themselves alone.
pub(crate) fn lock(data: &Path) -> Result<File, StartError> {
    let path = data.join("pintle.lock");
    let lock = File::options().create(true).truncate(false).write(true).open(&path).map_err(file(&path))?;
    match lock.try_lock() {
        Ok(()) => Ok(lock),
        Err(TryLockError::WouldBlock) => Err(StartError::InUse { path: data.to_owned() }),
        Err(TryLockError::Error(source)) => Err(file(&path)(source)),
    }
}

fn file(path: &Path) -> impl FnOnce(std::io::Error) -> StartError {
    let path = path.to_owned();
    move |source| {
        let is_denied = source.kind() == std::io::ErrorKind::PermissionDenied;
        if is_denied || Unwritable::of_file(&source).is_some() {
            StartError::CannotWrite { path, source }
        } else {
            StartError::File { path, source }
        }
    }
}

#[cfg(test)]
#[path = "trouble_tests.rs"]
mod trouble_tests;
