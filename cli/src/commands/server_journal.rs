use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::journal::{self, Copy, JournalError, Look};
use crate::server_link;
use crate::ui::Answer;
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
/// An exported journal ends with the head that the server signed then. It and a backup are held against the entry
/// that the yard keeps; an older one is taken if the server's key is that of this yard's server.
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
#[derive(Default, Serialize)]
struct Checked {
    /// Entries in good order, from the first one on.
    entries: i64,
    /// Hash of the newest.
    head: String,
    /// Entries that were not there at the look before; absent without one.
    new: Option<i64>,
    /// When the look before was.
    since: Option<Seconds>,
    /// When it was exported or backed up; absent for the server's own, and for a file without a signed head.
    copied_at: Option<Seconds>,
    /// The newest entry that the yard has seen, if this copy is older and does not have it.
    older_than: Option<i64>,
    /// Why the journal is not taken; absent if all is well.
    broken: Option<String>,
}

impl Checked {
    fn good(newest: Seen) -> Self {
        Self { entries: newest.number, head: newest.hash.to_string(), ..Self::default() }
    }

    fn copy(copy: Copy) -> Self {
        Self { copied_at: copy.at, older_than: copy.older_than, ..Self::good(copy.newest) }
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
        let mut text = format!("{} in good order{new}, newest hash {}\n", entries(self.entries), self.head);
        if let Some(at) = self.copied_at {
            text += &format!("as it was at {}\n", show::utc(at));
        }
        if let Some(seen) = self.older_than {
            text += &format!("older than entry {seen}, which this yard has seen\n");
        }
        text
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    let kept = journal::kept(&yard)?;
    let seen = kept.map(|(seen, _)| seen);
    let copy = if let Some(path) = &args.file {
        Some(journal::check_file(&yard, path, seen))
    } else {
        args.backup.as_deref().map(|backup| journal::check_backup(&yard, backup, seen))
    };
    let is_copy = copy.is_some();
    let checked = if let Some(copy) = copy {
        copy.map(|copy| {
            told_of(&copy, args.file.is_some(), run);
            Checked::copy(copy)
        })
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
        Err(error @ (JournalError::Broken(_) | JournalError::Head(_) | JournalError::Foreign { .. })) => {
            let (entries, head) = seen.map_or((0, String::new()), |s| (s.number, s.hash.to_string()));
            run.ui.answer(&Checked { entries, head, broken: Some(error.to_string()), ..Checked::default() });
            run.ui.say(if is_copy {
                "it was changed, or is of another server; or the server was restored from a backup since it was made"
            } else {
                "if the server was restored from a backup or is another one, take what it has now with --after-restore; \
                 otherwise somebody has changed the server's records: look for who has access to it"
            });
            Ok(Exit::No)
        }
        Err(error) => Err(error.into()),
    }
}

/// Says what a copy does not prove.
fn told_of(copy: &Copy, is_file: bool, run: &mut Run) {
    if is_file && copy.at.is_none() {
        run.ui.warn("the file has no signed head at its end: entries may be missing after the last one");
    }
    if let Some(key) = &copy.other_key {
        run.ui.warn(&format!(
            "the server's key was {key} then, which is not the key of this yard's server now: it was made before a change of keys, or by another server"
        ));
    }
}
