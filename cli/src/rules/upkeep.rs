//! When updates are applied, how long parts last, and the other alarms.

use super::{PRACTICE, Rule, Severity, when};

/// Ten years of 365.25 days, in seconds.
const TEN_YEARS: f64 = 3652.5 * 86_400.0;
/// What a check-in writes to flash: one record of 16 bytes, into a ring of two sectors of 4 KiB.
const RECORDS_IN_RING: f64 = 2.0 * 4096.0 / 16.0;

/// Erase cycles of each sector of the ring in ten years, if one record is written every
/// `seconds`.
pub(super) fn erases_in_ten_years(seconds: u32) -> f64 {
    TEN_YEARS / f64::from(seconds.max(1)) / RECORDS_IN_RING
}

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "R40",
        severity: Severity::Error,
        asks: "check-ins that use up at most half of the flash's endurance in ten years",
        source: "100 000 cycles for serial NOR flash (component descriptions); a record of 16 bytes for each check-in in a ring of two 4 KiB sectors",
        check: |case| {
            let seconds = case.plan.draft.checkin_seconds;
            let (cycles, erases) = (case.plan.board.net.flash_cycles, erases_in_ten_years(seconds));
            when(erases > f64::from(cycles) / 2.0, || {
                format!(
                    "a check-in every {seconds} s erases each flash sector {erases:.0} times in ten years; the board's flash bears {cycles}"
                )
            })
        },
    },
    Rule {
        id: "R41",
        severity: Severity::Error,
        asks: "a check-in every 10 s to once a day",
        source: "ours",
        check: |case| {
            let seconds = case.plan.draft.checkin_seconds;
            when(!(10..=86_400).contains(&seconds), || {
                format!("`checkin_seconds` is {seconds}; 10 to 86400 is asked for")
            })
        },
    },
    Rule {
        id: "R50",
        severity: Severity::Error,
        asks: "a door at rest for 10 s to 1 h before an update",
        source: PRACTICE,
        check: |case| {
            let seconds = case.plan.draft.policy.rest_seconds;
            when(!(10..=3600).contains(&seconds), || {
                format!("`policy.rest_seconds` is {seconds}; 10 to 3600 is asked for")
            })
        },
    },
    Rule {
        id: "R51",
        severity: Severity::Error,
        asks: "a trial of 30 s to 1 h: the relay is inhibited as long",
        source: PRACTICE,
        check: |case| {
            let seconds = case.plan.draft.policy.trial_seconds;
            when(!(30..=3600).contains(&seconds), || {
                format!("`policy.trial_seconds` is {seconds}; 30 to 3600 is asked for")
            })
        },
    },
    Rule {
        id: "R52",
        severity: Severity::Error,
        asks: "a supply range for updates within the board's",
        source: "ours",
        check: |case| {
            let (p, board) = (case.plan.draft.policy, case.plan.board.supply);
            let within = board.min_mv <= p.supply_min_mv && p.supply_max_mv <= board.max_mv;
            when(p.supply_min_mv >= p.supply_max_mv || !within, || {
                format!(
                    "updates are allowed from {} to {} mV; the board is safe from {} to {} mV",
                    p.supply_min_mv, p.supply_max_mv, board.min_mv, board.max_mv
                )
            })
        },
    },
    Rule {
        id: "R54",
        severity: Severity::Warning,
        asks: "a left-open alarm after 1 to 240 min",
        source: PRACTICE,
        check: |case| match case.plan.draft.alarms.left_open_minutes {
            None => Some("there is no left-open alarm".to_owned()),
            Some(minutes) => when(!(1..=240).contains(&minutes), || {
                format!("`alarms.left_open_minutes` is {minutes}; 1 to 240 is usual")
            }),
        },
    },
    Rule {
        id: "R55",
        severity: Severity::Warning,
        asks: "a light-left-on alarm after 10 to 240 min",
        source: PRACTICE,
        check: |case| {
            let minutes = case.plan.file.alarms.light?.minutes;
            when(!(10..=240).contains(&minutes), || {
                format!("`alarms.light.minutes` is {minutes}; 10 to 240 is usual")
            })
        },
    },
    Rule {
        id: "R56",
        severity: Severity::Error,
        asks: "a photocell on the board where its alarm is set",
        source: "ours",
        check: |case| {
            let set = case.plan.file.alarms.light.is_some();
            when(set && !case.plan.board.fitted.photocell, || {
                "`alarms.light` is set, but the board has no photocell".to_owned()
            })
        },
    },
];
