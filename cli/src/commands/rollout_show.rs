use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;

/// Show how far a rollout has come
///
/// Changes nothing.
///
/// Example: pintle rollout show 3
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Number of the rollout; the newest if left out
    id: Option<i64>,
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (_, _, client) = run.all()?;
    let view = match args.id {
        Some(id) => Some(client.rollout(id)?),
        None => client.newest_rollout()?,
    };
    match view {
        Some(view) => {
            run.ui.answer(&show::Rollout(view));
            Ok(Exit::Done)
        }
        None => {
            run.ui.say("there are no rollouts");
            Ok(Exit::No)
        }
    }
}
