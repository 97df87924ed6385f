//! How long what nodes said is kept: everything for 90 days, then the last check-in of each UTC
//! day, for ever. The journal is kept whole.

use crate::contract::Seconds;

const DAY: Seconds = 86_400;
/// Days for which every check-in is kept: a season of one door, so that what a change of weather
/// or of firmware did can still be seen in full.
const WHOLE_DAYS: Seconds = 90;

/// The UTC day of a moment, counted from 1970-01-01.
pub(crate) const fn day(at: Seconds) -> Seconds {
    at.div_euclid(DAY)
}

/// Check-ins before this moment, the beginning of a UTC day, are thinned out.
pub(crate) const fn cutoff(now: Seconds) -> Seconds {
    (day(now) - WHOLE_DAYS) * DAY
}

/// Which of one node's check-ins go, given the moments and days of some that follow each other,
/// oldest first, all before the cutoff: all but the last of each day. The last one given stays, too;
/// whether it is the last of its day shows when it comes again with those after it. Days are the clock's on the
/// wall, the cutoff is the server's own time: it may lie within a day.
pub(crate) fn dropped(moments: &[(Seconds, Seconds)]) -> impl Iterator<Item = Seconds> {
    moments.windows(2).filter_map(|pair| match *pair {
        [(earlier, day), (_, later_day)] if day == later_day => Some(earlier),
        _ => None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::{BTreeMap, BTreeSet};

    #[test]
    fn ninety_whole_days_are_kept() {
        let now = 1_800_000_000;
        assert_eq!((now - cutoff(now)) / DAY, 90);
        assert_eq!(cutoff(now) % DAY, 0);
        assert_eq!(cutoff(cutoff(now) + 90 * DAY), cutoff(now));
        assert_eq!((day(-1), day(0), day(86_399), day(86_400)), (-1, 0, 0, 1));
    }

    /// What is left when `at_once` rows are looked at in each step, as the store does it.
    fn thin(all: &BTreeSet<Seconds>, cutoff: Seconds, at_once: usize) -> BTreeSet<Seconds> {
        let mut left = all.clone();
        let mut from = Seconds::MIN;
        loop {
            let window: Vec<_> = left.range(from..cutoff).take(at_once).map(|at| (*at, day(*at))).collect();
            for at in dropped(&window) {
                left.remove(&at);
            }
            match window.last() {
                Some((last, _)) if window.len() == at_once => from = *last,
                _ => return left,
            }
        }
    }

    proptest! {
        #[test]
        fn one_a_day_stays_and_nothing_newer_goes(
            all in proptest::collection::btree_set(0..20 * DAY, 0..300),
            cutoff_day in 0i64..21,
            at_once in 2usize..40,
        ) {
            let cutoff = cutoff_day * DAY;
            let left = thin(&all, cutoff, at_once);
            prop_assert!(left.is_subset(&all));
            let newer = |of: &BTreeSet<Seconds>| of.range(cutoff..).copied().collect::<Vec<_>>();
            prop_assert_eq!(newer(&left), newer(&all));
            // The last of every day that had any, and no other.
            let last: BTreeMap<Seconds, Seconds> = all.range(..cutoff).map(|at| (day(*at), *at)).collect();
            let old: Vec<Seconds> = left.range(..cutoff).copied().collect();
            prop_assert_eq!(old, last.into_values().collect::<Vec<_>>());
            // Whatever the steps, and however often.
            prop_assert_eq!(&thin(&all, cutoff, usize::MAX), &left);
            prop_assert_eq!(&thin(&left, cutoff, at_once), &left);
        }
    }
}
