use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::plan::wifi::{self, Tally};
use crate::ui::{Answer, table};
use serde::Serialize;

/// Count which nodes have proved the new network
///
/// Changes nothing. Says whether the old network can be switched off, and which nodes would be
/// lost. The exit code is 0 when it is safe, 1 when it is not.
///
/// Example: pintle wifi tally
#[derive(Debug, clap::Args)]
pub(super) struct Args {}

#[derive(Serialize)]
struct Counted {
    #[serde(flatten)]
    tally: Tally,
    safe_to_switch_off: bool,
    lost: Vec<String>,
    untested: Vec<String>,
}

impl Answer for Counted {
    fn text(&self) -> String {
        let t = &self.tally;
        let rows: Vec<_> =
            t.nodes.iter().map(|(name, stand)| vec![format!("  {name}"), stand.phrase()]).collect();
        format!("from network {} to {}\n{}{}\n", t.replaces, t.candidate, table(&rows), t.verdict())
    }
}

pub(super) fn run(_: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, unlocked, client) = run.all()?;
    let views = crate::heard::nodes(&yard, &client)?;
    let tally = wifi::tally(&yard, &views, &|name, bundle| wifi::brought(&yard, &unlocked, name, bundle))?;
    let own = |names: Vec<&str>| names.into_iter().map(str::to_owned).collect();
    let (lost, untested, safe) = (own(tally.lost()), own(tally.untested()), tally.safe());
    run.ui.answer(&Counted { tally, safe_to_switch_off: safe, lost, untested });
    Ok(if safe { Exit::Done } else { Exit::No })
}
