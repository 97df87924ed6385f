use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::ui::{Answer, table};
use pintle_server::contract::RolloutView;
use serde::Serialize;

/// List the rollouts, newest first
///
/// Changes nothing.
///
/// Example: pintle rollout list
#[derive(Debug, clap::Args)]
pub(super) struct Args {}

#[derive(Serialize)]
#[serde(transparent)]
struct List(Vec<RolloutView>);

impl Answer for List {
    fn text(&self) -> String {
        let row = |r: &RolloutView| {
            let kind = r.kind.word().to_owned();
            vec![r.id.to_string(), r.state.to_string(), kind, show::utc(r.created_at), r.title.clone()]
        };
        table(&self.0.iter().map(row).collect::<Vec<_>>())
    }
}

pub(super) fn run(_: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (_, _, client) = run.all()?;
    let list = client.rollouts()?;
    run.ui.answer(&List(list));
    Ok(Exit::Done)
}
