//! The server's program: flags, one thread that serves, and what is printed at the start.

mod token;

use clap::{Parser, Subcommand, ValueEnum};
use pintle_protocol::id::PublicKey;
use pintle_server::backup::{self, Manifest};
use pintle_server::clock::Clock;
use pintle_server::config::{Config, Tls};
use pintle_server::{Running, StartError, new_key, start, switch_key};
use std::io::{IsTerminal, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use tracing_subscriber::EnvFilter;

/// Tracks door, gate and shed controllers, rolls out updates to them wave by wave, and serves
/// pages that show where everything stands.
///
/// It keeps everything in one folder and needs no other service. It holds no key that signs
/// updates: whoever steals it can delay them, and no more. It never moves a door.
///
/// At its first start it prints the operator's token, once. Nodes and the operator's command
/// trust it by `ca.pem` in its folder.
#[derive(Parser)]
#[command(name = "pintle-server", version, arg_required_else_help = true, subcommand_negates_reqs = true)]
struct Args {
    #[command(subcommand)]
    command: Option<Command>,

    /// Folder with everything that the server keeps; made if it is not there
    #[arg(long, value_name = "DIR", env = "PINTLE_DATA", required = true)]
    data: Option<PathBuf>,

    /// Address and port to listen on
    #[arg(long, value_name = "ADDR", env = "PINTLE_LISTEN", default_value = "0.0.0.0:7443")]
    listen: SocketAddr,

    /// A name or IP address by which nodes and browsers reach the server; may be repeated
    #[arg(
        long = "tls-name",
        value_name = "NAME",
        env = "PINTLE_TLS_NAMES",
        value_delimiter = ',',
        default_value = "localhost",
        conflicts_with = "plain"
    )]
    tls_names: Vec<String>,

    /// Plain HTTP instead of TLS; only on loopback, behind a reverse proxy that adds TLS
    #[arg(long)]
    plain: bool,

    /// Tell browsers to take TLS only for this host name, also for other services on it
    #[arg(long, conflicts_with = "plain")]
    hsts: bool,

    /// When to advertise the server on the local link by DNS-SD (_pintle._tcp), so that nodes find it
    /// at a new address
    #[arg(long, value_name = "WHEN", env = "PINTLE_ADVERTISE", default_value = "auto")]
    advertise: Advertise,

    /// Log as JSON, one object a line
    #[arg(long)]
    log_json: bool,
}

#[derive(Clone, Copy, ValueEnum)]
enum Advertise {
    /// Unless it listens on loopback only
    Auto,
    /// Always
    Always,
    /// Never
    Never,
}

#[derive(Subcommand)]
enum Command {
    /// Makes, lists and revokes tokens of the operator's API; the server may be running
    #[command(subcommand)]
    Token(token::Command),
    /// Makes the key that is to sign replies to nodes later, and prints its public half
    ///
    /// Nothing changes yet: have every node trust it first, with `pintle keys renew server`.
    NewKey {
        /// Folder of the server, which may be running
        #[arg(long, value_name = "DIR", env = "PINTLE_DATA")]
        data: PathBuf,
    },
    /// Signs replies to nodes with the new key from now on; the old one is kept beside it
    ///
    /// A node that does not trust the new key is lost then: see `pintle keys tally` before.
    SwitchKey {
        /// Folder of the server, which must not be running
        #[arg(long, value_name = "DIR", env = "PINTLE_DATA")]
        data: PathBuf,
    },
    /// Makes a backup, also while the server runs
    ///
    /// It holds the server's own keys: whoever has it can pretend to be this server. Keep it as
    /// you keep those. It holds no key that signs updates.
    Backup {
        /// Folder of the server, which may be running
        #[arg(long, value_name = "DIR", env = "PINTLE_DATA")]
        data: PathBuf,
        /// Folder to make; it must be empty or not there
        #[arg(long, value_name = "DIR")]
        to: PathBuf,
    },
    /// Checks a backup: files, database, digests, and every entry of the journal
    Check {
        /// The backup
        #[arg(long, value_name = "DIR")]
        from: PathBuf,
    },
    /// Restores a backup into an empty folder, after checking it
    Restore {
        /// The backup
        #[arg(long, value_name = "DIR")]
        from: PathBuf,
        /// Folder of the server to be; it must be empty or not there
        #[arg(long, value_name = "DIR", env = "PINTLE_DATA")]
        data: PathBuf,
    },
}

fn main() -> ExitCode {
    let args = Args::parse();
    log(args.log_json);
    let done = match args.command {
        Some(Command::Token(command)) => command.run(),
        Some(Command::NewKey { data }) => print_key(new_key(&data, &Clock::System)),
        Some(Command::SwitchKey { data }) => print_key(switch_key(&data, &Clock::System)),
        Some(Command::Backup { data, to }) => make_backup(&data, &to),
        Some(Command::Check { from }) => check_backup(&from),
        Some(Command::Restore { from, data }) => restore(&from, &data),
        None => serve(args),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // Talk goes to stderr; where even that is closed there is nobody to tell.
            let _ = writeln!(std::io::stderr(), "error: {error}");
            ExitCode::FAILURE
        }
    }
}

type Outcome = Result<(), Box<dyn std::error::Error>>;

fn print_key(made: Result<PublicKey, StartError>) -> Outcome {
    writeln!(std::io::stdout(), "{}", made?)?;
    Ok(())
}

fn make_backup(data: &Path, to: &Path) -> Outcome {
    let made = backup::make(data, to, Clock::System.now())?;
    tell(&format!("{} holds {}", to.display(), contents(&made)))?;
    tell("it holds the server's keys: whoever has it can pretend to be this server")
}

fn check_backup(from: &Path) -> Outcome {
    tell(&format!("{} is in good order: {}", from.display(), contents(&backup::check(from)?)))
}

fn restore(from: &Path, data: &Path) -> Outcome {
    let restored = backup::restore(from, data, Clock::System.now())?;
    tell(&format!("{} now holds {}", data.display(), contents(&restored)))?;
    tell(
        "browsers have to sign in anew; a token that was ended after the backup works again until a new one is made with `pintle-server token`",
    )
}

fn contents(made: &Manifest) -> String {
    let (entries, files) = (made.journal_entries, made.files.len());
    format!(
        "{files} files, server key {}, {entries} entries of the journal ({})",
        made.server_key, made.journal_head
    )
}

fn tell(line: &str) -> Outcome {
    Ok(writeln!(std::io::stdout(), "{line}")?)
}

fn serve(args: Args) -> Outcome {
    let data = args.data.ok_or("--data is missing")?;
    let mut config = Config::new(data.clone(), args.listen);
    config.tls = if args.plain { Tls::Plain } else { Tls::Names(args.tls_names) };
    config.hsts = args.hsts;
    config.stop_on_signals = true;
    // Without it there is room for fewer connections, which the server makes do with.
    #[cfg(unix)]
    if let Err(cause) = pintle_server::raise_descriptors(config.limits.connections) {
        tracing::warn!(%cause, "The number of files that may be open could not be raised");
    }
    config.advertise = match args.advertise {
        Advertise::Auto => !args.listen.ip().is_loopback(),
        Advertise::Always => true,
        Advertise::Never => false,
    };
    let running: Running = start(config)?;
    let mut out = std::io::stdout();
    if let Some(token) = &running.operator_token {
        writeln!(out, "operator token (shown once, kept nowhere): {token}")?;
    }
    writeln!(out, "server key: {}", running.server_key)?;
    writeln!(out, "listening on {}", running.base_url)?;
    out.flush()?;
    tracing::info!(addr = %running.addr, data = %data.display(), "The server is ready");
    running.wait()?;
    tracing::info!("The server has stopped");
    Ok(())
}

fn log(json: bool) {
    // What strangers send and what breaks off is no error of the server, and must not fill its log.
    let usual = "info,actix_server=warn,actix_http=off";
    let filter = EnvFilter::try_from_env("PINTLE_LOG").unwrap_or_else(|_| EnvFilter::new(usual));
    let logger = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    if json {
        logger.json().init();
    } else {
        logger.with_ansi(std::io::stderr().is_terminal()).init();
    }
}
