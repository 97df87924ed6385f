use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::plan::wifi;

/// Give a change of network up: the candidate is removed
///
/// Writes networks.toml and forgets the candidate's passphrase. Nodes that hold the candidate
/// already lose it with their next bundle: `pintle rollout start --bundles`. Nodes that run on it
/// alone would be lost: keep it on the air until then.
///
/// Example: pintle wifi give-up
#[derive(Debug, clap::Args)]
pub(super) struct Args {}

pub(super) fn run(_: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    let unlocked = run.unlock(&yard)?;
    let name = wifi::candidate_of(&yard).map(|(network, _)| network.name.clone());
    wifi::give_up(&yard)?;
    if let Some(name) = name {
        unlocked.forget_passphrase(&name)?;
        run.ui.say(&format!("network {name} is removed from the yard"));
    }
    run.ui.say("next: `pintle rollout start --bundles` takes it out of the nodes that hold it");
    Ok(Exit::Done)
}
