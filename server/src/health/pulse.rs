//! Whether the ticks and the writer go on. Ticks note it; readiness, metrics and the watchdog ask.

use crate::contract::Seconds;
use crate::store::{StoreFault, Unwritable};
use std::sync::atomic::{AtomicI64, Ordering};

/// A tick that came back longer ago than this many seconds is late: six were missed.
pub(crate) const LATE: Seconds = 30;

/// When ticks last came back from the writer, in seconds that were counted.
#[derive(Debug)]
pub(crate) struct Pulse {
    answered: AtomicI64,
    kept: AtomicI64,
}

/// What a pulse says, in seconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Beat {
    /// Since a tick last came back, whatever became of it.
    pub(crate) since_answered: Seconds,
    /// Since what a tick decided was last on the disk.
    pub(crate) since_kept: Seconds,
}

impl Pulse {
    /// A pulse that begins now.
    pub(crate) fn new(now: Seconds) -> Self {
        Self { answered: AtomicI64::new(now), kept: AtomicI64::new(now) }
    }

    /// Notes that a tick came back, and whether what it decided is on the disk.
    pub(crate) fn note(&self, ticked: &Result<(), StoreFault>, now: Seconds) {
        // A writer that is gone answers nothing: the store does, in its place.
        if !matches!(ticked, Err(StoreFault::Stopped)) {
            self.answered.store(now, Ordering::Relaxed);
        }
        if ticked.is_ok() {
            self.kept.store(now, Ordering::Relaxed);
        }
    }

    pub(crate) fn beat(&self, now: Seconds) -> Beat {
        let since = |at: &AtomicI64| (now - at.load(Ordering::Relaxed)).max(0);
        Beat { since_answered: since(&self.answered), since_kept: since(&self.kept) }
    }
}

impl Beat {
    /// Whether the ticks and the writer go on, even if nothing can be written.
    pub(crate) const fn goes_on(self) -> bool {
        self.since_answered <= LATE
    }
}

/// Why the server is not ready. The sentences are for strangers: no names, no numbers, no paths.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub(crate) enum NotReady {
    #[error("nothing can be written: the disk is full")]
    Full,
    #[error("nothing can be written: the disk or the folder is read-only")]
    ReadOnly,
    #[error("nothing can be written: the disk fails")]
    Failing,
    #[error("nothing is written any more: the database is damaged")]
    Damaged,
    #[error("the ticks have stopped")]
    Stopped,
    #[error("rollouts cannot be evaluated: the log says more")]
    Undecided,
}

/// Whether check-ins are taken and rollouts move: `Ok`, or the first reason why not.
pub(crate) fn ready(beat: Beat, trouble: Option<&Unwritable>) -> Result<(), NotReady> {
    match trouble {
        Some(Unwritable::Full) => Err(NotReady::Full),
        Some(Unwritable::ReadOnly) => Err(NotReady::ReadOnly),
        Some(Unwritable::Failing { .. }) => Err(NotReady::Failing),
        Some(Unwritable::Damaged { .. }) => Err(NotReady::Damaged),
        None if !beat.goes_on() => Err(NotReady::Stopped),
        None if beat.since_kept > LATE => Err(NotReady::Undecided),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn beat(since_answered: Seconds, since_kept: Seconds) -> Beat {
        Beat { since_answered, since_kept }
    }

    #[test]
    fn ready_is_who_writes_and_ticks() {
        assert_eq!(ready(beat(0, 0), None), Ok(()));
        assert_eq!(ready(beat(LATE, LATE), None), Ok(()));
        assert_eq!(ready(beat(LATE + 1, LATE + 1), None), Err(NotReady::Stopped));
        assert_eq!(ready(beat(0, LATE + 1), None), Err(NotReady::Undecided));
        let failing = Unwritable::Failing { why: "disk I/O error".to_owned() };
        let rows = [
            (Unwritable::Full, NotReady::Full),
            (Unwritable::ReadOnly, NotReady::ReadOnly),
            (failing, NotReady::Failing),
        ];
        for (trouble, why) in rows {
            for beat in [beat(0, 0), beat(0, LATE + 1), beat(LATE + 1, LATE + 1)] {
                assert_eq!(ready(beat, Some(&trouble)), Err(why));
            }
        }
    }

    #[test]
    fn a_pulse_tells_a_stopped_writer_from_a_full_disk() {
        let pulse = Pulse::new(1000);
        pulse.note(&Err(StoreFault::Unwritable(Unwritable::Full)), 1010);
        assert_eq!(pulse.beat(1011), beat(1, 11));
        pulse.note(&Err(StoreFault::Stopped), 1011);
        assert_eq!(pulse.beat(1011), beat(1, 11));
        pulse.note(&Ok(()), 1011);
        assert_eq!(pulse.beat(1011), beat(0, 0));
    }

    #[test]
    fn what_strangers_read_is_a_plain_sentence() {
        use NotReady::*;
        for why in [Full, ReadOnly, Failing, Stopped, Undecided] {
            let text = why.to_string();
            assert!(text.is_ascii() && !text.contains(char::is_numeric) && !text.contains('/'), "{text}");
        }
    }
}
