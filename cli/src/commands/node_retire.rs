use super::Run;
use crate::error::CliError;
use crate::exit::Exit;

/// Take a node out of service: stolen, broken or no longer wanted
///
/// The server refuses its check-ins from then on and rollouts go on without it. Its file stays in
/// the yard. A stolen node still holds the Wi-Fi passphrase: change the network too.
///
/// Example: pintle node retire barn --note "stolen with the gate"
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The node
    name: String,
    /// Why, for the journal
    #[arg(long)]
    note: Option<String>,
}

pub(super) fn run(args: Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, _, client) = run.all()?;
    yard.node(&args.name)?;
    client.retire(&yard.node_id(&args.name), args.note)?;
    run.ui.say(&format!("{} is out of service", args.name));
    run.ui.warn("it still holds a Wi-Fi passphrase; if it was stolen, begin `pintle wifi change`");
    Ok(Exit::Done)
}
