//! `pintle-server token`: who may use the operator's API.

use crate::{Folder, Outcome};
use clap::ValueEnum;
use pintle_server::clock::Clock;
use pintle_server::settings::SettingsError;
use pintle_server::tokens::{self, TokenRole, TokenRow};
use std::io::Write;
use std::path::PathBuf;

#[derive(clap::Subcommand)]
pub(crate) enum Command {
    /// Makes a token of 256 random bits and prints it, once; only its hash is kept
    Add {
        /// Whose it is or what it is for, such as `phone in the shed`
        name: String,
        /// What it is good for
        #[arg(long, value_enum)]
        role: Role,
        #[command(flatten)]
        folder: Folder,
    },
    /// Lists every token: name, role, when it was made, last used and revoked
    List {
        /// Print JSON, times in seconds since 1970-01-01 UTC
        #[arg(long)]
        json: bool,
        #[command(flatten)]
        folder: Folder,
    },
    /// Ends a token, and signs out the browsers that it signed in
    Revoke {
        /// Its name
        name: String,
        #[command(flatten)]
        folder: Folder,
    },
}

#[derive(Clone, Copy, ValueEnum)]
pub(crate) enum Role {
    /// Looks and changes
    Operator,
    /// Looks at everything, changes nothing
    Viewer,
}

impl Command {
    /// `resolved` is the folder of the server, from what the command line says of it.
    pub(crate) fn run(self, resolved: impl Fn(Option<PathBuf>) -> Result<PathBuf, SettingsError>) -> Outcome {
        let (clock, mut out) = (Clock::System, std::io::stdout());
        match self {
            Self::Add { name, role, folder } => {
                let role = match role {
                    Role::Operator => TokenRole::Operator,
                    Role::Viewer => TokenRole::Viewer,
                };
                writeln!(out, "{}", tokens::add(&resolved(folder.data)?, &name, role, &clock)?)?;
            }
            Self::List { json, folder } => {
                let rows = tokens::list(&resolved(folder.data)?)?;
                if json {
                    let rows: Vec<_> = rows.iter().map(as_json).collect();
                    writeln!(out, "{}", serde_json::Value::from(rows))?;
                } else {
                    rows.iter().try_for_each(|row| writeln!(out, "{}", line(row)))?;
                }
            }
            Self::Revoke { name, folder } => {
                let role = tokens::revoke(&resolved(folder.data)?, &name, &clock)?;
                writeln!(out, "revoked the token `{name}` of {}", role.phrase())?;
            }
        }
        Ok(())
    }
}

fn as_json(row: &TokenRow) -> serde_json::Value {
    serde_json::json!({
        "name": row.name, "role": row.role.word(), "created_at": row.created_at,
        "last_used_at": row.last_used_at, "revoked_at": row.revoked_at,
    })
}

fn line(row: &TokenRow) -> String {
    let at = |seconds| {
        jiff::Timestamp::from_second(seconds)
            .map_or_else(|_| format!("{seconds} s"), |at| at.strftime("%Y-%m-%d %H:%M UTC").to_string())
    };
    let used = row.last_used_at.map_or_else(|| "never used".to_owned(), |t| format!("last used {}", at(t)));
    let ended = row.revoked_at.map_or_else(String::new, |t| format!(", revoked {}", at(t)));
    format!("{}: {}, made {}, {used}{ended}", row.name, row.role.word(), at(row.created_at))
}
