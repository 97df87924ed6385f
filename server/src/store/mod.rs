//! What is kept, in SQLite and in files named by digest. Knows no HTTP.
//!
//! One thread writes: it takes every job that waits, runs each in a savepoint of its own, and
//! answers only after all of them were committed and synced together. A few connections read.

pub mod census;
pub mod clock;
pub mod files;
pub mod history;
pub mod journal;
mod load;
pub mod nodes;
pub mod notices;
pub(crate) mod open;
pub mod outcomes;
pub mod rollouts;
pub mod server;
pub mod tokens;
mod unwritable;
mod values;
pub mod who;
mod writer;

pub use load::Load;
pub use open::OpenFault;
pub use rusqlite::Connection;
pub use unwritable::Unwritable;

use std::path::Path;
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use tokio::sync::oneshot;
use unwritable::Writable;
use writer::Writer;

/// Something below failed; the cause goes to the log, not to clients.
#[derive(Debug, thiserror::Error)]
pub enum StoreFault {
    /// SQLite reported an error.
    #[error("the database answered: {0}")]
    Database(rusqlite::Error),
    /// Nothing can be written at the moment; nothing of the changes is kept.
    #[error("nothing can be written now: {0}")]
    Unwritable(Unwritable),
    /// A file could not be read or written.
    #[error("{what}: {source}")]
    File {
        /// What was tried, with the path.
        what: String,
        /// What the system answered.
        source: std::io::Error,
    },
    /// A stored value is not what this program writes.
    #[error("the database holds {what}, which this program never writes there")]
    Value {
        /// Table, column and value.
        what: String,
    },
    /// The changes were not committed; nothing of them is kept.
    #[error("the changes were not committed: {0}")]
    NotCommitted(String),
    /// The writer or reader was not there to answer.
    #[error("the store has stopped")]
    Stopped,
}

impl From<rusqlite::Error> for StoreFault {
    fn from(error: rusqlite::Error) -> Self {
        Unwritable::of(&error).map_or(Self::Database(error), Self::Unwritable)
    }
}

impl StoreFault {
    /// Whether it only means that nothing can be written at the moment, and why.
    pub fn unwritable(&self) -> Option<Unwritable> {
        match self {
            Self::Unwritable(why) => Some(why.clone()),
            Self::File { source, .. } => Unwritable::of_file(source),
            _ => None,
        }
    }
}

/// An error that a job may end with.
pub trait JobFault: From<StoreFault> {
    /// Why nothing can be written, if that is how the job failed.
    fn cannot_write(&self) -> Option<&Unwritable>;
}

impl JobFault for StoreFault {
    fn cannot_write(&self) -> Option<&Unwritable> {
        match self {
            Self::Unwritable(why) => Some(why),
            _ => None,
        }
    }
}

/// The database. Cloning gives another handle to the same.
#[derive(Clone)]
pub struct Db {
    writer: Arc<Writer>,
    readers: Arc<Readers>,
    writable: Arc<Writable>,
}

impl Db {
    /// Opens or makes the database at `path` and brings it up to date.
    ///
    /// # Errors
    /// [`OpenFault`]; the file is left as it was.
    pub fn open(path: &Path) -> Result<Self, OpenFault> {
        let writing = open::writer(path)?;
        let reading = (0..READERS).map(|_| open::reader(path)).collect::<Result<Vec<_>, _>>()?;
        let writable = Arc::<Writable>::default();
        let writer =
            Writer::spawn(writing, writable.clone()).map_err(|source| OpenFault::Thread { source })?;
        Ok(Self { writer: Arc::new(writer), readers: Arc::new(Readers::new(reading)), writable })
    }

    /// Why nothing can be written at the moment; absent while all is well.
    pub fn trouble(&self) -> Option<Unwritable> {
        self.writable.trouble()
    }

    /// How much was written since it was opened, and what waits.
    pub fn load(&self) -> Load {
        self.writer.load()
    }

    /// Notes that nothing can be written, found by somebody who did not try to.
    pub(crate) fn lost(&self, why: &Unwritable) {
        self.writable.lost(why);
    }

    /// Makes the writing connection behave as on a disk that is full or read-only.
    #[cfg(test)]
    pub(crate) fn set_pragma(&self, sql: &'static str) {
        self.writer.set_pragma(sql);
    }

    /// Runs `job` in a savepoint; its answer comes after the commit. If the job fails, its own
    /// changes are undone, and nobody else's.
    ///
    /// # Errors
    /// What the job answers, or [`StoreFault`] if it was not committed.
    pub async fn write<T, E, F>(&self, job: F) -> Result<T, E>
    where
        F: FnOnce(&Connection) -> Result<T, E> + Send + 'static,
        T: Send + 'static,
        E: JobFault + Send + 'static,
    {
        self.post(job).await.unwrap_or_else(|_| Err(StoreFault::Stopped.into()))
    }

    /// [`Self::write`] for a thread that may wait. Must not be called inside an async task.
    ///
    /// # Errors
    /// As [`Self::write`].
    pub fn write_blocking<T, E, F>(&self, job: F) -> Result<T, E>
    where
        F: FnOnce(&Connection) -> Result<T, E> + Send + 'static,
        T: Send + 'static,
        E: JobFault + Send + 'static,
    {
        self.post(job).blocking_recv().unwrap_or_else(|_| Err(StoreFault::Stopped.into()))
    }

    fn post<T, E, F>(&self, job: F) -> oneshot::Receiver<Result<T, E>>
    where
        F: FnOnce(&Connection) -> Result<T, E> + Send + 'static,
        T: Send + 'static,
        E: JobFault + Send + 'static,
    {
        let (answer, answered) = oneshot::channel();
        // Whoever asked may have gone away; what was decided stays.
        self.write_then(job, move |result| _ = answer.send(result));
        answered
    }

    /// Queues `job` behind all that were queued before, and waits for nothing; `done` is called with its answer
    /// after the commit, in the thread that writes.
    pub(crate) fn write_then<T, E, F>(&self, job: F, done: impl FnOnce(Result<T, E>) + Send + 'static)
    where
        F: FnOnce(&Connection) -> Result<T, E> + Send + 'static,
        T: Send + 'static,
        E: JobFault + Send + 'static,
    {
        self.writer.post(Box::new(move |turn: Result<&Connection, StoreFault>| {
            let result = match turn {
                Ok(connection) => job(connection),
                Err(fault) => Err(fault.into()),
            };
            let keep = result.is_ok();
            let unwritable = result.as_ref().err().and_then(E::cannot_write).cloned();
            let deliver: writer::Deliver = Box::new(move |committed| {
                done(match (committed, result) {
                    (Ok(()), result) | (Err(_), result @ Err(_)) => result,
                    (Err(fault), Ok(_)) => Err(fault.into()),
                });
            });
            writer::Ran { keep, unwritable, deliver }
        }));
    }

    /// Runs `job` on a reading connection, in one snapshot.
    ///
    /// # Errors
    /// What the job answers, or [`StoreFault`].
    pub async fn read<T, E, F>(&self, job: F) -> Result<T, E>
    where
        F: FnOnce(&Connection) -> Result<T, E> + Send + 'static,
        T: Send + 'static,
        E: JobFault + Send + 'static,
    {
        let db = self.clone();
        let ran = tokio::task::spawn_blocking(move || db.read_blocking(job)).await;
        ran.unwrap_or_else(|_| Err(StoreFault::Stopped.into()))
    }

    /// [`Self::read`] for a thread that may wait.
    ///
    /// # Errors
    /// As [`Self::read`].
    pub fn read_blocking<T, E, F>(&self, job: F) -> Result<T, E>
    where
        F: FnOnce(&Connection) -> Result<T, E>,
        E: JobFault,
    {
        let reader = self.readers.take();
        let begun = reader.connection().unchecked_transaction();
        let found = begun.map_err(|e| StoreFault::from(e).into()).and_then(|snapshot| job(&snapshot));
        if let Some(damaged @ Unwritable::Damaged { .. }) = found.as_ref().err().and_then(E::cannot_write) {
            self.writable.lost(damaged);
        }
        found
    }
}

/// Connections that read at the same time.
const READERS: usize = 2;

struct Readers {
    free: Mutex<Vec<Connection>>,
    returned: Condvar,
}

/// A reading connection, given back when dropped.
struct Reader<'a> {
    readers: &'a Readers,
    connection: Option<Connection>,
}

impl Readers {
    fn new(free: Vec<Connection>) -> Self {
        Self { free: Mutex::new(free), returned: Condvar::new() }
    }

    fn take(&self) -> Reader<'_> {
        // A panic elsewhere cannot leave the list half-changed: it is only pushed to and popped.
        let mut free = self.free.lock().unwrap_or_else(PoisonError::into_inner);
        loop {
            match free.pop() {
                Some(connection) => return Reader { readers: self, connection: Some(connection) },
                None => free = self.returned.wait(free).unwrap_or_else(PoisonError::into_inner),
            }
        }
    }
}

impl Reader<'_> {
    fn connection(&self) -> &Connection {
        // Only `drop` takes it out.
        self.connection.as_ref().unwrap_or_else(|| unreachable!("a reader without its connection"))
    }
}

impl Drop for Reader<'_> {
    fn drop(&mut self) {
        if let Some(connection) = self.connection.take() {
            self.readers.free.lock().unwrap_or_else(PoisonError::into_inner).push(connection);
            self.readers.returned.notify_one();
        }
    }
}

#[cfg(test)]
mod migration_tests;
#[cfg(test)]
mod open_tests;
#[cfg(test)]
mod tests;
