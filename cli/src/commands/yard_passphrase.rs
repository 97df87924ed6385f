use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::locked::Cost;
use std::path::PathBuf;

/// Change the passphrase of the yard's keys
///
/// Writes keys/yard.lock anew. Older copies of that file, in git or in a backup, still open with
/// the old passphrase: if somebody may know it, change the keys too.
///
/// Example: pintle yard passphrase
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// File with the new passphrase; without it you are asked
    #[arg(long, value_name = "FILE")]
    new_passphrase_file: Option<PathBuf>,
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    let unlocked = run.unlock(&yard)?;
    let passphrase = run.new_passphrase(args.new_passphrase_file.as_deref())?;
    unlocked.relock(passphrase.as_bytes(), Cost::RECOMMENDED, &mut run.rng()?)?;
    run.ui.say("the yard's keys are locked with the new passphrase");
    Ok(Exit::Done)
}
