//! [`decide`].

use super::*;
use crate::tell::tell;
use std::vec::Vec;

#[test]
fn whatever_touches_actuation_needs_every_condition() {
    let (mut seen, mut cleared) = (0u64, 0u64);
    for consent_asked in [false, true] {
        let policy = policy(consent_asked);
        for pair in every_pair() {
            seen += every_door(|door| {
                // The rule, said a second time in the plainest way.
                let calm = door.io_answers
                    && door.position != Position::Unknown
                    && door.moving == Some(false)
                    && door.rest_seconds.is_some_and(|s| s >= 30)
                    && door.relay_pulse == Some(false)
                    && door.close_pending == Some(false)
                    && door.warning == Some(false)
                    && door.button == Some(false)
                    && door.gas_alarm == Some(false)
                    && matches!(door.supply_mv, Some(4750..=5250))
                    && (!consent_asked || door.consent);
                let got = decide(ACTUATION, door, &policy, &pair).is_ok();
                assert_eq!(got, calm && pair == agreed(), "{door:?} {pair:?}");
                cleared += u64::from(got);
            });
        }
    }
    tell(format_args!("interlock: {seen} combinations, {cleared} cleared"));
    assert_eq!(seen, 3u64.pow(6) * 4 * 6 * 5 * 2 * 2 * 81 * 2);
    // 3 positions, 3 rests long enough, 2 supplies in range; consent not asked for: either, asked for: given.
    assert_eq!(cleared, 3 * 3 * 2 * 3);
}

#[test]
fn unknown_is_never_clearance() {
    every_door(|door| {
        let unknowns = [
            DoorFacts { moving: None, ..*door },
            DoorFacts { relay_pulse: None, ..*door },
            DoorFacts { close_pending: None, ..*door },
            DoorFacts { warning: None, ..*door },
            DoorFacts { button: None, ..*door },
            DoorFacts { gas_alarm: None, ..*door },
            DoorFacts { rest_seconds: None, ..*door },
            DoorFacts { supply_mv: None, ..*door },
            DoorFacts { position: Position::Unknown, ..*door },
            DoorFacts { io_answers: false, ..*door },
        ];
        for unknown in unknowns {
            assert!(decide(ACTUATION, &unknown, &policy(false), &agreed()).is_err(), "{unknown:?}");
        }
    });
    for pair in every_pair() {
        let unknowns = [
            PairFacts { link_now: None, ..pair },
            PairFacts { profile_now: None, ..pair },
            PairFacts { link_after: None, ..pair },
            PairFacts { profile_after: None, ..pair },
        ];
        for unknown in unknowns {
            assert!(decide(ACTUATION, &calm(), &policy(false), &unknown).is_err(), "{unknown:?}");
        }
    }
}

#[test]
fn unknown_waits_for_the_same_reason_as_the_bad_news() {
    every_door(|door| {
        let p = policy(true);
        let pairs = [
            (DoorFacts { moving: None, ..*door }, DoorFacts { moving: Some(true), ..*door }),
            (DoorFacts { relay_pulse: None, ..*door }, DoorFacts { relay_pulse: Some(true), ..*door }),
            (DoorFacts { close_pending: None, ..*door }, DoorFacts { close_pending: Some(true), ..*door }),
            (DoorFacts { warning: None, ..*door }, DoorFacts { warning: Some(true), ..*door }),
            (DoorFacts { button: None, ..*door }, DoorFacts { button: Some(true), ..*door }),
            (DoorFacts { gas_alarm: None, ..*door }, DoorFacts { gas_alarm: Some(true), ..*door }),
            (DoorFacts { rest_seconds: None, ..*door }, DoorFacts { rest_seconds: Some(0), ..*door }),
            (DoorFacts { supply_mv: None, ..*door }, DoorFacts { supply_mv: Some(0), ..*door }),
        ];
        for (unknown, bad) in pairs {
            assert_eq!(reasons(&unknown, &p, &agreed()), reasons(&bad, &p, &agreed()), "{unknown:?}");
        }
    });
}

#[test]
fn a_fault_more_only_adds_reasons_and_always_holds() {
    let p = policy(true);
    every_door(|door| {
        let before = reasons(door, &p, &agreed());
        let faults = [
            DoorFacts { moving: Some(true), ..*door },
            DoorFacts { relay_pulse: Some(true), ..*door },
            DoorFacts { close_pending: Some(true), ..*door },
            DoorFacts { warning: Some(true), ..*door },
            DoorFacts { button: Some(true), ..*door },
            DoorFacts { gas_alarm: Some(true), ..*door },
            DoorFacts { rest_seconds: Some(0), ..*door },
            DoorFacts { supply_mv: Some(0), ..*door },
            DoorFacts { supply_mv: Some(u16::MAX), ..*door },
            DoorFacts { position: Position::Unknown, ..*door },
            DoorFacts { io_answers: false, ..*door },
            DoorFacts { consent: false, ..*door },
        ];
        for fault in faults {
            let after = reasons(&fault, &p, &agreed());
            assert_eq!(after.bits() & before.bits(), before.bits(), "{fault:?}");
            assert!(!after.is_empty());
        }
    });
    for pair in every_pair() {
        let before = reasons(&calm(), &p, &pair);
        let faults = [
            PairFacts { link_now: Some(false), ..pair },
            PairFacts { profile_now: Some(false), ..pair },
            PairFacts { link_after: Some(false), ..pair },
            PairFacts { profile_after: Some(false), ..pair },
        ];
        for fault in faults {
            let after = reasons(&calm(), &p, &fault);
            assert_eq!(after.bits() & before.bits(), before.bits(), "{fault:?}");
            assert!(!after.is_empty());
        }
    }
}

#[test]
fn a_stricter_policy_only_adds_reasons() {
    let lax = Policy { rest_seconds: 29, ..policy(false) };
    let stricter = [
        Policy { rest_seconds: 30, ..lax },
        Policy { rest_seconds: u16::MAX, ..lax },
        Policy { supply_min_mv: 4751, ..lax },
        Policy { supply_max_mv: 5249, ..lax },
        // An empty range: nothing is in it.
        Policy { supply_min_mv: 5251, ..lax },
        Policy { consent: true, ..lax },
    ];
    every_door(|door| {
        let before = reasons(door, &lax, &agreed());
        for policy in &stricter {
            let after = reasons(door, policy, &agreed());
            assert_eq!(after.bits() & before.bits(), before.bits(), "{door:?} {policy:?}");
        }
    });
}

#[test]
fn the_length_of_the_trial_plays_no_part() {
    every_door(|door| {
        let long = Policy { trial_seconds: 3600, ..policy(true) };
        assert_eq!(reasons(door, &long, &agreed()), reasons(door, &policy(true), &agreed()));
    });
}

#[test]
fn consent_clears_nothing_but_its_own_reason() {
    every_door(|door| {
        let without = reasons(&DoorFacts { consent: false, ..*door }, &policy(true), &agreed());
        let with = reasons(&DoorFacts { consent: true, ..*door }, &policy(true), &agreed());
        assert_eq!(with.with(Hold::ConsentMissing, true), without);
        assert!(!with.has(Hold::ConsentMissing));
        let unasked = reasons(door, &policy(false), &agreed());
        assert_eq!(unasked, with);
    });
}

#[test]
fn each_reason_alone_is_reported_alone() {
    let p = policy(true);
    let ok = DoorFacts { consent: true, ..calm() };
    let door = [
        (Hold::DoorMoving, DoorFacts { moving: Some(true), ..ok }),
        (Hold::NotYetAtRest, DoorFacts { rest_seconds: Some(29), ..ok }),
        (Hold::RelayPulse, DoorFacts { relay_pulse: Some(true), ..ok }),
        (Hold::ClosePending, DoorFacts { close_pending: Some(true), ..ok }),
        (Hold::Warning, DoorFacts { warning: Some(true), ..ok }),
        (Hold::ButtonInUse, DoorFacts { button: Some(true), ..ok }),
        (Hold::GasAlarm, DoorFacts { gas_alarm: Some(true), ..ok }),
        (Hold::Supply, DoorFacts { supply_mv: Some(4000), ..ok }),
        (Hold::PositionUnknown, DoorFacts { position: Position::Unknown, ..ok }),
        (Hold::ConsentMissing, DoorFacts { consent: false, ..ok }),
        (Hold::IoSilent, DoorFacts { io_answers: false, ..ok }),
    ];
    let pair = [
        (Hold::LinkDisagrees, PairFacts { link_now: Some(false), ..agreed() }),
        (Hold::ProfileDisagrees, PairFacts { profile_now: Some(false), ..agreed() }),
        (Hold::PairAfter, PairFacts { link_after: Some(false), ..agreed() }),
        (Hold::PairAfter, PairFacts { profile_after: Some(false), ..agreed() }),
    ];
    let cases =
        door.into_iter().map(|(h, d)| (h, d, agreed())).chain(pair.into_iter().map(|(h, p)| (h, ok, p)));
    let mut told = Holds::NONE;
    for (hold, door, pair) in cases {
        assert_eq!(reasons(&door, &p, &pair).iter().collect::<Vec<_>>(), [hold]);
        told = told.with(hold, true);
    }
    assert_eq!(told.iter().count(), Hold::ALL.len(), "a reason that nothing leads to");
}

#[test]
fn a_silent_io_chip_holds_for_every_reason_that_it_would_have_to_answer_for() {
    let holds = reasons(
        &DoorFacts::unknown(None),
        &policy(true),
        &PairFacts { link_now: None, profile_now: None, link_after: None, profile_after: None },
    );
    assert_eq!(holds.iter().count(), Hold::ALL.len());
}

#[test]
fn what_touches_no_actuation_is_cleared_whatever_the_door_does() {
    for network in [false, true] {
        let touches = Touches { actuation: false, network };
        every_door(|door| assert!(decide(touches, door, &policy(true), &agreed()).is_ok()));
        for pair in every_pair() {
            assert!(decide(touches, &DoorFacts::unknown(None), &policy(true), &pair).is_ok());
        }
    }
}
