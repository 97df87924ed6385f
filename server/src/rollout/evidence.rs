//! What each node says for or against what it was brought, for the sentences about what is proved.

use super::Known;
use super::plan::{TargetPlan, WavePlan};
use super::state::{Forward, Stage, TargetRun, Way};
use crate::contract::Seconds;

/// What a node says about what it was brought.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Says {
    /// It kept it, was heard since and is well.
    For,
    /// It went back, refused, fell silent after it was reached, or is unwell since it kept. That a person
    /// went on in spite of it does not make it a success.
    Against,
    /// It was changed by hand since, taken out of service, or never reached before the rollout was over.
    Nothing,
    /// It is not known yet.
    Open,
}

/// How many nodes say what.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Tally {
    pub(super) well: u32,
    pub(super) ill: u32,
    pub(super) open: u32,
}

impl Tally {
    pub(super) const fn add(&mut self, says: Says) {
        match says {
            Says::For => self.well += 1,
            Says::Against => self.ill += 1,
            Says::Open => self.open += 1,
            Says::Nothing => {}
        }
    }
}

/// From when, and until when, silence counts.
pub(super) struct Moments {
    /// When the node's wave opened.
    pub(super) opened_at: Option<Seconds>,
    /// When the rollout ended: what nodes did after that says nothing about it.
    pub(super) ended_at: Option<Seconds>,
    /// Now, by the server's own time.
    pub(super) now: Seconds,
}

/// What one node says.
pub(super) fn says(
    wave: &WavePlan,
    target: &TargetPlan,
    run: &TargetRun,
    known: &Known,
    at: &Moments,
) -> Says {
    if run.has_failed() {
        return Says::Against;
    }
    if run.stage == Stage::Retired || run.watch.by_hand {
        return Says::Nothing;
    }
    if run.watch.unwell(&wave.gate).is_some() || is_lost(wave, target, run, known, at) {
        return Says::Against;
    }
    let on_its_way = matches!(run.stage, Stage::Offered | Stage::Fetching | Stage::Door | Stage::Trial);
    match run.forward {
        Some(Forward::Kept) => Says::For,
        _ if at.ended_at.is_none() || on_its_way => Says::Open,
        _ => Says::Nothing,
    }
}

/// Whether it was reached, and has been silent since or was when the rollout ended.
fn is_lost(wave: &WavePlan, target: &TargetPlan, run: &TargetRun, known: &Known, at: &Moments) -> bool {
    let Some(opened_at) = at.opened_at.filter(|_| run.was_reached() && run.way == Way::Forward) else {
        return false;
    };
    let after = wave.gate.silent_after_seconds;
    match at.ended_at {
        None => known.is_silent(&target.node, opened_at, after, at.now),
        Some(ended) => {
            let heard = known.last_seen.get(&target.node).copied().unwrap_or(opened_at);
            ended - heard.max(opened_at) > Seconds::from(after)
        }
    }
}
