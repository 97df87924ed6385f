//! When something that did not work is tried again. Pure.

use std::time::Duration;

/// The first pause.
const FIRST: Duration = Duration::from_secs(60);
/// The longest.
const LONGEST: Duration = Duration::from_secs(3600);

/// How often one way failed in a row, and since when.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Patience {
    failed: u32,
    /// On a clock that only goes forward, from wherever.
    last: Duration,
}

impl Patience {
    /// Whether it may be tried now.
    pub(super) fn may(&self, now: Duration) -> bool {
        self.failed == 0 || now.saturating_sub(self.last) >= self.pause()
    }

    /// It worked, or not.
    pub(super) const fn note(&mut self, worked: bool, now: Duration) {
        self.failed = if worked { 0 } else { self.failed.saturating_add(1) };
        self.last = now;
    }

    /// The pause before the next try: a minute, then twice as long each time, an hour at the most.
    pub(super) fn pause(&self) -> Duration {
        let doublings = self.failed.saturating_sub(1).min(10);
        FIRST.saturating_mul(1 << doublings).min(LONGEST)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_double_up_to_an_hour_and_end_with_the_first_success() {
        let mut patience = Patience::default();
        let mut now = Duration::ZERO;
        assert!(patience.may(now));
        for minutes in [1, 2, 4, 8, 16, 32, 60, 60, 60] {
            patience.note(false, now);
            now += Duration::from_secs(60 * minutes - 1);
            assert!(!patience.may(now), "{minutes}");
            now += Duration::from_secs(1);
            assert!(patience.may(now), "{minutes}");
        }
        patience.note(true, now);
        assert!(patience.may(now));
        (0..u32::MAX).step_by(1 << 28).for_each(|failed| {
            assert!(Patience { failed, last: now }.pause() <= LONGEST);
        });
    }
}
