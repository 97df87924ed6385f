use super::Run;
use super::server_join::Shown;
use crate::error::CliError;
use crate::exit::Exit;

/// Ask the server who it is
///
/// Changes nothing.
///
/// Example: pintle server about
#[derive(Debug, clap::Args)]
pub(super) struct Args {}

pub(super) fn run(_: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (_, _, client) = run.all()?;
    let about = client.about()?;
    run.ui.answer(&Shown(about));
    Ok(Exit::Done)
}
