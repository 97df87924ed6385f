//! Rollouts: what goes to which nodes, in which waves, and how far it has come.

use super::{Seconds, text};
use pintle_protocol::id::{Digest, NodeId};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Plans a rollout: `POST /api/v1/rollouts`. It is `ready` and offers nothing until started.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewRollout {
    /// What people call it; 1 to 80 characters.
    pub title: String,
    /// What it changes.
    pub kind: Kind,
    /// Waves in order, 1 to 32.
    pub waves: Vec<NewWave>,
    /// What happens when a gate fails.
    pub on_failure: OnFailure,
}

/// Nodes that are updated at the same time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewWave {
    /// Its nodes, 1 to 256; a node occurs once in the whole rollout.
    pub targets: Vec<NewTarget>,
    /// How long everything must stay well after its last node kept, before the wave passes.
    pub soak_seconds: u32,
    /// What is tolerated.
    pub gate: Gate,
}

/// A node, and what it takes up, step by step.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewTarget {
    /// The node.
    #[serde(with = "text")]
    pub node: NodeId,
    /// Steps in order, 1 to 8; each is offered only after the one before it is kept.
    pub steps: Vec<NewStep>,
}

/// One envelope, and the one that returns the node to what it ran before.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewStep {
    /// Manifest digest of an uploaded envelope.
    #[serde(with = "text")]
    pub envelope: Digest,
    /// Manifest digest of the uploaded way back. Only a rollout that holds on failure may leave
    /// it out, where there is nothing to go back to (a node's first bundle, a rotation of keys).
    #[serde(default, with = "text::maybe")]
    pub way_back: Option<Digest>,
}

/// What a wave tolerates before it fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Gate {
    /// Nodes that may go back or refuse; 0 is wise with few nodes.
    pub max_failed: u32,
    /// Nodes that may be silent when the wave passes.
    pub max_silent: u32,
    /// A node that has not checked in for this long counts as silent; at least twice
    /// the interval of check-ins, 600 as usual.
    pub silent_after_seconds: u32,
}

/// What a rollout changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Firmware of one or both chips.
    Image,
    /// Configuration.
    Bundle,
    /// Configuration, for the sake of another Wi-Fi.
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
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum OnFailure {
    /// The rollout is held, until a person decides.
    Hold,
    /// Nodes that kept get their ways back.
    TurnBack,
}

/// Starts, holds, resumes or turns back a rollout: `POST /api/v1/rollouts/{id}/start`, `/hold`,
/// `/resume`, `/turn-back`. An empty body is fine too.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Note {
    /// Why, for the journal; up to 200 characters.
    #[serde(default)]
    pub note: Option<String>,
}

/// Where a rollout stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
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
    /// Every wave has passed.
    #[serde(rename = "done")]
    Done,
    /// Nodes that kept get, or got, their ways back.
    #[serde(rename = "turned back")]
    TurnedBack,
}

impl RolloutState {
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
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum WaveState {
    /// An earlier wave has not passed.
    #[serde(rename = "not open")]
    NotOpen,
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
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RolloutView {
    /// Number, counted from 1.
    pub id: i64,
    /// What people call it.
    pub title: String,
    /// What it changes.
    pub kind: Kind,
    /// Where it stands.
    pub state: RolloutState,
    /// Why it is held or was turned back, as a sentence.
    pub held_because: Option<String>,
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
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
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
    /// What it tolerates.
    pub gate: Gate,
    /// Its nodes.
    pub targets: Vec<TargetView>,
}

/// Where a node of a rollout stands, in one phrase.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
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
        }
    }
}

impl fmt::Display for Progress {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.phrase())
    }
}

/// Where a node of a rollout stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TargetView {
    /// The node.
    #[serde(with = "text")]
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
}
