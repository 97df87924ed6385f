//! [`decide_first`], [`decide_removal`] and [`decide_stranded`].

use super::*;
use crate::tell::tell;

#[test]
fn a_first_bundle_waits_for_a_silent_chip_a_pulse_and_a_gas_alarm_and_for_nothing_else() {
    let seen = every_door(|door| {
        let expected = door.io_answers && door.relay_pulse == Some(false) && door.gas_alarm == Some(false);
        assert_eq!(decide_first(door).is_ok(), expected, "{door:?}");
    });
    tell(format_args!("interlock: {seen} combinations before the first bundle"));
}

#[test]
fn its_reasons_are_among_those_of_the_full_rule() {
    every_door(|door| {
        let first = decide_first(door).err().unwrap_or(Holds::NONE);
        let full = reasons(door, &policy(true), &agreed());
        assert_eq!(full.bits() & first.bits(), first.bits(), "{door:?}");
    });
}

#[test]
fn an_image_is_removed_unless_the_door_is_known_to_be_in_use() {
    every_door(|door| {
        let used = [door.moving, door.relay_pulse, door.close_pending, door.warning, door.button];
        let in_use = used.contains(&Some(true));
        assert_eq!(decide_removal(door).is_err(), in_use, "{door:?}");
    });
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

#[test]
fn an_image_for_a_stranded_chip_waits_for_an_understanding_and_consent_and_for_nothing_else() {
    let mut seen = 0u64;
    for asks in [false, true] {
        for link_after in [None, Some(false), Some(true)] {
            for profile_after in [None, Some(false), Some(true)] {
                // What holds now between a loader and its net chip says nothing.
                let pair = PairFacts { link_now: Some(false), profile_now: None, link_after, profile_after };
                seen += every_door(|door| {
                    let expected =
                        link_after == Some(true) && profile_after == Some(true) && (!asks || door.consent);
                    assert_eq!(
                        decide_stranded(door, &policy(asks), &pair).is_ok(),
                        expected,
                        "{door:?} {pair:?}"
                    );
                });
            }
        }
    }
    tell(format_args!("interlock: {seen} combinations of a stranded io chip"));
}
