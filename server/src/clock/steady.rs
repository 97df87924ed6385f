//! The server's own time: a time that goes on and on, whoever sets the clock on the wall.
//!
//! Pure. While the server runs, the wall clock is held against a clock that only counts seconds.
//! Where the two disagree by more than [`TOLERANCE`] the wall clock was set, or the machine slept:
//! the server's time goes on by the seconds that were counted, and what the wall clock shows more
//! from then on is written down as a [`Change`]. A smaller difference is followed, for that is how
//! a clock is kept right, but never backwards.
//!
//! At a start nothing was counted. Up to [`SHORT`] seconds are taken for a restart. Any longer gap
//! may be a pause, or a clock that was set: the server's time goes on where it stood, so that
//! neither a soak nor a silence gets any longer by it.

use crate::contract::Seconds;

/// How far the wall clock may be from what was counted, in seconds, before it counts as set.
/// Common practice, no source: far more than a clock that is being kept right is ever off by, far
/// less than any soak.
pub const TOLERANCE: Seconds = 60;
/// After so many seconds the two clocks are compared anew, so that a slow drift of years is never
/// taken for a clock that was set, and one that runs wild gains [`TOLERANCE`] in this time at most.
const COMPARE_ANEW: Seconds = 3600;
/// The longest time between two runs, in seconds, that is taken for a restart.
pub const SHORT: Seconds = 180;

/// What both clocks show.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Hands {
    /// Seconds since 1970-01-01 UTC, as somebody set it.
    pub wall: Seconds,
    /// Seconds counted since some moment of this run.
    pub passed: Seconds,
}

/// Why the wall clock shows more or less than the server's own time from some moment on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Cause {
    /// It was set while the server ran, or the machine slept.
    Set,
    /// The server was away, or it was set forward meanwhile.
    Away,
    /// At the start it stands before the time at which the server was last there.
    Behind,
}

/// The wall clock shows another difference to the server's own time from now on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Change {
    /// From this moment of the server's time on.
    pub at: Seconds,
    /// So many seconds more than that are on the wall clock.
    pub ahead: Seconds,
    /// So many seconds more than before.
    pub by: Seconds,
    /// Why.
    pub cause: Cause,
}

/// The server's own time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Steady {
    at: Seconds,
    ahead: Seconds,
    /// The moment since which the clocks are compared: its time, and what was counted then.
    since: (Seconds, Seconds),
}

impl Steady {
    /// Goes on from an earlier run.
    ///
    /// `last`: the newest moment of the server's time that is known, absent before the first run.
    /// `ahead`: what the wall clock showed more then.
    pub fn resume(last: Option<Seconds>, ahead: Seconds, hands: Hands) -> (Self, Option<Change>) {
        let Some(last) = last else { return (Self::at(hands.wall, 0, hands), None) };
        let gap = hands.wall.saturating_sub(ahead).saturating_sub(last);
        if (-TOLERANCE..=SHORT).contains(&gap) {
            return (Self::at(last.saturating_add(gap.max(0)), ahead, hands), None);
        }
        let cause = if gap > 0 { Cause::Away } else { Cause::Behind };
        let change = Change { at: last, ahead: hands.wall.saturating_sub(last), by: gap, cause };
        (Self::at(last, change.ahead, hands), Some(change))
    }

    const fn at(at: Seconds, ahead: Seconds, hands: Hands) -> Self {
        Self { at, ahead, since: (at, hands.passed) }
    }

    /// The server's time at this look at both clocks; and the change, if the wall clock was set
    /// since the last one.
    pub fn look(&mut self, hands: Hands) -> (Seconds, Option<Change>) {
        let counted = hands.passed.saturating_sub(self.since.1).max(0);
        let expected = self.since.0.saturating_add(counted).max(self.at);
        let shown = hands.wall.saturating_sub(self.ahead);
        // Measured from what was counted alone, so that small steps do not add up.
        let by = shown.saturating_sub(self.since.0.saturating_add(counted));
        if (-TOLERANCE..=TOLERANCE).contains(&by) {
            self.at = self.at.max(shown);
            if counted >= COMPARE_ANEW {
                self.since = (self.at, hands.passed);
            }
            return (self.at, None);
        }
        let ahead = hands.wall.saturating_sub(expected);
        let change = Change { at: expected, ahead, by: ahead.saturating_sub(self.ahead), cause: Cause::Set };
        *self = Self::at(expected, ahead, hands);
        (expected, Some(change))
    }
}

#[cfg(test)]
#[path = "steady_tests.rs"]
mod tests;
