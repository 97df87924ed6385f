//! What is offered to which node, and when a rollout goes on, is held or turns back.
//!
//! Pure: a plan, a state, what nodes report and the time go in; a new state, events for the
//! journal and offers come out. No clock, no storage, no network. The time is the server's own,
//! which no setting of the machine's clock moves; only windows go by the clock on the wall.
//!
//! ```text
//! ready --start--> under way --every wave passed--> done <--end-- ready, under way, held
//!                    |    ^                          |
//!        gate, hold  v    | resume                   | turn back
//!                   held -+                          |
//!                    +----- turn back ---------> turned back (ends when the last way back did)
//! ```
//!
//! A node of a rollout walks its steps in order; when the rollout turns back, it walks the ways
//! back of the steps that it kept in reverse order. What it once refused or went back from is
//! never offered to it again.

mod evidence;
mod gate;
mod machine;
mod part;
mod plan;
pub mod proof;
mod report;
mod state;
pub mod watch;
pub mod wifi;
pub mod window;
mod words;

pub use machine::{Misfit, Rollout};
pub use part::{Left, Part};
pub use plan::{Brings, Parcel, Plan, StepPlan, TargetPlan, WavePlan};
pub use report::{Report, Verdict};
pub use state::{Forward, Return, Stage, State, TargetRun, WaveRun, Way};
pub use words::Event;

use crate::contract::Seconds;
use pintle_protocol::id::NodeId;
use std::collections::BTreeMap;

/// What is known about nodes when gates are evaluated.
#[derive(Clone, Debug, Default)]
pub struct Known {
    /// When each node was last seen; absent for those that never were.
    pub last_seen: BTreeMap<NodeId, Seconds>,
    /// Since when the server has been there to be reached. While it was away, silence says
    /// nothing about the nodes.
    pub listening_since: Seconds,
}

impl Known {
    /// Whether a node has not been heard for longer than `after` seconds, counted from `from`
    /// at the earliest.
    pub fn is_silent(&self, node: &NodeId, from: Seconds, after: u32, now: Seconds) -> bool {
        self.is_silent_since(self.last_seen.get(node).copied(), from, after, now)
    }

    /// [`Self::is_silent`] for a node that was last seen then.
    pub fn is_silent_since(&self, seen: Option<Seconds>, from: Seconds, after: u32, now: Seconds) -> bool {
        let heard = seen.unwrap_or(from);
        now - heard.max(from).max(self.listening_since) > Seconds::from(after)
    }
}

#[cfg(test)]
mod care_tests;
#[cfg(test)]
mod evidence_tests;
#[cfg(test)]
mod machine_tests;
#[cfg(test)]
mod property_tests;
#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod window_tests;
