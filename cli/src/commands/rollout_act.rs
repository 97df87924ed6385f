use super::{Run, show};
use crate::api::Action;
use crate::error::CliError;
use crate::exit::Exit;

/// Hold, resume, turn back or end a rollout
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Number of the rollout
    id: i64,
    /// Why, for the journal
    #[arg(long)]
    note: Option<String>,
}

pub(super) fn run(args: Args, action: Action, run: &mut Run) -> Result<Exit, CliError> {
    let (_, _, client) = run.all()?;
    let view = client.act(args.id, action, args.note)?;
    run.ui.answer(&show::Rollout(view));
    Ok(Exit::Done)
}
