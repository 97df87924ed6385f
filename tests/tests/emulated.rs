//! The node core as machine code, on emulated RISC-V and Arm chips.

#[path = "../../firmware/emulated/src/examples.rs"]
mod examples;

use pintle_protocol::checkin::Ending;
use pintle_protocol::cose::{AAD_CHECK_IN, AAD_REPLY, sign1};
use pintle_protocol::slots::Slot;
use pintle_protocol::version::Version;
use pintle_tests::emulator::fixture::{Fixture, Keys, Left};
use pintle_tests::emulator::{Emulator, Machine};
use pintle_tests::held::schema;
use pintle_tests::tell;
use std::path::Path;

/// Bytes in the image that is brought: enough for several pieces.
const IMAGE: usize = 9_000;
/// Cut points per machine at which power goes in the middle of a flash operation.
const CUTS: u32 = 16;
/// Times per machine that the emulator is ended wherever it is.
const KILLS: u32 = 6;

/// Source of the examples: draft-ietf-suit-manifest-37 appendix B, and this project's own vectors. What they should
/// give is checked on the host by `reference_suit.rs`; here, that real instruction sets give the same.
#[test]
fn published_manifests_give_the_same_on_every_instruction_set() {
    let mut here = String::new();
    examples::tell(&mut here).unwrap();
    // P1 to P4; N4 is authentic too, and fails when it is carried out.
    assert_eq!(here.matches("authentic").count(), 7 + 5, "{here}");
    assert_eq!(here.matches("refused").count(), 7 + 22, "{here}");
    // RFC 8032 section 7.1, the twelve vectors and Wycheproof, as `reference_crypto.rs` has them.
    assert_eq!((here.matches(": signs").count(), here.matches(": verifies").count()), (5, 2), "{here}");
    for digest in ["6658ea56", "1f2e7acc", "6a5197ed", "f6d44a62", "5b5f6586", "15ce60f7"] {
        assert!(here.contains(&format!("authentic {digest}")), "{digest}");
    }
    let folder = tempfile::tempdir().unwrap();
    for machine in Machine::ALL {
        let program = machine.build().unwrap();
        let there = Emulator::start(machine, &program, folder.path(), &["examples"], false).unwrap();
        assert_eq!(there.rest().unwrap(), here.lines().collect::<Vec<_>>(), "{machine:?}");
    }
}

/// What the program says next besides the messages between node and server, which are counted, held against the
/// contract and verified.
fn told(emulator: &mut Emulator, keys: &Keys, messages: &mut u32) -> Option<String> {
    loop {
        let line = emulator.line().unwrap()?;
        let (rule, message, key, aad) = match line.split_once(' ') {
            Some(("sent", message)) => ("check-in-message", message, &keys.node, AAD_CHECK_IN),
            Some(("answered", message)) => ("reply-message", message, &keys.server, AAD_REPLY),
            _ => return Some(line),
        };
        let message = hex::decode(message).unwrap();
        schema::holds_each_shape(rule, &message);
        // Signed by that chip's arithmetic, verified by this machine's.
        sign1::open(&message, key, aad).unwrap();
        *messages += 1;
    }
}

/// Runs an update until it ends, and looks at what is left.
fn to_the_end(machine: Machine, program: &Path, folder: &Path, keys: &Keys, before: &str) -> u32 {
    let mut emulator = Emulator::start(machine, program, folder, &["update", "0"], false).unwrap();
    let (mut end, mut messages) = (String::new(), 0);
    while let Some(line) = told(&mut emulator, keys, &mut messages) {
        end = line;
    }
    emulator.rest().unwrap();
    // The end is told in a check-in at least.
    assert!(messages > 0, "{machine:?} {before}: nothing was said to the server");
    let operations = end.strip_prefix("ended Kept 0 after ").and_then(|r| r.strip_suffix(" operations"));
    let operations = operations.unwrap_or_else(|| panic!("{machine:?} {before}: {end}"));
    let left = Left::read(folder).unwrap();
    assert_eq!(left.faults, [""; 0], "{machine:?} {before}");
    schema::written("boot-record", &left.record);
    let net = left.record.net.current().unwrap();
    assert_eq!((net.version, left.record.net.active), (Version::new(1, 1, 0), Slot::B), "{before}");
    assert_eq!((left.record.sequences, left.record.trial), ([0, 1, 1], None), "{before}");
    assert_eq!(left.record.outcome.map(|o| o.ending), Some(Ending::Kept), "{before}");
    operations.parse().unwrap()
}

/// Whatever moment the emulator was ended at: a valid record, an allowed pair of whole images, a whole bundle, and
/// nothing lowered.
fn check_after(folder: &Path, high: &Left, what: &str) {
    let left = Left::read(folder).unwrap_or_else(|e| panic!("{what}: {e}"));
    assert_eq!(left.faults, [""; 0], "{what}");
    schema::written("boot-record", &left.record);
    assert!(left.record.generation >= high.record.generation, "{what}");
    assert!(left.record.counter_ceiling >= high.record.counter_ceiling, "{what}");
    assert!(
        left.record.sequences.iter().zip(high.record.sequences).all(|(now, then)| *now >= then),
        "{what}"
    );
}

fn survives(machine: Machine) {
    let program = machine.build().unwrap();
    let fixture = Fixture::new(IMAGE).unwrap();
    let keys = &fixture.keys;
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fixture.write(folder).unwrap();
    let before = Left::read(folder).unwrap();
    assert_eq!(before.record.net.current().unwrap().version, Version::new(1, 0, 0));
    let total = to_the_end(machine, &program, folder, keys, "without a cut");

    // Power goes in the middle of a chosen flash operation.
    for n in 0..CUTS {
        let cut = 1 + n * (total - 1) / (CUTS - 1);
        let what = format!("{machine:?} cut in operation {cut} of {total}");
        fixture.write(folder).unwrap();
        let command = ["update", &cut.to_string()];
        let mut emulator = Emulator::start(machine, &program, folder, &command, false).unwrap();
        loop {
            match told(&mut emulator, keys, &mut 0).as_deref() {
                Some("dark") => break,
                Some(line) => assert!(!line.starts_with("stopped"), "{what}: {line}"),
                None => panic!("{what}: ended before it was cut"),
            }
        }
        drop(emulator);
        check_after(folder, &before, &what);
        to_the_end(machine, &program, folder, keys, &what);
    }

    // The emulator is ended while it goes on, again and again on the same flash, each time later in the update.
    fixture.write(folder).unwrap();
    let (mut high, mut kills) = (before, 0);
    for n in 1..=KILLS {
        let what = format!("{machine:?} ended for the {n}. time");
        let mut emulator = Emulator::start(machine, &program, folder, &["update", "0"], false).unwrap();
        let mut lines = 0;
        while let Some(line) = told(&mut emulator, keys, &mut 0) {
            assert!(!line.starts_with("stopped"), "{what}: {line}");
            lines += 1;
            if lines == n * (total / 64) / (KILLS + 1) {
                break;
            }
        }
        drop(emulator);
        kills += 1;
        check_after(folder, &high, &what);
        high = Left::read(folder).unwrap();
        // A trial has three starts, and then goes back, as it should.
        if high.record.trial.is_some() {
            break;
        }
    }
    to_the_end(machine, &program, folder, keys, "ended again and again");
    tell(&format!(
        "emulated chips: {machine:?}: cut in {CUTS} of {total} flash operations, ended {kills} times while it went on"
    ));
}

#[test]
fn an_update_survives_whatever_moment_power_goes_at_on_risc_v() {
    survives(Machine::RiscV);
}

#[test]
fn an_update_survives_whatever_moment_power_goes_at_on_arm() {
    survives(Machine::Arm);
}
