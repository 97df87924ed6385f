//! Closing with nobody at the door.
//!
//! Sources: 16 CFR part 1211 as in the Electronic Code of Federal Regulations; check the
//! current text before relying on a paragraph letter.

use super::{Case, PRACTICE, Rule, Severity, when};
use crate::yard::tables::DOOR_KINDS;
use crate::yard::units::Tenths;
use pintle_protocol::bundle::{DoorKind, UnattendedClose};

/// Checks only doors that close with nobody there.
fn closing<'a>(case: &'a Case<'_>) -> Option<&'a UnattendedClose> {
    Some(&case.plan.draft.close).filter(|c| c.enabled)
}

fn word(kind: DoorKind) -> &'static str {
    DOOR_KINDS.iter().find(|(_, k)| *k == kind).map_or("unknown", |(word, _)| word)
}

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "R1",
        severity: Severity::Error,
        asks: "an unattended close is off unless it is turned on with an acknowledgement beside it",
        source: "16 CFR 1211.14(b): at least one intentional action enables it",
        check: |case| {
            closing(case)?;
            when(!case.plan.file.close.acknowledged, || {
                "`close.enabled` stands without `close.acknowledged = true`: the door would move with nobody there"
                    .to_owned()
            })
        },
    },
    Rule {
        id: "R2",
        severity: Severity::Error,
        asks: "no unattended close on a one-piece or swinging door, nor on one of unknown kind",
        source: "16 CFR 1211.14(a)(2)",
        check: |case| {
            closing(case)?;
            let kind = case.plan.draft.door.kind;
            let excluded = matches!(kind, DoorKind::OnePiece | DoorKind::Swinging | DoorKind::Unknown);
            when(excluded, || {
                format!("the door is of kind {}, and it would close with nobody there", word(kind))
            })
        },
    },
    Rule {
        id: "R3",
        severity: Severity::Error,
        asks: "a warning of at least 5 s before every close with nobody at the door",
        source: "16 CFR 1211.14(c)(2)",
        check: |case| {
            let c = closing(case)?;
            when(c.warn_tenths < 50, || {
                format!("`close.warn_seconds` is {}; at least 5.0 is asked for", Tenths(c.warn_tenths))
            })
        },
    },
    Rule {
        id: "R4",
        severity: Severity::Error,
        asks: "the warning sounds and flashes, and the board has a sounder and a lamp",
        source: "16 CFR 1211.14(c)(1)",
        check: |case| {
            let c = closing(case)?;
            let fitted = case.plan.board.fitted;
            let missing: Vec<&str> = [
                (!c.sound, "`close.sound` is off"),
                (!c.light, "`close.light` is off"),
                (!fitted.sounder, "the board has no sounder"),
                (!fitted.lamp, "the board has no lamp"),
            ]
            .into_iter()
            .filter_map(|(broken, text)| broken.then_some(text))
            .collect();
            when(!missing.is_empty(), || missing.join(", "))
        },
    },
    Rule {
        id: "R5",
        severity: Severity::Error,
        asks: "a tone of 700 to 3400 Hz, continuous or with 4 to 5 pulsations per second; at least 1 flash per second",
        source: "16 CFR 1211.14(c)(3) and (4)",
        check: |case| {
            let c = closing(case)?;
            if !(700..=3400).contains(&c.tone_hz) {
                return Some(format!("`close.tone_hz` is {}; 700 to 3400 is asked for", c.tone_hz));
            }
            // From the file, where no digit has been cut off.
            let file = &case.plan.file.close;
            let pulses = file.pulses_per_second;
            if pulses.0 != 0 && !(40..=50).contains(&pulses.0) {
                return Some(format!(
                    "`close.pulses_per_second` is {pulses}; 4.0 to 5.0, or 0 for a continuous tone, is asked for"
                ));
            }
            // The upper end is not the law's: a lamp that flashes too fast looks steady.
            let flashes = file.flashes_per_second;
            when(!(10..=100).contains(&flashes.0), || {
                format!("`close.flashes_per_second` is {flashes}; 1.0 to 10.0 is asked for")
            })
        },
    },
    Rule {
        id: "R6",
        severity: Severity::Error,
        asks: "unattended closing stops after one or two failed tries, until a person comes",
        source: "16 CFR 1211.14(d); wording from memory",
        check: |case| {
            let c = closing(case)?;
            when(!(1..=2).contains(&c.max_failed), || {
                format!("`close.max_failed` is {}; 1 or 2 is asked for", c.max_failed)
            })
        },
    },
    Rule {
        id: "R13",
        severity: Severity::Error,
        asks: "the owner states that the operator has its own working photo sensor",
        source: "16 CFR 1211.6(b)(1) and 1211.8: a contact across the push button cannot stop a closing door",
        check: |case| {
            let c = closing(case)?;
            when(!c.photo_sensor, || {
                "`close.photo_sensor` is not stated: test the photo sensor of the operator, then state it"
                    .to_owned()
            })
        },
    },
    Rule {
        id: "R15",
        severity: Severity::Error,
        asks: "an unattended close is blocked while carbon monoxide is present",
        source: PRACTICE,
        check: |case| {
            let c = closing(case)?;
            when(!c.blocked_by_co, || {
                "`close.blocked_by_co` is off: closing on a running engine can kill".to_owned()
            })
        },
    },
    Rule {
        id: "R16",
        severity: Severity::Warning,
        asks: "a carbon monoxide sensor where a door closes with nobody there",
        source: PRACTICE,
        check: |case| {
            closing(case)?;
            when(case.plan.draft.alarms.co_fast_ppm.is_none(), || {
                "the door closes with nobody there and no carbon monoxide sensor would block it: an engine may be running inside"
                    .to_owned()
            })
        },
    },
    Rule {
        id: "R17",
        severity: Severity::Error,
        asks: "at least one minute open before an unattended close, and at most a day",
        source: PRACTICE,
        check: |case| {
            let c = closing(case)?;
            when(!(1..=1440).contains(&c.after_minutes), || {
                format!("`close.after_minutes` is {}; 1 to 1440 is asked for", c.after_minutes)
            })
        },
    },
];
