//! Tracks nodes, rolls out updates wave by wave, and shows where everything stands.

pub mod contract;
