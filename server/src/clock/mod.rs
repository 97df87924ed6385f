//! The one source of time in the server.
//!
//! Two clocks are read: the one on the wall, which people, certificates and time windows go by
//! and which anybody may set; and one that only counts seconds. [`steady`] makes the server's own
//! time out of both, by which soaks, silence and sessions are judged.

pub(crate) mod keeper;
pub mod steady;

use crate::contract::Seconds;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{SystemTime, UNIX_EPOCH};

/// Where the time comes from. Rehearsals set it by hand, so that hours pass in moments.
#[derive(Clone, Debug, Default)]
pub enum Clock {
    /// The machine's clock.
    #[default]
    System,
    /// Set by whoever holds the other end.
    Manual(Arc<ByHand>),
}

/// A clock that stands still until it is set. Seconds since 1970-01-01 UTC.
#[derive(Debug)]
pub struct ByHand {
    wall: AtomicI64,
    passed: AtomicI64,
}

impl Clock {
    /// A clock that stands still until it is set.
    pub fn manual(now: Seconds) -> Self {
        Self::Manual(Arc::new(ByHand { wall: AtomicI64::new(now), passed: AtomicI64::new(0) }))
    }

    /// What the clock on the wall shows, in seconds since 1970-01-01 UTC; 0 if the machine's clock
    /// stands before that.
    pub fn now(&self) -> Seconds {
        match self {
            Self::System => SystemTime::now()
                .duration_since(UNIX_EPOCH)
                .map_or(0, |d| Seconds::try_from(d.as_secs()).unwrap_or(Seconds::MAX)),
            Self::Manual(hands) => hands.wall.load(Ordering::SeqCst),
        }
    }

    /// Lets time pass on a clock that is set by hand; returns false for the machine's clock.
    pub fn advance(&self, by: Seconds) -> bool {
        match self {
            Self::System => false,
            Self::Manual(hands) => {
                hands.passed.fetch_add(by, Ordering::SeqCst);
                hands.wall.fetch_add(by, Ordering::SeqCst);
                true
            }
        }
    }

    /// Sets the wall clock of a clock that is set by hand forward or back while no time passes;
    /// returns false for the machine's clock.
    pub fn set_by(&self, by: Seconds) -> bool {
        match self {
            Self::System => false,
            Self::Manual(hands) => {
                hands.wall.fetch_add(by, Ordering::SeqCst);
                true
            }
        }
    }

    /// Whether it is set by hand.
    pub const fn is_manual(&self) -> bool {
        matches!(self, Self::Manual(_))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_manual_clock_moves_only_by_hand() {
        let clock = Clock::manual(1000);
        let same = clock.clone();
        assert!(clock.advance(60));
        assert_eq!(same.now(), 1060);
        assert!(clock.set_by(-100));
        assert_eq!(same.now(), 960);
        assert!(!Clock::System.advance(60) && !Clock::System.set_by(60));
    }
}
