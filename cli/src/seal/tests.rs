use super::*;
use crate::random::from_seed;
use crate::yard::tables::{KeysTable, ServerTable};
use crate::yard::{Unlocked, Yard, testing};
use pintle_protocol::cose::StaticSecret;
use pintle_protocol::id::{PublicKey, Role};

/// A node's secret and the yard that has admitted it.
fn admitted() -> (tempfile::TempDir, Yard, Unlocked, StaticSecret) {
    let dir = tempfile::tempdir().unwrap();
    let mut yard = testing::yard(dir.path());
    let secret = StaticSecret::from([9; 32]);
    let sealing = PublicKey(x25519_dalek::PublicKey::from(&secret).to_bytes());
    let barn = yard.nodes.get_mut("barn").unwrap();
    barn.keys = Some(KeysTable { signing: "11".repeat(32), sealing: sealing.to_string() });
    yard.file.server =
        Some(ServerTable { addresses: vec!["https://192.0.2.7".into()], ca: None, key: "00".repeat(32) });
    let unlocked = yard.unlock(testing::PASSPHRASE).unwrap();
    (dir, yard, unlocked, secret)
}

#[test]
fn a_bundle_is_sealed_kept_and_its_way_back_is_one_higher() {
    let (_dir, mut yard, unlocked, _) = admitted();
    let mut rng = from_seed(1);
    let first = seal_node(&yard, &unlocked, &yard.plan("barn").unwrap(), None, &mut rng).unwrap();
    assert!(first.way_back.is_none());
    let before = latest(&yard, "barn").unwrap().unwrap();
    assert_eq!((before.sequence, before.digest), (first.forward.sequence, first.forward.digest));
    yard.nodes.get_mut("barn").unwrap().door.travel_seconds = 25;
    let plan = yard.plan("barn").unwrap();
    let second = seal_node(&yard, &unlocked, &plan, Some(&before), &mut rng).unwrap();
    let back = second.way_back.unwrap();
    assert!(first.forward.sequence < second.forward.sequence);
    assert_eq!(back.sequence, second.forward.sequence + 1);
    let all = kept(&yard, "barn").unwrap();
    assert_eq!(all.len(), 3);
    assert_eq!(all[2].repeats, Some(before.sequence));
    // The way back holds what the first held, under another salt.
    let (old, again) =
        (open_kept(&unlocked, "barn", &all[0]).unwrap(), open_kept(&unlocked, "barn", &all[2]).unwrap());
    assert_ne!(old.salt, again.salt);
    assert_eq!(pintle_protocol::bundle::Bundle { salt: old.salt, ..again }, old);
    assert_eq!(latest(&yard, "barn").unwrap().unwrap().sequence, second.forward.sequence);
}

#[test]
fn a_broken_rule_seals_nothing_and_uses_no_number() {
    let (_dir, mut yard, unlocked, _) = admitted();
    yard.nodes.get_mut("barn").unwrap().door.pulse_ms = 50;
    let plan = yard.plan("barn").unwrap();
    let error = seal_node(&yard, &unlocked, &plan, None, &mut from_seed(2)).unwrap_err();
    assert!(matches!(&error, SealError::Rules { findings, .. } if findings[0].rule == "R10"), "{error}");
    assert_eq!(yard.sequences().unwrap().last(Role::Bundle), 0);
    assert!(kept(&yard, "barn").unwrap().is_empty());
}

#[test]
fn a_node_that_is_not_admitted_gets_nothing() {
    let (_dir, mut yard, unlocked, _) = admitted();
    yard.nodes.get_mut("barn").unwrap().keys = None;
    let plan = yard.plan("barn").unwrap();
    let error = seal_node(&yard, &unlocked, &plan, None, &mut from_seed(2)).unwrap_err();
    assert!(matches!(error, SealError::NotAdmitted(_)));
}

#[test]
fn no_passphrase_is_in_clear_in_what_is_sealed() {
    let (_dir, yard, unlocked, _) = admitted();
    let sealed = seal_node(&yard, &unlocked, &yard.plan("barn").unwrap(), None, &mut from_seed(3)).unwrap();
    for part in [&b"correct hinges"[..], b"Larkfield", b"Barn door"] {
        assert!(!sealed.forward.bytes.windows(part.len()).any(|w| w == part));
    }
}

#[test]
fn the_same_randomness_seals_the_same_bytes() {
    let seal = || {
        let (_dir, yard, unlocked, _) = admitted();
        let plan = yard.plan("barn").unwrap();
        seal_node(&yard, &unlocked, &plan, None, &mut from_seed(4)).unwrap().forward.bytes
    };
    assert_eq!(seal(), seal());
}
