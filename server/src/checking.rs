//! Checking a large database while nodes are served already.
//!
//! A small one is checked before a start. With a million nodes that takes seconds to minutes in which no node
//! could be answered, so there it is done beside. Damage found then ends writing, as damage that a request
//! runs into does: pages and commands go on and say so. `docs/decisions` says why.

use crate::store::{Db, OpenFault, Unwritable, open};
use rusqlite::InterruptHandle;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

/// A check under way; ended when dropped.
pub(crate) struct Checking {
    interrupt: Arc<InterruptHandle>,
    thread: Option<JoinHandle<()>>,
}

impl Checking {
    /// Begins to check a database if it was too large to be checked before; `db` learns what is wrong with it.
    ///
    /// # Errors
    /// [`OpenFault`] if it cannot be read.
    pub(crate) fn begin(path: &Path, db: Db) -> Result<Option<Self>, OpenFault> {
        let connection = open::reader(path)?;
        if open::is_small(&connection).map_err(|source| open::fault(path, source))? {
            return Ok(None);
        }
        let interrupt = Arc::new(connection.get_interrupt_handle());
        let path = PathBuf::from(path);
        let thread = std::thread::Builder::new()
            .name("check".to_owned())
            .spawn(move || match open::check(&connection, &path) {
                Ok(_) => tracing::info!("The database was checked beside, and is whole"),
                Err(fault) if was_interrupted(&fault) => {}
                Err(fault) => match damage(&fault) {
                    Some(why) => db.lost(&Unwritable::Damaged { why }),
                    None => tracing::error!(cause = %fault, "The database could not be checked"),
                },
            })
            .map_err(|source| OpenFault::Thread { source })?;
        Ok(Some(Self { interrupt, thread: Some(thread) }))
    }
}

impl Drop for Checking {
    /// Ends it, finished or not.
    fn drop(&mut self) {
        let Some(thread) = self.thread.take() else { return };
        while !thread.is_finished() {
            // Once is not enough where a statement was just about to begin.
            self.interrupt.interrupt();
            std::thread::sleep(Duration::from_millis(5));
        }
        let _ = thread.join();
    }
}

/// What is wrong with the database itself, if that is what was found.
fn damage(fault: &OpenFault) -> Option<String> {
    match fault {
        // Above the finding, SQLite names the database; pages and `/readyz` have one line.
        OpenFault::Damaged { why, .. } => why.lines().last().map(str::to_owned),
        OpenFault::Dangling { table, parent, .. } => {
            Some(format!("a row in `{table}` refers to one in `{parent}` that is not there"))
        }
        OpenFault::Journal { number, why, .. } => {
            Some(format!("entry {number} of the journal was changed: {why}"))
        }
        _ => None,
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
    use std::time::{Duration, Instant};

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
    fn damage_in_a_large_database_ends_writing_and_no_more() {
        let folder = large("INSERT INTO seen VALUES (zeroblob(16), 'net', zeroblob(32), 1)");
        let running = crate::start(config(folder.path())).unwrap();
        let until = Instant::now() + Duration::from_secs(60);
        let why = loop {
            assert!(Instant::now() < until, "it was never found");
            if let Err(fault) = running.tick() {
                break fault.to_string();
            }
            std::thread::sleep(Duration::from_millis(5));
        };
        for words in ["damaged", "`seen`", "`node`"] {
            assert!(why.contains(words), "`{words}` is not in: {why}");
        }
        running.stop().unwrap();
    }

    #[test]
    fn a_large_database_in_good_order_is_served_and_the_check_holds_no_stop_up() {
        let folder = large("");
        crate::start(config(folder.path())).unwrap().stop().unwrap();
        // However far the check came.
        let running = crate::start(config(folder.path())).unwrap();
        std::thread::sleep(Duration::from_millis(50));
        running.stop().unwrap();
    }

    #[test]
    fn a_large_database_of_an_earlier_program_is_checked_before_it_is_changed() {
        let folder = large(
            "INSERT INTO seen VALUES (zeroblob(16), 'net', zeroblob(32), 1); DROP TABLE heard; DROP INDEX node_name;
             DROP INDEX node_thinned; PRAGMA user_version = 6",
        );
        let refused = crate::start(config(folder.path())).err().unwrap().to_string();
        assert!(refused.contains("`seen`"), "{refused}");
    }
}
