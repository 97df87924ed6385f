//! What a change touches.

use super::*;
use crate::bundle::sample;
use crate::bundle::{Alarms, Bundle, Door, DoorKind, UnattendedClose, WifiChange};
use crate::id::NodeId;
use crate::slots::Part;
use crate::tell::tell;
use std::vec::Vec;

const NONE: Touches = Touches { actuation: false, network: false };
const NET: Touches = Touches { actuation: false, network: true };
const DOOR: Touches = Touches { actuation: true, network: false };

type Change = (Touches, fn(&mut Bundle));

/// One change of every field, with what it touches.
fn changes() -> [Change; 41] {
    // Destructured, so that a new field cannot be forgotten in the table.
    let Bundle {
        schema: _,
        salt: _,
        node: _,
        name: _,
        networks: _,
        wifi_change: _,
        servers: _,
        checkin_seconds: _,
        door:
            Door {
                kind: _,
                open_below_mm: _,
                closed_above_mm: _,
                hysteresis_mm: _,
                temperature_compensated: _,
                pulse_ms: _,
                gap_ms: _,
                travel_seconds: _,
            },
        close:
            UnattendedClose {
                enabled: _,
                after_minutes: _,
                warn_tenths: _,
                sound: _,
                light: _,
                max_failed: _,
                blocked_by_co: _,
                photo_sensor: _,
                tone_hz: _,
                pulses_tenths: _,
                flashes_tenths: _,
            },
        alarms:
            Alarms {
                co_fast_ppm: _,
                co_slow_ppm: _,
                co_slow_minutes: _,
                left_open_minutes: _,
                light_on_above: _,
                light_minutes: _,
                co_curve_a_milli: _,
                co_curve_b_micro: _,
                co_r0_ohms: _,
            },
        policy: Policy { rest_seconds: _, trial_seconds: _, consent: _, supply_min_mv: _, supply_max_mv: _ },
    } = sample::bundle();
    [
        (DOOR, |b| b.schema += 1),
        (NONE, |b| b.salt = [9; 16]),
        (NONE, |b| b.node = NodeId([9; 16])),
        (NONE, |b| b.name = "other".try_into().unwrap()),
        (NET, |b| b.networks[0].passphrase = "another passphrase".try_into().unwrap()),
        (NET, |b| b.wifi_change = Some(WifiChange { candidate: 0, after_loss_minutes: None })),
        (NET, |b| b.servers.clear()),
        (NET, |b| b.checkin_seconds += 1),
        (DOOR, |b| b.door.kind = DoorKind::Sliding),
        (DOOR, |b| b.door.open_below_mm += 1),
        (DOOR, |b| b.door.closed_above_mm += 1),
        (DOOR, |b| b.door.hysteresis_mm += 1),
        (DOOR, |b| b.door.temperature_compensated ^= true),
        (DOOR, |b| b.door.pulse_ms += 1),
        (DOOR, |b| b.door.gap_ms += 1),
        (DOOR, |b| b.door.travel_seconds += 1),
        (DOOR, |b| b.close.enabled ^= true),
        (DOOR, |b| b.close.after_minutes += 1),
        (DOOR, |b| b.close.warn_tenths += 1),
        (DOOR, |b| b.close.sound ^= true),
        (DOOR, |b| b.close.light ^= true),
        (DOOR, |b| b.close.max_failed += 1),
        (DOOR, |b| b.close.blocked_by_co ^= true),
        (DOOR, |b| b.close.photo_sensor ^= true),
        (DOOR, |b| b.close.tone_hz += 1),
        (DOOR, |b| b.close.pulses_tenths += 1),
        (DOOR, |b| b.close.flashes_tenths += 1),
        (DOOR, |b| b.alarms.co_fast_ppm = None),
        (DOOR, |b| b.alarms.co_slow_ppm = None),
        (DOOR, |b| b.alarms.co_slow_minutes += 1),
        (DOOR, |b| b.alarms.left_open_minutes = None),
        (DOOR, |b| b.alarms.light_on_above = Some(1)),
        (DOOR, |b| b.alarms.light_minutes += 1),
        (DOOR, |b| b.alarms.co_curve_a_milli += 1),
        (DOOR, |b| b.alarms.co_curve_b_micro += 1),
        (DOOR, |b| b.alarms.co_r0_ohms += 1),
        (DOOR, |b| b.policy.rest_seconds += 1),
        (DOOR, |b| b.policy.trial_seconds += 1),
        (DOOR, |b| b.policy.consent ^= true),
        (DOOR, |b| b.policy.supply_min_mv += 1),
        (DOOR, |b| b.policy.supply_max_mv += 1),
    ]
}

fn union(a: Touches, b: Touches) -> Touches {
    Touches { actuation: a.actuation || b.actuation, network: a.network || b.network }
}

#[test]
fn every_field_of_a_bundle_touches_what_it_should_in_either_direction() {
    let old = sample::bundle();
    assert_eq!(bundle_touches(Some(&old), &old), NONE);
    for (n, (touches, change)) in changes().into_iter().enumerate() {
        let mut new = old.clone();
        change(&mut new);
        assert_ne!(new, old, "change {n} changes nothing");
        assert_eq!(bundle_touches(Some(&old), &new), touches, "change {n}");
        assert_eq!(bundle_touches(Some(&new), &old), touches, "change {n}, backwards");
    }
}

#[test]
fn a_change_touches_exactly_what_its_components_touch_together() {
    // A change of each top-level field, in every combination.
    let all = changes();
    let picked: Vec<Change> = [0, 1, 2, 3, 4, 5, 6, 7, 8, 16, 27, 36].into_iter().map(|n| all[n]).collect();
    let old = sample::bundle();
    for set in 0..1u32 << picked.len() {
        let mut new = old.clone();
        let mut expected = NONE;
        for (n, (touches, change)) in picked.iter().enumerate() {
            if set & (1 << n) != 0 {
                change(&mut new);
                expected = union(expected, *touches);
            }
        }
        assert_eq!(bundle_touches(Some(&old), &new), expected, "{set:#x}");
    }
    tell(format_args!("interlock: {} combinations of changed fields", 1 << picked.len()));
}

#[test]
fn any_two_fields_touch_what_both_touch() {
    let all = changes();
    let old = sample::bundle();
    for (first, one) in &all {
        for (second, other) in &all {
            let mut new = old.clone();
            one(&mut new);
            other(&mut new);
            let expected = union(*first, *second);
            // A change made twice may undo itself.
            if new != old {
                assert_eq!(bundle_touches(Some(&old), &new), expected);
            }
        }
    }
}

#[test]
fn without_an_old_bundle_a_new_one_touches_everything() {
    assert_eq!(bundle_touches(None, &sample::bundle()), ACTUATION);
}

#[test]
fn a_part_touches_no_less_than_any_change_of_it() {
    for (touches, _) in changes() {
        let whole = part_touches(Part::Conf);
        assert_eq!(union(whole, touches), whole);
    }
}

#[test]
fn firmware_of_either_chip_touches_actuation_and_trust_anchors_do_not() {
    assert_eq!(part_touches(Part::Net), ACTUATION);
    assert_eq!(part_touches(Part::Io), ACTUATION);
    assert_eq!(part_touches(Part::Keys), NONE);
}
