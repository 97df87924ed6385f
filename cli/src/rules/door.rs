//! Pulses, travel, and the distances that mean open and closed.

use super::{PRACTICE, Rule, Severity, when};
use crate::calibrate::distance::weather_shift_mm;
use crate::calibrate::sound::{COLDEST, WARMEST, uncompensated_mm};
use crate::yard::units::Tenths;

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "R9",
        severity: Severity::Error,
        asks: "a travel time longer than measured and at most 30 s",
        source: "16 CFR 1211.7, from memory (a door that is not closed after 30 s reverses)",
        check: |case| {
            let travel = case.plan.draft.door.travel_seconds;
            if !(1..=30).contains(&travel) {
                return Some(format!("`door.travel_seconds` is {travel}; 1 to 30 is asked for"));
            }
            let measured = case.plan.file.door.measured_travel_seconds?;
            when(Tenths(u16::from(travel) * 10) <= measured, || {
                format!("`door.travel_seconds` is {travel}, but the door was measured to take {measured} s")
            })
        },
    },
    Rule {
        id: "R10",
        severity: Severity::Error,
        asks: "push-button pulses of 0.2 to 1.0 s, at least 1 s apart",
        source: PRACTICE,
        check: |case| {
            let door = case.plan.draft.door;
            if !(200..=1000).contains(&door.pulse_ms) {
                return Some(format!("`door.pulse_ms` is {}; 200 to 1000 is asked for", door.pulse_ms));
            }
            when(door.gap_ms < 1000, || {
                format!("`door.gap_ms` is {}; 1000 or more is asked for", door.gap_ms)
            })
        },
    },
    Rule {
        id: "R30",
        severity: Severity::Error,
        asks: "thresholds for open and closed that stay apart from -30 to +40 degrees Celsius",
        source: "ISO 9613-1 (speed of sound); divisor of 58 us/cm from data sheets of ranging modules",
        check: |case| {
            let door = case.plan.draft.door;
            let (open, closed) = (door.open_below_mm, door.closed_above_mm);
            let shift = weather_shift_mm(f64::from(closed), door.temperature_compensated);
            let needed = shift + 2.0 * f64::from(door.hysteresis_mm);
            when(f64::from(closed) - f64::from(open) <= needed, || {
                let why = if door.temperature_compensated {
                    "what temperature correction leaves"
                } else {
                    "the winter error without temperature correction"
                };
                format!(
                    "open is below {open} mm, closed above {closed} mm; they must be more than {needed:.0} mm apart: {shift:.0} mm for {why}, and twice the hysteresis"
                )
            })
        },
    },
    Rule {
        id: "R31",
        severity: Severity::Error,
        asks: "without temperature correction, the open door is still read as open in the coldest air and the closed one as closed in the warmest",
        source: "ISO 9613-1 (speed of sound); divisor of 58 us/cm from data sheets of ranging modules",
        check: |case| {
            let door = case.plan.draft.door;
            let measured = case.plan.calibration.distance.filter(|_| !door.temperature_compensated)?;
            let open = uncompensated_mm(measured.open_mean_mm, COLDEST);
            if open >= f64::from(door.open_below_mm) {
                return Some(format!(
                    "at -30 degrees Celsius the open door is read at {open:.0} mm, not below {} mm",
                    door.open_below_mm
                ));
            }
            let closed = uncompensated_mm(measured.closed_mean_mm, WARMEST);
            when(closed <= f64::from(door.closed_above_mm), || {
                format!(
                    "at +40 degrees Celsius the closed door is read at {closed:.0} mm, not above {} mm",
                    door.closed_above_mm
                )
            })
        },
    },
    Rule {
        id: "R32",
        severity: Severity::Error,
        asks: "a thermometer where distances are corrected for temperature",
        source: "ours",
        check: |case| {
            let corrected = case.plan.draft.door.temperature_compensated;
            when(corrected && !case.plan.board.fitted.thermometer, || {
                "`door.temperature_compensated` is on, but the board has no thermometer".to_owned()
            })
        },
    },
    Rule {
        id: "R33",
        severity: Severity::Error,
        asks: "thresholds within the 20 to 4000 mm that ranging modules read",
        source: "data sheets of ranging modules",
        check: |case| {
            let door = case.plan.draft.door;
            let range = 20..=4000;
            when(!range.contains(&door.open_below_mm) || !range.contains(&door.closed_above_mm), || {
                format!(
                    "open is below {} mm, closed above {} mm; both must lie within 20 to 4000 mm",
                    door.open_below_mm, door.closed_above_mm
                )
            })
        },
    },
    Rule {
        id: "R34",
        severity: Severity::Warning,
        asks: "a hysteresis of at least 20 mm",
        source: PRACTICE,
        check: |case| {
            let mm = case.plan.draft.door.hysteresis_mm;
            when(mm < 20, || {
                format!(
                    "`door.hysteresis_mm` is {mm}: the position may flicker when the door stands at a threshold"
                )
            })
        },
    },
];
