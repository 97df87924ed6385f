//! No place in the node core itself can panic in what is linked for a chip; those in dependencies are listed, with why
//! it does not come to that. A new one fails.

use pintle_tests::panics::{Found, Place, TARGETS, link, look};
use pintle_tests::tell;
use std::collections::{BTreeMap, BTreeSet};

/// `file | lines | function | why not`, one for each function.
const LEFT: &str = include_str!("panics/left.txt");

/// Panic functions that take the place from their caller; parts of a mangled name.
const KNOWN: [&str; 6] = [
    "9panic_fmt",
    "18panic_bounds_check",
    "11panic_const",
    "16slice_index_fail",
    "13unwrap_failed",
    "17len_mismatch_fail",
];

/// The listed places, with what stands beside each.
fn listed() -> BTreeMap<Place, &'static str> {
    let mut all = BTreeMap::new();
    for line in LEFT.lines().filter(|l| !l.is_empty() && !l.starts_with('#')) {
        let cells: Vec<&str> = line.split('|').map(str::trim).collect();
        let [file, lines, function, why] = cells[..] else { panic!("four cells: {line}") };
        assert!(!function.is_empty() && why.len() > 10, "who, and why not: {line}");
        for number in lines.split_whitespace() {
            let twice = all.insert((file.to_owned(), number.parse().unwrap()), why);
            assert_eq!(twice, None, "{file} {number} stands there twice");
        }
    }
    all
}

fn linked(program: &str) -> Vec<(&'static str, Found)> {
    TARGETS
        .into_iter()
        .map(|target| {
            let path = link(target).unwrap().join(program);
            (target, look(&std::fs::read(&path).unwrap()).unwrap())
        })
        .collect()
}

/// Every function that ends in the panic handler says from where; else a place could be missed.
fn only_known_functions(found: &Found, what: &str) {
    for name in &found.functions {
        assert!(KNOWN.iter().any(|known| name.contains(known)), "{what}: another panic function: {name}");
    }
}

#[test]
fn what_the_compiler_kept_of_panics_is_listed_with_why_none_happens() {
    let listed = listed();
    let mut seen = BTreeSet::new();
    for (target, found) in linked("whole-node") {
        only_known_functions(&found, target);
        for place in &found.places {
            let (file, line) = place;
            assert!(
                !file.starts_with("agent-protocol/") && !file.starts_with("src/"),
                "{target}: the node core could panic in {file}, line {line}: write it so that the compiler sees \
                 that it cannot"
            );
            assert!(
                listed.contains_key(place),
                "{target}: {file}, line {line} could panic, and is not in tests/tests/panics/left.txt: read it, and \
                 list it with why it does not come to that"
            );
        }
        seen.extend(found.places);
    }
    // What a compiler leaves out it may leave out: only told, so that the list can be kept short.
    for (file, line) in listed.keys().filter(|place| !seen.contains(*place)) {
        tell(&format!("panics: no longer linked: {file} {line}"));
    }
    let page = include_str!("../../docs/security.md");
    let said = format!("{} are left", listed.len());
    assert!(page.contains(&said), "docs/security.md does not say that {said}");
    tell(&format!("panics: {} places left in the whole node, all in dependencies", seen.len()));
}

#[test]
fn nothing_that_the_io_chip_needs_can_panic() {
    for (target, found) in linked("io-chip") {
        assert_eq!(found.places, BTreeSet::new(), "{target}");
        assert_eq!(found.functions, BTreeSet::new(), "{target}");
    }
}

/// `wire` copies without having compared lengths, in its own code and on purpose.
#[test]
fn a_place_that_can_panic_is_found() {
    for (target, found) in linked("wire") {
        only_known_functions(&found, target);
        let own: Vec<&Place> = found.places.iter().filter(|(file, _)| file == "src/bin/wire.rs").collect();
        assert_eq!(own.len(), 1, "{target}: {own:?}");
        assert!(found.functions.iter().any(|name| name.contains("17len_mismatch_fail")), "{target}");
    }
}
