use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::node::admit;
use crate::ui::Answer;
use serde::Serialize;

/// Admit a node: check its claim and take its public keys
///
/// Fetches the claim from the server and checks here that it was made with the code on the
/// node's starter card, so that the server cannot slip in keys of its own. Writes the keys into
/// nodes/NAME.toml, tells the server, forgets the code. Can be repeated if it breaks off.
///
/// Example: pintle node admit barn
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The node
    name: String,
}

#[derive(Serialize)]
struct Admitted {
    node: String,
    signing_key: String,
    sealing_key: String,
}

impl Answer for Admitted {
    fn text(&self) -> String {
        format!(
            "admitted {}\n  signing key  {}\n  sealing key  {}\n",
            self.node, self.signing_key, self.sealing_key
        )
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, unlocked, client) = run.all()?;
    let keys = admit::admit(&yard, &unlocked, &client, &args.name)?;
    run.ui.answer(&Admitted {
        node: args.name.clone(),
        signing_key: keys.signing.to_string(),
        sealing_key: keys.sealing.to_string(),
    });
    run.ui.say("wipe the starter card now; next: `pintle rollout start --bundles`");
    Ok(Exit::Done)
}
