//! The server's journal, followed: the yard keeps the newest entry that it has verified, and every
//! look goes on from there. Whoever has the server cannot change what was seen once.

mod copies;

pub use copies::{Copy, check_backup, check_file};

use crate::api::{ApiError, Client};
use crate::yard::Yard;
use crate::yard::files::{self, FileError, Readers};
use crate::yard::strict::{self, ReadError};
use pintle_protocol::id::{BadId, Digest, PublicKey};
use pintle_server::backup::BackupFault;
use pintle_server::contract::Seconds;
use pintle_server::journal::follow::{Broken, Follow, Seen};
use pintle_server::journal::head::{self, BadHead};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use thiserror::Error;

/// Where the yard keeps the newest entry that it has verified.
const FILE: &str = "state/journal.toml";
/// Entries asked for at a time: the most that the server gives.
const PAGE: u32 = 500;
/// A journal of up to so many entries is read from its first one at every look: ten requests.
const WHOLE: i64 = 5000;

/// Why a journal is not taken, or could not be looked at.
#[derive(Debug, Error)]
pub enum JournalError {
    /// It is not the journal that was seen before, or does not hold by itself.
    #[error(transparent)]
    Broken(#[from] Broken),
    /// Its head is not signed by the server that was joined.
    #[error(transparent)]
    Head(#[from] BadHead),
    /// The server.
    #[error(transparent)]
    Api(#[from] ApiError),
    /// A file of the yard.
    #[error(transparent)]
    Kept(#[from] ReadError),
    /// A file.
    #[error(transparent)]
    File(#[from] FileError),
    /// A key or hash in a file of the yard is none.
    #[error("{file}: `{field}` is not what it should be: {error}")]
    BadId {
        /// The file.
        file: &'static str,
        /// The field.
        field: &'static str,
        /// What is wrong.
        error: BadId,
    },
    /// A backup of the server.
    #[error(transparent)]
    Backup(#[from] BackupFault),
    /// Nothing ties a copy to the server that the yard has joined.
    #[error(
        "nothing shows that this is of this yard's server: its key was {key}, and it ends with entry {last}, before \
         entry {seen}, which was seen"
    )]
    Foreign {
        /// The server's key when the copy was made.
        key: Box<PublicKey>,
        /// Its last entry.
        last: i64,
        /// The entry that was seen.
        seen: i64,
    },
    /// A line of an exported journal is no entry.
    #[error("{}, line {line}: {why}", path.display())]
    Line {
        /// The file.
        path: PathBuf,
        /// Line, counted from 1.
        line: usize,
        /// What is wrong.
        why: String,
    },
}

/// What the file holds.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Kept {
    number: i64,
    hash: String,
    at: Seconds,
}

/// The newest entry of the server's journal that the yard has verified, and when that was; `None`
/// if there is none yet. A change of the server's key does not make it another journal.
///
/// # Errors
/// [`JournalError`] if the file is there and wrong.
pub fn kept(yard: &Yard) -> Result<Option<(Seen, Seconds)>, JournalError> {
    let path = yard.path(FILE);
    if !path.exists() {
        return Ok(None);
    }
    let kept: Kept = strict::read(&path)?;
    let bad = |error| JournalError::BadId { file: FILE, field: "hash", error };
    let hash = Digest::parse(&kept.hash).map_err(bad)?;
    Ok(Some((Seen { number: kept.number, hash }, kept.at)))
}

fn keep(yard: &Yard, seen: Seen, at: Seconds) -> Result<(), FileError> {
    let text = format!(
        "# The newest entry of the server's journal that was verified, and when the server signed it.\n\
         # A journal that does not have this entry any more was changed or cut short.\n\
         number = {}\nhash = \"{}\"\nat = {at}\n",
        seen.number, seen.hash
    );
    files::replace(&yard.path(FILE), text.as_bytes(), Readers::Usual)
}

/// The key of the server that the yard has joined.
///
/// # Errors
/// [`JournalError`] if it has joined none.
pub fn server_key(yard: &Yard) -> Result<PublicKey, JournalError> {
    let server = yard.file.server.as_ref().ok_or(ApiError::NotJoined)?;
    let bad = |error| JournalError::BadId { file: "yard.toml", field: "server.key", error };
    PublicKey::parse(&server.key).map_err(bad)
}

/// What a look at a journal found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Verified {
    /// The newest entry.
    pub newest: Seen,
    /// The newest entry at the look before; `None` at the first look.
    pub before: Option<Seen>,
}

/// How to look at the server's journal.
#[derive(Debug, Default)]
pub struct Look<'a> {
    /// Read every entry, however many there are.
    pub all: bool,
    /// Take the journal as it is now, without what was seen before.
    pub afresh: bool,
    /// Write every entry to this file, one JSON object a line.
    pub export: Option<&'a Path>,
}

/// Fetches the signed head and the entries up to it, verifies signature and chain against what was
/// seen before, and keeps the new head.
///
/// # Errors
/// [`JournalError`]; what the yard keeps is then as it was.
pub fn look(yard: &Yard, client: &Client, look: &Look<'_>) -> Result<Verified, JournalError> {
    let key = server_key(yard)?;
    let before = if look.afresh { None } else { kept(yard)?.map(|(seen, _)| seen) };
    let head = client.journal_head()?;
    head::open(&head, &key)?;
    if let Some(seen) = before.filter(|seen| head.number < seen.number) {
        return Err(Broken::CutShort { last: head.number, seen: seen.number }.into());
    }
    let since = before.filter(|_| !look.all && look.export.is_none() && head.number > WHOLE);
    let mut follow = since.map_or_else(|| Follow::from_start(before), Follow::from_seen);
    let mut export = Vec::new();
    while follow.wants() <= head.number {
        let wanted = follow.wants();
        let page = client.journal(wanted - 1, PAGE)?;
        for entry in page.entries.iter().filter(|entry| entry.number <= head.number) {
            follow.next(entry);
            if look.export.is_some() {
                // An entry that came as JSON is written as JSON.
                serde_json::to_writer(&mut export, entry).unwrap_or_default();
                export.push(b'\n');
            }
        }
        // A fault, or a server that gives nothing more, ends it; `finish` tells.
        if follow.wants() == wanted {
            break;
        }
    }
    let newest = follow.finish_at(Seen { number: head.number, hash: head.hash })?;
    if let Some(path) = look.export {
        let line = copies::HeadLine { head: head.clone(), server_key: key.to_string() };
        serde_json::to_writer(&mut export, &line).unwrap_or_default();
        export.push(b'\n');
        files::write_new(path, &export, Readers::Usual)?;
    }
    keep(yard, newest, head.at)?;
    Ok(Verified { newest, before })
}
