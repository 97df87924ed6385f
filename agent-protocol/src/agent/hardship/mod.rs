//! Updates on hardware that lets them down: power that goes at any moment, flash that has worn.

mod power_cuts;
mod scenario;
mod second_cuts;
mod worn_flash;

/// Says what was done, past the test runner, which keeps what is printed by a test that passes to
/// itself.
pub(super) fn tell(what: core::fmt::Arguments<'_>) {
    use std::io::Write;
    let _ = writeln!(std::io::stderr(), "{what}");
}
