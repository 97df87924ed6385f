//! Both ways to read and write a message give the same: [`Item`], and the derived traits of minicbor.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]

use super::{Item, Limits, check, decode_message, encode_message};
use crate::bundle::{
    Address, Alarms, Bundle, Door, DoorKind, Network, Policy, SCHEMA, UnattendedClose, WifiChange,
};
use crate::card::StarterCard;
use crate::checkin::{
    Candidate, CheckIn, Claim, Ending, Offer, Outcome, PROTOCOL, Phase, Position, Reply, Running, Wifi,
};
use crate::id::{Digest, NodeId, Nonce, PublicKey, Uuid16};
use crate::slots::{BootRecord, Change, Pair, Part, Slot, SlotImage, SlotText, Trial};
use crate::suit::TrustAnchors;
use crate::version::{ActuationProfile, LinkRange, Version};
use core::fmt::Debug;
use proptest::prelude::*;
use std::vec::Vec;

const LINK: LinkRange = LinkRange { oldest: 1, newest: 3 };
const PROFILE: ActuationProfile = ActuationProfile { id: 300, version: 2 };

fn network(ssid: &[u8]) -> Network {
    Network { ssid: ssid.iter().copied().collect(), passphrase: "published test phrase".try_into().unwrap() }
}

fn addresses() -> heapless::Vec<Address, 3> {
    ["https://192.0.2.7:8443", "http://198.51.100.1"]
        .map(|a| Address(a.try_into().unwrap()))
        .into_iter()
        .collect()
}

fn anchors() -> TrustAnchors {
    TrustAnchors {
        root: PublicKey([1; 32]),
        image: [PublicKey([2; 32]), PublicKey([3; 32])].into_iter().collect(),
        bundle: [PublicKey([4; 32])].into_iter().collect(),
        server: PublicKey([5; 32]),
        server_next: Some(PublicKey([6; 32])),
    }
}

fn bundle() -> Bundle {
    Bundle {
        schema: SCHEMA,
        salt: [7; 16],
        node: NodeId([9; 16]),
        name: "cart shed".try_into().unwrap(),
        networks: [network(b"larkfield"), network(b"larkfield yard")].into_iter().collect(),
        wifi_change: Some(WifiChange { candidate: 1, after_loss_minutes: Some(300) }),
        servers: addresses(),
        checkin_seconds: 70_000,
        door: Door {
            kind: DoorKind::Hatch,
            open_below_mm: 450,
            closed_above_mm: 2100,
            hysteresis_mm: 20,
            temperature_compensated: true,
            pulse_ms: 500,
            gap_ms: 1500,
            travel_seconds: 20,
        },
        close: UnattendedClose {
            enabled: false,
            after_minutes: 30,
            warn_tenths: 80,
            sound: true,
            light: true,
            max_failed: 2,
            blocked_by_co: true,
            photo_sensor: true,
            tone_hz: 2000,
            pulses_tenths: 45,
            flashes_tenths: 20,
        },
        alarms: Alarms {
            co_fast_ppm: Some(300),
            co_slow_ppm: None,
            co_slow_minutes: 60,
            left_open_minutes: Some(15),
            light_on_above: None,
            light_minutes: 30,
            co_curve_a_milli: 99_269,
            co_curve_b_micro: -1_518_033,
            co_r0_ohms: 9_289,
        },
        policy: Policy {
            rest_seconds: 30,
            trial_seconds: 120,
            consent: true,
            supply_min_mv: 4750,
            supply_max_mv: 5250,
        },
    }
}

fn running(slot: u8) -> Running {
    let version = Version::new(1, 20, 300);
    Running { version, digest: Digest([8; 32]), link: LINK, profile: PROFILE, slot }
}

fn outcome() -> Outcome {
    Outcome { envelope: Digest([3; 32]), ending: Ending::WentBack, reason: 400, detail: 70_000 }
}

fn check_in(candidate: Option<Candidate>) -> CheckIn {
    CheckIn {
        protocol: PROTOCOL,
        node: NodeId([9; 16]),
        counter: u64::MAX,
        nonce: Nonce([4; 16]),
        uptime_seconds: 100_000,
        starts: 23,
        net: running(0),
        io: candidate.map(|_| running(1)),
        sequences: [1, 24, 1 << 40],
        bundle: candidate.map(|_| Digest([5; 32])),
        position: Position::PartlyOpen,
        phase: Phase::Trial,
        subject: None,
        holds: 0x4001,
        outcome: candidate.map(|_| outcome()),
        wifi: Wifi { index: 3, rssi_dbm: -71, candidate },
        report: (0..200).collect(),
        supply_mv: 5012,
        relay_pulses: 260,
    }
}

fn record() -> BootRecord {
    let image = SlotImage {
        digest: Digest([1; 32]),
        size: 70_000,
        version: Version::new(1, 0, 2),
        link: LINK,
        profile: PROFILE,
    };
    let text = SlotText { digest: Digest([2; 32]), size: 600, manifest: Digest([3; 32]) };
    let change = Change { part: Part::Conf, manifest: Digest([4; 32]), sequence: 9 };
    BootRecord {
        generation: 12,
        net: Pair { a: Some(image), b: None, active: Slot::A },
        io: Pair { a: None, b: Some(image), active: Slot::B },
        conf: Pair { a: Some(text), b: Some(text), active: Slot::B },
        keys: Pair { a: Some(text), b: None, active: Slot::A },
        sequences: [3, 2, 1],
        counter_ceiling: 4096,
        starts: 17,
        staged: Some(Change { part: Part::Net, ..change }),
        trial: Some(Trial { change, position_before: Position::Closed, starts_left: 2, network_before: 1 }),
        outcome: Some(outcome()),
        network: 1,
        io_due: true,
        in_vain: 3,
    }
}

/// What is written is what minicbor writes, and reads as it was, here and there.
fn same_both_ways<T>(message: &T)
where
    T: Item + for<'b> minicbor::Decode<'b, ()> + minicbor::Encode<()> + PartialEq + Debug,
{
    let mut out = [0; 2048];
    let len = encode_message(message, &mut out).unwrap();
    let other = minicbor::to_vec(message).unwrap();
    assert_eq!(&out[..len], other);
    assert_eq!(encode_message(message, &mut out[..len - 1]), None);
    assert_eq!(&decode_message::<T>(&other).unwrap(), message);
    // Each byte changed in some ways, and each member taken away at the end of the bytes.
    for at in 0..other.len() {
        for change in [1u8, 2, 4, 0x10, 0x20, 0x40, 0x80, 0xff] {
            let mut bytes = other.clone();
            bytes[at] = bytes[at].wrapping_add(change);
            agree::<T>(&bytes);
        }
    }
}

/// Both readers take it and find the same, or neither takes it.
///
/// With one exception, where this one is the stricter: minicbor passes over an optional field in
/// which a number has no meaning yet.
fn agree<T>(bytes: &[u8])
where
    T: Item + for<'b> minicbor::Decode<'b, ()> + PartialEq + Debug,
{
    if check(bytes, Limits::default()).is_err() {
        assert!(decode_message::<T>(bytes).is_err());
        return;
    }
    let mut decoder = minicbor::Decoder::new(bytes);
    let theirs = decoder.decode::<T>().ok().filter(|_| decoder.position() == bytes.len());
    match (decode_message::<T>(bytes), theirs) {
        (Ok(ours), Some(theirs)) => assert_eq!(ours, theirs),
        (Ok(ours), None) => panic!("taken: {ours:?} from {bytes:02x?}"),
        (Err(fault), theirs) => {
            assert!(fault.at() <= bytes.len());
            // What minicbor has then is less than what stands there.
            let less = theirs.as_ref().is_some_and(|m| {
                let mut out = [0; 2048];
                encode_message(m, &mut out).is_some_and(|len| len < bytes.len())
            });
            assert!(theirs.is_none() || less, "refused: {theirs:?} from {bytes:02x?}");
        }
    }
}

#[test]
fn every_message_is_read_and_written_as_minicbor_does() {
    same_both_ways(&bundle());
    same_both_ways(&Bundle { wifi_change: None, networks: heapless::Vec::new(), ..bundle() });
    same_both_ways(&anchors());
    same_both_ways(&TrustAnchors { server_next: None, ..anchors() });
    same_both_ways(&check_in(None));
    same_both_ways(&check_in(Some(Candidate::NotFound)));
    same_both_ways(&record());
    same_both_ways(&BootRecord::default());
    let keys = PublicKey([3; 32]);
    let (node, class, digest) = (NodeId([1; 16]), Uuid16([2; 16]), Digest([4; 32]));
    same_both_ways(&Claim {
        protocol: PROTOCOL,
        node,
        signing_key: keys,
        sealing_key: keys,
        class,
        code_digest: digest,
        proof: digest,
    });
    let offer = Some(Offer { envelope: digest, size: 700 });
    let nonce = Nonce([5; 16]);
    let reply = Reply { protocol: PROTOCOL, nonce, node, time: 1 << 33, next_seconds: 300, offer };
    same_both_ways(&reply);
    same_both_ways(&Reply { offer: None, ..reply });
    same_both_ways(&StarterCard {
        schema: 1,
        node,
        name: "cart shed".try_into().unwrap(),
        vendor: class,
        net_class: class,
        io_class: class,
        code: [6; 16],
        anchors: anchors(),
        servers: addresses(),
        ca: (0..100).collect(),
        network: network(b"larkfield"),
    });
}

#[test]
fn a_record_of_before_is_read_without_its_newest_fields() {
    let known = [BootRecord { in_vain: 0, ..record() }, BootRecord { in_vain: 0, io_due: false, ..record() }];
    let mut bytes = minicbor::to_vec(record()).unwrap();
    for record in known {
        // The map's head counts them; the last key and its value are two bytes.
        bytes.truncate(bytes.len() - 2);
        bytes[0] -= 1;
        assert_eq!(decode_message::<BootRecord>(&bytes).unwrap(), record);
    }
}

#[test]
fn a_number_without_a_meaning_is_refused_even_where_the_field_may_be_missing() {
    let mut bytes =
        minicbor::to_vec(Wifi { index: 1, rssi_dbm: -50, candidate: Some(Candidate::NoServer) }).unwrap();
    *bytes.last_mut().unwrap() = 7;
    let at = bytes.len() - 1;
    assert_eq!(decode_message::<Wifi>(&bytes).unwrap_err().at(), at);
}

proptest! {
    /// Fields in any number, of any kind, under any keys.
    #[test]
    fn any_map_is_judged_as_minicbor_does(
        entries in proptest::collection::btree_map(0u8..24, prop_oneof![
            (0u64..70_000).prop_map(|n| minicbor::to_vec(n).unwrap()),
            (-70_000i64..0).prop_map(|n| minicbor::to_vec(n).unwrap()),
            any::<bool>().prop_map(|b| minicbor::to_vec(b).unwrap()),
            Just(std::vec![0xf6]),
            Just(std::vec![0x80]),
            Just(std::vec![0xa0]),
        ], 0..12),
    ) {
        let mut bytes = std::vec![0xa0 | entries.len() as u8];
        for (key, value) in entries {
            bytes.extend(minicbor::to_vec(key).unwrap());
            bytes.extend::<Vec<u8>>(value);
        }
        agree::<Policy>(&bytes);
        agree::<Alarms>(&bytes);
        agree::<Door>(&bytes);
        agree::<WifiChange>(&bytes);
        agree::<UnattendedClose>(&bytes);
    }
}
