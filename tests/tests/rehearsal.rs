//! The rehearsal, through the real server over real sockets: every seed passes, and a seed repeats.

mod schema;

use pintle::rehearsal::{Options, Record, Report, rehearse};
use pintle_protocol::sim::OwnedRequest;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};

/// Rehearses; all that is said between nodes and server is held against `docs/pintle.cddl`.
fn run(seed: u64) -> Report {
    let record = Record::default();
    let report = run_and(seed, Some(record.clone()), |_| ());
    let [claims, check_ins, envelopes, pieces] = held(&record);
    assert!(claims >= 8 && check_ins >= 100 && envelopes >= 8 && pieces >= 8, "seed {seed}");
    report
}

/// Holds what is on record against its rules: claims, check-ins, envelopes and pieces.
fn held(record: &Record) -> [u32; 4] {
    let mut counts = [0; 4];
    for exchange in record.take() {
        let (n, path, asked) = match &exchange.request {
            OwnedRequest::Claim(body) => (0, "/node/claim", Some(body)),
            OwnedRequest::CheckIn(body) => (1, "/node/check-in", Some(body)),
            OwnedRequest::Envelope(_) => (2, "/node/envelope/", None),
            OwnedRequest::Payload { .. } => (3, "/node/payload/", None),
        };
        counts[n] += 1;
        schema::exchange_holds(path, asked.map(Vec::as_slice), exchange.status, &exchange.body);
    }
    counts
}

/// Rehearses; `look` sees the folder before it is removed.
fn run_and(seed: u64, record: Option<Record>, look: impl FnOnce(&Path)) -> Report {
    let dir = tempfile::tempdir().unwrap();
    let options = Options { seed, dir: Some(dir.path().join("rehearsal")), record };
    let rehearsed = rehearse(&options, &mut |_| {}).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
    let report = rehearsed.report.clone();
    look(&rehearsed.dir);
    rehearsed.end();
    report
}

fn is_well(report: &Report) {
    let seed = report.seed;
    assert_eq!(report.relay_pulses_during_updates, 0, "seed {seed}");
    assert!(report.presses_held_off > 0, "seed {seed}");
    // Every door can be used while its node proves the new Wi-Fi.
    assert!(report.presses_let_through >= 8, "seed {seed}: {}", report.presses_let_through);
    assert_eq!(report.nodes_lost, 0, "seed {seed}");
    assert_eq!(report.nodes_kept, 8, "seed {seed}");
    // The far hatch in the Wi-Fi change, and the first wave of the bad image.
    assert!(report.nodes_went_back >= 2, "seed {seed}");
    assert!(report.nodes_waited >= 1, "seed {seed}");
    for node in &report.nodes {
        assert_eq!((node.net_after.as_str(), node.io_after.as_str()), ("1.1.0", "1.1.0"), "seed {seed}");
        assert_eq!(node.network, "larkfield-meadow", "seed {seed}");
        assert_eq!(node.refused, 0, "seed {seed}");
    }
    let waiting: Vec<_> = report.nodes.iter().filter(|n| !n.waited_for.is_empty()).collect();
    assert!(waiting.iter().all(|n| n.phases.iter().any(|p| p.what == "waiting for the door")));
}

/// Most of a run is waiting for the disk, so several go on beside each other.
#[test]
fn twenty_seeds_pass() {
    let next = AtomicU64::new(1);
    std::thread::scope(|threads| {
        for _ in 0..5 {
            threads.spawn(|| {
                while let seed @ ..=20 = next.fetch_add(1, Ordering::Relaxed) {
                    is_well(&run(seed));
                }
            });
        }
    });
}

/// The cards that nodes start from are what the contract says, too.
#[test]
fn one_seed_repeats_a_run_exactly() {
    let report = run_and(7, None, |dir| {
        let cards: Vec<_> = std::fs::read_dir(dir.join("cards")).unwrap().collect();
        assert_eq!(cards.len(), 8);
        for card in cards {
            schema::holds("starter-card", &std::fs::read(card.unwrap().path().join("card.cbor")).unwrap());
        }
    });
    assert_eq!(report, run(7));
}
