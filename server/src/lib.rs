//! Tracks nodes, rolls out updates wave by wave, and shows where everything stands.
//!
//! The program `pintle-server` is a thin shell around [`start`]. Rehearsals and tests call it
//! themselves, with [`config::Tls::Plain`] and a [`clock::Clock`] that they set by hand:
//!
//! ```no_run
//! use pintle_server::{clock::Clock, config::{Config, Tls}, start, switch_key};
//!
//! let mut config = Config::new("rehearsal", ([127, 0, 0, 1], 0).into());
//! config.tls = Tls::Plain;
//! config.clock = Clock::manual(1_800_000_000);
//! let server = start(config)?;
//! server.clock.advance(3600);
//! server.tick()?;
//! server.stop()?;
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! From the outside in: `net` (connections and their limits) · `routes` (what answers where) · `api`, `node_api`, `pages` (take in, ask,
//! show), `health`, `metrics` · `ops` (one transaction each) · `store` (SQL and files) · [`rollout`] and [`journal`]
//! (pure decisions) · [`contract`] (what crosses the operator's API) · [`manual`] (pages for `man`).

mod access;
mod api;
mod app;
pub mod backup;
mod body;
mod checking;
pub mod clock;
#[cfg(test)]
#[path = "../tests/common/mod.rs"]
mod common;
pub mod config;
pub mod contract;
pub mod error;
mod failures;
#[cfg(feature = "fleet")]
pub mod fleet;
mod health;
mod held;
pub mod journal;
mod keys;
mod known_keys;
pub mod local_link;
pub mod manual;
mod metrics;
mod net;
mod node_api;
pub mod notices;
mod ops;
mod pages;
mod retention;
pub mod rollout;
mod routes;
mod run;
pub mod settings;
pub mod store;
mod ticking;
pub mod tls;
pub mod tokens;
mod views;
mod words;

#[cfg(unix)]
pub use net::raise_descriptors;
pub use run::{Running, StartError, new_key, start, switch_key};
