//! The settings that the net chip gives the io chip, by their keys on the link.

use crate::link::crc16;

/// How many there are; the last one completes them.
pub const COUNT: usize = 26;
/// Corrected distance below which the door is open, in millimetres.
pub const OPEN_BELOW_MM: usize = 1;
/// Corrected distance above which the door is closed, in millimetres.
pub const CLOSED_ABOVE_MM: usize = 2;
/// A threshold is left only when passed by this much, in millimetres.
pub const HYSTERESIS_MM: usize = 3;
/// Whether distances are corrected for the temperature of the air.
pub const TEMPERATURE_COMPENSATED: usize = 4;
/// Length of a push-button pulse, in milliseconds.
pub const PULSE_MS: usize = 5;
/// Shortest time between two pulses, in milliseconds.
pub const GAP_MS: usize = 6;
/// Carbon monoxide that alarms at once, in ppm; all ones where no sensor is fitted.
pub const CO_FAST_PPM: usize = 17;

/// Values by key.
pub type Settings = [u32; COUNT];

/// By this sum both chips know that they go by the same settings. Never 0, which means "none yet".
pub fn sum(settings: &Settings) -> u16 {
    crc16(settings.iter().flat_map(|value| value.to_le_bytes())).max(1)
}

/// What the sample net chip gives. A real one takes them from its bundle.
pub const SAMPLE: Settings = [
    0,        // sectional door
    600,      // open below 600 mm
    1_900,    // closed above 1900 mm
    40,       // hysteresis 40 mm
    1,        // corrected for the temperature
    300,      // pulses of 300 ms
    2_000,    // 2 s between pulses
    20,       // 20 s of travel
    0,        // never closes by itself
    0,        // minutes before it would
    50,       // 5 s of warning
    3,        // sound and light
    2,        // two failed tries
    1,        // blocked by carbon monoxide
    1_500,    // tone of 1500 Hz
    45,       // 4.5 pulsations per second
    10,       // one flash per second
    u32::MAX, // no gas sensor
    u32::MAX, // no gas sensor
    0,        // no gas sensor
    30,       // left open for 30 min
    u32::MAX, // no photocell
    0,        // no photocell
    0,        // no gas sensor
    0,        // no gas sensor
    0,        // no gas sensor
];
