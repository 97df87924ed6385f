//! What fits the room there is.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]

use super::*;
use crate::board::{Area, Board, Event, LayoutFault};
use crate::cbor::encode_message;
use crate::checkin::{
    Candidate, CheckIn, Claim, Ending, MAX_REPORT, Outcome, Phase, Position, Running, Wifi,
};
use crate::cose::{AAD_CHECK_IN, SigningKey, sign1};
use crate::id::{Digest, NodeId, Nonce, PublicKey, Uuid16};
use crate::reason::Reason;
use crate::sim::{Chance, Door, VirtualBoard};
use crate::slots::Part;
use crate::version::{ActuationProfile, LinkRange, Version};
use std::vec;

#[test]
fn the_longest_check_in_can_be_sent() {
    let digest = Digest([0xff; 32]);
    let running = Running {
        version: Version::new(u16::MAX, u16::MAX, u16::MAX),
        digest,
        link: LinkRange { oldest: 255, newest: 255 },
        profile: ActuationProfile { id: u16::MAX, version: 255 },
        slot: 255,
    };
    let longest = CheckIn {
        protocol: 255,
        node: NodeId([0xff; 16]),
        counter: u64::MAX,
        nonce: Nonce([0xff; 16]),
        uptime_seconds: u32::MAX,
        starts: u32::MAX,
        net: running,
        io: Some(running),
        sequences: [u64::MAX; 3],
        bundle: Some(digest),
        position: Position::Closed,
        phase: Phase::Trial,
        subject: Some(digest),
        holds: u32::MAX,
        outcome: Some(Outcome {
            envelope: digest,
            ending: Ending::Refused,
            reason: u16::MAX,
            detail: u32::MAX,
        }),
        wifi: Wifi { index: 255, rssi_dbm: i8::MIN, candidate: Some(Candidate::NoServer) },
        report: core::iter::repeat_n(0xff, MAX_REPORT).collect(),
        supply_mv: u16::MAX,
        relay_pulses: u32::MAX,
    };
    let mut plain = [0; OUT_MAX - talk::SIGNED_OVERHEAD];
    let len = encode_message(&longest, &mut plain).unwrap();
    let mut out = [0; OUT_MAX];
    let signed =
        sign1::sign_attached(&SigningKey::from_bytes(&[1; 32]), None, &plain[..len], AAD_CHECK_IN, &mut out);
    assert_eq!(signed, Ok(len + talk::SIGNED_OVERHEAD));
}

#[test]
fn the_longest_claim_can_be_sent() {
    let (key, digest) = (PublicKey([0xff; 32]), Digest([0xff; 32]));
    let longest = Claim {
        protocol: 255,
        node: NodeId([0xff; 16]),
        signing_key: key,
        sealing_key: key,
        class: Uuid16([0xff; 16]),
        code_digest: digest,
        proof: digest,
    };
    assert!(encode_message(&longest, &mut [0; OUT_MAX - talk::SIGNED_OVERHEAD]).is_some());
}

#[test]
fn the_longest_envelope_leaves_room_for_a_message() {
    let mut scratch = Scratch::new();
    assert!(scratch.keep_envelope(&[7; ENVELOPE_MAX]));
    let (envelope, mut rest) = scratch.split();
    assert_eq!((envelope.len(), rest.room().len()), (ENVELOPE_MAX, OUT_MAX));
    assert!(rest.fill(&[8; OUT_MAX + 1]).is_none());
    assert_eq!(rest.fill(&[8; OUT_MAX]).map(|b| b.len()), Some(OUT_MAX));
    assert!(scratch.envelope().iter().all(|b| *b == 7) && scratch.rest() == [8; OUT_MAX]);
    // One that does not fit leaves nothing behind, and neither does other work.
    assert!(!scratch.keep_envelope(&[7; ENVELOPE_MAX + 1]));
    assert!(scratch.envelope().is_empty() && scratch.rest().is_empty());
    assert!(scratch.keep_envelope(b"envelope"));
    assert_eq!(scratch.work().len(), ENVELOPE_AND_TEXT_MAX);
    assert!(scratch.envelope().is_empty());
}

/// The longest bundle goes with an envelope that has so much around it.
#[test]
fn the_longest_bundle_fits_beside_its_envelope() {
    let mut scratch = Scratch::new();
    assert!(scratch.keep_envelope(&[7; BUNDLE_MAX + OUT_MAX]));
    assert_eq!(scratch.split().1.fill(&[8; BUNDLE_MAX]).map(|b| b.len()), Some(BUNDLE_MAX));
}

/// More than the room is refused with how much it is, before any of it is looked at; so is one bundle too long.
#[test]
fn a_text_that_does_not_fit_beside_its_envelope_is_refused() {
    let mut scratch = Scratch::new();
    let agent = machine::Agent::blank();
    let mut taken = |envelope: usize, text: usize| {
        assert!(scratch.keep_envelope(&vec![7; envelope]));
        agent.check_text(Part::Keys, &vec![0; text], None, &mut scratch.split().1).unwrap_err()
    };
    let room = ENVELOPE_AND_TEXT_MAX - 4000;
    assert_eq!(taken(4000, room + 1), (Reason::TooLarge, room as u32 + 1));
    assert_eq!(taken(4000, room).0, Reason::KeysBroken);
    assert_eq!(taken(100, BUNDLE_MAX + 1), (Reason::TooLarge, BUNDLE_MAX as u32 + 1));
    assert_eq!(taken(100, BUNDLE_MAX).0, Reason::KeysBroken);
}

#[test]
fn a_node_that_has_not_started_does_nothing() {
    let door = Door::at_rest(false);
    let board =
        |image: &[u8]| VirtualBoard::new("here", image, image, &[], door.clone(), Chance::new(1, "room"));
    let mut node = Node::new(board(&[7; 64]));
    assert_eq!(node.poll(0, Event::Nothing), Err(NodeFault::NotStarted));
    assert_eq!(node.boot(), Err(BootFault::BadCard { at: 0 }));
    assert_eq!(node.poll(1, Event::Nothing), Err(NodeFault::NotStarted));
    // A layout that cannot be is refused before anything is read.
    let mut node = Node::new(board(&[]));
    let fault = LayoutFault::Factory { area: Area::Net, size: 0, room: node.board.layout().net_room };
    assert_eq!(node.boot(), Err(BootFault::Layout(fault)));
    assert_eq!(node.board.flash.operations(), 0);
}
