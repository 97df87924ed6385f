//! Carbon monoxide.
//!
//! The points of UL 2034 and EN 50291 are as quoted by secondary sources. Meeting them does not
//! make a home-made sensor a listed alarm; only a late alarm is found here, an early one is the
//! safe side.

use super::{Case, PRACTICE, Rule, Severity, when};

/// One concentration of a standard, and the minutes before which an alarm must sound.
#[derive(Clone, Copy)]
struct Point {
    ppm: u16,
    minutes: f64,
}

/// UL 2034, as quoted by secondary sources.
const UL_2034: [Point; 3] =
    [Point { ppm: 70, minutes: 240.0 }, Point { ppm: 150, minutes: 50.0 }, Point { ppm: 400, minutes: 15.0 }];
/// EN 50291, as quoted by secondary sources.
const EN_50291: [Point; 3] =
    [Point { ppm: 50, minutes: 90.0 }, Point { ppm: 100, minutes: 40.0 }, Point { ppm: 300, minutes: 3.0 }];
/// Length of a heater cycle of a metal-oxide sensor, in minutes: one reading in 150 s (component
/// data sheets).
const CYCLE_MINUTES: f64 = 2.5;

/// Minutes until the alarm at a steady concentration; `None` if it never sounds.
fn alarms_after(case: &Case<'_>, ppm: u16) -> Option<f64> {
    let co = case.plan.file.alarms.co?;
    let averaging = f64::from(co.average_cycles) * CYCLE_MINUTES;
    if ppm >= co.fast_ppm {
        Some(averaging)
    } else if ppm >= co.slow_ppm {
        Some(averaging + f64::from(co.slow_minutes))
    } else {
        None
    }
}

fn late(case: &Case<'_>, name: &str, points: &[Point]) -> Option<String> {
    case.plan.file.alarms.co?;
    points.iter().find_map(|p| match alarms_after(case, p.ppm) {
        None => Some(format!(
            "at {} ppm the alarm never sounds; {name} asks for it before {} min",
            p.ppm, p.minutes
        )),
        Some(after) if after >= p.minutes => Some(format!(
            "at {} ppm the alarm sounds after {after} min; {name} asks for it before {} min",
            p.ppm, p.minutes
        )),
        Some(_) => None,
    })
}

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "R20",
        severity: Severity::Error,
        asks: "no carbon monoxide threshold above 70 ppm (slow) or 400 ppm (fast)",
        source: "UL 2034 points, as quoted by secondary sources",
        check: |case| {
            let co = case.plan.file.alarms.co?;
            if co.slow_ppm > 70 {
                return Some(format!("`alarms.co.slow_ppm` is {}; at most 70 is asked for", co.slow_ppm));
            }
            if co.fast_ppm > 400 {
                return Some(format!("`alarms.co.fast_ppm` is {}; at most 400 is asked for", co.fast_ppm));
            }
            when(co.fast_ppm < co.slow_ppm, || {
                format!("`alarms.co.fast_ppm` is {}, below `slow_ppm` of {}", co.fast_ppm, co.slow_ppm)
            })
        },
    },
    Rule {
        id: "R21",
        severity: Severity::Warning,
        asks: "no carbon monoxide threshold below 30 ppm",
        source: "UL 2034 (30 ppm: no alarm for 30 days) and EN 50291 (30 ppm: none for 120 min), as quoted by secondary sources",
        check: |case| {
            let co = case.plan.file.alarms.co?;
            when(co.slow_ppm < 30, || {
                format!(
                    "`alarms.co.slow_ppm` is {}: it will often alarm for nothing, and be ignored",
                    co.slow_ppm
                )
            })
        },
    },
    Rule {
        id: "R22",
        severity: Severity::Error,
        asks: "an alarm before the end of every time window of UL 2034",
        source: "UL 2034 points (70, 150, 400 ppm), as quoted by secondary sources",
        check: |case| late(case, "UL 2034", &UL_2034),
    },
    Rule {
        id: "R25",
        severity: Severity::Warning,
        asks: "an alarm before the end of every time window of EN 50291",
        source: "EN 50291 points (50, 100, 300 ppm), as quoted by secondary sources",
        check: |case| late(case, "EN 50291", &EN_50291),
    },
    Rule {
        id: "R23",
        severity: Severity::Error,
        asks: "the carbon monoxide alarm is taken away, or made slower, only with consent at the door",
        source: PRACTICE,
        check: |case| {
            let (before, after) = (case.before?.alarms, case.plan.draft.alarms);
            let weaker = |old: Option<u16>, new: Option<u16>| match (old, new) {
                (Some(_), None) => true,
                (Some(old), Some(new)) => new > old,
                (None, _) => false,
            };
            let slower = after.co_slow_minutes > before.co_slow_minutes && before.co_slow_ppm.is_some();
            let weaker = weaker(before.co_fast_ppm, after.co_fast_ppm)
                || weaker(before.co_slow_ppm, after.co_slow_ppm)
                || slower;
            when(weaker && !case.plan.draft.policy.consent, || {
                "the carbon monoxide alarm would be weaker than in the bundle before; set `policy.consent = true`, so that it waits for a press at the door"
                    .to_owned()
            })
        },
    },
    Rule {
        id: "R24",
        severity: Severity::Error,
        asks: "at least one heater cycle, and no average that alone takes longer than the shortest window of UL 2034",
        source: "component data sheets (one reading in 150 s); UL 2034 (400 ppm: 15 min), as quoted by secondary sources",
        check: |case| {
            let cycles = case.plan.file.alarms.co?.average_cycles;
            when(cycles == 0 || f64::from(cycles) * CYCLE_MINUTES >= 15.0, || {
                format!("`alarms.co.average_cycles` is {cycles}; 1 to 5 cycles of 150 s fit into 15 min")
            })
        },
    },
    Rule {
        id: "R26",
        severity: Severity::Error,
        asks: "a carbon monoxide sensor on the board where its alarm is set",
        source: "ours",
        check: |case| {
            let set = case.plan.file.alarms.co.is_some();
            when(set && !case.plan.board.fitted.co_sensor, || {
                "`alarms.co` is set, but the board has no carbon monoxide sensor".to_owned()
            })
        },
    },
    Rule {
        id: "R27",
        severity: Severity::Warning,
        asks: "an alarm where a carbon monoxide sensor is fitted",
        source: "ours",
        check: |case| {
            let set = case.plan.file.alarms.co.is_some();
            when(!set && case.plan.board.fitted.co_sensor, || {
                "the board has a carbon monoxide sensor, but `alarms.co` is not set".to_owned()
            })
        },
    },
];
