//! What a rollout intends. Fixed once it is planned.

use super::window::Calendar;
use crate::contract::{Evidence, Gate, OnFailure};
use pintle_protocol::id::{Component, Digest, NodeId, Role};

/// What a rollout intends.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Plan {
    /// What happens when a gate fails.
    pub on_failure: OnFailure,
    /// When something new may be offered; at any time if absent.
    pub windows: Option<Calendar>,
    /// Waves in order.
    pub waves: Vec<WavePlan>,
}

/// Nodes that are updated at the same time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WavePlan {
    /// How long everything must stay well after its last node ended.
    pub soak_seconds: u32,
    /// What must have been seen besides.
    pub evidence: Evidence,
    /// Whether a person has to approve it.
    pub approval: bool,
    /// What is tolerated.
    pub gate: Gate,
    /// Its nodes.
    pub targets: Vec<TargetPlan>,
}

/// A node and its steps.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TargetPlan {
    /// The node.
    pub node: NodeId,
    /// What people call it.
    pub name: String,
    /// Steps in order, at least one.
    pub steps: Vec<StepPlan>,
}

/// One step and the way back from it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StepPlan {
    /// What the node takes up.
    pub forward: Parcel,
    /// What returns it to before.
    pub way_back: Option<Parcel>,
}

/// An envelope, and what it brings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Parcel {
    /// Manifest digest.
    pub envelope: Digest,
    /// Bytes in the envelope.
    pub size: u32,
    /// The role whose sequence numbers count.
    pub role: Role,
    /// Its sequence number.
    pub sequence: u64,
    /// The parts that it changes.
    pub brings: Vec<Brings>,
}

/// One part that an envelope changes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Brings {
    /// The part.
    pub component: Component,
    /// Digest of what it will hold, where the manifest names it.
    pub payload: Option<Digest>,
}

impl TargetPlan {
    /// The envelopes that a node which kept all of its steps runs: for each part the last that
    /// changes it.
    pub(super) fn last_parcels(&self) -> impl Iterator<Item = &Parcel> {
        self.steps.iter().enumerate().filter_map(|(n, step)| {
            let later = self.steps.get(n + 1..).unwrap_or_default();
            let changed = |b: &Brings| later.iter().any(|l| l.forward.changes(b.component));
            (!step.forward.brings.iter().any(changed)).then_some(&step.forward)
        })
    }
}

impl Parcel {
    /// Whether it changes this part.
    pub(super) fn changes(&self, component: Component) -> bool {
        self.brings.iter().any(|b| b.component == component)
    }
}

impl Plan {
    /// Where a node stands in the plan: wave and place in it, both from 0.
    pub fn find(&self, node: &NodeId) -> Option<(usize, usize)> {
        self.waves
            .iter()
            .enumerate()
            .find_map(|(w, wave)| wave.targets.iter().position(|target| target.node == *node).map(|t| (w, t)))
    }
}
