//! Opening the database, and bringing it up to date.

use rusqlite::{Connection, OpenFlags};
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
const SQL: [&str; 3] = [
    include_str!("../../../migrations/01-beginning/up.sql"),
    include_str!("../../../migrations/02-suit-reports/up.sql"),
    include_str!("../../../migrations/03-careful-waves/up.sql"),
];

pub(super) static MIGRATIONS: LazyLock<Migrations<'static>> =
    LazyLock::new(|| Migrations::new(SQL.into_iter().map(M::up).collect()));

/// The connection that writes, with the newest schema.
pub(super) fn writer(path: &Path) -> Result<Connection, OpenFault> {
    let fault = |source| fault(path, source);
    let mut connection = Connection::open(path).map_err(fault)?;
    common(&connection).map_err(fault)?;
    let found: u32 = connection.query_row("PRAGMA user_version", [], |row| row.get(0)).map_err(fault)?;
    let known = u32::try_from(SQL.len()).unwrap_or(u32::MAX);
    if found > known {
        return Err(OpenFault::Newer { path: path.to_owned(), found, known });
    }
    let check: String = connection.query_row("PRAGMA quick_check(1)", [], |row| row.get(0)).map_err(fault)?;
    if check != "ok" {
        return Err(OpenFault::Damaged { path: path.to_owned(), why: check });
    }
    // Write-ahead logging lets readers go on while something is written; FULL syncs every commit.
    connection.pragma_update(None, "journal_mode", "WAL").map_err(fault)?;
    connection.pragma_update(None, "synchronous", "FULL").map_err(fault)?;
    MIGRATIONS
        .to_latest(&mut connection)
        .map_err(|e| OpenFault::Migration { path: path.to_owned(), why: e.to_string() })?;
    Ok(connection)
}

/// A connection that reads.
pub(super) fn reader(path: &Path) -> Result<Connection, OpenFault> {
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

fn fault(path: &Path, source: rusqlite::Error) -> OpenFault {
    use rusqlite::ErrorCode::{DatabaseCorrupt, NotADatabase};
    match source.sqlite_error_code() {
        Some(DatabaseCorrupt | NotADatabase) => {
            OpenFault::Damaged { path: path.to_owned(), why: source.to_string() }
        }
        _ => OpenFault::Database { path: path.to_owned(), source },
    }
}
