use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;

/// Let the wave open that waits for approval
///
/// Look at `pintle rollout show` first: it says how the waves before went and what that proves.
///
/// Example: pintle rollout approve 3 --wave 2
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Number of the rollout
    id: i64,
    /// The wave that is meant; refused if another one waits
    #[arg(long, value_name = "N")]
    wave: Option<u32>,
    /// Why, for the journal
    #[arg(long)]
    note: Option<String>,
}

pub(super) fn run(args: Args, run: &mut Run) -> Result<Exit, CliError> {
    let (_, _, client) = run.all()?;
    let view = client.approve(args.id, args.wave, args.note)?;
    run.ui.answer(&show::Rollout(view));
    Ok(Exit::Done)
}
