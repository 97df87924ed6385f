use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::journal::{self, JournalError, Look};
use crate::server_link;
use crate::ui::Answer;
use pintle_server::backup;
use pintle_server::contract::Seconds;
use pintle_server::journal::follow::Seen;
use serde::Serialize;
use std::path::PathBuf;

/// Verify the server's journal against what was seen of it before
///
/// Every entry carries the hash of the one before it, and the server signs the newest one. The yard
/// keeps the newest entry that was verified; a journal that was edited, reordered, cut short or
/// written anew since then is told, with the first entry that does not fit. Up to 5000 entries are
/// read from the first one every time, longer journals from the entry that was kept.
///
/// After the server was restored from a backup the newest entries are gone, and rightly so: take
/// what it has now with --after-restore.
///
/// Example: pintle server journal
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Read every entry, however many there are
    #[arg(long)]
    all: bool,
    /// Write every entry to a new file too, one JSON object a line
    #[arg(long, value_name = "FILE")]
    export: Option<PathBuf>,
    /// Forget what was seen before: the server was restored from a backup, or is another one
    #[arg(long)]
    after_restore: bool,
    /// Verify a file written with --export, without the server
    #[arg(long, value_name = "FILE", conflicts_with_all = ["all", "export", "after_restore", "backup"])]
    file: Option<PathBuf>,
    /// Verify the journal and all else in a backup of the server, without the server
    #[arg(long, value_name = "DIR", conflicts_with_all = ["all", "export", "after_restore"])]
    backup: Option<PathBuf>,
}

/// What was found.
#[derive(Serialize)]
struct Checked {
    /// Entries in good order, from the first one on.
    entries: i64,
    /// Hash of the newest.
    head: String,
    /// Entries that were not there at the look before; absent without one.
    new: Option<i64>,
    /// When the look before was.
    since: Option<Seconds>,
    /// Why the journal is not taken; absent if all is well.
    broken: Option<String>,
}

impl Checked {
    fn good(newest: Seen) -> Self {
        Self { entries: newest.number, head: newest.hash.to_string(), new: None, since: None, broken: None }
    }
}

impl Answer for Checked {
    fn text(&self) -> String {
        if let Some(broken) = &self.broken {
            return format!("{broken}\n");
        }
        let entries = |n| if n == 1 { "1 entry".to_owned() } else { format!("{n} entries") };
        let new = match (self.new, self.since) {
            (Some(new), Some(since)) => {
                format!(", {new} of them since {}", show::utc(since))
            }
            _ => String::new(),
        };
        format!("{} in good order{new}, newest hash {}\n", entries(self.entries), self.head)
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    let kept = journal::kept(&yard)?;
    let seen = kept.map(|(seen, _)| seen);
    let checked = if let Some(path) = &args.file {
        journal::check_file(path, seen).map(Checked::good)
    } else if let Some(dir) = &args.backup {
        let made = backup::check(dir).map_err(|fault| CliError::Other {
            message: fault.to_string(),
            hint: None,
            exit: Exit::BadInput,
        })?;
        Ok(Checked::good(Seen { number: made.journal_entries, hash: made.journal_head }))
    } else {
        let unlocked = run.unlock(&yard)?;
        let client = server_link::client(&yard, &unlocked)?;
        let how = Look { all: args.all, afresh: args.after_restore, export: args.export.as_deref() };
        journal::look(&yard, &client, &how).map(|found| Checked {
            new: found.before.map(|before| found.newest.number - before.number),
            since: kept.map(|(_, at)| at),
            ..Checked::good(found.newest)
        })
    };
    match checked {
        Ok(checked) => {
            run.ui.answer(&checked);
            Ok(Exit::Done)
        }
        Err(error @ (JournalError::Broken(_) | JournalError::Head(_))) => {
            let (entries, head) = seen.map_or((0, String::new()), |s| (s.number, s.hash.to_string()));
            run.ui.answer(&Checked {
                entries,
                head,
                new: None,
                since: None,
                broken: Some(error.to_string()),
            });
            run.ui.say(
                "if the server was restored from a backup or is another one, take what it has now with --after-restore; \
                 otherwise somebody has changed the server's records: look for who has access to it",
            );
            Ok(Exit::No)
        }
        Err(error) => Err(error.into()),
    }
}
