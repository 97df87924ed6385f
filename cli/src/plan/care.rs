//! How careful a rollout is.

use pintle_server::contract::{Evidence, Gate, OnFailure, Windows};

/// Which waves a person has to approve before they open.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Approval {
    /// None.
    #[default]
    None,
    /// All but the first.
    Later,
    /// Every one.
    Every,
}

/// How careful a rollout is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Care {
    /// How long everything must stay well before the next wave.
    pub soak_seconds: u32,
    /// What must have been seen of every node that kept, besides.
    pub evidence: Evidence,
    /// What is tolerated in a wave.
    pub gate: Gate,
    /// Which waves a person has to approve.
    pub approval: Approval,
    /// When something new may be offered; at any time if absent.
    pub windows: Option<Windows>,
    /// What happens when a gate fails.
    pub on_failure: OnFailure,
}

impl Default for Care {
    /// Half an hour of soak, nothing tolerated, silent after an hour, held on failure.
    fn default() -> Self {
        Self {
            soak_seconds: 1800,
            evidence: Evidence::default(),
            gate: Gate::STRICT,
            approval: Approval::None,
            windows: None,
            on_failure: OnFailure::Hold,
        }
    }
}
