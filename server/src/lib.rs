//! Tracks nodes, rolls out updates wave by wave, and shows where everything stands.

pub mod clock;
pub mod contract;
pub mod journal;
pub mod rollout;
pub mod store;
mod words;
