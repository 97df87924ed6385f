use super::how::How;
use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::keys::send::{KeysRollout, send};
use crate::keys::{self, KeysError};
use crate::plan::RolloutError;

/// End a change of keys: the new keys take the place of the old ones
///
/// Refuses while a node does not trust the new keys, and while a rollout is under way whose ways
/// back the old keys have signed. The old private keys are kept in keys/old/. Starts a rollout of
/// the set without the old keys; only with it do nodes refuse them.
///
/// Example: pintle keys finish
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Nodes that are not waited for, with commas; `pintle keys send` reaches them later, unless
    /// the server's key has changed
    #[arg(long, value_name = "NODE,..", value_delimiter = ',')]
    without: Vec<String>,
    #[command(flatten)]
    how: How,
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, unlocked, client) = run.all()?;
    let care = args.how.care(&yard)?;
    for name in &args.without {
        yard.node(name)?;
    }
    let what = keys::under_way(&yard);
    let finished = keys::finish(&yard, &unlocked, &client, &args.without)?;
    run.ui.say(&format!("in use from now on: the new {what}; the old private keys lie in keys/old/"));
    let title = args.how.title.clone().unwrap_or_else(|| format!("keys: old {what} no longer trusted"));
    let request = KeysRollout { title: &title, nodes: &[], waves: &args.how.waves, care };
    let started = send(&finished, &unlocked, &client, &request, &mut |text| run.ui.say(text));
    match started {
        Ok(view) => run.ui.answer(&show::Rollout(view)),
        // A root key takes the other's place at once: then every node has the last set already.
        Err(KeysError::Send(RolloutError::NothingToDo)) => run.ui.say("every node has the set already"),
        Err(error) => {
            run.ui.warn(
                "the new keys are in use already; send the set without the old ones with `pintle keys send`",
            );
            return Err(error.into());
        }
    }
    Ok(Exit::Done)
}
