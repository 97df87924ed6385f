use super::how::How;
use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::plan::rollout::{BundleRollout, start_bundles};
use crate::plan::wifi;
use pintle_server::contract::Kind;

/// End a change of network: the new one takes the place of the old one
///
/// Refuses while a node has not proved the new network. Writes networks.toml, and starts a
/// rollout that takes the old network out of every bundle.
///
/// Example: pintle wifi finish
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Nodes that are given up, with commas: they may be lost
    #[arg(long, value_name = "NODE,..", value_delimiter = ',')]
    without: Vec<String>,
    #[command(flatten)]
    how: How,
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, unlocked, client) = run.all()?;
    let care = args.how.care(&yard)?;
    let views = client.nodes()?;
    let tally = wifi::tally(&yard, &views, &|name, bundle| wifi::brought(&yard, &unlocked, name, bundle))?;
    let nodes: Vec<String> =
        tally.nodes.iter().map(|(n, _)| n.clone()).filter(|n| !args.without.contains(n)).collect();
    wifi::finish(&yard, &tally, &args.without)?;
    unlocked.forget_passphrase(&tally.replaces)?;
    let yard = crate::yard::Yard::open(yard.dir())?;
    let title = args.how.title.clone().unwrap_or_else(|| format!("Wi-Fi {} stays", tally.candidate));
    let request =
        BundleRollout { title: &title, kind: Kind::Bundle, nodes: &nodes, waves: &args.how.waves, care };
    let mut rng = run.rng()?;
    let mut said = Vec::new();
    let started =
        start_bundles(&yard, &unlocked, &client, &request, &mut rng, &mut |text| said.push(text.to_owned()));
    said.iter().for_each(|text| run.ui.say(text));
    if started.is_err() {
        run.ui.warn("networks.toml is changed already; start the rest with `pintle rollout start --bundles`");
    }
    run.ui.answer(&show::Rollout(started?));
    Ok(Exit::Done)
}
