//! Checking a backup, without a server and without changing it.

use super::{
    BackupFault, DATABASE, ENVELOPES, FORM, MANIFEST, Manifest, ONLINE_KEY, OTHER_FILES, PAYLOADS, files,
    is_old_key,
};
use crate::contract::JournalCheck;
use crate::keys;
use crate::store::{Connection, StoreFault, files as rows, journal as entries, open};
use pintle_protocol::id::Digest;
use pintle_protocol::suit::peek;
use std::fs;
use std::io;
use std::path::Path;

/// Checks a backup: its files against its list, the database's pages and foreign keys, the whole
/// journal, payloads and envelopes against their digests, and the server's key.
///
/// # Errors
/// [`BackupFault`] with the first thing that is wrong.
pub fn check(from: &Path) -> Result<Manifest, BackupFault> {
    let manifest = read(from)?;
    let path = from.join(MANIFEST);
    let bad = |why: String| BackupFault::BadManifest { path: path.clone(), why };
    for entry in &manifest.files {
        let file = from.join(&entry.path);
        let (size, sha256) = files::hash(&file)?;
        if size != entry.size {
            let why = format!("it has {size} bytes, backup.json says {}", entry.size);
            return Err(BackupFault::Damaged { path: file, why });
        }
        if sha256 != entry.sha256 {
            let why = format!("its SHA-256 is {sha256}, backup.json says {}", entry.sha256);
            return Err(BackupFault::Damaged { path: file, why });
        }
    }
    let database = from.join(DATABASE);
    let connection = open::reader(&database)?;
    let schema = open::check(&connection, &database)?;
    if schema != manifest.schema {
        return Err(bad(format!("it names schema {}, the database has {schema}", manifest.schema)));
    }
    let found = journal(&connection, &database)?;
    if (found.good, found.head) != (manifest.journal_entries, manifest.journal_head) {
        let why = format!(
            "its journal ends with entry {} ({}), backup.json says {} ({})",
            found.good, found.head, manifest.journal_entries, manifest.journal_head
        );
        return Err(BackupFault::Damaged { path: database, why });
    }
    for file in stored(&connection)? {
        if !manifest.files.iter().any(|entry| entry.path == file.path()) {
            return Err(bad(format!("it lacks {}, which the database names", file.path())));
        }
        file.check(from)?;
    }
    let online = from.join(ONLINE_KEY);
    let key = keys::public(&keys::read_online_key(&online).map_err(files::at(&online))?);
    if key != manifest.server_key {
        let why = format!("its public half is {key}, backup.json says {}", manifest.server_key);
        return Err(BackupFault::Damaged { path: online, why });
    }
    Ok(manifest)
}

/// Hash of an entry of the journal in a backup that was checked; `None` if the journal ends before it.
///
/// # Errors
/// [`BackupFault`] if the database cannot be read.
pub fn entry_hash(from: &Path, number: i64) -> Result<Option<Digest>, BackupFault> {
    let connection = open::reader(&from.join(DATABASE))?;
    let page = entries::page(&connection, number.saturating_sub(1), 1)?;
    Ok(page.entries.first().filter(|entry| entry.number == number).map(|entry| entry.hash))
}

/// Reads a backup's list of files, and makes sure that every name in it is one that belongs there.
fn read(from: &Path) -> Result<Manifest, BackupFault> {
    let path = from.join(MANIFEST);
    let bytes = match fs::read(&path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            return Err(BackupFault::NoManifest { path: from.to_owned() });
        }
        Err(source) => return Err(BackupFault::File { path, source }),
    };
    let bad = |why: String| BackupFault::BadManifest { path: path.clone(), why };
    // The form is read first: another one may have other fields.
    let any: serde_json::Value = serde_json::from_slice(&bytes).map_err(|e| bad(e.to_string()))?;
    let form = any.get("form").and_then(serde_json::Value::as_u64);
    let form = form.ok_or_else(|| bad("it has no `form`".to_owned()))?;
    if form != u64::from(FORM) {
        let program = any.get("program").and_then(serde_json::Value::as_str).unwrap_or("version not known");
        return Err(BackupFault::Newer { path: from.to_owned(), found: form, program: program.to_owned() });
    }
    let manifest: Manifest = serde_json::from_value(any).map_err(|e| bad(e.to_string()))?;
    let mut seen = std::collections::BTreeSet::new();
    for entry in &manifest.files {
        if !is_ours(&entry.path) {
            return Err(bad(format!("it lists `{}`, which is no file of a server", entry.path)));
        }
        if !seen.insert(entry.path.as_str()) {
            return Err(bad(format!("it lists `{}` twice", entry.path)));
        }
    }
    for needed in [DATABASE, ONLINE_KEY] {
        if !seen.contains(needed) {
            return Err(bad(format!("it does not list {needed}")));
        }
    }
    Ok(manifest)
}

/// Whether a path of a list is one that backups have; none of these leads out of the folder.
fn is_ours(path: &str) -> bool {
    match path.split_once('/') {
        None => [DATABASE, ONLINE_KEY].contains(&path) || OTHER_FILES.contains(&path) || is_old_key(path),
        Some((PAYLOADS | ENVELOPES, name)) => Digest::parse(name).is_ok_and(|d| d.to_string() == name),
        Some(_) => false,
    }
}

/// Checks the whole journal of a database.
pub(super) fn journal(connection: &Connection, path: &Path) -> Result<JournalCheck, BackupFault> {
    let mut found = entries::check(connection)?;
    match found.bad.take() {
        Some(bad) => Err(BackupFault::Journal { path: path.to_owned(), bad }),
        None => Ok(found),
    }
}

/// A file that the database names.
pub(super) struct Stored {
    folder: &'static str,
    digest: Digest,
    size: u64,
}

/// Every file that the database names.
pub(super) fn stored(connection: &Connection) -> Result<Vec<Stored>, StoreFault> {
    let payloads = rows::all_payloads(connection)?.into_iter().map(|found| (PAYLOADS, found));
    let envelopes = rows::all_envelopes(connection)?.into_iter().map(|found| (ENVELOPES, found));
    let all = payloads.chain(envelopes);
    Ok(all.map(|(folder, (digest, size))| Stored { folder, digest, size }).collect())
}

impl Stored {
    /// Path inside a backup or a server's folder.
    pub(super) fn path(&self) -> String {
        format!("{}/{}", self.folder, self.digest)
    }

    /// Holds the file in `root` against the size and digest that the database has.
    pub(super) fn check(&self, root: &Path) -> Result<(), BackupFault> {
        let path = root.join(self.path());
        let damaged = |why: String| BackupFault::Damaged { path: path.clone(), why };
        let (size, found) = if self.folder == PAYLOADS {
            files::hash(&path)?
        } else {
            let bytes = fs::read(&path).map_err(files::at(&path))?;
            let found = peek(&bytes).map_err(|refusal| damaged(refusal.to_string()))?.digest;
            (bytes.len() as u64, found)
        };
        if size != self.size {
            return Err(damaged(format!("it has {size} bytes, the database says {}", self.size)));
        }
        if found != self.digest {
            return Err(damaged(format!("its digest is {found}")));
        }
        Ok(())
    }
}
