//! Whether a wave may pass: a pure function of what its nodes reported.

use super::Known;
use super::plan::{TargetPlan, WavePlan};
use super::state::{Forward, Stage, TargetRun, WaveRun};
use super::watch::Unwell;
use crate::contract::{Seconds, WaveState};
use crate::words::{listed, span};
use std::fmt;

/// Where an opened wave should stand now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Judgement {
    /// Nodes have still to end.
    Open,
    /// All is well, and has to stay so until `from` plus the soak time, and until enough was seen.
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
    /// More nodes have waited too long for their door than are tolerated.
    Waiting {
        /// Their names.
        names: Vec<String>,
        /// How many are tolerated.
        allowed: u32,
        /// After how many seconds a wait is too long.
        after: u32,
    },
    /// More nodes that kept are unwell since than are tolerated.
    Unwell {
        /// Their names, and what is wrong with each.
        names: Vec<String>,
        /// How many are tolerated.
        allowed: u32,
    },
    /// The failures are within what is tolerated, but no node kept it.
    NoneKept,
    /// All nodes but those that failed were changed by hand since they kept it, or retired: none shows how
    /// it does. That is no fault of what they were brought.
    NoneLeft,
}

impl Failure {
    /// Whether it is a reason to turn back by itself; it holds the rollout in any case.
    pub(super) const fn is_of_what_was_brought(&self) -> bool {
        !matches!(self, Self::NoneLeft)
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Failed { names, allowed } => {
                write!(f, "{} went back or refused; {allowed} tolerated", listed(names))
            }
            Self::Silent { names, allowed, after } => write!(
                f,
                "{} not heard for more than {after} s after being reached; {allowed} tolerated",
                listed(names)
            ),
            Self::Waiting { names, allowed, after } => write!(
                f,
                "{} waiting for the door for more than {}; {allowed} tolerated",
                listed(names),
                span(Seconds::from(*after))
            ),
            Self::Unwell { names, allowed } => {
                write!(f, "{} unwell since it kept; {allowed} tolerated", listed(names))
            }
            Self::NoneKept => f.write_str("no node of the wave kept it"),
            Self::NoneLeft => f.write_str(
                "no node of the wave is left to show how it does: they were changed by hand or retired",
            ),
        }
    }
}

impl fmt::Display for Unwell {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Restarts(n) => write!(f, "started {n} times"),
            Self::Mute => f.write_str("its io chip has fallen silent"),
            Self::Signal => f.write_str("weak signal"),
        }
    }
}

/// What counts in a wave, from one look at each of its nodes.
#[derive(Default)]
struct Count<'a> {
    /// Nodes that kept it and run it.
    proving: usize,
    /// Nodes that said nothing against it, and show nothing any more.
    mute: usize,
    /// A person has not yet gone on in spite of every node.
    unforgiven: bool,
    silent: usize,
    pending: bool,
    /// When the last node ended.
    ended: Option<Seconds>,
    /// The least recently heard of the nodes that must be heard at the end of the soak.
    heard: Option<Seconds>,
    never_heard: bool,
    evidence_missing: bool,
    failed: Vec<&'a TargetPlan>,
    lost: Vec<&'a TargetPlan>,
    waiting: Vec<&'a TargetPlan>,
    unwell: Vec<(&'a TargetPlan, Unwell)>,
}

impl<'a> Count<'a> {
    fn of(plan: &'a WavePlan, run: &WaveRun, opened_at: Seconds, known: &Known, now: Seconds) -> Self {
        let mut count = Self::default();
        for (target, at) in plan.targets.iter().zip(&run.targets) {
            count.unforgiven |= !at.forgiven;
            if at.stage != Stage::Retired {
                count.add(plan, target, at, opened_at, known, now);
            } else if !at.has_failed() {
                count.mute += 1;
            } else if !at.forgiven {
                // Retiring a node does not undo its failure.
                count.failed.push(target);
            }
        }
        count
    }

    fn add(
        &mut self,
        plan: &WavePlan,
        target: &'a TargetPlan,
        at: &TargetRun,
        opened_at: Seconds,
        known: &Known,
        now: Seconds,
    ) {
        let gate = &plan.gate;
        let seen = known.last_seen.get(&target.node).copied();
        let counts = !at.forgiven;
        let silent = counts
            && !at.has_failed()
            && known.is_silent_since(seen, opened_at, gate.silent_after_seconds, now);
        self.silent += usize::from(silent);
        if at.has_failed() && counts {
            self.failed.push(target);
        }
        if silent && at.was_reached() {
            self.lost.push(target);
        }
        if at.waits_since().is_some_and(|from| now - from > Seconds::from(gate.waiting_after_seconds)) {
            self.waiting.push(target);
        }
        if at.is_ended() {
            self.ended = self.ended.max(at.since);
        } else {
            self.pending |= counts && !silent;
        }
        if at.forward == Some(Forward::Kept) {
            self.proving += usize::from(!at.is_by_hand());
            self.mute += usize::from(at.is_by_hand());
            if at.stands() && counts {
                self.unwell.extend(at.watch.unwell(gate).map(|why| (target, why)));
            }
            if counts && !silent {
                self.never_heard |= seen.is_none();
                self.heard = match (self.heard, seen) {
                    (Some(least), Some(seen)) => Some(least.min(seen)),
                    (least, seen) => least.or(seen),
                };
                self.evidence_missing |= !at.watch.is_enough(&plan.evidence);
            }
        }
    }
}

/// Judges a wave that has opened.
///
/// Silent nodes that the rollout never reached only keep the wave open; those that it reached
/// count against the gate, for their silence may be its doing. A wave of which no node is left that
/// kept it and runs it passes only once a person went on in spite of that; every other only after every
/// node that kept, and is not silent, was heard again at the end of the soak, and enough was seen
/// of it. Looks at each node once.
pub(super) fn judge(plan: &WavePlan, run: &WaveRun, known: &Known, now: Seconds) -> Judgement {
    let opened_at = run.opened_at.unwrap_or(now);
    let gate = plan.gate;
    let count = Count::of(plan, run, opened_at, known, now);
    if let Some(failure) = failure(&count, plan) {
        return Judgement::Failed(failure);
    }
    if count.pending || count.silent > gate.max_silent as usize {
        return Judgement::Open;
    }
    // What a wave has shown when it passed stays shown.
    if count.proving == 0 && count.unforgiven && run.state != WaveState::Passed {
        return match (count.silent, count.mute) {
            (0, 0) => Judgement::Failed(Failure::NoneKept),
            (0, _) => Judgement::Failed(Failure::NoneLeft),
            _ => Judgement::Open,
        };
    }
    let from = count.ended.unwrap_or(opened_at);
    let until = from + Seconds::from(plan.soak_seconds);
    let unheard = count.never_heard || count.heard.is_some_and(|least| least < until);
    if now < until || unheard || count.evidence_missing {
        Judgement::Soaking { from }
    } else {
        Judgement::Passed { from }
    }
}

fn failure(count: &Count<'_>, plan: &WavePlan) -> Option<Failure> {
    let gate = plan.gate;
    let over = |found: usize, allowed: u32| found > allowed as usize;
    let names = |found: &[&TargetPlan]| found.iter().map(|t| t.name.clone()).collect::<Vec<_>>();
    if over(count.failed.len(), gate.max_failed) {
        return Some(Failure::Failed { names: names(&count.failed), allowed: gate.max_failed });
    }
    if over(count.lost.len(), gate.max_silent) {
        let (allowed, after) = (gate.max_silent, gate.silent_after_seconds);
        return Some(Failure::Silent { names: names(&count.lost), allowed, after });
    }
    if over(count.unwell.len(), gate.max_unwell) {
        let names = count.unwell.iter().map(|(t, why)| format!("{} ({why})", t.name)).collect();
        return Some(Failure::Unwell { names, allowed: gate.max_unwell });
    }
    if let Some(allowed) = gate.max_waiting.filter(|most| over(count.waiting.len(), *most)) {
        let after = gate.waiting_after_seconds;
        return Some(Failure::Waiting { names: names(&count.waiting), allowed, after });
    }
    None
}
