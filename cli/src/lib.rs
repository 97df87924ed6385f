//! The operator's side of Pintle, as a library.
//!
//! Every command's work is a function here that returns data; the command itself only reads
//! arguments and shows the answer. Time and randomness come in as values, so that a rehearsal
//! can repeat them.
//!
//! | module | what |
//! | --- | --- |
//! | [`yard`] | the operator's directory: files, keys, plans |
//! | [`locked`] | secrets at rest |
//! | [`rules`] | the safety rules |
//! | [`calibrate`] | from readings to thresholds and curves |
//! | [`firmware`], [`image`] | firmware files, packed images |
//! | [`node`] | commissioning: file, starter card, claim |
//! | [`seal`] | from plans to signed envelopes |
//! | [`plan`] | rollouts and changes of Wi-Fi |
//! | [`look`] | what an envelope is |
//! | [`api`], [`server_link`], [`journal`] | the server |
//! | [`commands`], [`ui`], [`error`], [`exit`] | the command |
//!
//! Pintle is no certified alarm and no door operator. It never sends a door command.

pub mod api;
pub mod calibrate;
pub mod commands;
pub mod error;
pub mod exit;
pub mod firmware;
pub mod heard;
pub mod image;
pub mod journal;
pub mod keys;
pub mod locked;
pub mod look;
pub mod node;
pub mod plan;
pub mod random;
pub mod rehearsal;
pub mod rules;
pub mod seal;
pub mod server_link;
pub mod ui;
pub mod yard;
