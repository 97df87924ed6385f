//! Whether anything can be written now, and why not.
//!
//! A disk that is full, read-only or failing does not end the server: what reads goes on, what
//! writes is refused as a whole, and before anything is written again a sizeable piece has to fit.

use rusqlite::{Connection, ErrorCode, ffi};
use std::io;
use std::sync::{Mutex, PoisonError};

/// Why nothing can be written.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unwritable {
    /// No room is left.
    #[error("the disk is full")]
    Full,
    /// Writing is not allowed.
    #[error("the disk or the folder is read-only")]
    ReadOnly,
    /// Writing is tried and fails.
    #[error("the disk fails: {why}")]
    Failing {
        /// What the database says.
        why: String,
    },
}

impl Unwritable {
    /// Whether an error of the database means that nothing can be written.
    pub fn of(error: &rusqlite::Error) -> Option<Self> {
        let failing = || Some(Self::Failing { why: error.to_string() });
        match (error.sqlite_error_code()?, error.sqlite_error()?.extended_code) {
            // The file that readers and the writer share can only not be made larger for want of room.
            (ErrorCode::DiskFull, _) | (_, ffi::SQLITE_IOERR_SHMSIZE) => Some(Self::Full),
            (ErrorCode::ReadOnly, _) => Some(Self::ReadOnly),
            (
                ErrorCode::SystemIoFailure,
                ffi::SQLITE_IOERR_WRITE
                | ffi::SQLITE_IOERR_FSYNC
                | ffi::SQLITE_IOERR_DIR_FSYNC
                | ffi::SQLITE_IOERR_TRUNCATE
                | ffi::SQLITE_IOERR_SHMOPEN,
            ) => failing(),
            _ => None,
        }
    }

    /// Whether an error of the file system does.
    pub fn of_file(error: &io::Error) -> Option<Self> {
        match error.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Some(Self::Full),
            io::ErrorKind::ReadOnlyFilesystem => Some(Self::ReadOnly),
            _ => None,
        }
    }
}

/// What is known about it. Logged once when it changes.
#[derive(Debug, Default)]
pub(super) struct Writable(Mutex<Option<Unwritable>>);

impl Writable {
    /// Why nothing can be written; absent while all is well.
    pub(super) fn trouble(&self) -> Option<Unwritable> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Notes that writing failed.
    pub(super) fn lost(&self, why: &Unwritable) {
        let was = self.0.lock().unwrap_or_else(PoisonError::into_inner).replace(why.clone());
        if was.as_ref() != Some(why) {
            tracing::error!(
                cause = %why,
                "Nothing can be written: check-ins are answered with 503 and nothing new is offered until \
                 writing works again"
            );
        }
    }

    /// Notes that writing works.
    pub(super) fn back(&self) {
        if self.0.lock().unwrap_or_else(PoisonError::into_inner).take().is_some() {
            tracing::info!("Writing works again");
        }
    }
}

/// Bytes that must fit before anything else is written again: more than a group of check-ins
/// takes, so that a disk with room for one more page does not go to and fro.
const PIECE: u32 = 64 << 10;

/// Tries to write. The piece is taken away again; its room stays free inside the database.
pub(super) fn probe(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute_batch(&format!(
        "BEGIN IMMEDIATE;
         DROP TABLE IF EXISTS spare;
         CREATE TABLE spare (piece BLOB NOT NULL) STRICT;
         INSERT INTO spare VALUES (zeroblob({PIECE}));
         COMMIT;
         DROP TABLE spare;"
    ))
}
