//! A bundle as a node at Larkfield might have it: for tests, for virtual boards and for measurements.

use super::{Address, Alarms, Bundle, Door, DoorKind, MAX_SERVERS, Network, Policy, SCHEMA, UnattendedClose};
use crate::id::NodeId;
use heapless::{String, Vec};

/// A network with a passphrase that is published here. An SSID of more than 32 bytes comes out empty.
pub fn network(ssid: &str) -> Network {
    Network {
        ssid: Vec::from_slice(ssid.as_bytes()).unwrap_or_default(),
        passphrase: String::try_from("published test phrase").unwrap_or_default(),
    }
}

/// An address that is kept for examples (RFC 5737).
pub fn servers() -> Vec<Address, MAX_SERVERS> {
    let address = String::try_from("https://192.0.2.7:8443").unwrap_or_default();
    [Address(address)].into_iter().collect()
}

/// The bundle of the virtual board's node: a sectional door that closes by itself, one network.
pub fn bundle() -> Bundle {
    Bundle {
        schema: SCHEMA,
        salt: [7; 16],
        node: NodeId([4; 16]),
        name: String::try_from("cart shed").unwrap_or_default(),
        networks: [network("larkfield")].into_iter().collect(),
        wifi_change: None,
        servers: servers(),
        checkin_seconds: 300,
        door: Door {
            kind: DoorKind::Sectional,
            open_below_mm: 450,
            closed_above_mm: 2100,
            hysteresis_mm: 20,
            temperature_compensated: true,
            pulse_ms: 500,
            gap_ms: 1500,
            travel_seconds: 20,
        },
        close: UnattendedClose {
            enabled: true,
            after_minutes: 30,
            warn_tenths: 80,
            sound: true,
            light: true,
            max_failed: 2,
            blocked_by_co: true,
            photo_sensor: true,
            tone_hz: 2000,
            pulses_tenths: 45,
            flashes_tenths: 20,
        },
        alarms: Alarms {
            co_fast_ppm: Some(300),
            co_slow_ppm: Some(50),
            co_slow_minutes: 60,
            left_open_minutes: Some(15),
            light_on_above: None,
            light_minutes: 30,
            co_curve_a_milli: 99_269,
            co_curve_b_micro: -1_518_033,
            co_r0_ohms: 9_289,
        },
        policy: Policy {
            rest_seconds: 30,
            trial_seconds: 120,
            consent: false,
            supply_min_mv: 4750,
            supply_max_mv: 5250,
        },
    }
}
