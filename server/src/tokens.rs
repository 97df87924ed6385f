//! Making, listing and revoking tokens in a server's folder. The server may run meanwhile.

pub use crate::store::tokens::{TokenRole, TokenRow};

use crate::clock::Clock;
use crate::error::ApiError;
use crate::journal::Line;
use crate::keys::{self, Secret};
use crate::ops;
use crate::store::clock::own_time;
use crate::store::{Db, JobFault, OpenFault, StoreFault, Unwritable, journal, tokens};
use std::path::{Path, PathBuf};

/// Why nothing was done with a token.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// There is no server's folder.
    #[error("{} is no server's folder: it has no pintle.db; name the folder that the server keeps, with --data", data.display())]
    NoServer {
        /// The folder.
        data: PathBuf,
    },
    /// The name cannot be a token's.
    #[error("`{name}` cannot be a token's name: {why}")]
    BadName {
        /// The name.
        name: String,
        /// What is wrong with it.
        why: String,
    },
    /// One of that name is in force.
    #[error("a token `{name}` is in force already: revoke it first, or take another name")]
    NameTaken {
        /// The name.
        name: String,
    },
    /// None of that name is in force.
    #[error("no token `{name}` is in force; in force: {known}")]
    Unknown {
        /// The name.
        name: String,
        /// Those in force, separated by commas, or `none`.
        known: String,
    },
    /// There is no randomness to be had.
    #[error("no random bytes could be read: {0}")]
    Chance(std::io::Error),
    /// The database cannot be used.
    #[error(transparent)]
    Database(#[from] OpenFault),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreFault),
}

impl JobFault for TokenError {
    fn cannot_write(&self) -> Option<&Unwritable> {
        match self {
            Self::Store(fault) => fault.cannot_write(),
            _ => None,
        }
    }
}

/// Makes a token of 256 random bits and returns its text, which is kept nowhere.
///
/// # Errors
/// [`TokenError`]; nothing was changed.
pub fn add(data: &Path, name: &str, role: TokenRole, clock: &Clock) -> Result<String, TokenError> {
    check_name(name)?;
    let db = open(data)?;
    let secret = Secret::from_bytes(keys::random().map_err(TokenError::Chance)?);
    let (hash, wall, name) = (secret.hash, clock.now(), name.to_owned());
    db.write_blocking(move |conn| {
        if !tokens::add(conn, &name, role, &hash, wall)? {
            return Err(TokenError::NameTaken { name });
        }
        let sentence = format!("A token \"{name}\" was made, good for {}", role.phrase());
        Ok(journal::append(conn, own_time(conn, wall)?, vec![Line::new("token_made", sentence)])?)
    })?;
    Ok(secret.text)
}

/// Every token that there ever was, oldest first, without secrets.
///
/// # Errors
/// [`TokenError`].
pub fn list(data: &Path) -> Result<Vec<TokenRow>, TokenError> {
    Ok(open(data)?.read_blocking(tokens::list)?)
}

/// Ends a token, and signs out the browsers that it signed in.
///
/// # Errors
/// [`TokenError`]; nothing was changed.
pub fn revoke(data: &Path, name: &str, clock: &Clock) -> Result<TokenRole, TokenError> {
    let (db, wall, name) = (open(data)?, clock.now(), name.to_owned());
    db.write_blocking(move |conn| {
        let Some(role) = tokens::revoke(conn, &name, wall)? else {
            let rows = tokens::list(conn)?.into_iter().filter(|t| t.revoked_at.is_none());
            let names: Vec<String> = rows.map(|t| t.name).collect();
            let known = if names.is_empty() { "none".to_owned() } else { names.join(", ") };
            return Err(TokenError::Unknown { name, known });
        };
        let sentence = format!("The token \"{name}\" of {} was revoked", role.phrase());
        journal::append(conn, own_time(conn, wall)?, vec![Line::new("token_revoked", sentence)])?;
        Ok(role)
    })
}

fn open(data: &Path) -> Result<Db, TokenError> {
    let path = data.join("pintle.db");
    if !path.is_file() {
        return Err(TokenError::NoServer { data: data.to_owned() });
    }
    Ok(Db::open(&path)?)
}

fn check_name(name: &str) -> Result<(), TokenError> {
    ops::nodes::check_text("name", name, 40).map_err(|error| {
        let why = match error {
            ApiError::BadField { why, .. } => why,
            other => other.to_string(),
        };
        TokenError::BadName { name: name.escape_debug().to_string(), why }
    })
}
