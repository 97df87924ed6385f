use super::*;
use crate::firmware::samples;
use crate::image::{PackRequest, pack};
use crate::yard::{LATCHBOARD, testing};
use proptest::prelude::*;
use std::fs;

/// A yard with a node `barn` on one board and `gate` on the samples' board, and an image envelope
/// for the latter.
fn envelope() -> (tempfile::TempDir, Yard, Vec<u8>) {
    let dir = tempfile::tempdir().unwrap();
    let yard = testing::yard(dir.path());
    fs::write(yard.path("boards/latchboard.toml"), LATCHBOARD).unwrap();
    let gate = testing::GOOD_NODE.replace("two-chip", "latchboard");
    fs::write(yard.path("nodes/gate.toml"), gate).unwrap();
    let yard = Yard::open(yard.dir()).unwrap();
    let sample = samples::find("net-1.0.0").unwrap();
    let (chip, board) = (sample.chip, "latchboard");
    let request = PackRequest {
        file: sample.file,
        bytes: sample.bytes,
        chip,
        board,
        rehearsal: false,
        way_back_to: None,
    };
    let unlocked = yard.unlock(testing::PASSPHRASE).unwrap();
    let bytes = pack(&yard, &unlocked, request).unwrap().envelope.unwrap().bytes;
    (dir, yard, bytes)
}

#[test]
fn an_image_is_seen_with_signer_and_takers() {
    let (_dir, yard, bytes) = envelope();
    let sight = look(&yard, &bytes);
    assert_eq!((sight.signed_by.as_deref(), sight.fault.as_deref()), (Some("image"), None));
    assert_eq!(sight.taken_by, ["gate"]);
    assert_eq!(sight.refused_by, [("barn".to_owned(), "it is for another class of board".to_owned())]);
    let says = sight.says.unwrap();
    assert_eq!((says.components[0].as_str(), says.class.as_deref()), ("net", Some("latchboard")));
    assert_eq!((says.version.as_deref(), says.link.as_deref()), (Some("1.0.0"), Some("1")));
}

#[test]
fn another_yards_envelope_is_not_authentic() {
    let (_dir, _, bytes) = envelope();
    let dir = tempfile::tempdir().unwrap();
    let new = crate::yard::NewYard {
        name: "elsewhere",
        domain: "elsewhere.example",
        passphrase: testing::PASSPHRASE,
        cost: crate::locked::Cost::REHEARSAL,
    };
    let other = crate::yard::start(&dir.path().join("y"), new, &mut crate::random::from_seed(99)).unwrap();
    let sight = look(&other, &bytes);
    assert_eq!(sight.signed_by, None);
    assert!(sight.fault.is_some() && sight.says.is_some() && sight.taken_by.is_empty());
}

#[test]
fn damage_is_told_with_its_byte() {
    let (_dir, yard, bytes) = envelope();
    let mut cut = bytes.clone();
    cut.truncate(bytes.len() / 2);
    let fault = look(&yard, &cut).fault.unwrap();
    assert!(fault.contains("byte"), "{fault}");
    let mut signature = bytes;
    signature[120] ^= 1;
    let sight = look(&yard, &signature);
    assert!(sight.signed_by.is_none() && sight.fault.is_some());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]
    #[test]
    fn no_changed_byte_stays_authentic(at in 0usize..10_000, to in 1u8..=255) {
        let (_dir, yard, mut bytes) = envelope();
        let at = at % bytes.len();
        bytes[at] ^= to;
        prop_assert!(look(&yard, &bytes).taken_by.is_empty());
    }
}
