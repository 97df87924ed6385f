use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::plan::rollout::{BundleRollout, Care, ImageRollout, start_bundles, start_images};
use crate::plan::waves::Span;
use clap::ValueEnum;
use pintle_server::contract::{Kind, OnFailure};

/// Start a rollout of images or of bundles
///
/// Finds a safe order of single-chip updates for every node, signs everything with its way back
/// beforehand, uploads it and starts. Nodes take it up when their door is at rest and nobody is
/// using it. With no --wave, one node goes first and the rest after it.
///
/// With few nodes a passed wave proves little; the rollout says how much.
///
/// Example: pintle rollout start --image net-1.1.0 --image io-1.1.0
///   --wave barn --wave rest --soak 2h --on-failure turn-back
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(flatten)]
    what: What,
    /// Nodes for bundles; all if left out
    #[arg(long, value_name = "NODE,..", value_delimiter = ',', requires = "bundles")]
    nodes: Vec<String>,
    #[command(flatten)]
    pub(super) how: How,
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

/// How careful a rollout is.
#[derive(Debug, clap::Args)]
pub(super) struct How {
    /// Nodes of one wave, with commas; `rest` for all others; may be given more than once
    #[arg(long = "wave", value_name = "NODE,..")]
    pub(super) waves: Vec<String>,
    /// How long everything must stay well before the next wave
    #[arg(long, default_value = "30m", value_name = "TIME")]
    pub(super) soak: Span,
    /// Nodes of a wave that may go back or refuse
    #[arg(long, default_value_t = 0, value_name = "N")]
    max_failed: u32,
    /// Nodes of a wave that may be silent
    #[arg(long, default_value_t = 0, value_name = "N")]
    max_silent: u32,
    /// A node counts as silent after this long
    #[arg(long, default_value = "1h", value_name = "TIME")]
    silent_after: Span,
    /// What happens when a wave fails
    #[arg(long, value_enum, default_value = "hold")]
    on_failure: OnFailureArg,
    /// What people call the rollout
    #[arg(long)]
    pub(super) title: Option<String>,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum OnFailureArg {
    /// A person decides
    Hold,
    /// Nodes that kept get their ways back
    TurnBack,
}

impl How {
    pub(super) fn care(&self) -> Care {
        Care {
            soak_seconds: self.soak.0,
            max_failed: self.max_failed,
            max_silent: self.max_silent,
            silent_after_seconds: self.silent_after.0,
            on_failure: match self.on_failure {
                OnFailureArg::Hold => OnFailure::Hold,
                OnFailureArg::TurnBack => OnFailure::TurnBack,
            },
        }
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, unlocked, client) = run.all()?;
    let care = args.how.care();
    let bar = run.ui.progress(0, "");
    let mut said = Vec::new();
    let mut tell = |text: &str| {
        bar.set_message(text.to_owned());
        bar.inc(1);
        said.push(text.to_owned());
    };
    let view = if args.what.bundles {
        let title = args.how.title.clone().unwrap_or_else(|| "configuration".to_owned());
        let request = BundleRollout {
            title: &title,
            kind: Kind::Bundle,
            nodes: &args.nodes,
            waves: &args.how.waves,
            care,
        };
        let mut rng = run.rng()?;
        start_bundles(&yard, &unlocked, &client, &request, &mut rng, &mut tell)?
    } else {
        let title = args.how.title.clone().unwrap_or_else(|| args.what.images.join(", "));
        let request = ImageRollout {
            title: &title,
            images: &args.what.images,
            waves: &args.how.waves,
            care,
            rehearsal: args.rehearsal,
        };
        start_images(&yard, &unlocked, &client, &request, &mut tell)?
    };
    bar.finish_and_clear();
    said.iter().for_each(|text| run.ui.say(text));
    let id = view.id;
    run.ui.answer(&show::Rollout(view));
    run.ui.say(&format!("follow it with `pintle rollout watch {id}`"));
    Ok(Exit::Done)
}
