use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::keys;
use crate::ui::{Answer, table};
use crate::yard::files;
use pintle_protocol::id::Role;
use serde::Serialize;

/// Show the yard's public keys: in use, next, old
///
/// Changes nothing and needs no passphrase. Keys are shown by the identifier that stands in
/// signatures.
///
/// Example: pintle keys show
#[derive(Debug, clap::Args)]
pub(super) struct Args {}

#[derive(Serialize)]
struct Keys {
    keys: Vec<Row>,
}

#[derive(Serialize)]
struct Row {
    key: String,
    stands: &'static str,
    id: String,
    public: String,
}

impl Answer for Keys {
    fn text(&self) -> String {
        let rows: Vec<_> =
            self.keys.iter().map(|r| vec![r.key.clone(), r.stands.to_owned(), r.id.clone()]).collect();
        table(&rows)
    }
}

pub(super) fn run(_: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    let mut all = Vec::new();
    let mut row = |key: &str, stands, public: pintle_protocol::id::PublicKey| {
        let (key, id, public) = (key.to_owned(), keys::short(&public), public.to_string());
        all.push(Row { key, stands, id, public });
    };
    for role in Role::ALL {
        row(role.word(), "in use", yard.public_key(role));
        if let Some(next) = yard.next.of(role) {
            row(role.word(), "next", next);
        }
    }
    if let Some(server) = &yard.file.server {
        let key = pintle_protocol::id::PublicKey::parse(&server.key)
            .map_err(crate::server_link::JoinError::BadKey)?;
        row("server", "in use", key);
    }
    if let Some(next) = yard.next.server {
        row("server", "next", next);
    }
    for (name, path) in files::list(&yard.path("keys/old"), "pub")? {
        let public = crate::yard::read_public(&path)?;
        row(name.split('-').next().unwrap_or_default(), "old", public);
    }
    run.ui.answer(&Keys { keys: all });
    Ok(Exit::Done)
}
