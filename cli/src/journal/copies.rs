//! Journals that lie elsewhere: exported files and backups, held against what the yard has seen.

use super::{JournalError, server_key};
use crate::yard::Yard;
use crate::yard::files::FileError;
use pintle_protocol::id::PublicKey;
use pintle_server::backup;
use pintle_server::contract::{JournalEntry, JournalHead, Seconds};
use pintle_server::journal::follow::{Broken, Follow, Seen};
use pintle_server::journal::head;
use serde::{Deserialize, Serialize};
use std::io::{BufRead, BufReader};
use std::path::Path;

/// The last line of an exported journal: what the server signed when it was exported.
#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct HeadLine {
    pub(super) head: JournalHead,
    /// The key that it is signed with, 64 hexadecimal digits.
    pub(super) server_key: String,
}

/// What was found in a journal that lies elsewhere.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Copy {
    /// Its newest entry.
    pub newest: Seen,
    /// When it was exported or backed up; `None` for an exported file without a signed head, from the end of which
    /// entries may be missing.
    pub at: Option<Seconds>,
    /// The newest entry that the yard has seen, if the copy is older and does not have it.
    pub older_than: Option<i64>,
    /// The server's key when the copy was made, if it is not the key of the server that the yard has joined.
    pub other_key: Option<PublicKey>,
}

impl Copy {
    /// A copy that has the entry that was seen is of the same journal, whatever its key. An older one is only
    /// by the key.
    fn of_ours(self, yard: &Yard, key: PublicKey) -> Result<Self, JournalError> {
        let other_key = server_key(yard).ok().filter(|joined| *joined != key).map(|_| key);
        match (self.older_than, other_key) {
            (Some(seen), Some(key)) => {
                Err(JournalError::Foreign { key: Box::new(key), last: self.newest.number, seen })
            }
            _ => Ok(Self { other_key, ..self }),
        }
    }
}

/// Verifies an exported journal without the server. It must have the entry that was seen, or end before it with a
/// head that the server signed.
///
/// # Errors
/// [`JournalError`], naming the first bad line or entry.
pub fn check_file(yard: &Yard, path: &Path, seen: Option<Seen>) -> Result<Copy, JournalError> {
    let failed = |error| FileError::Read { path: path.to_owned(), error };
    let bad = |line, why| JournalError::Line { path: path.to_owned(), line, why };
    let file = std::fs::File::open(path).map_err(failed)?;
    let (mut alone, mut against) = (Follow::from_start(None), Follow::from_start(seen));
    let mut signed: Option<(JournalHead, PublicKey)> = None;
    for (at, line) in BufReader::new(file).lines().enumerate() {
        let line = line.map_err(failed)?;
        if signed.is_some() {
            return Err(bad(at + 1, "nothing belongs after the signed head".to_owned()));
        }
        if let Ok(HeadLine { head, server_key }) = serde_json::from_str(&line) {
            let key = PublicKey::parse(&server_key).map_err(|e| bad(at + 1, format!("`server_key`: {e}")))?;
            head::open(&head, &key)?;
            signed = Some((head, key));
            continue;
        }
        let entry: JournalEntry =
            serde_json::from_str(&line).map_err(|e| bad(at + 1, format!("this is no entry: {e}")))?;
        alone.next(&entry);
        against.next(&entry);
    }
    let Some((head, key)) = signed else {
        return Ok(Copy { newest: against.finish()?, at: None, older_than: None, other_key: None });
    };
    let newest = alone.finish_at(Seen { number: head.number, hash: head.hash })?;
    let older_than = seen.map(|seen| seen.number).filter(|number| newest.number < *number);
    if older_than.is_none() {
        against.finish()?;
    }
    Copy { newest, at: Some(head.at), older_than, other_key: None }.of_ours(yard, key)
}

/// Verifies the journal in a backup of the server, and all else in it, without the server. It must have the entry
/// that was seen, or be older and of the server that the yard has joined.
///
/// # Errors
/// [`JournalError`] with the first thing that is wrong.
pub fn check_backup(yard: &Yard, backup: &Path, seen: Option<Seen>) -> Result<Copy, JournalError> {
    let made = backup::check(backup)?;
    let newest = Seen { number: made.journal_entries, hash: made.journal_head };
    let mut older_than = None;
    if let Some(Seen { number, hash: seen }) = seen {
        match backup::entry_hash(backup, number)? {
            Some(found) if found != seen => return Err(Broken::OtherHistory { number, seen, found }.into()),
            Some(_) => {}
            None => older_than = Some(number),
        }
    }
    Copy { newest, at: Some(made.made_at), older_than, other_key: None }.of_ours(yard, made.server_key)
}
