//! What a rehearsal found out, as data.

use serde::Serialize;

/// The whole run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Report {
    /// The seed that repeats it.
    pub seed: u64,
    /// Acts in order.
    pub acts: Vec<Act>,
    /// Nodes by name.
    pub nodes: Vec<NodeReport>,
    /// Pulses that a relay gave while something was on trial that touches the door, or while its io chip was
    /// being programmed. Must be 0.
    pub relay_pulses_during_updates: u32,
    /// Times somebody pressed a controller's button during such a trial, and the relay stayed off.
    pub presses_held_off: u32,
    /// Times somebody pressed it while something was on trial that leaves the door alone, and the door moved.
    pub presses_let_through: u32,
    /// Nodes that were not heard of at the end. Must be 0.
    pub nodes_lost: u32,
    /// Nodes that kept something new.
    pub nodes_kept: u32,
    /// Nodes that went back by themselves.
    pub nodes_went_back: u32,
    /// Nodes that waited for their door.
    pub nodes_waited: u32,
    /// Seconds on the rehearsal's own clock.
    pub rehearsed_seconds: u64,
    /// Check-ins that the server answered.
    pub check_ins: u64,
}

/// One act.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Act {
    /// What was done.
    pub title: String,
    /// When it began, in seconds from the start.
    pub from: u64,
    /// When it ended.
    pub to: u64,
    /// How it came out, as a sentence.
    pub outcome: String,
}

/// One node.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct NodeReport {
    /// Its name.
    pub name: String,
    /// Its device identifier.
    pub id: String,
    /// Image of the net chip at the start.
    pub net_before: String,
    /// Image of the net chip at the end.
    pub net_after: String,
    /// Image of the io chip at the start.
    pub io_before: String,
    /// Image of the io chip at the end.
    pub io_after: String,
    /// Network in use at the end.
    pub network: String,
    /// Everything that became of it, with times.
    pub phases: Vec<PhaseReport>,
    /// Why it waited, each reason once.
    pub waited_for: Vec<String>,
    /// Updates kept.
    pub kept: u32,
    /// Updates that went back.
    pub went_back: u32,
    /// Updates refused.
    pub refused: u32,
    /// Pulses of its relay in the whole run.
    pub relay_pulses: u32,
}

/// A moment in a node's life.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct PhaseReport {
    /// Seconds from the start.
    pub at: u64,
    /// What it did from then on.
    pub what: String,
}
