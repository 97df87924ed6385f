//! What the server is compared with: signatures alone, and commits alone.

use crate::load::Fleet;
use crate::tool::MeasureError;
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Signatures that are verified and made.
pub(super) struct Signatures {
    messages: Vec<([u8; 32], Vec<u8>, Signature)>,
    own: SigningKey,
}

/// Bytes in what a check-in's signature covers, and in what a reply's does, to within a few.
const MESSAGE: usize = 340;
const REPLY: usize = 90;

impl Signatures {
    /// Messages as long as check-ins are, by so many nodes.
    pub(super) fn of(fleet: Fleet, count: u32) -> Self {
        let message = |n: u32| {
            let key = fleet.key(n % fleet.nodes);
            let text: Vec<u8> = (0..MESSAGE).map(|i| (i as u32 ^ n) as u8).collect();
            let signature = key.sign(&text);
            (key.verifying_key().to_bytes(), text, signature)
        };
        Self { messages: (0..count).map(message).collect(), own: SigningKey::from_bytes(&[9; 32]) }
    }

    /// Time on the processor for verifying one and signing one, in seconds: the key read from its 32 bytes and
    /// verified strictly, as RFC 8032 section 5.1.7 begins with decoding the key.
    pub(super) fn seconds_each(&self) -> Result<f64, MeasureError> {
        let from = thread_seconds()?;
        for (key, text, signature) in &self.messages {
            let verified = VerifyingKey::from_bytes(key).and_then(|key| key.verify_strict(text, signature));
            verified
                .map_err(|e| MeasureError::Unexpected { what: "a good signature", found: e.to_string() })?;
            std::hint::black_box(self.own.sign(std::hint::black_box(text.get(..REPLY).unwrap_or(text))));
        }
        Ok((thread_seconds()? - from) / self.messages.len() as f64)
    }
}

/// Time that this thread has spent on the processor, in seconds.
fn thread_seconds() -> Result<f64, MeasureError> {
    let path = PathBuf::from("/proc/thread-self/schedstat");
    let found = fs::read_to_string(&path).map_err(|source| MeasureError::File { path, source })?;
    let first = found.split(' ').next().and_then(|n| n.parse::<f64>().ok());
    first.map(|nanoseconds| nanoseconds / 1e9).ok_or(MeasureError::Unexpected { what: "nanoseconds", found })
}

/// Commits of one row each for every second, in a plain database of the same kind and as durable, in `folder`.
pub(super) fn commits_a_second(folder: &Path, time: Duration) -> Result<f64, MeasureError> {
    let path = folder.join("plain.db");
    let fault = |e: rusqlite::Error| MeasureError::Unexpected { what: "a commit", found: e.to_string() };
    let database = rusqlite::Connection::open(&path).map_err(fault)?;
    database.pragma_update(None, "journal_mode", "WAL").map_err(fault)?;
    database.pragma_update(None, "synchronous", "FULL").map_err(fault)?;
    database
        .execute_batch("CREATE TABLE IF NOT EXISTS row (id INTEGER PRIMARY KEY, what BLOB NOT NULL) STRICT")
        .map_err(fault)?;
    let mut insert = database.prepare("INSERT INTO row (what) VALUES (?1)").map_err(fault)?;
    let from = Instant::now();
    let mut commits = 0;
    while from.elapsed() < time {
        insert.execute([[7u8; 300]]).map_err(fault)?;
        commits += 1;
    }
    Ok(f64::from(commits) / from.elapsed().as_secs_f64())
}
