//! What happened in a rollout, and the sentence for it.

use super::gate::Failure;
use super::plan::TargetPlan;
use super::report::Verdict;
use crate::contract::Seconds;
use crate::journal::Line;
use crate::words::{listed, reason_words, utc};
use pintle_protocol::id::{Digest, NodeId};

/// A node of a rollout.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Who {
    /// The node.
    pub node: NodeId,
    /// What people call it.
    pub name: String,
    /// How many steps it walks.
    pub steps: usize,
}

impl Who {
    pub(super) fn of(target: &TargetPlan) -> Self {
        Self { node: target.node, name: target.name.clone(), steps: target.steps.len() }
    }
}

/// What happened. Waves and steps are counted from 0.
#[derive(Clone, Debug, PartialEq, Eq)]
#[expect(missing_docs, reason = "the sentences below say what each is")]
pub enum Event {
    Started { note: Option<String> },
    WaveOpened { wave: usize, names: Vec<String> },
    Offered { who: Who, at: usize, back: bool, envelope: Digest },
    StepKept { who: Who, at: usize, back: bool },
    Kept { who: Who },
    Failed { who: Who, at: usize, back: bool, verdict: Verdict },
    Returned { who: Who },
    NoWayBack { who: Who, at: usize },
    Retired { who: Who },
    ChangedByHand { who: Who },
    ApprovalWanted { wave: usize },
    Approved { wave: usize, note: Option<String> },
    WaveSoaking { wave: usize, until: Seconds },
    WavePassed { wave: usize, kept: usize, of: usize },
    WaveFailed { wave: usize, failure: Failure },
    Held { why: String },
    Resumed { note: Option<String>, forgiven: Vec<String> },
    TurnedBack { why: String },
    Done { proves: String },
    Ended { why: String, kept: u32 },
    ReturnEnded,
}

impl Event {
    /// The line for the journal.
    ///
    /// `rollout`: its number. `title`: what people call it. `ahead`: what the clock on the wall shows
    /// more than the server's own time.
    pub fn line(&self, rollout: i64, title: &str, ahead: Seconds) -> Line {
        let (event, sentence) = self.words(title, ahead);
        let line = Line::new(event, sentence).of_rollout(rollout);
        match self.who() {
            Some(who) => line.about(who.node),
            None => line,
        }
    }

    const fn who(&self) -> Option<&Who> {
        match self {
            Self::Offered { who, .. }
            | Self::StepKept { who, .. }
            | Self::Kept { who }
            | Self::Failed { who, .. }
            | Self::Returned { who }
            | Self::NoWayBack { who, .. }
            | Self::Retired { who }
            | Self::ChangedByHand { who } => Some(who),
            Self::Started { .. }
            | Self::WaveOpened { .. }
            | Self::ApprovalWanted { .. }
            | Self::Approved { .. }
            | Self::WaveSoaking { .. }
            | Self::WavePassed { .. }
            | Self::WaveFailed { .. }
            | Self::Held { .. }
            | Self::Resumed { .. }
            | Self::TurnedBack { .. }
            | Self::Done { .. }
            | Self::Ended { .. }
            | Self::ReturnEnded => None,
        }
    }

    fn words(&self, title: &str, ahead: Seconds) -> (&'static str, String) {
        let step = |who: &Who, at: usize, back: bool| {
            let way = if back { "the way back of step" } else { "step" };
            format!("{way} {} of {}", at + 1, who.steps)
        };
        match self {
            Self::Started { note } => ("rollout_started", format!("\"{title}\" was started{}", noted(note))),
            Self::WaveOpened { wave, names } => {
                ("wave_opened", format!("Wave {} of \"{title}\" opened: {}", wave + 1, listed(names)))
            }
            Self::Offered { who, at, back, envelope } => (
                "offered",
                format!("{} was offered {}, envelope {}", who.name, step(who, *at, *back), envelope.short()),
            ),
            Self::StepKept { who, at, back } => {
                ("step_kept", format!("{} kept {}", who.name, step(who, *at, *back)))
            }
            Self::Kept { who } => ("kept", format!("{} kept all of \"{title}\"", who.name)),
            Self::Failed { who, at, back, verdict } => {
                let (event, did) =
                    if verdict.refused { ("refused", "refused") } else { ("went_back", "went back from") };
                let why = reason_words(verdict.reason);
                (event, format!("{} {did} {}: {why}", who.name, step(who, *at, *back)))
            }
            Self::Returned { who } => {
                ("returned", format!("{} runs again what it ran before \"{title}\"", who.name))
            }
            Self::NoWayBack { who, at } => (
                "no_way_back",
                format!("{} stays as it is: no way back was planned for {}", who.name, step(who, *at, false)),
            ),
            Self::Retired { who } => {
                ("target_retired", format!("\"{title}\" goes on without {}, which was retired", who.name))
            }
            Self::ChangedByHand { who } => (
                "changed_by_hand",
                format!(
                    "{} kept \"{title}\" and runs something else since: it was changed by hand",
                    who.name
                ),
            ),
            Self::ApprovalWanted { wave } => {
                ("approval_wanted", format!("Wave {} of \"{title}\" waits for approval", wave + 1))
            }
            Self::Approved { wave, note } => {
                ("wave_approved", format!("Wave {} of \"{title}\" was approved{}", wave + 1, noted(note)))
            }
            Self::WaveSoaking { wave, until } => (
                "wave_soaking",
                format!(
                    "Wave {} of \"{title}\" soaks until {} or later",
                    wave + 1,
                    utc(until.saturating_add(ahead))
                ),
            ),
            Self::WavePassed { wave, kept, of } => {
                ("wave_passed", format!("Wave {} of \"{title}\" passed: {kept} of {of} kept it", wave + 1))
            }
            Self::WaveFailed { wave, failure } => {
                ("wave_failed", format!("Wave {} of \"{title}\" failed: {failure}", wave + 1))
            }
            Self::Held { why } => ("rollout_held", format!("\"{title}\" is held: {why}")),
            Self::Resumed { note, forgiven } => {
                let besides = if forgiven.is_empty() {
                    String::new()
                } else {
                    format!(" in spite of {}", listed(forgiven))
                };
                ("rollout_resumed", format!("\"{title}\" goes on{besides}{}", noted(note)))
            }
            Self::TurnedBack { why } => ("rollout_turned_back", format!("\"{title}\" turns back: {why}")),
            Self::Done { proves } => ("rollout_done", format!("\"{title}\" is done: {proves}")),
            Self::Ended { why, kept } => (
                "rollout_ended",
                format!(
                    "\"{title}\" is ended early; {kept} nodes keep it, the others stay as they are: {why}"
                ),
            ),
            Self::ReturnEnded => {
                ("return_ended", format!("\"{title}\" has turned back: no node has anything left to return"))
            }
        }
    }
}

fn noted(note: &Option<String>) -> String {
    note.as_ref().map_or_else(String::new, |note| format!(": {note}"))
}
