//! A bounded run of every fuzz target from a fixed seed.

use pintle_tests::fuzz::{Budget, folder, fuzz, store, targets};
use pintle_tests::tell;

const SEED: u64 = 20_260_801;

/// Runs the targets whose name begins so.
fn run(names: &[&str]) {
    let mut seen = 0;
    for target in targets().iter().filter(|t| names.iter().any(|n| t.name.starts_with(n))) {
        match fuzz(target, SEED, Budget::Runs(target.runs)) {
            Ok(tally) => tell(&format!("fuzz: {}: {} inputs, {} ways", target.name, tally.runs, tally.ways)),
            Err(found) => {
                let path = store(&found, &folder());
                panic!("{}: {}; the input is {path:?}", found.target, found.what);
            }
        }
        seen += 1;
    }
    assert!(seen >= names.len(), "a target is missing");
}

#[test]
fn cbor_and_messages() {
    run(&["cbor", "bundle", "check-in", "claim", "reply", "card", "anchors"]);
}

#[test]
fn signed_and_sealed() {
    run(&["cose-sign1", "cose-encrypt", "envelope"]);
}

#[test]
fn reports_and_where_they_point_to() {
    run(&["report", "report-place", "capabilities"]);
}

#[test]
fn manifests_signed_by_each_role() {
    run(&["manifest-"]);
}

#[test]
fn the_whole_node() {
    run(&["node"]);
}

#[test]
fn the_link() {
    run(&["link-frame", "link-transfer"]);
}

#[test]
fn what_lies_in_flash() {
    run(&["image-note", "boot-record"]);
}

#[test]
fn files_and_bodies() {
    run(&["firmware", "intel-hex", "yard-files", "readings", "contract"]);
}

#[test]
fn every_target_is_run_above() {
    let named = [
        "cbor",
        "bundle",
        "check-in",
        "claim",
        "reply",
        "card",
        "anchors",
        "cose-sign1",
        "cose-encrypt",
        "envelope",
        "report",
        "capabilities",
        "manifest-",
        "node",
        "link-frame",
        "link-transfer",
        "image-note",
        "boot-record",
        "firmware",
        "intel-hex",
        "yard-files",
        "readings",
        "contract",
    ];
    for target in targets() {
        assert!(named.iter().any(|n| target.name.starts_with(n)), "{}", target.name);
    }
}
