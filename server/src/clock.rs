//! The one source of time in the server.

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
    /// Seconds since 1970-01-01 UTC, set by whoever holds the other end.
    Manual(Arc<AtomicI64>),
}

impl Clock {
    /// A clock that stands still until it is set.
    pub fn manual(now: Seconds) -> Self {
        Self::Manual(Arc::new(AtomicI64::new(now)))
    }

    /// Seconds since 1970-01-01 UTC; 0 if the machine's clock stands before that.
    pub fn now(&self) -> Seconds {
        match self {
            Self::System => SystemTime::now()
                .duration_since(UNIX_EPOCH)
                .map_or(0, |d| Seconds::try_from(d.as_secs()).unwrap_or(Seconds::MAX)),
            Self::Manual(seconds) => seconds.load(Ordering::SeqCst),
        }
    }

    /// Moves a clock that is set by hand; returns false for the machine's clock.
    pub fn advance(&self, by: Seconds) -> bool {
        match self {
            Self::System => false,
            Self::Manual(seconds) => {
                seconds.fetch_add(by, Ordering::SeqCst);
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
        assert!(!Clock::System.advance(60));
    }
}
