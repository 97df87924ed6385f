//! The whole node on a virtual board, with a pretend server.

use super::node::Node;
use crate::board::{Board, Event};
use crate::bundle::Bundle;
use crate::bundle::sample::network;
use crate::checkin::{Ending, Position};
use crate::cose::SigningKey;
use crate::id::{Chip, Digest, PublicKey};
use crate::image::{ImageNote, Quirk};
use crate::interlock::{Hold, Holds};
use crate::reason::Reason;
use crate::sim::rig::{Rig, VENDOR};
use crate::sim::{AccessPoint, Door, LAYOUT, Stale, sample};
use crate::slots::Slot;
use crate::version::{LinkRange, Version};
use std::vec::Vec;

pub(crate) fn image(chip: Chip, minor: u16, link: (u8, u8), quirk: Quirk) -> Vec<u8> {
    let link = LinkRange { oldest: link.0, newest: link.1 };
    sample::image(&ImageNote { quirk, ..sample::note(chip, minor, link) }, 9576)
}

pub(crate) fn bundle(networks: &[&str]) -> Bundle {
    let networks = networks.iter().map(|ssid| network(ssid)).collect();
    Bundle { networks, ..crate::bundle::sample::bundle() }
}

pub(crate) fn sealed(rig: &Rig, bundle: &Bundle, sequence: u64) -> Vec<u8> {
    let sealing_key = rig.server.claim.as_ref().unwrap().sealing_key;
    sample::bundle_envelope(bundle, sequence, sealing_key, &rig.yard.bundle).unwrap()
}

pub(crate) fn packed(rig: &Rig, chip: Chip, image: &[u8], sequence: u64) -> Vec<u8> {
    let note = ImageNote { chip, ..ImageNote::find(image).unwrap() };
    sample::image_envelope(image, &note, sequence, &rig.yard.image).unwrap()
}

/// A node with a bundle in force, its door closed.
pub(crate) fn commissioned() -> Rig {
    commissioned_with(&image(Chip::Io, 0, (1, 1), Quirk::None))
}

/// The same, with this image on its io chip.
pub(crate) fn commissioned_with(io: &[u8]) -> Rig {
    let net = image(Chip::Net, 0, (1, 1), Quirk::None);
    let mut rig = Rig::new(&net, io, Door::at_rest(false), network("larkfield"));
    assert!(rig.until(120, |r| r.server.seen.is_some()).unwrap(), "no check-in");
    let envelope = sealed(&rig, &bundle(&["larkfield"]), 1);
    let digest = rig.offer(envelope, None);
    assert!(rig.until(900, |r| ended(r, digest).is_some()).unwrap(), "no end");
    assert_eq!(ended(&rig, digest), Some((Ending::Kept, 0)));
    rig
}

/// The same, its bundle asking for consent by its button.
pub(crate) fn asks_consent() -> Rig {
    let mut rig = commissioned();
    let mut b = bundle(&["larkfield"]);
    b.policy.consent = true;
    let envelope = sealed(&rig, &b, 2);
    let digest = rig.offer(envelope, None);
    assert!(rig.until(900, |r| ended(r, digest) == Some((Ending::Kept, 0))).unwrap());
    rig
}

/// How an update ended, as the server has heard it.
pub(crate) fn ended(rig: &Rig, digest: Digest) -> Option<(Ending, u16)> {
    let outcome = rig.server.seen.as_ref()?.outcome?;
    (outcome.envelope == digest).then_some((outcome.ending, outcome.reason))
}

fn on_trial(rig: &Rig) -> bool {
    rig.record().is_some_and(|r| r.trial.is_some())
}

/// Offers an image, and waits for its end.
pub(crate) fn run_image(rig: &mut Rig, chip: Chip, image: &[u8], sequence: u64) -> (Ending, u16) {
    let envelope = packed(rig, chip, image, sequence);
    taken(rig, envelope, Some(image))
}

/// Offers an envelope, and waits for its end.
pub(crate) fn taken(rig: &mut Rig, envelope: Vec<u8>, payload: Option<&[u8]>) -> (Ending, u16) {
    let digest = rig.offer(envelope, payload);
    assert!(rig.until(4000, |r| ended(r, digest).is_some()).unwrap(), "no end");
    ended(rig, digest).unwrap()
}

#[test]
fn a_new_node_claims_and_takes_its_first_bundle() {
    let rig = commissioned();
    let seen = rig.server.seen.as_ref().unwrap();
    assert_eq!(seen.position, Position::Closed);
    assert_eq!(seen.sequences, [0, 0, 1]);
    assert_eq!(seen.relay_pulses, 0);
}

#[test]
fn a_network_that_no_longer_reaches_the_server_gives_way_to_the_next() {
    let mut rig = commissioned();
    rig.air.points.push(AccessPoint::new("meadow", "published test phrase"));
    let envelope = sealed(&rig, &bundle(&["larkfield", "meadow"]), 2);
    let digest = rig.offer(envelope, None);
    assert!(rig.until(900, |r| ended(r, digest) == Some((Ending::Kept, 0))).unwrap());
    // It is on the air as before, only nobody is behind it.
    rig.air.points[0].reaches_server = false;
    assert!(rig.until(12 * 60, |r| r.record().is_some_and(|b| b.network == 1)).unwrap());
    rig.air.points[0].reaches_server = true;
    rig.air.points[1].reaches_server = false;
    assert!(rig.until(12 * 60, |r| r.record().is_some_and(|b| b.network == 0)).unwrap());
}

/// The longest time between two check-ins in half an hour.
fn longest_gap(rig: &mut Rig) -> u32 {
    let (mut last, mut at, mut longest) = (rig.server.seen.as_ref().unwrap().counter, 0, 0);
    for second in 0..1800 {
        rig.second().unwrap();
        let counter = rig.server.seen.as_ref().unwrap().counter;
        if counter != last {
            longest = longest.max(second - at);
            (last, at) = (counter, second);
        }
    }
    longest
}

#[test]
fn the_server_may_ask_for_a_check_in_sooner_than_the_owner_but_not_later() {
    let mut rig = commissioned();
    // The owner asks for one every 300 seconds.
    for (asked, expected) in [(60, 60), (299, 299), (300, 300), (301, 300), (86_400, 300), (u32::MAX, 300)] {
        rig.server.next_seconds = asked;
        // The one that is under way by what was asked before.
        rig.until(400, |_| false).unwrap();
        let longest = longest_gap(&mut rig);
        assert!((expected..=expected + 3).contains(&longest), "{asked}: {longest}");
    }
}

#[test]
fn a_door_used_while_the_wifi_is_proved_does_not_send_it_back() {
    let mut rig = commissioned();
    rig.air.points.push(AccessPoint::new("meadow", "published test phrase"));
    let mut next = bundle(&["larkfield", "meadow"]);
    next.wifi_change = Some(crate::bundle::WifiChange { candidate: 1, after_loss_minutes: None });
    let envelope = sealed(&rig, &next, 2);
    let digest = rig.offer(envelope, None);
    assert!(rig.until(900, on_trial).unwrap());
    // By the controller's own button, which works as ever: it stops the door, too.
    for _ in 0..3 {
        let board = rig.board();
        assert!(board.io.press(&mut board.door), "a press in vain");
        (0..3).for_each(|_| rig.second().unwrap());
    }
    assert!(rig.until(900, |r| ended(r, digest).is_some()).unwrap(), "no end");
    assert_eq!(ended(&rig, digest), Some((Ending::Kept, 0)));
}

#[test]
fn the_buttons_relay_is_dead_from_the_first_moment_of_a_trial_that_touches_the_door() {
    let mut rig = commissioned();
    let mut next = bundle(&["larkfield"]);
    next.alarms.left_open_minutes = Some(20);
    let envelope = sealed(&rig, &next, 2);
    let digest = rig.offer(envelope, None);
    for _ in 0..900 {
        rig.second().unwrap();
        if on_trial(&rig) {
            let board = rig.board();
            assert!(!board.io.press(&mut board.door), "the relay pulsed during a trial");
        }
    }
    assert_eq!(ended(&rig, digest), Some((Ending::Kept, 0)));
}

#[test]
fn both_chips_are_updated_one_after_the_other() {
    let mut rig = commissioned();
    let net = image(Chip::Net, 1, (1, 2), Quirk::None);
    let io = image(Chip::Io, 1, (1, 2), Quirk::None);
    assert_eq!(run_image(&mut rig, Chip::Net, &net, 1), (Ending::Kept, 0));
    assert_eq!(run_image(&mut rig, Chip::Io, &io, 2), (Ending::Kept, 0));
    let seen = rig.server.seen.as_ref().unwrap();
    assert_eq!(seen.net.version, Version::new(1, 1, 0));
    assert_eq!(seen.io.unwrap().version, Version::new(1, 1, 0));
    assert_eq!((seen.relay_pulses, seen.sequences), (0, [0, 2, 1]));
}

#[test]
fn bad_images_go_back_by_themselves_each_for_its_own_reason() {
    let cases = [
        (Chip::Net, Quirk::MuteLink, Reason::NoHandshake),
        (Chip::Net, Quirk::NoCheckIn, Reason::NoCheckIn),
        (Chip::Net, Quirk::ResetLoop, Reason::Resets),
        (Chip::Io, Quirk::MuteLink, Reason::NoHandshake),
        (Chip::Io, Quirk::WrongPosition, Reason::PositionDiffers),
        (Chip::Io, Quirk::ResetLoop, Reason::Resets),
    ];
    for (chip, quirk, reason) in cases {
        let mut rig = commissioned();
        let bad = image(chip, 2, (1, 1), quirk);
        assert_eq!(run_image(&mut rig, chip, &bad, 1), (Ending::WentBack, reason.code()), "{quirk:?}");
        let seen = rig.server.seen.as_ref().unwrap();
        assert_eq!((seen.net.version, seen.relay_pulses), (Version::new(1, 0, 0), 0));
        assert_eq!(seen.sequences, [0, 0, 1], "a lost trial keeps no number");
        // And the chip that went back works again: the next good image is kept.
        let good = image(chip, 3, (1, 2), Quirk::None);
        assert_eq!(run_image(&mut rig, chip, &good, 2), (Ending::Kept, 0), "{quirk:?}");
    }
}

/// An image that used up its starts does not look after the door for one moment more.
#[test]
fn an_image_that_is_given_up_at_its_start_says_and_asks_nothing() {
    let mut rig = commissioned();
    let bad = image(Chip::Net, 2, (1, 1), Quirk::ResetLoop);
    let envelope = packed(&rig, Chip::Net, &bad, 1);
    let digest = rig.offer(envelope, Some(&bad));
    let last = |r: &Rig| r.record().and_then(|b| b.trial).is_some_and(|t| t.starts_left == 0);
    assert!(rig.until(4000, last).unwrap());
    assert_eq!(rig.board().running(), Some(Slot::B));
    rig.power_cycle();
    let mut board = rig.dark.take().unwrap();
    board.load();
    let asked = board.io.asked();
    let mut node = Node::start(board).map_err(|(fault, _)| fault).unwrap();
    assert!(node.board.wants_restart());
    for now in 0..50 {
        node.poll(now * 1000, Event::Joined { rssi_dbm: -50 }).unwrap();
        assert_eq!((node.board.io.asked(), node.board.take_pending()), (asked, None));
    }
    let mut board = node.board;
    board.reset();
    let node = board.start().map_err(|(fault, _)| fault).unwrap();
    assert_eq!(node.board.running(), Some(Slot::A));
    let outcome = node.agent().record().outcome.unwrap();
    assert_eq!((outcome.envelope, outcome.reason), (digest, Reason::Resets.code()));
}

/// A boot loader that finds an image damaged which the node finds whole would choose the other one for ever.
#[test]
fn an_image_that_the_boot_loader_passes_over_no_longer_counts() {
    for on_trial in [false, true] {
        let mut rig = commissioned();
        let new = image(Chip::Net, 1, (1, 2), Quirk::None);
        let envelope = packed(&rig, Chip::Net, &new, 1);
        let digest = rig.offer(envelope, Some(&new));
        let there =
            |r: &Rig| r.record().is_some_and(|b| b.net.active == Slot::B && b.trial.is_some() == on_trial);
        assert!(rig.until(4000, there).unwrap());
        rig.power_cycle();
        let mut board = rig.dark.take().unwrap();
        board.load();
        board.running = Slot::A;
        let node = Node::start(board).map_err(|(fault, _)| fault).unwrap();
        assert!(!node.board.wants_restart(), "it would start again and again");
        let record = node.agent().record();
        assert_eq!((record.net.active, record.trial), (Slot::A, None));
        let ending = if on_trial { Reason::PayloadWrong.code() } else { 0 };
        assert_eq!(record.outcome.map(|o| (o.envelope, o.reason)), Some((digest, ending)));
    }
}

/// Where no record can be kept any more, another start would choose the same image again, and so on for ever.
#[test]
fn a_node_that_cannot_keep_that_it_gave_up_an_image_goes_on_with_it() {
    let mut rig = commissioned();
    let bad = image(Chip::Net, 2, (1, 1), Quirk::ResetLoop);
    let envelope = packed(&rig, Chip::Net, &bad, 1);
    rig.offer(envelope, Some(&bad));
    let last = |r: &Rig| r.record().and_then(|b| b.trial).is_some_and(|t| t.starts_left == 0);
    assert!(rig.until(4000, last).unwrap());
    for sector in LAYOUT.record {
        rig.board().flash.wear_out(sector, Stale::Told);
        rig.board().flash.stick(sector + 2048, 0xff, false);
    }
    rig.power_cycle();
    let mut board = rig.dark.take().unwrap();
    board.load();
    let node = Node::start(board).map_err(|(fault, _)| fault).unwrap();
    assert!(!node.board.wants_restart());
}

#[test]
fn a_door_in_use_makes_the_update_wait_and_says_why() {
    let mut rig = commissioned();
    let net = image(Chip::Net, 1, (1, 2), Quirk::None);
    let envelope = packed(&rig, Chip::Net, &net, 1);
    let digest = rig.offer(envelope, Some(&net));
    for n in 0..600 {
        if n % 25 == 0 {
            rig.board().door.used();
        }
        rig.second().unwrap();
    }
    assert_eq!(ended(&rig, digest), None);
    let holds = Holds::from_bits(rig.server.seen.as_ref().unwrap().holds);
    assert!(holds.has(Hold::NotYetAtRest) || holds.has(Hold::DoorMoving), "{holds:?}");
    assert!(rig.until(900, |r| ended(r, digest).is_some()).unwrap());
    assert_eq!(ended(&rig, digest), Some((Ending::Kept, 0)));
}

#[test]
fn an_image_that_the_other_chip_would_not_understand_is_refused() {
    let mut rig = commissioned();
    let net = image(Chip::Net, 1, (2, 3), Quirk::None);
    assert_eq!(run_image(&mut rig, Chip::Net, &net, 1), (Ending::Refused, Reason::PairWouldBreak.code()));
}

#[test]
fn the_wifi_changes_by_proving_the_new_one_first() {
    let mut rig = commissioned();
    rig.air.points.push(AccessPoint::new("larkfield-2", "published test phrase"));
    let mut b = bundle(&["larkfield", "larkfield-2"]);
    b.wifi_change = Some(crate::bundle::WifiChange { candidate: 1, after_loss_minutes: None });
    let envelope = sealed(&rig, &b, 2);
    let digest = rig.offer(envelope, None);
    assert!(rig.until(900, |r| ended(r, digest).is_some()).unwrap());
    assert_eq!(ended(&rig, digest), Some((Ending::Kept, 0)));
    let wifi = rig.server.seen.as_ref().unwrap().wifi;
    assert_eq!((wifi.index, wifi.candidate), (1, Some(crate::checkin::Candidate::Proved)));
    // The old network goes; the node stays.
    rig.air.points[0].on = false;
    let before = rig.server.seen.as_ref().unwrap().counter;
    assert!(rig.until(200, |r| r.server.seen.as_ref().unwrap().counter > before + 2).unwrap());
}

/// The proof that one bundle had to bring is not asked of those that come after it.
#[test]
fn after_a_proved_candidate_other_bundles_are_kept_and_the_old_network_can_go() {
    let change = Some(crate::bundle::WifiChange { candidate: 1, after_loss_minutes: None });
    let both = Bundle { wifi_change: change, ..bundle(&["larkfield", "larkfield-2"]) };
    for next in [
        bundle(&["larkfield-2"]),
        bundle(&["larkfield", "larkfield-2"]),
        Bundle {
            wifi_change: Some(crate::bundle::WifiChange { candidate: 1, after_loss_minutes: Some(9) }),
            ..both.clone()
        },
        both.clone(),
    ] {
        let mut rig = commissioned();
        rig.air.points.push(AccessPoint::new("larkfield-2", "published test phrase"));
        for (sequence, bundle) in [(2, &both), (3, &next)] {
            let envelope = sealed(&rig, bundle, sequence);
            let digest = rig.offer(envelope, None);
            assert!(rig.until(1200, |r| ended(r, digest).is_some()).unwrap(), "no end");
            assert_eq!(ended(&rig, digest), Some((Ending::Kept, 0)), "{sequence}, {next:?}");
        }
    }
}

#[test]
fn a_candidate_with_a_wrong_passphrase_goes_back_and_the_node_stays_in_touch() {
    let mut rig = commissioned();
    rig.air.points.push(AccessPoint::new("larkfield-2", "another phrase altogether"));
    let mut b = bundle(&["larkfield", "larkfield-2"]);
    b.wifi_change = Some(crate::bundle::WifiChange { candidate: 1, after_loss_minutes: None });
    let envelope = sealed(&rig, &b, 2);
    let digest = rig.offer(envelope, None);
    assert!(rig.until(900, |r| ended(r, digest).is_some()).unwrap());
    assert_eq!(ended(&rig, digest), Some((Ending::WentBack, Reason::WrongPassphrase.code())));
}

#[test]
fn a_candidate_that_waits_for_loss_takes_over_when_the_old_one_has_gone() {
    let mut rig = commissioned();
    let mut b = bundle(&["larkfield", "larkfield-2"]);
    b.wifi_change = Some(crate::bundle::WifiChange { candidate: 1, after_loss_minutes: Some(5) });
    let envelope = sealed(&rig, &b, 2);
    let digest = rig.offer(envelope, None);
    assert!(rig.until(900, |r| ended(r, digest).is_some()).unwrap());
    assert_eq!(ended(&rig, digest), Some((Ending::Kept, 0)));
    rig.air.points[0] = AccessPoint::new("larkfield-2", "published test phrase");
    let before = rig.server.seen.as_ref().unwrap().counter;
    assert!(rig.until(600, |r| r.server.seen.as_ref().unwrap().counter > before + 1).unwrap());
    assert_eq!(rig.server.seen.as_ref().unwrap().wifi.candidate, Some(crate::checkin::Candidate::Proved));
}

#[test]
fn a_lossy_link_slows_but_never_spoils_an_update() {
    let mut rig = commissioned();
    rig.board().io.loses_one_in = 10;
    rig.board().io.flips_one_in = 15;
    let io = image(Chip::Io, 1, (1, 2), Quirk::None);
    assert_eq!(run_image(&mut rig, Chip::Io, &io, 1), (Ending::Kept, 0));
}

#[test]
fn a_lost_answer_to_start_does_not_spoil_an_io_image() {
    let mut rig = commissioned();
    rig.board().io.loses_answer_to_start = true;
    let io = image(Chip::Io, 1, (1, 2), Quirk::None);
    assert_eq!(run_image(&mut rig, Chip::Io, &io, 1), (Ending::Kept, 0));
    assert!(!rig.board().io.loses_answer_to_start, "it was not lost");
}

#[test]
fn a_replayed_envelope_is_refused() {
    let mut rig = commissioned();
    let one = image(Chip::Net, 1, (1, 2), Quirk::None);
    let two = image(Chip::Net, 2, (1, 2), Quirk::None);
    assert_eq!(run_image(&mut rig, Chip::Net, &one, 4), (Ending::Kept, 0));
    assert_eq!(run_image(&mut rig, Chip::Net, &two, 4), (Ending::Refused, Reason::SequenceOld.code()));
    assert_eq!(run_image(&mut rig, Chip::Net, &two, 3), (Ending::Refused, Reason::SequenceOld.code()));
    assert_eq!(run_image(&mut rig, Chip::Net, &two, 5), (Ending::Kept, 0));
}

/// A command that this node cannot carry out is found before the spare slot is touched, wherever
/// it stands.
#[test]
fn commands_without_use_here_are_refused_before_anything_is_touched() {
    use crate::cbor::Writer;
    use crate::cose::sign1;
    let mut rig = commissioned();
    // A staged change fills the spare slot of the bundle, so that there is something to lose.
    let before = rig.record().unwrap().clone();
    for (component, code, key) in [
        (&b"net"[..], 22u64, &rig.yard.image),
        (b"net", 6, &rig.yard.image),
        (b"io", 18, &rig.yard.image),
        (b"conf", 21, &rig.yard.bundle),
        (b"keys", 22, &rig.yard.root),
    ]
    .map(|(c, n, k)| (c, n, k.clone()))
    {
        let bytes = |fill: &dyn Fn(&mut Writer<Vec<u8>>)| {
            let mut w = Writer(Vec::new());
            fill(&mut w);
            w.0
        };
        // A good write or fetch first; the odd command comes behind it, in an alternative.
        let inner = bytes(&|w| _ = w.array(2).uint(code).uint(2));
        let abort = bytes(&|w| _ = w.array(2).uint(14).uint(15));
        let first = if component.len() > 3 { 18 } else { 21 };
        let section = if code == 6 { 7u64 } else { 20 };
        let commands = bytes(&|w| {
            let own = usize::from(section == 20);
            w.array(2 + 2 * own);
            if own == 1 {
                w.uint(first).uint(2);
            }
            w.uint(15).array(2).bytes(&abort).bytes(&inner);
        });
        let common = bytes(&|w| _ = w.map(1).uint(2).array(1).array(1).bytes(component));
        let manifest = bytes(&|w| {
            w.map(4).uint(1).uint(1).uint(2).uint(900).uint(3).bytes(&common);
            w.uint(section).bytes(&commands);
        });
        let wrapped = bytes(&|w| _ = w.bytes(&manifest));
        let digest = bytes(&|w| _ = w.array(2).int(-16).bytes(&Digest::of(&wrapped).0));
        let mut block = [0; 160];
        let len = sign1::sign_detached(&key, None, &digest, &[], &mut block).unwrap();
        let wrapper = bytes(&|w| _ = w.array(2).bytes(&digest).bytes(&block[..len]));
        let envelope = bytes(&|w| _ = w.tag(107).map(2).uint(2).bytes(&wrapper).uint(3).bytes(&manifest));
        let offered = rig.offer(envelope, None);
        assert!(rig.until(300, |r| ended(r, offered).is_some()).unwrap(), "no end");
        // The report names the very byte, inside the alternative.
        let report = crate::suit::read_report(&rig.server.seen.as_ref().unwrap().report).unwrap();
        let crate::suit::ReadEnding::Failed { record, .. } = report.ending else { panic!("{report:?}") };
        assert_eq!(record.section.map(|s| u64::from(s.number())), Some(section));
        assert_eq!(u64::from(commands[record.offset as usize]), code);
        let outcome = rig.server.seen.as_ref().unwrap().outcome.unwrap();
        assert_eq!((outcome.ending, outcome.reason), (Ending::Refused, Reason::Unsupported.code()));
        assert_eq!(u64::from(outcome.detail), code, "{}", core::str::from_utf8(component).unwrap());
        let now = rig.record().unwrap();
        assert_eq!(
            (&now.net, &now.io, &now.conf, &now.keys),
            (&before.net, &before.io, &before.conf, &before.keys)
        );
        assert_eq!(now.sequences, before.sequences);
    }
}

/// Sends a set of trust anchors, and says how it ended.
fn send_keys(
    rig: &mut Rig,
    sequence: u64,
    anchors: &crate::suit::TrustAnchors,
    key: &SigningKey,
) -> (Ending, u16) {
    let m = crate::author::KeysManifest { vendor: VENDOR, sequence, reference_uri: "keys" };
    let digest = rig.offer(m.envelope(anchors, key).unwrap(), None);
    assert!(rig.until(4000, |r| ended(r, digest).is_some()).unwrap(), "no end");
    ended(rig, digest).unwrap()
}

/// Every role's key in turn: the new one counts, the old one no longer does, and a set under which
/// the server is not heard goes back by itself.
#[test]
fn keys_change_one_after_the_other() {
    let mut rig = commissioned();
    let key = |n: u8| SigningKey::from_bytes(&[n; 32]);
    let public = |n: u8| PublicKey(key(n).verifying_key().to_bytes());
    let in_force = |rig: &Rig| rig.node.as_ref().unwrap().agent().anchors().clone();
    let first = rig.yard.anchors();
    let (root, old_image) = (rig.yard.root.clone(), rig.yard.image.clone());
    let refused = |reason: Reason| (Ending::Refused, reason.code());
    const KEPT: (Ending, u16) = (Ending::Kept, 0);

    // Signed by a key that may not; a server that cannot answer under it.
    assert_eq!(send_keys(&mut rig, 1, &first, &old_image), refused(Reason::RoleWrong));
    let deaf = crate::suit::TrustAnchors { server: public(40), ..first.clone() };
    assert_eq!(send_keys(&mut rig, 2, &deaf, &root), (Ending::WentBack, Reason::NoCheckIn.code()));
    assert_eq!(in_force(&rig), first);

    // A second image key: both count. Then the new one alone.
    let mut both = first.clone();
    both.image.push(public(41)).unwrap();
    assert_eq!(send_keys(&mut rig, 3, &both, &root), KEPT);
    rig.power_cycle();
    let bytes = image(Chip::Net, 1, (1, 1), Quirk::None);
    assert_eq!(run_image(&mut rig, Chip::Net, &bytes, 1), KEPT);
    let alone = crate::suit::TrustAnchors { image: [public(41)].into_iter().collect(), ..first.clone() };
    assert_eq!(send_keys(&mut rig, 4, &alone, &root), KEPT);
    let bytes = image(Chip::Net, 2, (1, 1), Quirk::None);
    assert_eq!(run_image(&mut rig, Chip::Net, &bytes, 2), refused(Reason::SignatureWrong));
    rig.yard.image = key(41);
    assert_eq!(run_image(&mut rig, Chip::Net, &bytes, 3), KEPT);

    // A new root key, signed in by the old one; then the old one says nothing more.
    let new_root = crate::suit::TrustAnchors { root: public(42), ..alone.clone() };
    assert_eq!(send_keys(&mut rig, 5, &new_root, &root), KEPT);
    assert_eq!(send_keys(&mut rig, 6, &alone, &root), refused(Reason::SignatureWrong));
    assert_eq!(in_force(&rig), new_root);

    // The server's: either while there are two, then the new one alone.
    let two = crate::suit::TrustAnchors { server_next: Some(public(43)), ..new_root.clone() };
    assert_eq!(send_keys(&mut rig, 7, &two, &key(42)), KEPT);
    rig.yard.server = key(43);
    let last = crate::suit::TrustAnchors { server: public(43), server_next: None, ..new_root };
    assert_eq!(send_keys(&mut rig, 8, &last, &key(42)), KEPT);
    assert_eq!(in_force(&rig), last);
    assert_eq!(rig.record().unwrap().sequences[0], 8);
    assert_eq!(rig.board().io.relay_pulses(), 0);
}

#[test]
fn new_trust_anchors_are_kept_although_the_door_is_used_all_the_time() {
    use crate::author::KeysManifest;
    let mut rig = commissioned();
    let m = KeysManifest { vendor: VENDOR, sequence: 1, reference_uri: "keys" };
    let mut anchors = rig.yard.anchors();
    let other = crate::cose::SigningKey::from_bytes(&[77; 32]);
    anchors.image.push(crate::id::PublicKey(other.verifying_key().to_bytes())).unwrap();
    let envelope = m.envelope(&anchors, &rig.yard.root).unwrap();
    let digest = rig.offer(envelope, None);
    for n in 0..900 {
        if n % 14 == 0 {
            rig.board().door.used();
        }
        rig.second().unwrap();
    }
    assert_eq!(ended(&rig, digest), Some((Ending::Kept, 0)));
}

#[test]
fn a_press_on_the_button_is_for_what_waited_when_it_was_given() {
    let mut rig = asks_consent();

    let staged = |r: &Rig, digest| r.record().is_some_and(|b| b.staged.is_some_and(|s| s.manifest == digest));
    let wait = |rig: &mut Rig, digest| {
        for n in 0..600 {
            // The door is used, so that nothing is applied yet.
            if n % 14 == 0 {
                rig.board().door.used();
            }
            rig.second().unwrap();
            if staged(rig, digest) {
                return;
            }
        }
        panic!("never staged");
    };
    let first = image(Chip::Net, 1, (1, 2), Quirk::None);
    let envelope = packed(&rig, Chip::Net, &first, 1);
    let digest = rig.offer(envelope, Some(&first));
    wait(&mut rig, digest);
    rig.board().press_own_button();
    rig.second().unwrap();

    let second = image(Chip::Net, 2, (1, 2), Quirk::None);
    let envelope = packed(&rig, Chip::Net, &second, 2);
    let digest = rig.offer(envelope, Some(&second));
    wait(&mut rig, digest);
    assert!(!rig.until(200, |r| ended(r, digest).is_some()).unwrap());
    let holds = rig.node.as_ref().unwrap().agent().holds();
    assert_eq!(holds.iter().collect::<Vec<_>>(), [Hold::ConsentMissing]);
    rig.board().press_own_button();
    assert!(rig.until(900, |r| ended(r, digest) == Some((Ending::Kept, 0))).unwrap());
}

#[test]
fn an_io_chip_left_mute_by_a_power_cut_gets_its_image_back() {
    let mut rig = commissioned();
    let mute = image(Chip::Io, 2, (1, 1), Quirk::MuteLink);
    let envelope = packed(&rig, Chip::Io, &mute, 1);
    let digest = rig.offer(envelope, Some(&mute));
    let quirk = |r: &mut Rig| r.board().io.note().map(|n| n.quirk);
    // Up to the moment at which the node has gone back, and the chip has not.
    for _ in 0..4000 {
        rig.second().unwrap();
        let back = rig.record().is_some_and(|r| r.outcome.is_some_and(|o| o.envelope == digest));
        if back {
            break;
        }
    }
    assert_eq!(quirk(&mut rig), Some(Quirk::MuteLink));
    rig.power_cycle();
    let works = |r: &Rig| {
        let Some(node) = &r.node else { return false };
        let want = node.agent().record().io.current().unwrap().digest;
        node.sense().hello.is_some_and(|h| h.runs(&want))
    };
    assert!(rig.until(900, works).unwrap(), "it stays mute");
    assert_eq!(rig.board().io.relay_pulses(), 0);
    assert_eq!(quirk(&mut rig), Some(Quirk::None));
}
