//! What crosses crates: reference checks, whole runs, and measurements.

pub mod emulator;
pub mod fuzz;
pub mod held;
pub mod load;
pub mod measure;
pub mod panics;
pub mod samples;
mod tool;

/// Says what a test went through, past the test runner, which keeps what is printed by a test that passes to itself.
/// `tests/run` repeats these lines in one place, by the words before their first colon.
pub fn tell(what: &str) {
    use std::io::Write;
    let _ = writeln!(std::io::stderr(), "{what}");
}
