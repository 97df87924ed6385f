//! Rollouts: what goes to which nodes, in which waves, and how far it has come.

use super::{MOST_NOTE, Seconds, Windows, WindowsView, text};
use pintle_protocol::id::{Digest, NodeId};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Waves of a rollout, at most.
pub const MOST_WAVES: usize = 32;
/// Nodes of a wave, at most.
pub const MOST_IN_WAVE: usize = 4096;
/// Nodes of a rollout, at most.
pub const MOST_NODES: usize = 4096;
/// Most rollouts in one answer, and as many as there are in one that does not ask for fewer.
pub const MOST_ROLLOUTS: u32 = 100;
/// Most nodes that the rollouts of one answer have together; one rollout is in it whatever it has.
pub const MOST_NODES_LISTED: usize = 8192;
/// Steps of a node, at most.
pub const MOST_STEPS: usize = 8;
/// Check-ins or door cycles that are asked for, at most: far more than anybody waits for.
pub const MOST_SEEN: u32 = 1000;
/// A year: longer than anybody soaks, and far from any overflow.
pub const MOST_SECONDS: u32 = 365 * 86_400;
/// The shortest time after which waiting for a door can count: a minute.
pub const LEAST_WAITING: u32 = 60;
/// Characters of a title, at most.
pub const MOST_TITLE: usize = 80;

/// Plans a rollout: `POST /api/v1/rollouts`. It is `ready` and offers nothing until started.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NewRollout {
    /// What people call it; 1 to 80 characters.
    #[schemars(length(min = 1, max = MOST_TITLE))]
    pub title: String,
    /// What it changes.
    pub kind: Kind,
    /// Waves in order, 1 to 32.
    #[schemars(length(min = 1, max = MOST_WAVES))]
    pub waves: Vec<NewWave>,
    /// What happens when a gate fails.
    pub on_failure: OnFailure,
    /// When something new may be offered; at any time if left out.
    #[serde(default)]
    pub windows: Option<Windows>,
}

/// Nodes that are updated at the same time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NewWave {
    /// Its nodes, 1 to 4096; a node occurs once in the whole rollout.
    #[schemars(length(min = 1, max = MOST_IN_WAVE))]
    pub targets: Vec<NewTarget>,
    /// How long everything must stay well after its last node kept, before the wave passes.
    #[schemars(range(max = MOST_SECONDS))]
    pub soak_seconds: u32,
    /// What must have been seen of every node that kept, besides time passing.
    #[serde(default)]
    pub evidence: Evidence,
    /// Whether it opens only after a person approved it.
    #[serde(default)]
    pub approval: bool,
    /// What is tolerated.
    pub gate: Gate,
}

/// What must have been seen of every node that kept before its wave passes. Nodes that are
/// silent, failed or were changed by hand meanwhile do not count.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Evidence {
    /// Check-ins after the one by which it was kept; 0 to 1000.
    #[serde(default)]
    #[schemars(range(max = MOST_SEEN))]
    pub min_check_ins: u32,
    /// Times that its door was seen closed, then not closed, then closed again; 0 to 1000. Only
    /// check-ins show where a door is, so that a door which opens and closes between two of them
    /// counts for nothing.
    #[serde(default)]
    #[schemars(range(max = MOST_SEEN))]
    pub min_door_cycles: u32,
}

/// A node, and what it takes up, step by step.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NewTarget {
    /// The node.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<16>")]
    pub node: NodeId,
    /// Steps in order, 1 to 8; each is offered only after the one before it is kept.
    #[schemars(length(min = 1, max = MOST_STEPS))]
    pub steps: Vec<NewStep>,
}

/// One envelope, and the one that returns the node to what it ran before.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NewStep {
    /// Manifest digest of an uploaded envelope.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<32>")]
    pub envelope: Digest,
    /// Manifest digest of the uploaded way back. Only a rollout that holds on failure may leave
    /// it out, where there is nothing to go back to (a node's first bundle, a rotation of keys).
    #[serde(default, with = "text::maybe")]
    #[schemars(with = "Option<text::Hex<32>>")]
    pub way_back: Option<Digest>,
}

/// What a wave tolerates before it fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Gate {
    /// Nodes that may go back or refuse; 0 is wise with few nodes.
    pub max_failed: u32,
    /// Nodes that may be silent when the wave passes.
    pub max_silent: u32,
    /// A node that has not checked in for this long counts as silent; at least twice
    /// the interval of check-ins, 600 as usual.
    #[schemars(range(max = MOST_SECONDS))]
    pub silent_after_seconds: u32,
    /// Nodes that may be waiting for their door for longer than `waiting_after_seconds`; any
    /// number if left out. New firmware that no longer knows where the door is shows this way.
    #[serde(default)]
    pub max_waiting: Option<u32>,
    /// See `max_waiting`; a day as usual.
    #[serde(default = "a_day")]
    #[schemars(range(min = LEAST_WAITING, max = MOST_SECONDS))]
    pub waiting_after_seconds: u32,
    /// Nodes that kept and may be unwell since, by the two limits below, or because their io chip has fallen silent.
    #[serde(default)]
    pub max_unwell: u32,
    /// A node that has started more often than this since it kept is unwell; never if left out.
    #[serde(default)]
    pub max_restarts: Option<u32>,
    /// A node whose signal was below this many dBm in three check-ins in a row is unwell; never
    /// if left out.
    #[serde(default)]
    #[schemars(range(max = -1))]
    pub min_signal_dbm: Option<i8>,
}

const fn a_day() -> u32 {
    86_400
}

impl Gate {
    /// Tolerates no failure and no silence of an hour, and looks at nothing else.
    pub const STRICT: Self = Self {
        max_failed: 0,
        max_silent: 0,
        silent_after_seconds: 3600,
        max_waiting: None,
        waiting_after_seconds: a_day(),
        max_unwell: 0,
        max_restarts: None,
        min_signal_dbm: None,
    };
}

/// What a rollout changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Firmware of one or both chips.
    Image,
    /// Configuration.
    Bundle,
    /// Configuration that brings a candidate for another Wi-Fi.
    Wifi,
    /// Trust anchors.
    Keys,
}

impl Kind {
    /// The word, as in the JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Image => "image",
            Self::Bundle => "bundle",
            Self::Wifi => "wifi",
            Self::Keys => "keys",
        }
    }
}

/// What happens when a gate fails. Either way nothing more is offered forward.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum OnFailure {
    /// The rollout is held, until a person decides.
    Hold,
    /// Nodes that kept get their ways back.
    TurnBack,
}

/// Starts, holds, resumes, turns back or ends a rollout: `POST /api/v1/rollouts/{id}/start`,
/// `/hold`, `/resume`, `/turn-back`, `/end`. An empty body is fine too.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Note {
    /// Why, for the journal; up to 200 characters.
    #[serde(default)]
    #[schemars(length(min = 1, max = MOST_NOTE))]
    pub note: Option<String>,
}

/// Approves the wave that waits for it: `POST /api/v1/rollouts/{id}/approve`. An empty body is
/// fine too.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Approve {
    /// Why, for the journal; up to 200 characters.
    #[serde(default)]
    #[schemars(length(min = 1, max = MOST_NOTE))]
    pub note: Option<String>,
    /// The wave that is meant, counted from 1; refused if another one waits.
    #[serde(default)]
    pub wave: Option<u32>,
}

/// Where a rollout stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub enum RolloutState {
    /// Planned, not started.
    #[serde(rename = "ready")]
    Ready,
    /// Waves are being offered.
    #[serde(rename = "under way")]
    UnderWay,
    /// Nothing is offered until a person decides.
    #[serde(rename = "held")]
    Held,
    /// Every wave has passed, or a person ended it early.
    #[serde(rename = "done")]
    Done,
    /// Nodes that kept get, or got, their ways back.
    #[serde(rename = "turned back")]
    TurnedBack,
}

impl RolloutState {
    /// All of them.
    pub const ALL: [Self; 5] = [Self::Ready, Self::UnderWay, Self::Held, Self::Done, Self::TurnedBack];

    /// The phrase, as in the JSON.
    pub const fn phrase(self) -> &'static str {
        match self {
            Self::Ready => "ready",
            Self::UnderWay => "under way",
            Self::Held => "held",
            Self::Done => "done",
            Self::TurnedBack => "turned back",
        }
    }
}

impl fmt::Display for RolloutState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.phrase())
    }
}

/// Where a wave stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub enum WaveState {
    /// An earlier wave has not passed.
    #[serde(rename = "not open")]
    NotOpen,
    /// Earlier waves have passed; a person has to approve this one.
    #[serde(rename = "waiting for approval")]
    ForApproval,
    /// Its nodes are offered their steps.
    #[serde(rename = "open")]
    Open,
    /// Its nodes have ended; everything must stay well until `soak_until`.
    #[serde(rename = "soaking")]
    Soaking,
    /// Its gate let the next one open.
    #[serde(rename = "passed")]
    Passed,
    /// Its gate held the rollout.
    #[serde(rename = "failed")]
    Failed,
}

impl WaveState {
    /// The phrase, as in the JSON.
    pub const fn phrase(self) -> &'static str {
        match self {
            Self::NotOpen => "not open",
            Self::ForApproval => "waiting for approval",
            Self::Open => "open",
            Self::Soaking => "soaking",
            Self::Passed => "passed",
            Self::Failed => "failed",
        }
    }
}

impl fmt::Display for WaveState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.phrase())
    }
}

/// How far a rollout has come: `GET /api/v1/rollouts`, `GET /api/v1/rollouts/{id}`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct RolloutView {
    /// Number, counted from 1.
    pub id: i64,
    /// What people call it.
    pub title: String,
    /// What it changes.
    pub kind: Kind,
    /// Where it stands.
    pub state: RolloutState,
    /// Why it is held, was turned back or was ended early, as a sentence.
    pub held_because: Option<String>,
    /// Whether a person ended it before every wave had passed.
    pub ended_early: bool,
    /// When something new may be offered; absent if at any time.
    pub windows: Option<WindowsView>,
    /// What happens when a gate fails.
    pub on_failure: OnFailure,
    /// When it was planned.
    pub created_at: Seconds,
    /// When it was started.
    pub started_at: Option<Seconds>,
    /// When its last node ended; a rollout that turns back ends when the last way back did.
    pub ended_at: Option<Seconds>,
    /// Its waves, in order.
    pub waves: Vec<WaveView>,
    /// What its results prove, as a sentence, with the one-sided 95 % bound of
    /// Clopper & Pearson (Biometrika 26, 404-413, 1934).
    pub proves: String,
}

/// How far a wave has come.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct WaveView {
    /// Number, counted from 1.
    pub number: u32,
    /// Where it stands.
    pub state: WaveState,
    /// When it opened.
    pub opened_at: Option<Seconds>,
    /// While soaking: when it can pass.
    pub soak_until: Option<Seconds>,
    /// Its soak time.
    pub soak_seconds: u32,
    /// What must have been seen besides.
    pub evidence: Evidence,
    /// Whether it opens only after a person approved it.
    pub approval: bool,
    /// When a person did.
    pub approved_at: Option<Seconds>,
    /// What it tolerates.
    pub gate: Gate,
    /// What it proves once it passes, or proved, as a sentence, with the one-sided 95 % bound of
    /// Clopper & Pearson (Biometrika 26, 404-413, 1934); waves before it count too.
    pub proves: String,
    /// What it waits for before it passes, each a sentence.
    pub waits_for: Vec<String>,
    /// Its nodes.
    pub targets: Vec<TargetView>,
}

/// Where a node of a rollout stands, in one phrase.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub enum Progress {
    /// Its wave has not opened, or another rollout has the node.
    #[serde(rename = "waiting for its turn")]
    WaitingForItsTurn,
    /// The step was offered, or the node fetches it.
    #[serde(rename = "fetching")]
    Fetching,
    /// The node has it ready and waits until the door is at rest and out of use.
    #[serde(rename = "waiting for the door")]
    WaitingForTheDoor,
    /// It has to prove itself.
    #[serde(rename = "on trial")]
    OnTrial,
    /// All steps are kept.
    #[serde(rename = "kept")]
    Kept,
    /// A step did not prove itself, or the way back was taken.
    #[serde(rename = "went back")]
    WentBack,
    /// A step was not applied.
    #[serde(rename = "refused")]
    Refused,
    /// The node has not checked in for longer than the gate allows.
    #[serde(rename = "silent")]
    Silent,
    /// The node was taken out of service; the rollout goes on without it.
    #[serde(rename = "retired")]
    Retired,
    /// The rollout was over before the node had kept all of it.
    #[serde(rename = "left behind")]
    LeftBehind,
}

impl Progress {
    /// The phrase, as in the JSON.
    pub const fn phrase(self) -> &'static str {
        match self {
            Self::WaitingForItsTurn => "waiting for its turn",
            Self::Fetching => "fetching",
            Self::WaitingForTheDoor => "waiting for the door",
            Self::OnTrial => "on trial",
            Self::Kept => "kept",
            Self::WentBack => "went back",
            Self::Refused => "refused",
            Self::Silent => "silent",
            Self::Retired => "retired",
            Self::LeftBehind => "left behind",
        }
    }
}

impl fmt::Display for Progress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.phrase())
    }
}

/// Where a node of a rollout stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct TargetView {
    /// The node.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<16>")]
    pub node: NodeId,
    /// What people call it.
    pub name: String,
    /// Where it stands.
    pub progress: Progress,
    /// Since when.
    pub since: Option<Seconds>,
    /// The step it is at, counted from 1.
    pub step: u32,
    /// Steps in all.
    pub steps: u32,
    /// Whether it is being returned, or was returned, by its ways back.
    pub turning_back: bool,
    /// Why it went back, refused or still waits for its turn, as a sentence.
    pub reason: Option<String>,
    /// Why it waits for the door, each a sentence.
    pub holds: Vec<String>,
    /// Check-ins seen since it kept, no more than are asked for.
    pub check_ins: u32,
    /// Door cycles seen since it kept, no more than are asked for.
    pub door_cycles: u32,
    /// Starts since it kept.
    pub restarts: u32,
    /// Whether it runs something else since it kept: somebody changed it by hand.
    pub changed_by_hand: bool,
}
