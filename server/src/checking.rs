//! Checking a large database while nodes are served already.
//!
//! A small one is checked before a start. With a million nodes that takes seconds to minutes in which no node
//! could be answered, so there it is done beside, and damage ends the server as it would have kept it from
//! starting. `docs/decisions` says why.

use crate::store::{OpenFault, open};
use rusqlite::InterruptHandle;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

/// What the check found after the server had started.
#[derive(Debug, thiserror::Error)]
#[error("{0}; this was found while nodes were served already: what they said since the start was written")]
pub(crate) struct Found(OpenFault);

/// A check under way.
pub(crate) struct Checking {
    interrupt: Arc<InterruptHandle>,
    thread: JoinHandle<Option<Found>>,
}

impl Checking {
    /// Begins to check a database if it was too large to be checked before; `stop` is called if it is damaged.
    ///
    /// # Errors
    /// [`OpenFault`] if it cannot be read.
    pub(crate) fn begin(
        path: &Path,
        stop: impl FnOnce() + Send + 'static,
    ) -> Result<Option<Self>, OpenFault> {
        let connection = open::reader(path)?;
        if open::is_small(&connection).map_err(|source| open::fault(path, source))? {
            return Ok(None);
        }
        let interrupt = Arc::new(connection.get_interrupt_handle());
        let path = PathBuf::from(path);
        let thread = std::thread::Builder::new()
            .name("check".to_owned())
            .spawn(move || {
                let fault = open::check(&connection, &path).err().filter(|fault| !was_interrupted(fault))?;
                let found = Found(fault);
                tracing::error!(cause = %found, "The database is damaged; the server stops");
                stop();
                Some(found)
            })
            .map_err(|source| OpenFault::Thread { source })?;
        Ok(Some(Self { interrupt, thread }))
    }

    /// Ends it, finished or not; what it found.
    pub(crate) fn end(self) -> Option<Found> {
        while !self.thread.is_finished() {
            // Once is not enough where a statement was just about to begin.
            self.interrupt.interrupt();
            std::thread::sleep(Duration::from_millis(5));
        }
        self.thread.join().ok().flatten()
    }
}

fn was_interrupted(fault: &OpenFault) -> bool {
    let code = match fault {
        OpenFault::Database { source, .. } => source.sqlite_error_code(),
        _ => None,
    };
    code == Some(rusqlite::ErrorCode::OperationInterrupted)
}

#[cfg(test)]
mod tests {
    use crate::clock::Clock;
    use crate::config::{Config, Tls};
    use rusqlite::Connection;
    use std::path::Path;

    fn config(data: &Path) -> Config {
        let mut config = Config::new(data, ([127, 0, 0, 1], 0).into());
        (config.tls, config.clock) = (Tls::Plain, Clock::manual(1_800_000_000));
        config
    }

    /// A folder with a database that is too large to be checked before a start, changed by `sql`.
    fn large(sql: &str) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        crate::start(config(folder.path())).unwrap().stop().unwrap();
        let conn = Connection::open(folder.path().join("pintle.db")).unwrap();
        conn.execute_batch("PRAGMA foreign_keys = 0; CREATE TABLE filler (x); INSERT INTO filler VALUES (zeroblob(70000000))")
            .unwrap();
        conn.execute_batch(sql).unwrap();
        folder
    }

    #[test]
    fn damage_in_a_large_database_ends_the_server() {
        let folder = large("INSERT INTO seen VALUES (zeroblob(16), 'net', zeroblob(32), 1)");
        let ended = crate::start(config(folder.path())).unwrap().wait().unwrap_err().to_string();
        for words in ["`seen`", "`node`", "restore a backup", "found while nodes were served"] {
            assert!(ended.contains(words), "`{words}` is not in: {ended}");
        }
    }

    #[test]
    fn a_large_database_in_good_order_is_served_and_the_check_holds_no_stop_up() {
        let folder = large("");
        crate::start(config(folder.path())).unwrap().stop().unwrap();
        // However far the check came.
        let running = crate::start(config(folder.path())).unwrap();
        std::thread::sleep(std::time::Duration::from_millis(50));
        running.stop().unwrap();
    }

    #[test]
    fn a_large_database_of_an_earlier_program_is_checked_before_it_is_changed() {
        let folder = large(
            "INSERT INTO seen VALUES (zeroblob(16), 'net', zeroblob(32), 1); DROP TABLE heard; DROP INDEX node_name;
             DROP INDEX node_thinned; PRAGMA user_version = 6",
        );
        let refused = crate::start(config(folder.path())).err().unwrap().to_string();
        assert!(refused.contains("`seen`") && !refused.contains("while nodes were served"), "{refused}");
    }
}
