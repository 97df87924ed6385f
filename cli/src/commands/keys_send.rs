use super::how::How;
use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::keys::send::{KeysRollout, send};

/// Send the yard's set of trust anchors to the nodes that lack it
///
/// For nodes that missed a rollout of keys, or when starting one was interrupted. Each node gets
/// the set signed with the root key that it trusts, however old.
///
/// Example: pintle keys send --nodes barn
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Nodes, with commas; all that lack it if left out
    #[arg(long, value_name = "NODE,..", value_delimiter = ',')]
    nodes: Vec<String>,
    #[command(flatten)]
    how: How,
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, unlocked, client) = run.all()?;
    let care = args.how.care(&yard)?;
    let title = args.how.title.clone().unwrap_or_else(|| "keys".to_owned());
    let request = KeysRollout { title: &title, nodes: &args.nodes, waves: &args.how.waves, care };
    let started = send(&yard, &unlocked, &client, &request, &mut |text| run.ui.say(text));
    run.ui.answer(&show::Rollout(started?));
    Ok(Exit::Done)
}
