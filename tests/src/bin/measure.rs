//! Measures what has a bound. See `tests/measure`, which builds and runs this.

use pintle_tests::measure::{Group, Part, parts};
use std::process::ExitCode;

fn main() -> ExitCode {
    let mut wanted: Vec<(String, Part)> = Vec::new();
    for word in std::env::args().skip(1) {
        match asked(&word) {
            Some(found) => wanted.extend(found),
            None => {
                let known = all().iter().map(|(name, _)| name.as_str()).collect::<Vec<_>>().join(", ");
                eprintln!(
                    "error: there is nothing called {word}; there are: {known}, and each group as a whole"
                );
                return ExitCode::from(2);
            }
        }
    }
    if wanted.is_empty() {
        wanted = all();
    }
    let mut good = true;
    for (name, part) in wanted {
        let mut show = |row: pintle_tests::measure::Row| {
            good &= row.holds();
            println!("{row}");
        };
        if let Err(error) = part(&mut show) {
            good = false;
            eprintln!("error: {name}: {error}");
        }
    }
    if good { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// Every part by its name: that of its group, and its own where a group has several.
fn all() -> Vec<(String, Part)> {
    let of = |group: Group| {
        let parts = parts(group);
        let alone = parts.len() == 1;
        parts.into_iter().map(move |(word, part)| {
            let group = group.word();
            (if alone { group.to_owned() } else { format!("{group}/{word}") }, part)
        })
    };
    Group::ALL.into_iter().flat_map(of).collect()
}

/// The parts that a word asks for: a group, or one part of it.
fn asked(word: &str) -> Option<Vec<(String, Part)>> {
    let is_asked = |name: &str| name == word || name.split_once('/').is_some_and(|(group, _)| group == word);
    let found: Vec<_> = all().into_iter().filter(|(name, _)| is_asked(name)).collect();
    (!found.is_empty()).then_some(found)
}
