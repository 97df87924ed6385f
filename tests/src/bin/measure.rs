//! Measures what has a bound. See `tests/measure`, which builds and runs this.

use pintle_tests::measure::{Group, run};
use std::process::ExitCode;

fn main() -> ExitCode {
    let mut groups = Vec::new();
    for word in std::env::args().skip(1) {
        match Group::from_word(&word) {
            Some(group) => groups.push(group),
            None => {
                let known = Group::ALL.map(Group::word).join(", ");
                eprintln!("error: there is no group {word}; there are: {known}");
                return ExitCode::from(2);
            }
        }
    }
    if groups.is_empty() {
        groups.extend(Group::ALL);
    }
    let mut good = true;
    for group in groups {
        match run(group) {
            Ok(rows) => {
                for row in rows {
                    good &= row.holds();
                    println!("{row}");
                }
            }
            Err(error) => {
                good = false;
                eprintln!("error: {}: {error}", group.word());
            }
        }
    }
    if good { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
