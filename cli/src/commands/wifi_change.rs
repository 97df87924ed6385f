use super::how::How;
use super::{Run, show};
use crate::api::ApiError;
use crate::error::CliError;
use crate::exit::Exit;
use crate::plan::RolloutError;
use crate::plan::rollout::{BundleRollout, start_bundles};
use crate::plan::wifi::{self, NewNetwork};
use crate::yard::tables::CandidateTable;
use pintle_server::contract::Kind;
use std::path::PathBuf;

/// Move nodes to another network without losing one
///
/// Adds the new network as a candidate and starts a rollout that brings it. Every node keeps the
/// old network until an authenticated check-in went through the new one. Leave the old one on
/// until `pintle wifi tally` says that it is safe, then `pintle wifi finish`.
///
/// With --on-loss the new network is tried when the old one has been gone for that many minutes:
/// for a router that cannot run beside the new one. Then nothing is proved beforehand; if the new
/// passphrase is wrong, only the old network brings the nodes back.
///
/// Example: pintle wifi change new --ssid "Larkfield 2" --replaces house
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Name of the new network in the yard
    name: String,
    /// Its SSID, 1 to 32 bytes
    #[arg(long)]
    ssid: String,
    /// Name of the network whose place it takes
    #[arg(long, value_name = "NETWORK")]
    replaces: String,
    /// Nodes, with commas; all admitted ones if left out
    #[arg(long, value_name = "NODE,..", value_delimiter = ',')]
    nodes: Vec<String>,
    /// Try it when the old network has been gone for this many minutes
    #[arg(long, value_name = "MINUTES")]
    on_loss: Option<u16>,
    /// File with the Wi-Fi passphrase; without it you are asked
    #[arg(long, value_name = "FILE")]
    wifi_passphrase_file: Option<PathBuf>,
    #[command(flatten)]
    how: How,
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, unlocked, client) = run.all()?;
    let care = args.how.care(&yard)?;
    for name in &args.nodes {
        yard.node(name)?;
    }
    let nodes: Vec<String> = if args.nodes.is_empty() {
        yard.nodes.iter().filter(|(_, n)| n.keys.is_some()).map(|(name, _)| name.clone()).collect()
    } else {
        args.nodes.clone()
    };
    let passphrase =
        run.wifi_passphrase(args.wifi_passphrase_file.as_deref(), "Passphrase of the new network: ")?;
    let new = NewNetwork { name: &args.name, ssid: &args.ssid, passphrase: &passphrase };
    let candidate = CandidateTable {
        replaces: args.replaces.clone(),
        after_loss_minutes: args.on_loss,
        nodes: nodes.clone(),
    };
    let mut rng = run.rng()?;
    wifi::change(&yard, &unlocked, new, candidate, &mut rng)?;
    let changed = crate::yard::Yard::open(yard.dir())?;
    let title = args.how.title.clone().unwrap_or_else(|| format!("Wi-Fi {}", args.name));
    let request =
        BundleRollout { title: &title, kind: Kind::Wifi, nodes: &nodes, waves: &args.how.waves, care };
    let started =
        start_bundles(&changed, &unlocked, &client, &request, &mut rng, &mut |text| run.ui.say(text));
    match started {
        Ok(view) => {
            run.ui.answer(&show::Rollout(view));
            run.ui.say("leave the old network on until `pintle wifi tally` says that it is safe");
            Ok(Exit::Done)
        }
        Err(error @ RolloutError::Api(ApiError::Down { .. } | ApiError::Unreadable { .. })) => {
            // The server may have taken it before the connection broke: keep what it may need.
            run.ui.warn("it is not known whether the rollout was started; see `pintle rollout list`");
            run.ui.say("`pintle wifi give-up` takes the candidate out of the yard again");
            Err(error.into())
        }
        Err(error) => {
            // Nothing was offered: the yard goes back to how it was.
            wifi::give_up(&changed)?;
            unlocked.forget_passphrase(&args.name)?;
            Err(error.into())
        }
    }
}
