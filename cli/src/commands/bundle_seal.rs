use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::seal;
use crate::ui::Answer;
use serde::Serialize;

/// Seal configurations without sending them
///
/// Checks each node against the safety rules, seals its bundle to the node's own key, signs it,
/// and writes it to bundles/NODE/ with its way back: the bundle before, sealed again under the
/// next number. `pintle rollout start --bundles` seals by itself; this is for a card, or to look.
///
/// Example: pintle bundle seal barn gate
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Nodes
    #[arg(required_unless_present = "all")]
    nodes: Vec<String>,
    /// Every admitted node
    #[arg(long, conflicts_with = "nodes")]
    all: bool,
}

#[derive(Serialize)]
struct Line {
    node: String,
    sequence: u64,
    digest: String,
    way_back: Option<u64>,
}

#[derive(Serialize)]
#[serde(transparent)]
struct Sealed(Vec<Line>);

impl Answer for Sealed {
    fn text(&self) -> String {
        let line = |l: &Line| {
            let back = l.way_back.map_or_else(|| "none, it is the first".to_owned(), |n| n.to_string());
            format!("{}: sealed under {}, way back {back}\n", l.node, l.sequence)
        };
        self.0.iter().map(line).collect()
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    let names: Vec<String> = if args.all {
        yard.nodes.iter().filter(|(_, n)| n.keys.is_some()).map(|(name, _)| name.clone()).collect()
    } else {
        args.nodes.clone()
    };
    let plans = names.iter().map(|name| yard.plan(name)).collect::<Result<Vec<_>, _>>()?;
    let unlocked = run.unlock(&yard)?;
    let mut rng = run.rng()?;
    // All are checked before the first is sealed.
    for plan in &plans {
        let before = seal::latest(&yard, &plan.name)?;
        seal::allowed(&unlocked, plan, before.as_ref())?;
    }
    let mut lines = Vec::new();
    for plan in &plans {
        let before = seal::latest(&yard, &plan.name)?;
        let sealed = seal::seal_node(&yard, &unlocked, plan, before.as_ref(), &mut rng)?;
        for finding in &sealed.accepted {
            run.ui.warn(&format!("{}: {} is accepted: {}", plan.name, finding.rule, finding.message));
        }
        lines.push(Line {
            node: sealed.node,
            sequence: sealed.forward.sequence,
            digest: sealed.forward.digest.to_string(),
            way_back: sealed.way_back.map(|w| w.sequence),
        });
    }
    run.ui.answer(&Sealed(lines));
    Ok(Exit::Done)
}
