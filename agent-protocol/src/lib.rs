//! All that a Pintle node is.
//!
//! This crate never sends a door command: there is no such message in it.
#![no_std]
#![cfg_attr(not(test), warn(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing))]

#[cfg(any(test, feature = "std"))]
#[macro_use]
extern crate std;
// Under the name by which a module shared with other test programs knows it.
#[cfg(test)]
extern crate self as pintle_protocol;

pub mod agent;
#[cfg(feature = "author")]
pub mod author;
pub mod board;
pub mod bundle;
pub mod card;
pub mod cbor;
pub mod checkin;
mod copy;
pub mod cose;
pub mod id;
pub mod image;
pub mod interlock;
pub mod link;
pub mod order;
pub mod reason;
#[cfg(test)]
#[path = "../../tests/tests/schema/mod.rs"]
mod schema;
#[cfg(feature = "sim")]
pub mod sim;
pub mod slots;
pub mod suit;
#[cfg(test)]
mod tell;
pub mod version;
