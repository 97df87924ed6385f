//! What crosses crates: reference checks, whole runs, and measurements.

pub mod emulator;
pub mod fuzz;
pub mod load;
pub mod measure;
mod tool;
