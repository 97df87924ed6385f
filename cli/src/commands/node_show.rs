use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::ui::Answer;
use pintle_server::contract::NodeView;
use serde::Serialize;

/// Show one node as the server knows it
///
/// Changes nothing.
///
/// Example: pintle node show barn
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The node
    name: String,
}

#[derive(Serialize)]
#[serde(transparent)]
struct Shown(NodeView);

impl Answer for Shown {
    fn text(&self) -> String {
        show::node_text(&self.0)
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, _, client) = run.all()?;
    yard.node(&args.name)?;
    let view = client.node(&yard.node_id(&args.name))?;
    run.ui.answer(&Shown(view));
    Ok(Exit::Done)
}
