//! The interlock: whether a change may be applied now.
//!
//! A pure function of what the change touches, what the door says, the policy and the
//! handshake. Its answer is a [`Clearance`], which nothing else can make, or the set of all
//! reasons to wait. Unknown is a hold, never a clearance.

mod decide;
mod holds;
#[cfg(test)]
mod tests;
mod touches;

pub use decide::{Clearance, DoorFacts, PairFacts, decide, decide_first, decide_removal, decide_stranded};
pub use holds::{Hold, Holds};
pub use touches::{Touches, bundle_touches, part_touches};
