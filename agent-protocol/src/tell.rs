//! What searches and trials count, said past the test runner.

/// Says what was done; the test runner keeps what is printed by a test that passes to itself. `tests/run` repeats
/// these lines in one place, by the words before their first colon.
pub(crate) fn tell(what: core::fmt::Arguments<'_>) {
    use std::io::Write;
    let _ = writeln!(std::io::stderr(), "{what}");
}
