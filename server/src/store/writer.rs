//! The one thread that writes, with group commits.

use super::StoreFault;
use super::load::{Load, Meter};
use super::unwritable::{Unwritable, Writable, probe};
use rusqlite::Connection;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

/// Tells whoever asked how it went: after the commit, or why there was none.
pub(super) type Deliver = Box<dyn FnOnce(Result<(), StoreFault>) + Send>;

/// What became of a job.
pub(super) struct Ran {
    /// Whether its changes are to be kept.
    pub(super) keep: bool,
    /// Why it failed, if because nothing can be written.
    pub(super) unwritable: Option<Unwritable>,
    /// How to answer.
    pub(super) deliver: Deliver,
}

/// Changes something; or learns why nothing can be changed.
pub(super) type Job = Box<dyn FnOnce(Result<&Connection, StoreFault>) -> Ran + Send>;

enum Order {
    Run(Job),
    #[cfg(test)]
    Set(&'static str),
}

/// Most jobs committed together: bounds how long the first of them waits.
const MOST: usize = 256;

pub(super) struct Writer {
    jobs: Mutex<Option<Sender<Order>>>,
    thread: Option<JoinHandle<()>>,
    meter: Arc<Meter>,
}

impl Writer {
    pub(super) fn spawn(connection: Connection, writable: Arc<Writable>) -> std::io::Result<Self> {
        let (jobs, posted) = channel();
        let meter = Arc::<Meter>::default();
        let counts = meter.clone();
        let thread = std::thread::Builder::new()
            .name("store".to_owned())
            .stack_size(1 << 20)
            .spawn(move || serve(&connection, &posted, &writable, &counts))?;
        Ok(Self { jobs: Mutex::new(Some(jobs)), thread: Some(thread), meter })
    }

    /// Queues a job. If the writer is gone the job is dropped, and with it the way to answer.
    pub(super) fn post(&self, job: Job) {
        let jobs = self.jobs.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(jobs) = jobs.as_ref() {
            self.meter.posted();
            let _ = jobs.send(Order::Run(job));
        }
    }

    pub(super) fn load(&self) -> Load {
        self.meter.read()
    }

    #[cfg(test)]
    pub(super) fn set_pragma(&self, sql: &'static str) {
        let jobs = self.jobs.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(jobs) = jobs.as_ref() {
            let _ = jobs.send(Order::Set(sql));
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

fn serve(connection: &Connection, posted: &Receiver<Order>, writable: &Writable, meter: &Meter) {
    while let Ok(order) = posted.recv() {
        match order {
            Order::Run(first) => group(connection, first, posted, (writable, meter)),
            #[cfg(test)]
            Order::Set(sql) => connection.execute_batch(sql).unwrap_or_else(|e| panic!("{sql}: {e}")),
        }
    }
    // The log is folded into the database, so that a copy of one file is whole.
    let _ = connection.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)");
}

/// Runs a job and those that wait behind it in one transaction, and answers after the commit.
fn group(
    connection: &Connection,
    first: Job,
    posted: &Receiver<Order>,
    (writable, meter): (&Writable, &Meter),
) {
    let mut begun = match writable.trouble() {
        Some(why @ Unwritable::Damaged { .. }) => Err(Lost::Unwritable(why)),
        Some(_) => probe(connection).map(|()| writable.back()).map_err(Lost::from),
        None => Ok(()),
    }
    .and_then(|()| connection.execute_batch("BEGIN IMMEDIATE").map_err(Lost::from));
    let mut answers = Vec::new();
    let mut next = Some(first);
    while let Some(job) = next {
        meter.taken();
        if let Err(lost) = &begun {
            // Whoever asks learns why. The queue goes on with the rest.
            answers.push(job(Err(lost.fault())).deliver);
        } else {
            let (answer, ran) = run(connection, job);
            answers.extend(answer);
            begun = ran;
        }
        next = match answers.len() < MOST {
            true => match posted.try_recv() {
                Ok(Order::Run(job)) => Some(job),
                #[cfg(test)]
                Ok(Order::Set(sql)) => panic!("{sql} came while jobs waited"),
                Err(_) => None,
            },
            false => None,
        };
    }
    let committed = begun.and_then(|()| connection.execute_batch("COMMIT").map_err(Lost::from));
    if let Err(lost) = &committed {
        match lost {
            Lost::Unwritable(why) => writable.lost(why),
            Lost::Otherwise(why) => tracing::error!(cause = %why, "Changes were not committed"),
        }
        if !connection.is_autocommit() {
            let _ = connection.execute_batch("ROLLBACK");
        }
    }
    meter.ended(committed.is_ok());
    for deliver in answers {
        deliver(committed.as_ref().copied().map_err(Lost::fault));
    }
}

/// Why a whole group was not written.
enum Lost {
    Unwritable(Unwritable),
    Otherwise(String),
}

impl Lost {
    fn fault(&self) -> StoreFault {
        match self {
            Self::Unwritable(why) => StoreFault::Unwritable(why.clone()),
            Self::Otherwise(why) => StoreFault::NotCommitted(why.clone()),
        }
    }
}

impl From<rusqlite::Error> for Lost {
    fn from(error: rusqlite::Error) -> Self {
        Unwritable::of(&error).map_or_else(|| Self::Otherwise(error.to_string()), Self::Unwritable)
    }
}

/// Runs one job in its savepoint. With an error the whole transaction is lost.
fn run(connection: &Connection, job: Job) -> (Option<Deliver>, Result<(), Lost>) {
    let undo = || connection.execute_batch("ROLLBACK TO job; RELEASE job").map_err(Lost::from);
    // These two come with every job, so they are prepared once.
    let sql = |text: &str| {
        connection.prepare_cached(text).and_then(|mut ready| ready.execute([])).map(drop).map_err(Lost::from)
    };
    if let Err(lost) = sql("SAVEPOINT job") {
        return (Some(job(Err(lost.fault())).deliver), Err(lost));
    }
    // A job that panics has changed nothing but the savepoint, which is undone.
    match catch_unwind(AssertUnwindSafe(|| job(Ok(connection)))) {
        // SQLite may have undone everything, not only this job's part: nothing before it counts.
        Ok(Ran { unwritable: Some(why), deliver, .. }) => (Some(deliver), Err(Lost::Unwritable(why))),
        Ok(Ran { keep: true, deliver, .. }) => (Some(deliver), sql("RELEASE job")),
        Ok(Ran { keep: false, deliver, .. }) => (Some(deliver), undo()),
        Err(_) => {
            tracing::error!("A job of the store panicked; its changes were undone");
            (None, undo())
        }
    }
}
