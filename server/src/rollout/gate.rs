//! Whether a wave may pass: a pure function of what its nodes reported.

use super::Known;
use super::plan::WavePlan;
use super::state::{Forward, Stage, TargetRun, WaveRun};
use crate::contract::Seconds;
use std::fmt;

/// Where an opened wave should stand now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Judgement {
    /// Nodes have still to end.
    Open,
    /// All is well, and has to stay so until `from` plus the soak time.
    Soaking {
        /// When its last node ended.
        from: Seconds,
    },
    /// The next wave may open.
    Passed {
        /// When its last node ended.
        from: Seconds,
    },
    /// The rollout must not go on by itself.
    Failed(Failure),
}

/// Why a gate failed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Failure {
    /// More nodes went back or refused than are tolerated.
    Failed {
        /// Their names.
        names: Vec<String>,
        /// How many are tolerated.
        allowed: u32,
    },
    /// More nodes fell silent after they were reached than are tolerated.
    Silent {
        /// Their names.
        names: Vec<String>,
        /// How many are tolerated.
        allowed: u32,
        /// After how many seconds a node counts as silent.
        after: u32,
    },
    /// The failures are within what is tolerated, but no node kept it.
    NoneKept,
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Failed { names, allowed } => {
                write!(f, "{} went back or refused; {allowed} tolerated", names.join(", "))
            }
            Self::Silent { names, allowed, after } => write!(
                f,
                "{} not heard for more than {after} s after being reached; {allowed} tolerated",
                names.join(", ")
            ),
            Self::NoneKept => f.write_str("no node of the wave kept it"),
        }
    }
}

/// Judges a wave that has opened.
///
/// Silent nodes that the rollout never reached only keep the wave open; those that it reached
/// count against the gate, for their silence may be its doing. A wave passes only after every
/// node that kept, and is not silent, was heard again at the end of the soak.
pub(super) fn judge(plan: &WavePlan, run: &WaveRun, known: &Known, now: Seconds) -> Judgement {
    let opened_at = run.opened_at.unwrap_or(now);
    let gate = plan.gate;
    let present = || plan.targets.iter().zip(&run.targets).filter(|(_, t)| t.stage != Stage::Retired);
    let is_silent = |(p, t): &(&super::TargetPlan, &TargetRun)| {
        !t.has_failed() && !t.forgiven && known.is_silent(&p.node, opened_at, gate.silent_after_seconds, now)
    };
    let over = |names: &[String], allowed: u32| names.len() > allowed as usize;

    let failed: Vec<String> =
        present().filter(|(_, t)| t.has_failed() && !t.forgiven).map(|(p, _)| p.name.clone()).collect();
    if over(&failed, gate.max_failed) {
        return Judgement::Failed(Failure::Failed { names: failed, allowed: gate.max_failed });
    }
    let lost: Vec<String> = present()
        .filter(|pair| is_silent(pair) && pair.1.was_reached())
        .map(|(p, _)| p.name.clone())
        .collect();
    if over(&lost, gate.max_silent) {
        return Judgement::Failed(Failure::Silent {
            names: lost,
            allowed: gate.max_silent,
            after: gate.silent_after_seconds,
        });
    }

    let silent = present().filter(is_silent).count();
    let pending = present().any(|pair| !pair.1.is_ended() && !pair.1.forgiven && !is_silent(&pair));
    if pending || silent > gate.max_silent as usize {
        return Judgement::Open;
    }
    let none_kept = present().count() > 0 && !present().any(|(_, t)| t.forward == Some(Forward::Kept));
    if none_kept && !present().any(|(_, t)| t.forgiven) {
        return if silent == 0 { Judgement::Failed(Failure::NoneKept) } else { Judgement::Open };
    }
    let from =
        present().filter(|(_, t)| t.is_ended()).filter_map(|(_, t)| t.since).max().unwrap_or(opened_at);
    let until = from + Seconds::from(plan.soak_seconds);
    let heard = |node| known.last_seen.get(node).is_some_and(|seen| *seen >= until);
    let unheard = present().any(|pair| {
        pair.1.forward == Some(Forward::Kept) && !pair.1.forgiven && !is_silent(&pair) && !heard(&pair.0.node)
    });
    if now < until || unheard { Judgement::Soaking { from } } else { Judgement::Passed { from } }
}
