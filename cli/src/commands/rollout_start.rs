use super::how::How;
use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::plan::preview::PlannedWave;
use crate::plan::rollout::{
    BundleRollout, ImageRollout, start_bundles, start_images, waves_of_bundles, waves_of_images,
};
use crate::ui::Answer;
use pintle_server::contract::Kind;
use serde::Serialize;

/// Start a rollout of images or of bundles
///
/// Finds a safe order of single-chip updates for every node, signs everything with its way back
/// beforehand, uploads it and starts. Nodes take it up when their door is at rest and nobody is
/// using it. With no --wave, one node goes first and the rest after it.
///
/// With few nodes a passed wave proves little; the rollout says how much.
///
/// Example: pintle rollout start --image net-1.1.0 --image io-1.1.0
///   --wave barn --wave 50% --wave rest --soak 2h --min-door-cycles 2
///   --window "mon-fri 09:00-17:00" --on-failure turn-back
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    what: What,
    /// Nodes for bundles; all if left out
    #[arg(long, value_name = "NODE,..", value_delimiter = ',', conflicts_with = "images")]
    nodes: Vec<String>,
    #[command(flatten)]
    pub(super) how: How,
    /// Show the waves and what each would prove, and sign, send and start nothing
    #[arg(long)]
    plan_only: bool,
    /// Take images that misbehave on purpose; for yards without real doors
    #[arg(long)]
    rehearsal: bool,
}

#[derive(Debug, clap::Args)]
#[group(required = true, multiple = false)]
struct What {
    /// A packed image, such as net-1.1.0; may be given more than once
    #[arg(long = "image", value_name = "IMAGE")]
    images: Vec<String>,
    /// The configurations that have changed
    #[arg(long)]
    bundles: bool,
}

#[derive(Serialize)]
struct Waves {
    waves: Vec<PlannedWave>,
}

impl Answer for Waves {
    fn text(&self) -> String {
        let line = |(n, w): (usize, &PlannedWave)| {
            format!("wave {}: {}\n  {}\n", n + 1, w.nodes.join(", "), w.would_prove)
        };
        self.waves.iter().enumerate().map(line).collect()
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, unlocked, client) = run.all()?;
    let care = args.how.care(&yard)?;
    let mut rng = run.rng()?;
    let ui = &mut run.ui;
    let view = if args.what.bundles {
        let title = args.how.title.clone().unwrap_or_else(|| "configuration".to_owned());
        let request = BundleRollout {
            title: &title,
            kind: Kind::Bundle,
            nodes: &args.nodes,
            waves: &args.how.waves,
            care,
        };
        if args.plan_only {
            ui.answer(&Waves { waves: waves_of_bundles(&yard, &unlocked, &client, &request)? });
            return Ok(Exit::Done);
        }
        start_bundles(&yard, &unlocked, &client, &request, &mut rng, &mut |text| ui.say(text))?
    } else {
        let title = args.how.title.clone().unwrap_or_else(|| args.what.images.join(", "));
        let request = ImageRollout {
            title: &title,
            images: &args.what.images,
            waves: &args.how.waves,
            care,
            rehearsal: args.rehearsal,
        };
        if args.plan_only {
            ui.answer(&Waves { waves: waves_of_images(&yard, &client, &request)? });
            return Ok(Exit::Done);
        }
        start_images(&yard, &unlocked, &client, &request, &mut |text| ui.say(text))?
    };
    let id = view.id;
    run.ui.answer(&show::Rollout(view));
    run.ui.say(&format!("follow it with `pintle rollout watch {id}`"));
    Ok(Exit::Done)
}
