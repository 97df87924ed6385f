use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::ui::Answer;
use pintle_protocol::cose::thumbprint;
use pintle_protocol::id::PublicKey;
use pintle_server::local_link;
use serde::Serialize;
use std::net::IpAddr;
use std::time::Duration;

/// Look for servers on the local network
///
/// Asks by multicast DNS who is there, and compares the keys with that of this yard's server. An
/// advertisement proves nothing: nodes try such an address when the ones they were given do not answer,
/// and believe only what is signed with the server's key.
///
/// Exit code 1 if this yard's server is not among them.
///
/// Example: pintle server find
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// How long to listen, in seconds
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::value_parser!(u64).range(1..=60))]
    seconds: u64,
}

#[derive(Serialize)]
#[serde(transparent)]
struct Heard(Vec<Server>);

#[derive(Serialize)]
struct Server {
    /// Its base address.
    base: String,
    /// Where that leads, as it says.
    addresses: Vec<IpAddr>,
    /// Thumbprint of its key, in hex.
    key: String,
    /// Whether that is the key of this yard's server; absent without a yard or a server.
    ours: Option<bool>,
}

impl Answer for Heard {
    fn text(&self) -> String {
        if self.0.is_empty() {
            return "no server is advertised here\n".to_owned();
        }
        let line = |server: &Server| {
            let whose = match server.ours {
                Some(true) => ", this yard's server",
                Some(false) => ", not this yard's",
                None => "",
            };
            let addresses: Vec<String> = server.addresses.iter().map(ToString::to_string).collect();
            let key = server.key.get(..16).unwrap_or(&server.key);
            format!("{}  key {key}...{whose}  ({})\n", server.base, addresses.join(", "))
        };
        self.0.iter().map(line).collect()
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let ours = match run.yard() {
        Ok(yard) => yard.file.server.as_ref().and_then(|server| PublicKey::parse(&server.key).ok()),
        Err(_) => None,
    };
    let ours = ours.map(|key| thumbprint(&key));
    let found = local_link::search(Duration::from_secs(args.seconds)).map_err(|fault| CliError::Other {
        message: fault.to_string(),
        hint: Some("look at the network, or at the firewall: UDP port 5353 is needed".to_owned()),
        exit: Exit::Server,
    })?;
    let servers: Vec<_> = found
        .into_iter()
        .map(|server| Server {
            base: server.base,
            addresses: server.addresses,
            key: hex::encode(server.key),
            ours: ours.map(|ours| ours == server.key),
        })
        .collect();
    let missing = ours.is_some() && !servers.iter().any(|server| server.ours == Some(true));
    run.ui.answer(&Heard(servers));
    Ok(if missing { Exit::No } else { Exit::Done })
}
