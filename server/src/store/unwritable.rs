//! Whether anything can be written now, and why not.
//!
//! A disk that is full, read-only or failing does not end the server: what reads goes on, what
//! writes is refused as a whole, and before anything is written again a sizeable piece has to fit. Into a
//! damaged database nothing is written again.

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
    /// A page of the database is not what was written there. Nothing is written from then on: what else is
    /// wrong is not known, and writing may make it worse. A start checks all of it.
    #[error("the database is damaged: {why}")]
    Damaged {
        /// What the database says.
        why: String,
    },
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
            (ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase, _)
            | (_, ffi::SQLITE_IOERR_CORRUPTFS | ffi::SQLITE_IOERR_DATA) => {
                Some(Self::Damaged { why: error.to_string() })
            }
            (ErrorCode::SystemIoFailure, _) => failing(),
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

    /// Notes that writing failed. Damage stays, whatever fails after it.
    pub(super) fn lost(&self, why: &Unwritable) {
        let mut now = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if now.as_ref() == Some(why) || matches!(*now, Some(Unwritable::Damaged { .. })) {
            return;
        }
        *now = Some(why.clone());
        drop(now);
        match why {
            Unwritable::Damaged { .. } => tracing::error!(
                cause = %why,
                "Nothing is written any more: check-ins are answered with 503 and nothing new is offered; stop \
                 the server, keep a copy of its folder, and restore a backup"
            ),
            _ => tracing::error!(
                cause = %why,
                "Nothing can be written: check-ins are answered with 503 and nothing new is offered until \
                 writing works again"
            ),
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

#[cfg(test)]
mod tests {
    use super::*;

    fn of(code: i32) -> Option<Unwritable> {
        Unwritable::of(&rusqlite::Error::SqliteFailure(ffi::Error::new(code), None))
    }

    /// Source: SQLite, "Result and Error Codes".
    #[test]
    fn errors_of_the_database_are_told_apart() {
        for code in
            [ffi::SQLITE_CORRUPT, ffi::SQLITE_NOTADB, ffi::SQLITE_IOERR_CORRUPTFS, ffi::SQLITE_IOERR_DATA]
        {
            assert!(matches!(of(code), Some(Unwritable::Damaged { .. })), "{code}");
        }
        for code in [ffi::SQLITE_IOERR_READ, ffi::SQLITE_IOERR_WRITE, ffi::SQLITE_IOERR_FSYNC] {
            assert!(matches!(of(code), Some(Unwritable::Failing { .. })), "{code}");
        }
        assert_eq!(of(ffi::SQLITE_FULL), Some(Unwritable::Full));
        assert_eq!(of(ffi::SQLITE_READONLY), Some(Unwritable::ReadOnly));
        assert_eq!(of(ffi::SQLITE_CONSTRAINT), None);
    }

    #[test]
    fn damage_stays_whatever_fails_after_it() {
        let writable = Writable::default();
        let damaged = Unwritable::Damaged { why: "malformed".to_owned() };
        writable.lost(&damaged);
        writable.lost(&Unwritable::Full);
        assert_eq!(writable.trouble(), Some(damaged));
    }
}
