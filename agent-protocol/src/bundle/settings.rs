//! The part of a bundle that the io chip goes by, as numbered settings on the link.

use super::{Bundle, DoorKind};
use crate::link::{CRC_START, crc16};

/// How many settings there are; their keys are 0 to `SETTINGS - 1`, and the last completes them.
pub const SETTINGS: usize = 26;

/// The settings in the order of their keys, with their values; units as in the bundle's fields.
/// What is not fitted is `u32::MAX`.
pub fn settings(b: &Bundle) -> [(u8, u32); SETTINGS] {
    let (d, c, a) = (&b.door, &b.close, &b.alarms);
    let or_none = |v: Option<u16>| v.map_or(u32::MAX, u32::from);
    let kind = match d.kind {
        DoorKind::Sectional => 0,
        DoorKind::Rolling => 1,
        DoorKind::Sliding => 2,
        DoorKind::OnePiece => 3,
        DoorKind::Swinging => 4,
        DoorKind::Hatch => 5,
        DoorKind::Unknown => 6,
    };
    let values = [
        kind,
        d.open_below_mm.into(),
        d.closed_above_mm.into(),
        d.hysteresis_mm.into(),
        d.temperature_compensated.into(),
        d.pulse_ms.into(),
        d.gap_ms.into(),
        d.travel_seconds.into(),
        c.enabled.into(),
        c.after_minutes.into(),
        c.warn_tenths.into(),
        u32::from(c.sound) | u32::from(c.light) << 1,
        c.max_failed.into(),
        c.blocked_by_co.into(),
        c.tone_hz.into(),
        c.pulses_tenths.into(),
        c.flashes_tenths.into(),
        or_none(a.co_fast_ppm),
        or_none(a.co_slow_ppm),
        a.co_slow_minutes.into(),
        or_none(a.left_open_minutes),
        or_none(a.light_on_above),
        a.light_minutes.into(),
        a.co_curve_a_milli,
        a.co_curve_b_micro.cast_unsigned(),
        a.co_r0_ohms,
    ];
    let mut numbered = [(0u8, 0u32); SETTINGS];
    for (n, (place, value)) in numbered.iter_mut().zip(values).enumerate() {
        *place = (n as u8, value);
    }
    numbered
}

/// A sum over settings, by which both chips know that they go by the same: CRC-16/IBM-3740 over
/// all values, 4 bytes each, little-endian; 0 is replaced by 1, since 0 means "none yet".
pub fn settings_sum(b: &Bundle) -> u16 {
    sum_of(settings(b).iter().map(|(_, v)| *v))
}

/// The sum over values in the order of their keys.
pub fn sum_of(values: impl Iterator<Item = u32>) -> u16 {
    values.fold(CRC_START, |sum, value| crc16(sum, &value.to_le_bytes())).max(1)
}
