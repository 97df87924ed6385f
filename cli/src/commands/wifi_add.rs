use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::plan::wifi::{self, NewNetwork};
use std::path::PathBuf;

/// Add a network that nodes use from their next bundle on
///
/// Writes networks.toml and the passphrase, encrypted, to secrets/. For moving nodes to another
/// network use `pintle wifi change`, which loses none.
///
/// Example: pintle wifi add house --ssid "Larkfield"
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Its name in the yard: small letters, digits, hyphens
    name: String,
    /// Its SSID, 1 to 32 bytes
    #[arg(long)]
    ssid: String,
    /// File with the Wi-Fi passphrase; without it you are asked
    #[arg(long, value_name = "FILE")]
    wifi_passphrase_file: Option<PathBuf>,
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    let unlocked = run.unlock(&yard)?;
    let passphrase =
        run.wifi_passphrase(args.wifi_passphrase_file.as_deref(), "Passphrase of the network: ")?;
    let new = NewNetwork { name: &args.name, ssid: &args.ssid, passphrase: &passphrase };
    wifi::add(&yard, &unlocked, new, &mut run.rng()?)?;
    run.ui.say(&format!("added network {}", args.name));
    Ok(Exit::Done)
}
