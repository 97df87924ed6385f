use super::how::How;
use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::keys::send::{KeysRollout, send};
use crate::keys::{self, KeysError};
use crate::plan::RolloutError;

/// Give up a change of keys: the old keys stay
///
/// The new keys are put aside in keys/old/, and nodes that trust them already get the set without
/// them. Hold or turn back the rollout of keys first, if it is under way.
///
/// Example: pintle keys give-up
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    how: How,
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, unlocked, client) = run.all()?;
    let care = args.how.care(&yard)?;
    let kept = keys::give_up(&yard, &unlocked, &client)?;
    run.ui.say("the new keys are put aside in keys/old/; the old ones stay in use");
    let title = args.how.title.clone().unwrap_or_else(|| "keys: as before".to_owned());
    let request = KeysRollout { title: &title, nodes: &[], waves: &args.how.waves, care };
    let started = send(&kept, &unlocked, &client, &request, &mut |text| run.ui.say(text));
    match started {
        Ok(view) => run.ui.answer(&show::Rollout(view)),
        Err(KeysError::Send(RolloutError::NothingToDo)) => run.ui.say("no node had taken the new ones"),
        Err(error) => {
            run.ui.warn(
                "nodes may still trust the keys that were put aside: `pintle keys send` when that is mended",
            );
            return Err(error.into());
        }
    }
    Ok(Exit::Done)
}
