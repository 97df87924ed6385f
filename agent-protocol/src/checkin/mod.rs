//! Claim, check-in and reply.

mod messages;
mod proof;

pub use messages::{
    Candidate, CheckIn, Claim, Ending, MAX_REPORT, Offer, Outcome, PROTOCOL, Phase, Position, Reply, Running,
    Wifi,
};
pub use proof::{ClaimCode, claim_is_genuine, claim_proof};
