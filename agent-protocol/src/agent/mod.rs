//! The node's loop as a state machine without I/O.
//!
//! ```text
//!            offer                      envelope                  payload, piece by piece
//! resting ----------> reading envelope ----------> processing <---------------> fetching
//!    ^                                                 | all measured
//!    |  kept / went back        clearance              v
//!    +------------- on trial <------------- staged, waiting for the door
//! ```
//!
//! [`Agent::step`] takes a moment and an input and returns actions; the caller does them in
//! order and feeds back what the last one brings. [`Node`] is such a caller for anything that
//! implements [`crate::board::Board`].
//!
//! What survives a power cut is in [`crate::slots::BootRecord`] and nowhere else.

mod boot;
mod capability;
#[cfg(all(test, feature = "author", feature = "sim"))]
mod content_tests;
#[cfg(all(test, feature = "author", feature = "sim"))]
mod found_tests;
#[cfg(all(test, feature = "author", feature = "sim"))]
mod hardship;
mod in_force;
mod io;
mod machine;
#[cfg(all(test, feature = "author", feature = "sim"))]
mod model;
mod node;
#[cfg(all(test, feature = "author", feature = "sim"))]
mod pair_tests;
#[cfg(all(test, feature = "author", feature = "sim"))]
mod relay_tests;
#[cfg(all(test, feature = "author", feature = "sim"))]
mod report_tests;
#[cfg(all(test, feature = "author", feature = "sim"))]
mod resume_tests;
#[cfg(all(test, feature = "sim"))]
mod room_tests;
mod servers;
mod storage;
#[cfg(all(test, feature = "sim"))]
mod storage_tests;
mod take;
mod talk;
#[cfg(all(test, feature = "author", feature = "sim"))]
mod tests;
mod trial;
mod types;
#[cfg(all(test, feature = "author", feature = "sim"))]
mod wear_tests;
mod wifi;

pub use boot::CARD_MAX;
pub use capability::CAPABILITIES;
pub use machine::{Agent, DEFAULT_POLICY, Start};
pub use node::{BootFault, Node, NodeFault};
pub use take::{OPENS, cannot};
pub use trial::{CandidateProof, Evidence, Millis, Verdict, judge};
pub use types::{
    Action, Actions, BUNDLE_MAX, CHUNK, ENVELOPE_AND_TEXT_MAX, ENVELOPE_MAX, Identity, Input, Measured,
    Moment, OUT_MAX, RequestFault, Scratch, Sense, SigningSeed,
};
pub use wifi::{Networks, next_network};
