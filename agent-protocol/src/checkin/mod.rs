//! Claim, check-in and reply.

mod messages;

pub use messages::{
    Candidate, CheckIn, Claim, Ending, MAX_REPORT, Offer, Outcome, PROTOCOL, Phase, Position, Reply, Running,
    Wifi,
};
