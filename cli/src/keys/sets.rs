//! Which sets of trust anchors were signed, and which a node has.
//!
//! A node reports the sequence number of the set that it kept; 0 stands for the one on its
//! starter card. What each number stands for is written down here before anything is sent.

use crate::yard::files::{self, Readers};
use crate::yard::strict::{self, Unreadable};
use crate::yard::{Yard, YardError};
use pintle_protocol::cbor::{decode_message, encode_message};
use pintle_protocol::id::Digest;
use pintle_protocol::suit::TrustAnchors;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Where it is written down, in a yard.
const FILE: &str = "state/anchors.toml";
/// Most bytes of a set.
const MOST: usize = 1024;

#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct SetsFile {
    /// The set on starter cards that were made before this was written down.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    first: Option<String>,
    /// The set on each node's newest starter card.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    cards: BTreeMap<String, String>,
    /// Sets that were signed.
    #[serde(default, rename = "set", skip_serializing_if = "Vec::is_empty")]
    sets: Vec<SetEntry>,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct SetEntry {
    sequence: u64,
    manifest: String,
    anchors: String,
}

/// The sets of a yard, in their file.
#[derive(Clone, Debug)]
pub struct Sets {
    path: PathBuf,
    file: SetsFile,
}

impl Sets {
    /// Reads them; there need not be any.
    ///
    /// # Errors
    /// [`YardError`] if the file is there and wrong.
    pub fn open(yard: &Yard) -> Result<Self, YardError> {
        let path = yard.path(FILE);
        let file = if path.exists() { strict::read(&path)? } else { SetsFile::default() };
        Ok(Self { path, file })
    }

    /// Writes down what is on the starter cards that were made so far, unless that was done before.
    ///
    /// # Errors
    /// [`YardError`] if it cannot be written.
    pub fn note_first(&mut self, anchors: &TrustAnchors) -> Result<(), YardError> {
        if self.file.first.is_some() {
            return Ok(());
        }
        self.file.first = Some(text(anchors)?);
        self.save()
    }

    /// Writes down what is on a node's starter card.
    ///
    /// # Errors
    /// [`YardError`] if it cannot be written.
    pub fn note_card(&mut self, node: &str, anchors: &TrustAnchors) -> Result<(), YardError> {
        self.file.cards.insert(node.to_owned(), text(anchors)?);
        self.save()
    }

    /// Writes down a set that was signed, before it is sent anywhere.
    ///
    /// # Errors
    /// [`YardError`] if it cannot be written.
    pub fn note_set(
        &mut self,
        sequence: u64,
        manifest: &Digest,
        anchors: &TrustAnchors,
    ) -> Result<(), YardError> {
        let (manifest, anchors) = (manifest.to_string(), text(anchors)?);
        self.file.sets.push(SetEntry { sequence, manifest, anchors });
        self.save()
    }

    /// The set that a node has which reports this sequence number; `None` if it is not known here.
    ///
    /// # Errors
    /// [`YardError`] if the entry is damaged.
    pub fn of(&self, node: &str, sequence: u64) -> Result<Option<TrustAnchors>, YardError> {
        let found = match sequence {
            0 => self.file.cards.get(node).or(self.file.first.as_ref()),
            _ => self.file.sets.iter().find(|s| s.sequence == sequence).map(|s| &s.anchors),
        };
        found.map(|text| self.read(text)).transpose()
    }

    fn read(&self, text: &str) -> Result<TrustAnchors, YardError> {
        let wrong = || Unreadable::Wrong {
            path: self.path.clone(),
            line: 1,
            what: "a set of trust anchors is damaged; restore the file from git or from a backup".to_owned(),
        };
        let bytes = hex::decode(text).map_err(|_| wrong())?;
        let anchors: TrustAnchors = decode_message(&bytes).map_err(|_| wrong())?;
        anchors.check().map_err(|_| wrong())?;
        Ok(anchors)
    }

    fn save(&self) -> Result<(), YardError> {
        let body = toml::to_string(&self.file).unwrap_or_default();
        let text = format!(
            "# Sets of trust anchors (public keys, CBOR in hexadecimal), by the sequence number that\n\
             # nodes report. Written by `pintle keys` and `pintle node card`; do not edit.\n\n{body}"
        );
        Ok(files::replace(&self.path, text.as_bytes(), Readers::Usual)?)
    }
}

fn text(anchors: &TrustAnchors) -> Result<String, YardError> {
    let mut bytes = [0; MOST];
    // Ten keys at most, 34 bytes each.
    let len = encode_message(anchors, &mut bytes).unwrap_or(0);
    Ok(hex::encode(&bytes[..len]))
}
