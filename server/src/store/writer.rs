//! The one thread that writes, with group commits.

use rusqlite::Connection;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Mutex, PoisonError};
use std::thread::JoinHandle;

/// Tells whoever asked how it went: after the commit, or why there was none.
pub(super) type Deliver = Box<dyn FnOnce(Result<(), String>) + Send>;

/// Changes something; says whether to keep it, and how to answer.
pub(super) type Job = Box<dyn FnOnce(&Connection) -> (bool, Deliver) + Send>;

/// Most jobs committed together: bounds how long the first of them waits.
const MOST: usize = 128;

pub(super) struct Writer {
    jobs: Mutex<Option<Sender<Job>>>,
    thread: Option<JoinHandle<()>>,
}

impl Writer {
    pub(super) fn spawn(connection: Connection) -> std::io::Result<Self> {
        let (jobs, posted) = channel();
        let thread = std::thread::Builder::new()
            .name("store".to_owned())
            .stack_size(1 << 20)
            .spawn(move || serve(&connection, &posted))?;
        Ok(Self { jobs: Mutex::new(Some(jobs)), thread: Some(thread) })
    }

    /// Queues a job. If the writer is gone the job is dropped, and with it the way to answer.
    pub(super) fn post(&self, job: Job) {
        let jobs = self.jobs.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(jobs) = jobs.as_ref() {
            let _ = jobs.send(job);
        }
    }
}

impl Drop for Writer {
    /// Everything that was queued is still written.
    fn drop(&mut self) {
        self.jobs.lock().unwrap_or_else(PoisonError::into_inner).take();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn serve(connection: &Connection, posted: &Receiver<Job>) {
    while let Ok(first) = posted.recv() {
        let mut answers = Vec::new();
        let mut committed = connection.execute_batch("BEGIN IMMEDIATE").map_err(|e| e.to_string());
        let mut next = Some(first);
        while let Some(job) = next {
            if committed.is_err() {
                // Dropped: the asker learns that it was not written. The queue goes on with the rest.
                drop(job);
            } else {
                match run(connection, job) {
                    Ok(answer) => answers.extend(answer),
                    Err(why) => committed = Err(why),
                }
            }
            next = if answers.len() < MOST { posted.try_recv().ok() } else { None };
        }
        if committed.is_ok() {
            committed = connection.execute_batch("COMMIT").map_err(|e| e.to_string());
        }
        if let Err(why) = &committed {
            tracing::error!(cause = %why, "Changes were not committed");
            if !connection.is_autocommit() {
                let _ = connection.execute_batch("ROLLBACK");
            }
        }
        for deliver in answers {
            deliver(committed.clone());
        }
    }
    // The log is folded into the database, so that a copy of one file is whole.
    let _ = connection.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)");
}

/// Runs one job in its savepoint. An error means that the whole transaction is lost.
fn run(connection: &Connection, job: Job) -> Result<Option<Deliver>, String> {
    let sql = |text: &str| connection.execute_batch(text).map_err(|e| e.to_string());
    sql("SAVEPOINT job")?;
    // A job that panics has changed nothing but the savepoint, which is undone.
    match catch_unwind(AssertUnwindSafe(|| job(connection))) {
        Ok((true, deliver)) => {
            sql("RELEASE job")?;
            Ok(Some(deliver))
        }
        Ok((false, deliver)) => {
            sql("ROLLBACK TO job; RELEASE job")?;
            Ok(Some(deliver))
        }
        Err(_) => {
            tracing::error!("A job of the store panicked; its changes were undone");
            sql("ROLLBACK TO job; RELEASE job")?;
            Ok(None)
        }
    }
}
