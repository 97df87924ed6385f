//! Payloads and envelopes: files named by digest, and what is known about them.

use super::StoreFault;
use super::values::{ROLES, id, maybe_id, odd, word, word_of};
use crate::contract::Seconds;
use crate::rollout::{Brings, Parcel};
use pintle_protocol::id::{Component, Digest, NodeId};
use rusqlite::{Connection, Row, named_params};
use sha2::Digest as _;
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// A folder of files named by digest.
#[derive(Clone, Debug)]
pub struct Folder {
    path: PathBuf,
}

impl Folder {
    /// Opens or makes the folder, and removes what an interrupted upload left behind.
    ///
    /// # Errors
    /// [`StoreFault::File`].
    pub fn open(path: PathBuf) -> Result<Self, StoreFault> {
        let fault = |what: &str, path: &Path| {
            let what = format!("{what} {}", path.display());
            move |source| StoreFault::File { what, source }
        };
        fs::create_dir_all(&path).map_err(fault("making", &path))?;
        for entry in fs::read_dir(&path).map_err(fault("reading", &path))? {
            let found = entry.map_err(fault("reading", &path))?.path();
            if found.extension().is_some_and(|ext| ext == PART) {
                fs::remove_file(&found).map_err(fault("removing", &found))?;
            }
        }
        Ok(Self { path })
    }

    /// Where the file with this digest is, or would be.
    pub fn file(&self, digest: &Digest) -> PathBuf {
        self.path.join(digest.to_string())
    }

    /// Begins to take in a file; `unique` keeps two uploads of the same file apart.
    ///
    /// # Errors
    /// [`StoreFault::File`].
    pub fn begin(&self, digest: &Digest, unique: u64) -> Result<Incoming, StoreFault> {
        let part = self.path.join(format!("{digest}-{unique:016x}.{PART}"));
        let file = File::create(&part)
            .map_err(|source| StoreFault::File { what: format!("making {}", part.display()), source })?;
        Ok(Incoming { part, file: Some(file), hash: sha2::Sha256::new(), size: 0, folder: self.path.clone() })
    }
}

const PART: &str = "part";

/// A file that is being taken in. Dropped before [`Self::keep`], it leaves nothing behind.
pub struct Incoming {
    part: PathBuf,
    folder: PathBuf,
    file: Option<File>,
    hash: sha2::Sha256,
    size: u64,
}

impl Incoming {
    /// Takes the next bytes.
    ///
    /// # Errors
    /// [`StoreFault::File`].
    pub fn take(&mut self, bytes: &[u8]) -> Result<(), StoreFault> {
        self.hash.update(bytes);
        self.size += bytes.len() as u64;
        match &mut self.file {
            Some(file) => file.write_all(bytes).map_err(|source| self.fault("writing", source)),
            None => Ok(()),
        }
    }

    /// Bytes taken so far.
    pub const fn size(&self) -> u64 {
        self.size
    }

    /// SHA-256 of the bytes taken so far.
    pub fn digest(&self) -> Digest {
        Digest(self.hash.clone().finalize().into())
    }

    /// Makes it last under `name`: synced, renamed, and the folder synced.
    ///
    /// # Errors
    /// [`StoreFault::File`].
    pub fn keep(mut self, name: &Digest) -> Result<(), StoreFault> {
        if let Some(file) = self.file.take() {
            file.sync_all().map_err(|source| self.fault("syncing", source))?;
        }
        let last = self.folder.join(name.to_string());
        fs::rename(&self.part, &last).map_err(|source| self.fault("renaming", source))?;
        File::open(&self.folder)
            .and_then(|folder| folder.sync_all())
            .map_err(|source| self.fault("syncing the folder of", source))
    }

    fn fault(&self, what: &str, source: io::Error) -> StoreFault {
        StoreFault::File { what: format!("{what} {}", self.part.display()), source }
    }
}

impl Drop for Incoming {
    fn drop(&mut self) {
        // After `keep` there is nothing under this name; what stays is removed at the next start.
        let _ = fs::remove_file(&self.part);
    }
}

/// Size of a stored payload.
pub fn payload_size(conn: &Connection, digest: &Digest) -> Result<Option<u64>, StoreFault> {
    let mut statement = conn.prepare_cached("SELECT size FROM payload WHERE digest = :digest")?;
    let mut rows = statement.query(named_params! { ":digest": digest.0 })?;
    rows.next()?.map(|row| size(row.get("size")?)).transpose()
}

/// Notes a payload whose file is there.
pub fn add_payload(conn: &Connection, digest: &Digest, size: u64, now: Seconds) -> Result<(), StoreFault> {
    let size = i64::try_from(size).map_err(|_| odd("payload.size", size))?;
    conn.execute(
        "INSERT INTO payload (digest, size, stored_at) VALUES (:digest, :size, :now)
         ON CONFLICT (digest) DO NOTHING",
        named_params! { ":digest": digest.0, ":size": size, ":now": now },
    )?;
    Ok(())
}

/// Digest and size of every payload.
pub fn all_payloads(conn: &Connection) -> Result<Vec<(Digest, u64)>, StoreFault> {
    all(conn, "SELECT digest, size FROM payload ORDER BY digest")
}

/// Manifest digest and size of every envelope.
pub fn all_envelopes(conn: &Connection) -> Result<Vec<(Digest, u64)>, StoreFault> {
    all(conn, "SELECT digest, size FROM envelope ORDER BY digest")
}

fn all(conn: &Connection, sql: &str) -> Result<Vec<(Digest, u64)>, StoreFault> {
    let mut statement = conn.prepare_cached(sql)?;
    let mut rows = statement.query([])?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push((id(row, "digest")?, size(row.get("size")?)?));
    }
    Ok(found)
}

/// What is known about a stored envelope.
pub fn parcel(conn: &Connection, digest: &Digest) -> Result<Option<Parcel>, StoreFault> {
    let mut statement = conn.prepare_cached("SELECT * FROM envelope WHERE digest = :digest")?;
    let mut rows = statement.query(named_params! { ":digest": digest.0 })?;
    let Some(row) = rows.next()? else { return Ok(None) };
    let sequence: i64 = row.get("sequence")?;
    let mut parcel = Parcel {
        envelope: *digest,
        size: row.get("size")?,
        role: word(row, "role", ROLES)?,
        sequence: u64::try_from(sequence).map_err(|_| odd("envelope.sequence", sequence))?,
        brings: Vec::new(),
    };
    let mut statement =
        conn.prepare_cached("SELECT component, payload FROM envelope_part WHERE envelope = :digest")?;
    let mut rows = statement.query(named_params! { ":digest": digest.0 })?;
    while let Some(row) = rows.next()? {
        parcel.brings.push(Brings { component: component(row)?, payload: maybe_id(row, "payload")? });
    }
    Ok(Some(parcel))
}

/// The part of a node in the column `component`.
pub(super) fn component(row: &Row<'_>) -> Result<Component, StoreFault> {
    let found: String = row.get("component")?;
    Component::from_word(found.as_bytes()).ok_or_else(|| odd("component", found))
}

/// Notes an envelope whose file is there.
///
/// `parcel.sequence`: below 2^63. `device`: the one node that it is for, if it names one.
pub fn add_envelope(
    conn: &Connection,
    parcel: &Parcel,
    device: Option<NodeId>,
    now: Seconds,
) -> Result<(), StoreFault> {
    let sequence = i64::try_from(parcel.sequence).map_err(|_| odd("envelope.sequence", parcel.sequence))?;
    let added = conn.execute(
        "INSERT INTO envelope (digest, size, role, sequence, device, stored_at)
         VALUES (:digest, :size, :role, :sequence, :device, :now) ON CONFLICT (digest) DO NOTHING",
        named_params! {
            ":digest": parcel.envelope.0,
            ":size": parcel.size,
            ":role": word_of(parcel.role, ROLES),
            ":sequence": sequence,
            ":device": device.map(|d| d.0),
            ":now": now,
        },
    )?;
    for part in parcel.brings.iter().filter(|_| added > 0) {
        conn.execute(
            "INSERT INTO envelope_part (envelope, component, payload) VALUES (:digest, :component, :payload)",
            named_params! {
                ":digest": parcel.envelope.0,
                ":component": part.component.word(),
                ":payload": part.payload.map(|p| p.0),
            },
        )?;
    }
    Ok(())
}

/// The one node that a stored envelope is for, if it names one.
pub fn device(conn: &Connection, envelope: &Digest) -> Result<Option<NodeId>, StoreFault> {
    let mut statement = conn.prepare_cached("SELECT device FROM envelope WHERE digest = :digest")?;
    let mut rows = statement.query(named_params! { ":digest": envelope.0 })?;
    rows.next()?.map_or(Ok(None), |row| maybe_id(row, "device"))
}

/// Parcels read once, however many nodes they go to.
#[derive(Debug, Default)]
pub struct Parcels(BTreeMap<Digest, Parcel>);

impl Parcels {
    /// A parcel, from memory if it was read before.
    pub fn get(&mut self, conn: &Connection, digest: &Digest) -> Result<Option<Parcel>, StoreFault> {
        if let Some(known) = self.0.get(digest) {
            return Ok(Some(known.clone()));
        }
        let found = parcel(conn, digest)?;
        if let Some(parcel) = &found {
            self.0.insert(*digest, parcel.clone());
        }
        Ok(found)
    }
}

fn size(stored: i64) -> Result<u64, StoreFault> {
    u64::try_from(stored).map_err(|_| odd("size", stored))
}
