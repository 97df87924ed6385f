//! The operator's side of Pintle, as a library.
//!
//! Every command's work is a function here that returns data; the command itself only reads
//! arguments and shows the answer. Time and randomness come in as values, so that a rehearsal
//! can repeat them.
//!
//! Pintle is no certified alarm and no door operator. It never sends a door command.

pub mod calibrate;
pub mod exit;
pub mod firmware;
pub mod locked;
pub mod random;
pub mod rules;
pub mod yard;
