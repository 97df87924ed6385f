//! The thread that looks for what is new, and sends what waits.

use super::condition::{Changes, Condition, Kind, Written, aged, ending};
use super::mail::Post;
use super::message::MOST;
use super::patience::Patience;
use super::webhook::Hook;
use super::{Notices, facts, tls};
use crate::app::App;
use crate::contract::Seconds;
use crate::store::notices::{self as rows, Way};
use crate::store::{Connection, StoreFault, clock};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use zeroize::Zeroizing;

/// Every so many rounds nodes are looked at too: with a round every five seconds, once a minute.
const NODES_EVERY: u32 = 12;
/// Messages by one way in one round at the most.
const MESSAGES: usize = 20;

/// Why nobody could be told.
#[derive(Debug, thiserror::Error)]
pub enum Fault {
    /// A file that a setting names cannot be used.
    #[error("{}: {why}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// The connection cannot be set up at all.
    #[error("the connection cannot be set up: {why}")]
    Setup {
        /// Why.
        why: String,
    },
    /// It was not taken.
    #[error("{to} did not take it: {why}")]
    NotSent {
        /// Who.
        to: &'static str,
        /// Why.
        why: String,
    },
}

/// What a file holds, without white space around it.
pub(super) fn secret(path: &Path) -> Result<Zeroizing<String>, Fault> {
    let fault = |why: String| Fault::File { path: path.to_owned(), why };
    let text = Zeroizing::new(std::fs::read_to_string(path).map_err(|e| fault(e.to_string()))?);
    let text = Zeroizing::new(text.trim().to_owned());
    // What is in it is not shown.
    if text.is_empty() || !text.bytes().all(|byte| byte.is_ascii_graphic() || byte == b' ') {
        return Err(fault("one line of printable ASCII is expected".to_owned()));
    }
    Ok(text)
}

/// The ways by which people are told, ready to be used.
pub(crate) struct Ways {
    hook: Option<Hook>,
    post: Option<Post>,
}

impl Ways {
    /// Reads the secrets and certificates; connects to nobody.
    ///
    /// # Errors
    /// [`Fault`] if a file cannot be used.
    pub(crate) fn ready(notices: &Notices) -> Result<Option<Self>, Fault> {
        if !notices.any() {
            return Ok(None);
        }
        let roots = tls::roots(notices.roots.as_deref())?;
        let hook = notices.webhook.as_ref().map(|w| Hook::new(w, &roots)).transpose()?;
        let post = notices.mail.as_ref().map(|m| Post::new(m, &roots)).transpose()?;
        Ok(Some(Self { hook, post }))
    }

    const fn has(&self, way: Way) -> bool {
        match way {
            Way::Webhook => self.hook.is_some(),
            Way::Mail => self.post.is_some(),
        }
    }

    fn send(&self, way: Way, server: &str, notices: &[Written]) -> Result<(), Fault> {
        match (way, &self.hook, &self.post) {
            (Way::Webhook, Some(hook), _) => hook.post(server, notices),
            (Way::Mail, _, Some(post)) => post.send(server, notices),
            _ => Ok(()),
        }
    }
}

/// The name of a way, and what became of a notice by it.
pub type Tried = (&'static str, Result<(), Fault>);

/// Sends a notice that says it is a test by every way that is set; for each its name and what became of it.
///
/// # Errors
/// [`Fault`] if a file cannot be used.
pub fn try_all(notices: &Notices, server: &str, wall: Seconds) -> Result<Vec<Tried>, Fault> {
    let Some(ways) = Ways::ready(notices)? else { return Ok(Vec::new()) };
    let condition = Condition {
        kind: Kind::Test,
        subject: "test".to_owned(),
        sentence: "This is a test: notices come this way".to_owned(),
    };
    let test = [Written { id: 0, condition, at: wall }];
    let set = WAYS.into_iter().filter(|(way, _)| ways.has(*way));
    Ok(set.map(|(way, name)| (name, ways.send(way, server, &test))).collect())
}

const WAYS: [(Way, &str); 2] = [(Way::Webhook, "webhook"), (Way::Mail, "mail")];

/// The thread; it ends when this is dropped, after what it is just sending.
pub(crate) struct Sending {
    stop: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Sending {
    /// Begins to look and to send, once in every `app.tick`.
    pub(crate) fn begin(app: App, ways: Ways) -> std::io::Result<Self> {
        let (stop, stopped) = channel();
        let mut rounds = Rounds::new(app, ways);
        let every = rounds.app.tick;
        let thread = std::thread::Builder::new().name("notices".to_owned()).spawn(move || {
            while stopped.recv_timeout(every) == Err(RecvTimeoutError::Timeout) {
                // That nothing can be written is logged once, by the store.
                if let Err(fault) = rounds.one()
                    && fault.unwritable().is_none()
                {
                    tracing::error!(cause = %fault, "Notices could not be stored");
                }
            }
        })?;
        Ok(Self { stop: Some(stop), thread: Some(thread) })
    }
}

impl Drop for Sending {
    fn drop(&mut self) {
        self.stop.take();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// One look after the other.
pub(super) struct Rounds {
    app: App,
    ways: Ways,
    server: String,
    count: u32,
    began: Instant,
    patience: [Patience; 2],
    /// Since when the key is in use, by the server's own time and as the clock on the wall showed it.
    key_since: Option<(Seconds, Seconds)>,
}

impl Rounds {
    pub(super) fn new(app: App, ways: Ways) -> Self {
        let server = app.server_key().to_string();
        Self {
            app,
            ways,
            server,
            count: 0,
            began: Instant::now(),
            patience: Default::default(),
            key_since: None,
        }
    }

    /// Looks once, and sends what waits.
    pub(super) fn one(&mut self) -> Result<(), StoreFault> {
        if self.app.db.trouble().is_some() {
            return Ok(());
        }
        let (now, wall) = (self.app.now(), self.app.wall());
        let certificates = self.app.certificates.as_deref();
        let mut nearing = certificates.map_or_else(Vec::new, |c| ending(&c.ends(), wall));
        if self.key_since.is_none() {
            self.key_since = self.app.db.read_blocking::<_, StoreFault, _>(|conn| {
                let since = rows::key_since(conn)?;
                since.map(|since| Ok((since, clock::wall(conn, since)?))).transpose()
            })?;
        }
        nearing.extend(self.key_since.and_then(|(since, began)| aged(since, began, now)));
        self.note(now, |conn, lasting| facts::of_rollouts(conn, lasting, nearing.clone(), now))?;
        if self.count.is_multiple_of(NODES_EVERY) {
            self.note(now, |conn, lasting| facts::of_nodes(conn, lasting, now))?;
        }
        self.count = self.count.wrapping_add(1);
        for (n, (way, name)) in WAYS.into_iter().enumerate() {
            self.send(n, way, name, now)?;
        }
        Ok(())
    }

    /// Looks, and stores what has changed. Looking takes its time beside check-ins; only what is new is written.
    fn note(
        &self,
        now: Seconds,
        look: impl Fn(&Connection, &[super::Lasting]) -> Result<Changes, StoreFault>,
    ) -> Result<(), StoreFault> {
        let changes =
            self.app.db.read_blocking::<_, StoreFault, _>(|conn| look(conn, &rows::lasting(conn)?))?;
        if changes.is_empty() {
            return Ok(());
        }
        let ways = WAYS.map(|(way, _)| self.ways.has(way));
        self.app.db.write_blocking(move |conn| rows::store(conn, &changes, ways, now))
    }

    fn send(&mut self, n: usize, way: Way, name: &'static str, now: Seconds) -> Result<(), StoreFault> {
        let exists = self.ways.has(way);
        let stale =
            self.app.db.read_blocking::<_, StoreFault, _>(|conn| rows::any_stale(conn, way, exists, now))?;
        if stale {
            let given_up: usize = self
                .app
                .db
                .write_blocking::<_, StoreFault, _>(move |conn| rows::give_up(conn, way, exists, now))?;
            tracing::warn!(
                way = name,
                notices = given_up,
                "Notices that could not be sent in time are given up"
            );
        }
        let Some(patience) = self.patience.get_mut(n).filter(|_| exists) else { return Ok(()) };
        for _ in 0..MESSAGES {
            let since = self.began.elapsed();
            if !patience.may(since) {
                break;
            }
            let waiting: Vec<Written> =
                self.app.db.read_blocking::<_, StoreFault, _>(|conn| rows::waiting(conn, way, MOST))?;
            if waiting.is_empty() {
                break;
            }
            let sent = self.ways.send(way, &self.server, &waiting);
            patience.note(sent.is_ok(), since);
            match sent {
                Ok(()) => {
                    let ids: Vec<i64> = waiting.iter().map(|notice| notice.id).collect();
                    self.app
                        .db
                        .write_blocking::<_, StoreFault, _>(move |conn| rows::sent(conn, way, &ids))?;
                }
                Err(fault) => {
                    let again: Duration = patience.pause();
                    tracing::warn!(
                        way = name, cause = %fault, again_in_s = again.as_secs(), "Nobody could be told of what is new"
                    );
                }
            }
        }
        Ok(())
    }
}
