use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::ui::Answer;
use pintle_server::contract::JournalCheck;
use serde::Serialize;

/// Have the server check that its journal was not changed
///
/// Every entry carries the hash of the one before it. Note the newest hash now and then, away
/// from the server: with it, a journal that was written anew is noticed too.
///
/// Example: pintle server journal
#[derive(Debug, clap::Args)]
pub(super) struct Args {}

#[derive(Serialize)]
#[serde(transparent)]
struct Checked(JournalCheck);

impl Answer for Checked {
    fn text(&self) -> String {
        let c = &self.0;
        let mut text = format!("{} in good order, newest hash {}\n", entries(c.good), c.head);
        if let Some(bad) = &c.bad {
            text += &format!("entry {} does not fit: {}\n", bad.number, bad.why);
        }
        text
    }
}

fn entries(n: i64) -> String {
    if n == 1 { "1 entry".to_owned() } else { format!("{n} entries") }
}

pub(super) fn run(_: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (_, _, client) = run.all()?;
    let check = client.check_journal()?;
    let good = check.bad.is_none();
    run.ui.answer(&Checked(check));
    Ok(if good { Exit::Done } else { Exit::No })
}
