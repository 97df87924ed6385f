//! How much the writer has done, and what waits for it.

use std::sync::atomic::{AtomicU64, Ordering};

/// How much was written since the database was opened.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Load {
    /// Groups of jobs that were committed and synced together.
    pub commits: u64,
    /// Groups that could not be.
    pub lost: u64,
    /// Jobs taken from the queue.
    pub jobs: u64,
    /// Jobs that wait in it.
    pub waiting: u64,
}

/// The same while it goes on.
#[derive(Debug, Default)]
pub(super) struct Meter {
    commits: AtomicU64,
    lost: AtomicU64,
    posted: AtomicU64,
    taken: AtomicU64,
}

impl Meter {
    pub(super) fn posted(&self) {
        self.posted.fetch_add(1, Ordering::Relaxed);
    }

    pub(super) fn taken(&self) {
        self.taken.fetch_add(1, Ordering::Relaxed);
    }

    pub(super) fn ended(&self, committed: bool) {
        let of = if committed { &self.commits } else { &self.lost };
        of.fetch_add(1, Ordering::Relaxed);
    }

    pub(super) fn read(&self) -> Load {
        // Read first, so that what is posted meanwhile does not look taken.
        let jobs = self.taken.load(Ordering::Relaxed);
        Load {
            commits: self.commits.load(Ordering::Relaxed),
            lost: self.lost.load(Ordering::Relaxed),
            jobs,
            waiting: self.posted.load(Ordering::Relaxed).saturating_sub(jobs),
        }
    }
}
