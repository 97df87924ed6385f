//! Opening the database, and bringing it up to date.

use super::{Unwritable, journal};
use crate::contract::BadEntry;
use rusqlite::{Connection, OpenFlags, OptionalExtension};
use rusqlite_migration::{M, Migrations};
use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use std::time::Duration;

/// Why the database could not be opened. Nothing is deleted, whatever it is.
#[derive(Debug, thiserror::Error)]
pub enum OpenFault {
    /// It was written by a newer server.
    #[error(
        "{} has schema {found}, this server knows schemas up to {known}: run the newer server, \
         or restore a backup made before the update",
        path.display()
    )]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its schema.
        found: u32,
        /// The newest schema known.
        known: u32,
    },
    /// It is damaged, or no database at all.
    #[error(
        "{} is damaged or is no database ({why}): it was left as it is; keep a copy and restore a backup",
        path.display()
    )]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What SQLite says.
        why: String,
    },
    /// It cannot be written, or what SQLite keeps beside it cannot.
    #[error(
        "{} cannot be opened for writing ({why}): make room on the disk, or make it writable, and start again; \
         nothing was changed",
        path.display()
    )]
    CannotWrite {
        /// The file.
        path: PathBuf,
        /// Why.
        why: Unwritable,
    },
    /// A row refers to another one that is not there.
    #[error(
        "{} is damaged: a row in `{table}` refers to one in `{parent}` that is not there; it was left as it is; \
         keep a copy and restore a backup",
        path.display()
    )]
    Dangling {
        /// The file.
        path: PathBuf,
        /// The table with the row.
        table: String,
        /// The table without.
        parent: String,
    },
    /// The newest entries of the journal do not follow from each other.
    #[error(
        "{} has a journal that was changed: entry {number}: {why}; it was left as it is; keep a copy and \
         restore a backup",
        path.display()
    )]
    Journal {
        /// The file.
        path: PathBuf,
        /// The first entry that does not fit.
        number: i64,
        /// What is wrong with it.
        why: String,
    },
    /// SQLite could not open it or bring it up to date.
    #[error("{} cannot be opened: {source}", path.display())]
    Database {
        /// The file.
        path: PathBuf,
        /// What SQLite says.
        source: rusqlite::Error,
    },
    /// A migration failed; it was undone.
    #[error("{} cannot be brought up to date: {why}", path.display())]
    Migration {
        /// The file.
        path: PathBuf,
        /// What went wrong.
        why: String,
    },
    /// The writing thread could not be started.
    #[error("the writing thread cannot be started: {source}")]
    Thread {
        /// What the system answered.
        source: std::io::Error,
    },
}

/// Every migration, oldest first.
pub(crate) const SQL: [&str; 9] = [
    include_str!("../../../migrations/01-beginning/up.sql"),
    include_str!("../../../migrations/02-suit-reports/up.sql"),
    include_str!("../../../migrations/03-careful-waves/up.sql"),
    include_str!("../../../migrations/04-history/up.sql"),
    include_str!("../../../migrations/05-tokens/up.sql"),
    include_str!("../../../migrations/06-clock-steps/up.sql"),
    include_str!("../../../migrations/07-many-nodes/up.sql"),
    include_str!("../../../migrations/08-notices/up.sql"),
    include_str!("../../../migrations/09-what-nodes-say/up.sql"),
];

pub(super) static MIGRATIONS: LazyLock<Migrations<'static>> =
    LazyLock::new(|| Migrations::new(SQL.into_iter().map(M::up).collect()));

/// Up to this many bytes of database everything is checked before a start, indexes against their tables too:
/// measured at 2 s for 87 MB, which is 50 nodes for 90 days. Above, pages and references are checked while
/// nodes are served already.
const WHOLE_CHECK_BYTES: i64 = 64 << 20;
/// Newest entries of the journal whose hashes are checked at a start.
const NEWEST_ENTRIES: u32 = 1000;

/// The connection that writes, with the newest schema.
pub(crate) fn writer(path: &Path) -> Result<Connection, OpenFault> {
    let fault = |source| fault(path, source);
    let mut connection = Connection::open(path).map_err(fault)?;
    common(&connection).map_err(fault)?;
    let schema = check_schema(&connection, path)?;
    // Nothing is changed in a database that was not checked whole.
    if is_small(&connection).map_err(fault)? || schema < known() {
        check(&connection, path)?;
    } else {
        check_journal(&connection, path)?;
    }
    // Write-ahead logging lets readers go on while something is written; FULL syncs every commit.
    connection.pragma_update(None, "journal_mode", "WAL").map_err(fault)?;
    connection.pragma_update(None, "synchronous", "FULL").map_err(fault)?;
    // In KiB when negative: what a group of check-ins changes stays in memory until it is committed.
    connection.pragma_update(None, "cache_size", -8192).map_err(fault)?;
    // What is counted in passing needs no room on the disk.
    connection.pragma_update(None, "temp_store", "MEMORY").map_err(fault)?;
    climb(&mut connection, path)?;
    Ok(connection)
}

/// Brings a database to the newest schema.
pub(crate) fn climb(connection: &mut Connection, path: &Path) -> Result<(), OpenFault> {
    MIGRATIONS
        .to_latest(connection)
        .map_err(|e| OpenFault::Migration { path: path.to_owned(), why: e.to_string() })
}

/// Makes sure that the database is whole and that this program knows its schema: pages, foreign
/// keys, and the newest part of the journal's chain. Changes nothing. Returns the schema's number.
pub(crate) fn check(connection: &Connection, path: &Path) -> Result<u32, OpenFault> {
    let fault = |source| fault(path, source);
    let schema = check_schema(connection, path)?;
    let sql = if is_small(connection).map_err(fault)? {
        "PRAGMA integrity_check(1)"
    } else {
        "PRAGMA quick_check(1)"
    };
    let found: String = connection.query_row(sql, [], |row| row.get(0)).map_err(fault)?;
    if found != "ok" {
        return Err(OpenFault::Damaged { path: path.to_owned(), why: found });
    }
    let dangling = connection
        .query_row("SELECT \"table\", parent FROM pragma_foreign_key_check LIMIT 1", [], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .optional()
        .map_err(fault)?;
    if let Some((table, parent)) = dangling {
        return Err(OpenFault::Dangling { path: path.to_owned(), table, parent });
    }
    if schema > 0 {
        check_journal(connection, path)?;
    }
    Ok(schema)
}

/// Whether everything is checked before a start. Asked of the connection and not of the file, as pages may lie
/// in the log beside it still.
pub(crate) fn is_small(connection: &Connection) -> rusqlite::Result<bool> {
    let sql = "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size";
    connection.query_row(sql, [], |row| row.get::<_, i64>(0)).map(|bytes| bytes <= WHOLE_CHECK_BYTES)
}

fn check_journal(connection: &Connection, path: &Path) -> Result<(), OpenFault> {
    let journal = journal::check_newest(connection, NEWEST_ENTRIES)
        .map_err(|e| OpenFault::Damaged { path: path.to_owned(), why: e.to_string() })?;
    if let Some(BadEntry { number, why }) = journal.bad {
        return Err(OpenFault::Journal { path: path.to_owned(), number, why });
    }
    Ok(())
}

/// The schema's number, if this program knows that schema.
pub(crate) fn check_schema(connection: &Connection, path: &Path) -> Result<u32, OpenFault> {
    let found = connection
        .query_row("PRAGMA user_version", [], |row| row.get(0))
        .map_err(|source| fault(path, source))?;
    let known = known();
    if found > known {
        return Err(OpenFault::Newer { path: path.to_owned(), found, known });
    }
    Ok(found)
}

/// The newest schema that this program knows.
fn known() -> u32 {
    u32::try_from(SQL.len()).unwrap_or(u32::MAX)
}

/// A connection that reads.
pub(crate) fn reader(path: &Path) -> Result<Connection, OpenFault> {
    let fault = |source| fault(path, source);
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(fault)?;
    common(&connection).map_err(fault)?;
    Ok(connection)
}

fn common(connection: &Connection) -> rusqlite::Result<()> {
    connection.busy_timeout(Duration::from_secs(10))?;
    connection.pragma_update(None, "foreign_keys", true)?;
    // In KiB when negative: 1 MiB for each connection keeps the idle server small.
    connection.pragma_update(None, "cache_size", -1024)?;
    connection.set_prepared_statement_cache_capacity(64);
    Ok(())
}

pub(crate) fn fault(path: &Path, source: rusqlite::Error) -> OpenFault {
    use rusqlite::ErrorCode::{DatabaseCorrupt, NotADatabase};
    match source.sqlite_error_code() {
        Some(DatabaseCorrupt | NotADatabase) => {
            OpenFault::Damaged { path: path.to_owned(), why: source.to_string() }
        }
        _ => match Unwritable::of(&source) {
            Some(why) => OpenFault::CannotWrite { path: path.to_owned(), why },
            None => OpenFault::Database { path: path.to_owned(), source },
        },
    }
}
