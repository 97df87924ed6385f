use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::locked::Cost;
use crate::ui::Answer;
use crate::yard::{self, NewYard};
use pintle_protocol::id::Role;
use serde::Serialize;
use std::path::PathBuf;

/// Make a yard: directory, keys, a sample board
///
/// Writes into a directory that is not there yet. Makes three Ed25519 keys (root, image, bundle),
/// encrypted with the passphrase you give. Without that passphrase the keys cannot be had back:
/// write it down, keep it away from the machine, and keep a copy of the yard.
///
/// Example: pintle yard start larkfield --domain larkfield.example --name Larkfield
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Directory to make
    dir: PathBuf,
    /// A domain of yours, or one that ends in .example; it never changes
    #[arg(long)]
    domain: String,
    /// What people call the yard
    #[arg(long)]
    name: String,
}

#[derive(Serialize)]
struct Started {
    dir: PathBuf,
    vendor: String,
    root_key: String,
    image_key: String,
    bundle_key: String,
}

impl Answer for Started {
    fn text(&self) -> String {
        format!(
            "made a yard in {}\n  vendor      {}\n  root key    {}\n  image key   {}\n  bundle key  {}\n",
            self.dir.display(),
            self.vendor,
            self.root_key,
            self.image_key,
            self.bundle_key
        )
    }
}

pub(super) fn run(args: Args, run: &mut Run) -> Result<Exit, CliError> {
    let passphrase = run.new_passphrase(run.passphrase_file().map(ToOwned::to_owned).as_deref())?;
    let new = NewYard {
        name: &args.name,
        domain: &args.domain,
        passphrase: passphrase.as_bytes(),
        cost: Cost::RECOMMENDED,
    };
    let made = yard::start(&args.dir, new, &mut run.rng()?)?;
    let key = |role| made.public_key(role).to_string();
    run.ui.answer(&Started {
        dir: args.dir,
        vendor: made.vendor().to_string(),
        root_key: key(Role::Root),
        image_key: key(Role::Image),
        bundle_key: key(Role::Bundle),
    });
    run.ui.say("next: describe your boards in boards/, then `pintle server join` and `pintle wifi add`");
    Ok(Exit::Done)
}
