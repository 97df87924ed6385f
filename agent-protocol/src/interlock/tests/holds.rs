//! The set of reasons.

use super::*;
use std::collections::BTreeSet;
use std::vec::Vec;

#[test]
fn reasons_come_in_one_order_whatever_the_set() {
    for bits in 0..1u32 << Hold::ALL.len() {
        let places: Vec<_> =
            Holds::from_bits(bits).iter().map(|h| Hold::ALL.iter().position(|a| *a == h).unwrap()).collect();
        assert!(places.is_sorted(), "{bits:#x}");
        assert_eq!(places.len() as u32, bits.count_ones());
    }
}

#[test]
fn danger_is_told_before_inconvenience() {
    let place = |h: Hold| Hold::ALL.iter().position(|a| *a == h).unwrap();
    assert_eq!(place(Hold::GasAlarm), 0);
    let danger = [Hold::GasAlarm, Hold::DoorMoving, Hold::RelayPulse, Hold::Warning, Hold::ClosePending];
    let rest = [Hold::NotYetAtRest, Hold::Supply, Hold::LinkDisagrees, Hold::PairAfter];
    for d in danger {
        assert!(rest.iter().all(|r| place(d) < place(*r)), "{d:?}");
    }
    // Consent comes last: nobody should be sent to press a button that does not help yet.
    assert_eq!(place(Hold::ConsentMissing), Hold::ALL.len() - 1);
}

#[test]
fn numbers_on_the_wire_do_not_change() {
    let numbers = [
        (Hold::PositionUnknown, 0),
        (Hold::DoorMoving, 1),
        (Hold::NotYetAtRest, 2),
        (Hold::RelayPulse, 3),
        (Hold::ClosePending, 4),
        (Hold::Warning, 5),
        (Hold::ButtonInUse, 6),
        (Hold::GasAlarm, 7),
        (Hold::Supply, 8),
        (Hold::LinkDisagrees, 9),
        (Hold::ProfileDisagrees, 10),
        (Hold::PairAfter, 11),
        (Hold::ConsentMissing, 12),
        (Hold::IoSilent, 13),
    ];
    assert_eq!(numbers.len(), Hold::ALL.len());
    for (hold, bit) in numbers {
        assert_eq!(Holds::NONE.with(hold, true).bits(), 1 << bit, "{hold:?}");
    }
}

#[test]
fn a_reason_of_a_newer_node_still_counts_as_one() {
    let holds = Holds::from_bits(1 << 31);
    assert!(!holds.is_empty());
    assert_eq!((holds.bits(), holds.iter().count()), (1 << 31, 0));
}

#[test]
fn every_reason_has_its_own_sentence() {
    let sentences: BTreeSet<_> = Hold::ALL.iter().map(|h| h.sentence()).collect();
    assert_eq!(sentences.len(), Hold::ALL.len());
}
