//! Backups: a folder with everything that a server needs to go on elsewhere.
//!
//! ```text
//! backup.json      what is in it, with sizes and SHA-256; written last
//! pintle.db        a snapshot of the database, in one moment
//! online.key       the server's own key, by which nodes know it
//! *.key            the key that is to take its place, and those before it, where there are any
//! ca.* tls.*       TLS keys and certificates, where it has them
//! payloads/        files by SHA-256
//! envelopes/       files by manifest digest
//! ```
//!
//! Whoever has a backup can pretend to be the server: it holds the server's keys. It holds none
//! of the operator's, and no passphrase in clear.

mod check;
mod files;
mod make;
mod restore;

pub use check::{check, entry_hash};
pub use make::make;
pub use restore::restore;

use crate::contract::{BadEntry, Seconds, text};
use crate::store::{OpenFault, StoreFault};
use pintle_protocol::id::{Digest, PublicKey};
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// Name of the file that says what is in a backup.
pub const MANIFEST: &str = "backup.json";
/// The form of backups that this program writes and reads.
pub const FORM: u32 = 1;
/// The database.
const DATABASE: &str = "pintle.db";
/// The server's own key.
const ONLINE_KEY: &str = "online.key";
/// What a server may have besides: the key that is to take the place of its own one, TLS keys and
/// certificates.
const OTHER_FILES: [&str; 6] = ["next.key", "ca.key", "ca.pem", "tls.key", "tls.pem", "tls.names"];
/// Folders of files by digest.
const PAYLOADS: &str = "payloads";
const ENVELOPES: &str = "envelopes";

/// Whether a name is that of a key that was the server's own once: `online-`, some hexadecimal
/// digits, `.key`.
fn is_old_key(name: &str) -> bool {
    let digits = name.strip_prefix("online-").and_then(|rest| rest.strip_suffix(".key"));
    digits.is_some_and(|digits| !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_hexdigit()))
}

/// What is in a backup.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Manifest {
    /// [`FORM`].
    pub form: u32,
    /// When it was made.
    pub made_at: Seconds,
    /// Version of the server program that made it.
    pub program: String,
    /// Version of the database's schema.
    pub schema: u32,
    /// Public half of the server's own key.
    #[serde(with = "text")]
    pub server_key: PublicKey,
    /// Number of the journal's last entry; 0 for an empty journal.
    pub journal_entries: i64,
    /// Hash of the journal's last entry.
    #[serde(with = "text")]
    pub journal_head: Digest,
    /// Every file but this one.
    pub files: Vec<FileEntry>,
}

/// One file of a backup.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileEntry {
    /// Path inside the backup, with `/`.
    pub path: String,
    /// Its length in bytes.
    pub size: u64,
    /// SHA-256 of its bytes.
    #[serde(with = "text")]
    pub sha256: Digest,
}

/// Why a backup was not made, is not good, or was not restored.
#[derive(Debug, thiserror::Error)]
pub enum BackupFault {
    /// A file or folder could not be read or written.
    #[error("{}: {source}", path.display())]
    File {
        /// The file or folder.
        path: PathBuf,
        /// What the system answered.
        source: std::io::Error,
    },
    /// There is no server in the folder.
    #[error("{} has no pintle.db: it is no folder of a server", path.display())]
    NoServer {
        /// The folder.
        path: PathBuf,
    },
    /// Something is there already.
    #[error("{} is there and not empty; nothing was changed: {hint}", path.display())]
    NotEmpty {
        /// The folder.
        path: PathBuf,
        /// What to do.
        hint: &'static str,
    },
    /// It is no backup, or was broken off while it was made.
    #[error(
        "{} has no backup.json: it is no backup, or one that was broken off; take another one",
        path.display()
    )]
    NoManifest {
        /// The folder.
        path: PathBuf,
    },
    /// Its list of files is not what this program writes.
    #[error("{} is not understood: {why}; take another backup", path.display())]
    BadManifest {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// A newer program made it.
    #[error(
        "{} is a backup of form {found}, this program reads form {FORM}: take the program that made it ({program})",
        path.display()
    )]
    Newer {
        /// The backup.
        path: PathBuf,
        /// Its form.
        found: u64,
        /// Version of the program that made it.
        program: String,
    },
    /// A file in it is not as it was when the backup was made.
    #[error("{} is damaged: {why}; take another backup", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// Its journal does not hold.
    #[error("{}: entry {} of the journal does not fit: {}; take another backup", path.display(), bad.number, bad.why)]
    Journal {
        /// The database.
        path: PathBuf,
        /// The first entry that does not fit.
        bad: BadEntry,
    },
    /// The database cannot be used.
    #[error(transparent)]
    Database(#[from] OpenFault),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreFault),
}
