use super::how::How;
use super::{Run, show};
use crate::api::{ApiError, Client};
use crate::error::CliError;
use crate::exit::Exit;
use crate::plan::RolloutError;
use crate::plan::rollout::{BundleRollout, start_bundles};
use crate::plan::wifi;
use crate::yard::{Unlocked, Yard};
use pintle_server::contract::{Kind, RolloutView};

/// End a change of network: the new one takes the place of the old one
///
/// Refuses while a node has not proved the new network. Writes networks.toml, and starts a
/// rollout that takes the old network out of every bundle. If no rollout can be started, the yard
/// stays as it was.
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
    for name in &args.without {
        yard.node(name)?;
    }
    let views = crate::heard::nodes(&yard, &client)?;
    let tally = wifi::tally(&yard, &views, &|name, bundle| wifi::brought(&yard, &unlocked, name, bundle))?;
    let nodes: Vec<String> =
        tally.nodes.iter().map(|(n, _)| n.clone()).filter(|n| !args.without.contains(n)).collect();
    let title = args.how.title.clone().unwrap_or_else(|| format!("Wi-Fi {} stays", tally.candidate));
    wifi::finish(&yard, &tally, &args.without)?;
    // Nothing is forgotten before it is sure that there is no way but on.
    match start(args, &title, &nodes, (&yard, &unlocked, &client), run) {
        Ok(started) => {
            unlocked.forget_passphrase(&tally.replaces)?;
            match started {
                Some(view) => run.ui.answer(&show::Rollout(view)),
                None => run.ui.say("no node needs another bundle for it"),
            }
            run.ui.say(&format!("network {} is removed from the yard", tally.replaces));
            Ok(Exit::Done)
        }
        Err(
            error @ CliError::Rollout(RolloutError::Api(ApiError::Down { .. } | ApiError::Unreadable { .. })),
        ) => {
            // The server may have taken it before the connection broke: the yard goes on with it.
            run.ui.warn("it is not known whether the rollout was started; see `pintle rollout list`");
            run.ui.say(
                "networks.toml is changed already; start the rest with `pintle rollout start --bundles`",
            );
            Err(error)
        }
        Err(error) => {
            wifi::unfinish(&yard)?;
            run.ui.say("nothing was started, and networks.toml is as it was");
            Err(error)
        }
    }
}

/// Starts the rollout that takes the old network out; `None` if no node has it.
fn start(
    args: &Args,
    title: &str,
    nodes: &[String],
    (yard, unlocked, client): (&Yard, &Unlocked, &Client),
    run: &mut Run,
) -> Result<Option<RolloutView>, CliError> {
    // An empty list would mean all nodes.
    if nodes.is_empty() {
        return Ok(None);
    }
    let care = args.how.care(yard)?;
    let changed = Yard::open(yard.dir())?;
    let request = BundleRollout { title, kind: Kind::Bundle, nodes, waves: &args.how.waves, care };
    let mut rng = run.rng()?;
    match start_bundles(&changed, unlocked, client, &request, &mut rng, &mut |text| run.ui.say(text)) {
        Ok(view) => Ok(Some(view)),
        Err(RolloutError::NothingToDo) => Ok(None),
        Err(error) => Err(error.into()),
    }
}
