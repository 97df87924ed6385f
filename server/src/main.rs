//! The server's program: flags, one thread that serves, and what is printed at the start.

mod token;

use clap::{ArgMatches, CommandFactory, FromArgMatches, Parser, Subcommand};
use pintle_protocol::id::PublicKey;
use pintle_server::backup::{self, Manifest};
use pintle_server::clock::Clock;
use pintle_server::manual::Program;
use pintle_server::notices;
use pintle_server::settings::Settings;
use pintle_server::{Running, StartError, new_key, start, switch_key};
use std::io::{IsTerminal, Write};
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
#[command(name = "pintle-server", version, arg_required_else_help = true,
    after_help = environment())]
struct Args {
    #[command(subcommand)]
    command: Option<Command>,

    /// File with settings, TOML; flags and the environment count before it
    #[arg(long, value_name = "FILE", env = "PINTLE_SETTINGS", hide_env_values = true, global = true)]
    settings: Option<PathBuf>,

    #[command(flatten)]
    given: Settings,
}

/// The folder of a server, for what is done beside it.
#[derive(clap::Args)]
struct Folder {
    /// Folder of the server, which may be running; else the one of the settings file
    #[arg(long, value_name = "DIR", env = "PINTLE_DATA", hide_env_values = true)]
    data: Option<PathBuf>,
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
        #[command(flatten)]
        folder: Folder,
    },
    /// Signs replies to nodes with the new key from now on; the old one is kept beside it
    ///
    /// A node that does not trust the new key is lost then: see `pintle keys tally` before.
    SwitchKey {
        /// Folder of the server, which must not be running; else the one of the settings file
        #[arg(long, value_name = "DIR", env = "PINTLE_DATA", hide_env_values = true)]
        data: Option<PathBuf>,
    },
    /// Makes a backup, also while the server runs
    ///
    /// It holds the server's own keys: whoever has it can pretend to be this server. Keep it as
    /// you keep those. It holds no key that signs updates.
    Backup {
        #[command(flatten)]
        folder: Folder,
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
        /// Folder of the server to be; it must be empty or not there; else the one of the settings file
        #[arg(long, value_name = "DIR", env = "PINTLE_DATA", hide_env_values = true)]
        data: Option<PathBuf>,
    },
    /// Sends a test by every way in which notices are to be sent, and says what became of it
    ///
    /// The ways are those of the settings; the server may be running. Nothing is stored.
    TryNotices,
    /// Writes the manual pages and the completions for bash, zsh and fish
    ///
    /// They go where `man` and the shells look for them below a folder such as /usr/local/share or
    /// ~/.local/share. Those of an earlier version are replaced.
    Manual {
        /// The folder; made if it is not there
        #[arg(long, value_name = "DIR")]
        to: PathBuf,
    },
}

/// What the environment sets that is no option.
const ENVIRONMENT: [(&str, &str); 1] =
    [("PINTLE_LOG", "how much is logged: error, warn, info, debug or trace; info is usual")];

fn environment() -> String {
    let lines = ENVIRONMENT.map(|(name, text)| format!("  {name}  {text}"));
    format!("Environment:\n{}", lines.join("\n"))
}

fn manual() -> Program<'static> {
    Program {
        command: Args::command(),
        section: "8",
        exits: vec![
            (0, "done; a server that was told to stop has stopped in good order"),
            (1, "it could not be done; stderr says why"),
            (2, "the command line is wrong"),
        ],
        environment: &ENVIRONMENT,
        also: &["pintle(1)"],
    }
}

fn main() -> ExitCode {
    let matches = Args::command().get_matches();
    match Args::from_arg_matches(&matches).map_err(Into::into).and_then(|args| run(args, &matches)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // Talk goes to stderr; where even that is closed there is nobody to tell.
            let _ = writeln!(std::io::stderr(), "error: {error}");
            ExitCode::FAILURE
        }
    }
}

fn run(args: Args, matches: &ArgMatches) -> Outcome {
    let settings = Settings::over_file(&args.given, matches, args.settings.as_deref())?;
    log(settings.log_json());
    let folder = |own: Option<PathBuf>| match own {
        Some(own) => Ok(own),
        None => settings.folder().map(Path::to_owned),
    };
    match args.command {
        Some(Command::Token(command)) => command.run(folder),
        Some(Command::NewKey { folder: own }) => print_key(new_key(&folder(own.data)?, &Clock::System)),
        Some(Command::SwitchKey { data }) => print_key(switch_key(&folder(data)?, &Clock::System)),
        Some(Command::Backup { folder: own, to }) => make_backup(&folder(own.data)?, &to),
        Some(Command::Check { from }) => check_backup(&from),
        Some(Command::Restore { from, data }) => restore(&from, &folder(data)?),
        Some(Command::TryNotices) => try_notices(&settings),
        Some(Command::Manual { to }) => {
            tell(&format!("{} files written below {}", manual().write(&to)?, to.display()))
        }
        None => serve(&settings),
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

fn try_notices(settings: &Settings) -> Outcome {
    let tried = notices::try_all(&settings.notices()?, "of a test", Clock::System.now())?;
    if tried.is_empty() {
        return Err("no way is set: set `webhook`, or `mail-server` with `mail-from` and `mail-to`".into());
    }
    let mut failed = 0;
    for (way, sent) in tried {
        match sent {
            Ok(()) => tell(&format!("{way}: the test was taken; see that it has arrived"))?,
            Err(fault) => {
                failed += 1;
                tell(&format!("{way}: {fault}"))?;
            }
        }
    }
    if failed == 0 { Ok(()) } else { Err(format!("{failed} of the ways did not work").into()) }
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

fn serve(settings: &Settings) -> Outcome {
    let mut config = settings.config()?;
    config.as_service = true;
    // Without it there is room for fewer connections, which the server makes do with.
    #[cfg(unix)]
    if let Err(cause) = pintle_server::raise_descriptors(config.limits.connections) {
        tracing::warn!(%cause, "The number of files that may be open could not be raised");
    }
    let data = config.data.clone();
    let running: Running = start(config)?;
    let mut out = std::io::stdout();
    if let Some(token) = &running.operator_token {
        writeln!(out, "operator token (shown once, kept nowhere): {token}")?;
    }
    writeln!(out, "server key: {}", running.server_key)?;
    writeln!(out, "listening on {}", running.base_url)?;
    out.flush()?;
    let (addr, key) = (running.addr, running.server_key);
    tracing::info!(%addr, %key, data = %data.display(), "The server is ready");
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
