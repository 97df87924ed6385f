//! Which network to join next.
//!
//! Make before break: the network that last worked is preferred; a candidate that waits for the
//! loss of the others is tried only when they have been gone for the time set; and when nothing
//! answers, every network of the bundle gets its turn, so that no order of failures strands a node.

use super::trial::Millis;
use crate::bundle::WifiChange;
use core::num::NonZeroU8;

/// What is known about the networks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Networks {
    /// How many the bundle lists; 1 before the first bundle.
    pub count: u8,
    /// The one that last worked.
    pub preferred: u8,
    /// A change under way.
    pub change: Option<WifiChange>,
    /// A candidate must be proved in this trial.
    pub prove: bool,
    /// The last one tried.
    pub last_tried: Option<u8>,
    /// For how long no authenticated answer has come, in milliseconds.
    pub silent_for: Millis,
}

/// The network to try next, an index into the bundle's list.
pub fn next_network(n: &Networks) -> u8 {
    if let Some(change) = n.change {
        // While a candidate is being proved nothing else is tried.
        if n.prove && change.candidate < n.count {
            return change.candidate;
        }
        if let Some(minutes) = change.after_loss_minutes
            && change.candidate != n.preferred
        {
            let due = n.silent_for >= Millis::from(minutes) * 60_000;
            return turn(n, |index| index != change.candidate || due);
        }
    }
    turn(n, |_| true)
}

/// The preferred one first, then the others in order, round and round.
fn turn(n: &Networks, allowed: impl Fn(u8) -> bool) -> u8 {
    let count = NonZeroU8::new(n.count).unwrap_or(NonZeroU8::MIN);
    let Some(last) = n.last_tried else { return n.preferred.min(count.get() - 1) };
    (1..=count.get()).map(|step| (last % count + step) % count).find(|i| allowed(*i)).unwrap_or(n.preferred)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn networks() -> Networks {
        Networks { count: 3, preferred: 1, change: None, prove: false, last_tried: None, silent_for: 0 }
    }

    #[test]
    fn the_one_that_worked_is_first_then_all_others_get_a_turn() {
        let mut n = networks();
        let mut order = Vec::new();
        for _ in 0..4 {
            let next = next_network(&n);
            order.push(next);
            n.last_tried = Some(next);
        }
        assert_eq!(order, [1, 2, 0, 1]);
    }

    #[test]
    fn a_candidate_that_waits_for_loss_is_not_tried_before() {
        let change = Some(WifiChange { candidate: 2, after_loss_minutes: Some(10) });
        let mut n = Networks { change, ..networks() };
        for silent_for in [0, 599_999] {
            n.silent_for = silent_for;
            for last in [None, Some(0), Some(1), Some(2)] {
                n.last_tried = last;
                assert_ne!(next_network(&n), 2);
            }
        }
        n.silent_for = 600_000;
        n.last_tried = Some(1);
        assert_eq!(next_network(&n), 2);
    }

    #[test]
    fn while_proving_only_the_candidate_is_tried() {
        let change = Some(WifiChange { candidate: 2, after_loss_minutes: None });
        let n = Networks { change, prove: true, last_tried: Some(2), ..networks() };
        assert_eq!(next_network(&n), 2);
    }

    use std::vec::Vec;
    proptest! {
        #[test]
        fn every_network_gets_a_turn_when_all_are_silent(
            count in 1u8..5, preferred in 0u8..5, candidate in 0u8..5, wait in proptest::option::of(1u16..50),
        ) {
            let change = Some(WifiChange { candidate, after_loss_minutes: wait });
            let mut n = Networks { count, preferred: preferred % count, change, prove: false,
                last_tried: None, silent_for: u64::MAX };
            let mut tried = [false; 5];
            for _ in 0..2 * count {
                let next = next_network(&n);
                prop_assert!(next < count);
                tried[usize::from(next)] = true;
                n.last_tried = Some(next);
            }
            prop_assert!(tried[..usize::from(count)].iter().all(|t| *t));
        }
    }
}
