//! Exhaustive over the product of the discretised inputs, one invariant per test.

use super::*;
use crate::bundle::Policy;
use crate::checkin::Position;
use std::vec::Vec;

const TRI: [Option<bool>; 3] = [None, Some(false), Some(true)];
const POSITIONS: [Position; 4] = [Position::Unknown, Position::Open, Position::PartlyOpen, Position::Closed];

fn policy(consent: bool) -> Policy {
    Policy { rest_seconds: 30, trial_seconds: 120, consent, supply_min_mv: 4750, supply_max_mv: 5250 }
}

/// Nothing stands against a change.
fn calm() -> DoorFacts {
    DoorFacts {
        io_answers: true,
        position: Position::Closed,
        moving: Some(false),
        rest_seconds: Some(30),
        relay_pulse: Some(false),
        close_pending: Some(false),
        warning: Some(false),
        button: Some(false),
        gas_alarm: Some(false),
        supply_mv: Some(5000),
        consent: false,
    }
}

fn agreed() -> PairFacts {
    PairFacts {
        link_now: Some(true),
        profile_now: Some(true),
        link_after: Some(true),
        profile_after: Some(true),
    }
}

const ACTUATION: Touches = Touches { actuation: true, network: true };

/// Every combination of seven three-valued facts, positions, rest, supply, consent and reply.
fn every_door(mut check: impl FnMut(&DoorFacts)) -> u64 {
    let mut count = 0;
    for n in 0..3u32.pow(7) {
        let tri = |place: u32| TRI[(n / 3u32.pow(place) % 3) as usize];
        let door = DoorFacts {
            moving: tri(0),
            relay_pulse: tri(1),
            close_pending: tri(2),
            warning: tri(3),
            button: tri(4),
            gas_alarm: tri(5),
            rest_seconds: [None, Some(29), Some(30)][(n / 3u32.pow(6) % 3) as usize],
            ..calm()
        };
        for position in POSITIONS {
            for supply_mv in [None, Some(4749), Some(4750), Some(5250), Some(5251)] {
                for io_answers in [false, true] {
                    for consent in [false, true] {
                        check(&DoorFacts { position, supply_mv, io_answers, consent, ..door });
                        count += 1;
                    }
                }
            }
        }
    }
    count
}

fn every_pair() -> impl Iterator<Item = PairFacts> {
    (0..81usize).map(|n| PairFacts {
        link_now: TRI[n % 3],
        profile_now: TRI[n / 3 % 3],
        link_after: TRI[n / 9 % 3],
        profile_after: TRI[n / 27],
    })
}

#[test]
fn calm_and_agreed_is_the_only_way_to_a_clearance() {
    let mut cleared = 0u64;
    let mut seen = 0u64;
    for pair in every_pair() {
        for consent_asked in [false, true] {
            let policy = policy(consent_asked);
            seen += every_door(|door| {
                // The rule, said a second time in the plainest way.
                let expected = door.io_answers
                    && door.position != Position::Unknown
                    && door.moving == Some(false)
                    && matches!(door.rest_seconds, Some(30..))
                    && door.relay_pulse == Some(false)
                    && door.close_pending == Some(false)
                    && door.warning == Some(false)
                    && door.button == Some(false)
                    && door.gas_alarm == Some(false)
                    && matches!(door.supply_mv, Some(4750..=5250))
                    && pair == agreed()
                    && (!consent_asked || door.consent);
                let got = decide(ACTUATION, door, &policy, &pair);
                assert_eq!(got.is_ok(), expected, "{door:?} {pair:?}");
                cleared += u64::from(got.is_ok());
            });
        }
    }
    println!("interlock: {seen} combinations, {cleared} cleared");
    // 3 positions, 2 supplies in range; consent not asked: either, asked: given.
    assert_eq!(cleared, 3 * 2 * 3);
}

#[test]
fn making_one_fact_unknown_never_clears_what_waited_and_always_holds() {
    let p = policy(false);
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
            assert!(decide(ACTUATION, &unknown, &p, &agreed()).is_err(), "{unknown:?}");
        }
    });
}

#[test]
fn adding_a_fault_only_adds_reasons() {
    let p = policy(true);
    every_door(|door| {
        let before = decide(ACTUATION, door, &p, &agreed()).err().unwrap_or(Holds::NONE);
        let faults = [
            DoorFacts { moving: Some(true), ..*door },
            DoorFacts { relay_pulse: Some(true), ..*door },
            DoorFacts { close_pending: Some(true), ..*door },
            DoorFacts { warning: Some(true), ..*door },
            DoorFacts { button: Some(true), ..*door },
            DoorFacts { gas_alarm: Some(true), ..*door },
            DoorFacts { rest_seconds: Some(0), ..*door },
            DoorFacts { supply_mv: Some(0), ..*door },
            DoorFacts { consent: false, ..*door },
        ];
        for fault in faults {
            let after = decide(ACTUATION, &fault, &p, &agreed()).err().unwrap_or(Holds::NONE);
            assert_eq!(after.bits() & before.bits(), before.bits(), "{fault:?}");
            assert!(!after.is_empty());
        }
    });
}

#[test]
fn each_reason_alone_is_reported_alone() {
    let p = policy(true);
    let ok = DoorFacts { consent: true, ..calm() };
    let cases = [
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
    for (hold, door) in cases {
        let holds = decide(ACTUATION, &door, &p, &agreed()).unwrap_err();
        assert_eq!(holds.iter().collect::<Vec<_>>(), [hold]);
    }
}

#[test]
fn what_touches_no_actuation_is_cleared_whatever_the_door_does() {
    for network in [false, true] {
        let touches = Touches { actuation: false, network };
        assert!(decide(touches, &DoorFacts::unknown(None), &policy(true), &agreed()).is_ok());
    }
}

#[test]
fn firmware_of_either_chip_touches_actuation() {
    use crate::slots::Part;
    assert!(part_touches(Part::Net).actuation && part_touches(Part::Io).actuation);
    assert!(part_touches(Part::Conf).actuation);
    assert!(!part_touches(Part::Keys).actuation);
}

#[test]
fn a_bundle_touches_what_its_keys_say() {
    use crate::bundle::tests::larkfield_bundle;
    let old = larkfield_bundle();
    assert_eq!(bundle_touches(None, &old), ACTUATION);
    assert_eq!(bundle_touches(Some(&old), &old), Touches::default());

    let mut new = old.clone();
    new.salt = [9; 16];
    new.name = "other".try_into().unwrap();
    assert_eq!(bundle_touches(Some(&old), &new), Touches::default());

    let mut new = old.clone();
    new.networks[0].passphrase = "another passphrase".try_into().unwrap();
    assert_eq!(bundle_touches(Some(&old), &new), Touches { actuation: false, network: true });

    let actuating: [fn(&mut crate::bundle::Bundle); 4] = [
        |b| b.door.open_below_mm += 1,
        |b| b.close.warn_tenths += 1,
        |b| b.alarms.left_open_minutes = None,
        |b| b.policy.rest_seconds += 1,
    ];
    for change in actuating {
        let mut new = old.clone();
        change(&mut new);
        assert_eq!(bundle_touches(Some(&old), &new), Touches { actuation: true, network: false });
    }
}

#[test]
fn a_first_bundle_waits_for_a_silent_chip_a_pulse_and_a_gas_alarm_only() {
    assert!(decide_first(&DoorFacts { position: Position::Unknown, rest_seconds: None, ..calm() }).is_ok());
    let waits = [
        DoorFacts::unknown(Some(5000)),
        DoorFacts { io_answers: false, ..calm() },
        DoorFacts { relay_pulse: Some(true), ..calm() },
        DoorFacts { relay_pulse: None, ..calm() },
        DoorFacts { gas_alarm: Some(true), ..calm() },
        DoorFacts { gas_alarm: None, ..calm() },
    ];
    for door in waits {
        assert!(decide_first(&door).is_err(), "{door:?}");
    }
}

#[test]
fn an_image_that_has_to_go_waits_for_what_it_says_is_in_use_only() {
    assert!(decide_removal(&DoorFacts::unknown(None)).is_ok());
    assert!(decide_removal(&DoorFacts { rest_seconds: Some(0), gas_alarm: Some(true), ..calm() }).is_ok());
    let waits = [
        (DoorFacts { moving: Some(true), ..calm() }, Hold::DoorMoving),
        (DoorFacts { relay_pulse: Some(true), ..calm() }, Hold::RelayPulse),
        (DoorFacts { close_pending: Some(true), ..calm() }, Hold::ClosePending),
        (DoorFacts { warning: Some(true), ..calm() }, Hold::Warning),
        (DoorFacts { button: Some(true), ..DoorFacts::unknown(None) }, Hold::ButtonInUse),
    ];
    for (door, hold) in waits {
        assert_eq!(decide_removal(&door), Err(Holds::NONE.with(hold, true)));
    }
}
