use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::node::card;
use crate::ui::Answer;
use serde::Serialize;
use std::path::PathBuf;

/// Make the starter card of a new node
///
/// Writes card.cbor with all that a node needs at its first boot: server, certificate, trusted
/// keys, first network with its passphrase, a one-time claim code. Announces the node to the
/// server. Never overwrites a card.
///
/// The card holds secrets in clear. Put it into the node, and wipe it once the node is admitted.
///
/// Example: pintle node card barn --out /media/card
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The node
    name: String,
    /// Directory to write the card into
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// A new board takes the place of one that was admitted
    #[arg(long)]
    replace: bool,
}

#[derive(Serialize)]
struct Card {
    node: String,
    file: PathBuf,
}

impl Answer for Card {
    fn text(&self) -> String {
        format!("wrote the starter card of {} to {}\n", self.node, self.file.display())
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, unlocked, client) = run.all()?;
    let mut rng = run.rng()?;
    let file = card::issue(&yard, &unlocked, &client, &args.name, &args.out, args.replace, &mut rng)?;
    run.ui.answer(&Card { node: args.name.clone(), file });
    run.ui.warn(
        "the card holds a Wi-Fi passphrase and a claim code in clear: wipe it once the node is admitted",
    );
    run.ui.say(&format!("next: put it into the node, switch it on, then `pintle node admit {}`", args.name));
    Ok(Exit::Done)
}
