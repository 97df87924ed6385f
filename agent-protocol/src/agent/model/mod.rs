//! Every state that a node can get into, as far as door, io chip, network, server and power go.
//!
//! The real agent is driven through an abstract world by a breadth-first search. A move is one event
//! (somebody uses the door, the wire breaks, ten minutes pass, ...) and one poll of the main loop; power may
//! go, or a save fail, after each action of it. Two states are one if they differ only in what
//! [`sketch`] leaves out. What must hold is in [`rules`]; what is broken on purpose in [`lies`].
//!
//! What this does not show: a bound on times other than the agent's own thresholds, more than one
//! event between two polls, flash that wears, and bytes that are damaged. Those are tested elsewhere.

mod act;
mod lies;
mod node;
mod rules;
mod search;
mod setup;
mod sketch;
mod tests;
mod world;
