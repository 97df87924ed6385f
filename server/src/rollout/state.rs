//! How far a rollout has come. Everything here is stored.

use super::plan::{Plan, TargetPlan};
use super::report::Verdict;
use super::watch::Watch;
use crate::contract::{RolloutState, Seconds, WaveState};

/// How far a rollout has come.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct State {
    /// Where it stands.
    pub state: RolloutState,
    /// Why it is held, was turned back or was ended early, as a sentence.
    pub because: Option<String>,
    /// When it was started.
    pub started_at: Option<Seconds>,
    /// When it ended.
    pub ended_at: Option<Seconds>,
    /// Waves, as in the plan.
    pub waves: Vec<WaveRun>,
}

/// How far a wave has come.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WaveRun {
    /// Where it stands.
    pub state: WaveState,
    /// Since when it has waited for approval, or did.
    pub asked_at: Option<Seconds>,
    /// When a person approved it.
    pub approved_at: Option<Seconds>,
    /// When it opened.
    pub opened_at: Option<Seconds>,
    /// While soaking or passed: since when everything has been well.
    pub soak_from: Option<Seconds>,
    /// Nodes, as in the plan.
    pub targets: Vec<TargetRun>,
}

/// How far a node has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TargetRun {
    /// Where it stands with the current step.
    pub stage: Stage,
    /// Which way it walks.
    pub way: Way,
    /// The current step, from 0; on the way back: the step being undone.
    pub step: usize,
    /// Since when the stage is what it is; absent before anything happened.
    pub since: Option<Seconds>,
    /// How the way forward ended, once it has; it stands while the node is returned.
    pub forward: Option<Forward>,
    /// How the return ended, once it has.
    pub back: Option<Return>,
    /// A person went on in spite of this node's failure or silence.
    pub forgiven: bool,
    /// A person went on in spite of its wait for the door: that counts from here.
    pub excused_at: Option<Seconds>,
    /// What was seen since it kept all of it.
    pub watch: Watch,
}

/// Which way a node walks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// Its steps in order.
    Forward,
    /// The ways back of the steps it kept, last first.
    Back,
}

/// Where a node stands with its current step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// Not offered.
    Waiting,
    /// Offered; the node has not said that it took it up.
    Offered,
    /// The node fetches it.
    Fetching,
    /// The node waits for the door.
    Door,
    /// On trial.
    Trial,
    /// This way has ended.
    Ended,
    /// The node was taken out of service.
    Retired,
}

/// How the way forward ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Forward {
    /// Every step was kept.
    Kept,
    /// The current step was not; the steps before it were.
    Failed(Verdict),
}

/// How the return ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Return {
    /// The node runs what it ran before.
    Done,
    /// A way back did not work out.
    Failed(Verdict),
    /// A step that the node kept has no way back; those before it were left alone too, so that
    /// the two chips go on understanding each other.
    NoWayBack,
}

impl State {
    /// Where the rollout and its waves stand, without their nodes.
    pub fn without_targets(&self) -> Self {
        let wave = |wave: &WaveRun| WaveRun { targets: Vec::new(), ..*wave };
        let waves = self.waves.iter().map(wave).collect();
        Self { because: self.because.clone(), waves, ..*self }
    }

    /// The state of a rollout that was just planned.
    pub fn new(plan: &Plan) -> Self {
        let wave = |targets: &[TargetPlan]| WaveRun {
            state: WaveState::NotOpen,
            asked_at: None,
            approved_at: None,
            opened_at: None,
            soak_from: None,
            targets: vec![TargetRun::NEW; targets.len()],
        };
        Self {
            state: RolloutState::Ready,
            because: None,
            started_at: None,
            ended_at: None,
            waves: plan.waves.iter().map(|w| wave(&w.targets)).collect(),
        }
    }

    /// Every node, wave by wave.
    pub fn targets(&self) -> impl Iterator<Item = &TargetRun> {
        self.waves.iter().flat_map(|wave| &wave.targets)
    }
}

impl TargetRun {
    /// A node to which nothing has happened yet.
    pub const NEW: Self = Self {
        stage: Stage::Waiting,
        way: Way::Forward,
        step: 0,
        since: None,
        forward: None,
        back: None,
        forgiven: false,
        excused_at: None,
        watch: Watch::NEW,
    };

    /// Whether nothing more will happen, the way it walks now.
    pub const fn is_ended(&self) -> bool {
        matches!(self.stage, Stage::Ended | Stage::Retired)
    }

    /// Whether its way forward ended in a failure, by which a gate counts it.
    pub const fn has_failed(&self) -> bool {
        matches!(self.forward, Some(Forward::Failed(_)))
    }

    /// Whether it kept all of it and is being watched since.
    pub const fn stands(&self) -> bool {
        matches!((self.stage, self.way, self.forward), (Stage::Ended, Way::Forward, Some(Forward::Kept)))
    }

    /// Whether it kept all of it, and was changed by hand since: it shows nothing any more.
    pub const fn is_by_hand(&self) -> bool {
        self.stands() && self.watch.by_hand
    }

    /// Since when it has waited for its door, if it does.
    pub fn waits_since(&self) -> Option<Seconds> {
        let since = self.since.filter(|_| self.stage == Stage::Door)?;
        Some(self.excused_at.map_or(since, |excused| excused.max(since)))
    }

    /// Whether this rollout has changed the node or is about to: silence from now on may be its doing.
    pub const fn was_reached(&self) -> bool {
        !matches!(self.stage, Stage::Waiting | Stage::Retired) || self.step > 0
    }

    /// How many steps forward the node has kept, of `steps`.
    pub const fn kept_steps(&self, steps: usize) -> usize {
        match self.forward {
            Some(Forward::Kept) => steps,
            Some(Forward::Failed(_)) | None => self.step,
        }
    }

    /// Sets the stage; `since` follows only if it is another one.
    pub(super) fn enter(&mut self, stage: Stage, now: Seconds) {
        if self.stage != stage {
            self.stage = stage;
            self.since = Some(now);
        }
    }
}
