use super::how::How;
use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::keys::send::{KeysRollout, send};
use crate::keys::{self, KeysError};
use clap::ValueEnum;
use pintle_protocol::id::{PublicKey, Role};

/// Make new keys, and have every node trust them beside the old ones
///
/// Makes the new keys in the yard, locked like the others, and starts a rollout of the set of
/// trust anchors with old and new keys in it. Until `pintle keys finish` everything is signed
/// with the old keys, so that a node that was away misses nothing. Old private keys are kept.
///
/// The server makes its own key: run `pintle-server new-key --data DIR` beside it, and give the
/// public key that it prints with --server-key.
///
/// Example: pintle keys renew image bundle
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The keys
    #[arg(value_enum, required = true)]
    keys: Vec<Which>,
    /// The server's new public key, 64 hexadecimal digits; with `server`
    #[arg(long, value_name = "KEY")]
    server_key: Option<String>,
    #[command(flatten)]
    how: How,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Which {
    /// Signs the sets of trust anchors
    Root,
    /// Signs chip images
    Image,
    /// Signs bundles
    Bundle,
    /// Signs the server's replies to nodes
    Server,
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, unlocked, client) = run.all()?;
    let care = args.how.care(&yard)?;
    let role = |which: &Which| match which {
        Which::Root => Some(Role::Root),
        Which::Image => Some(Role::Image),
        Which::Bundle => Some(Role::Bundle),
        Which::Server => None,
    };
    let roles: Vec<Role> = args.keys.iter().filter_map(role).collect();
    let server_key = args
        .server_key
        .as_deref()
        .map(PublicKey::parse)
        .transpose()
        .map_err(|e| CliError::Usage(format!("`--server-key` is no key: {e}")))?;
    if args.keys.contains(&Which::Server) != server_key.is_some() {
        return Err(KeysError::ServerKey.into());
    }
    let renewed = keys::renew(&yard, &unlocked, &roles, server_key, &mut run.rng()?)?;
    run.ui.say(&format!(
        "new in the yard: {}; put it into your backup before it is used",
        keys::under_way(&renewed)
    ));
    let title = args.how.title.clone().unwrap_or_else(|| format!("keys: {}", keys::under_way(&renewed)));
    let request = KeysRollout { title: &title, nodes: &[], waves: &args.how.waves, care };
    let started = send(&renewed, &unlocked, &client, &request, &mut |text| run.ui.say(text));
    if started.is_err() {
        run.ui.warn("the new keys lie in the yard; go on with `pintle keys send`, or `pintle keys give-up`");
    }
    run.ui.answer(&show::Rollout(started?));
    run.ui.say("`pintle keys tally` shows which nodes have them; then `pintle keys finish`");
    Ok(Exit::Done)
}
