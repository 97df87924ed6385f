use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::server_link::{self, NewServer};
use crate::ui::Answer;
use crate::yard::files;
use pintle_protocol::id::PublicKey;
use pintle_server::contract::About;
use serde::Serialize;
use std::path::PathBuf;

/// Join a server: pin its certificate and its key
///
/// Asks the server who it is, then writes its addresses, certificate and key to the yard and the
/// token, encrypted, to secrets/. Only a server with that key is talked to from then on. Nodes
/// that have a card already keep the key that is on it.
///
/// Example: pintle server join https://192.0.2.7:8443 --ca ca.pem --token-file token
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Its addresses; nodes try them in this order
    #[arg(required = true, value_name = "URL")]
    addresses: Vec<String>,
    /// Certificate of its authority; left out for plain HTTP
    #[arg(long, value_name = "FILE")]
    ca: Option<PathBuf>,
    /// File with the operator's token
    #[arg(long, value_name = "FILE")]
    token_file: PathBuf,
    /// The key that it must have, as it shows when it starts
    #[arg(long, value_name = "HEX")]
    key: Option<String>,
}

#[derive(Serialize)]
#[serde(transparent)]
pub(super) struct Shown(pub(super) About);

impl Answer for Shown {
    fn text(&self) -> String {
        let a = &self.0;
        let mut text = format!(
            "{} {}, node messages version {}\n  key   {}\n  time  {}\n",
            a.name,
            a.version,
            a.protocol,
            a.server_key,
            show::utc(a.time)
        );
        if let Some(why) = &a.trouble {
            text += &format!("  nothing can be written there now: {why}\n");
        }
        text
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    let unlocked = run.unlock(&yard)?;
    let ca = args.ca.as_ref().map(|path| files::read_bytes(path, 1 << 20)).transpose()?;
    let token = run.secret(Some(&args.token_file), "")?;
    let key = args.key.as_deref().map(PublicKey::parse).transpose();
    let key = key.map_err(|e| CliError::Usage(format!("--key is no key: {e}")))?;
    let new = NewServer { addresses: &args.addresses, ca: ca.as_deref(), token: &token, key };
    let about = server_link::join(&yard, &unlocked, &new, &mut run.rng()?)?;
    run.ui.answer(&Shown(about));
    if new.ca.is_none() {
        run.ui.warn("plain HTTP: the token and which node talks when can be seen on the network");
    }
    if key.is_none() {
        run.ui.say("compare the key with the one that the server shows when it starts");
    }
    Ok(Exit::Done)
}
