//! The rehearsal, through the real server over real sockets: every seed passes, and a seed repeats.

use pintle::rehearsal::{Options, Report, rehearse};
use std::sync::atomic::{AtomicU64, Ordering};

fn run(seed: u64) -> Report {
    let dir = tempfile::tempdir().unwrap();
    let options = Options { seed, dir: Some(dir.path().join("rehearsal")) };
    let rehearsed = rehearse(&options, &mut |_| {}).unwrap_or_else(|e| panic!("seed {seed}: {e}"));
    let report = rehearsed.report.clone();
    rehearsed.end();
    report
}

fn is_well(report: &Report) {
    let seed = report.seed;
    assert_eq!(report.relay_pulses_during_updates, 0, "seed {seed}");
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

#[test]
fn one_seed_repeats_a_run_exactly() {
    assert_eq!(run(7), run(7));
}
