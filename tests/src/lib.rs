//! What crosses crates: reference checks, whole runs, and measurements.

pub mod measure;
