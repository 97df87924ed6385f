//! Tracks nodes, rolls out updates wave by wave, and shows where everything stands.

mod api;
mod app;
mod body;
pub mod clock;
pub mod config;
pub mod contract;
pub mod error;
pub mod journal;
mod keys;
mod node_api;
mod ops;
pub mod rollout;
pub mod store;
pub mod tls;
mod views;
mod words;
