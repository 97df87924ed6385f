//! [`decide_first`] and [`decide_removal`].

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
