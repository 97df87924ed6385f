//! Power is cut at every flash operation of an update, on either chip: after each cut the node
//! boots, is on an allowed pair of images, holds a valid bundle, has lowered no number, has not
//! pulsed the relay, and finishes the update once power stays.

use super::tests::{bundle, commissioned, ended, image, packed, sealed};
use crate::bundle::WifiChange;
use crate::checkin::Ending;
use crate::id::{Chip, Digest};
use crate::image::Quirk;
use crate::reason::Reason;
use crate::sim::AccessPoint;
use crate::sim::rig::Rig;
use std::vec::Vec;

/// Which chip's flash loses power.
#[derive(Clone, Copy, PartialEq)]
enum Where {
    Net,
    Io,
}

fn cut(rig: &mut Rig, place: Where, after: Option<u64>) {
    match place {
        Where::Net => rig.board().flash.cut_after(after),
        Where::Io => rig.board().io.flash_mut().cut_after(after),
    }
}

fn operations(rig: &mut Rig, place: Where) -> u64 {
    match place {
        Where::Net => rig.board().flash.operations(),
        Where::Io => rig.board().io.flash().operations(),
    }
}

/// Lets an update run with power cut after `after` operations, and perhaps once more.
fn run(base: &mut Rig, digest: Digest, place: Where, after: u64, second: Option<u64>) {
    let mut rig = base.fork();
    let before = rig.high.clone();
    cut(&mut rig, place, Some(after));
    let mut starts = 0;
    for _ in 0..4000 {
        rig.second().expect("the node must start after a power cut");
        if rig.starts > starts + 1
            && let Some(after) = second
            && starts == 0
        {
            // Once more, in the middle of recovering.
            cut(&mut rig, place, Some(after));
            starts = rig.starts;
        }
        if let Some(record) = rig.record() {
            for (now, then) in record.sequences.iter().zip(before.sequences) {
                assert!(*now >= then, "a sequence number was lowered");
            }
            assert!(record.counter_ceiling >= before.counter_ceiling, "a counter was lowered");
        }
        assert_eq!(rig.board().io.relay_pulses(), 0, "the relay pulsed");
        if let Some(node) = &rig.node {
            let agent = node.agent();
            assert!(agent.bundle().is_some(), "no valid bundle after cut {after}");
            let (net, io) = (agent.record().net.current(), agent.record().io.current());
            let (net, io) = (net.unwrap(), io.unwrap());
            assert!(
                crate::link::agree((net.link, net.profile), (io.link, io.profile)).is_some(),
                "a pair that does not understand each other"
            );
        }
        if ended(&rig, digest).is_some() {
            break;
        }
    }
    let end = ended(&rig, digest);
    // An io chip that loses power alone, while it is programmed, may also end in going back.
    let gone_back = place == Where::Io && end == Some((Ending::WentBack, Reason::LinkFailed.code()));
    assert!(end == Some((Ending::Kept, 0)) || gone_back, "cut {after} ended in {end:?}");
    if gone_back {
        let works = |r: &Rig| {
            let Some(node) = &r.node else { return false };
            let want = node.agent().record().io.current().unwrap().digest;
            node.sense().hello.is_some_and(|h| want.0.starts_with(&h.digest))
        };
        assert!(rig.until(600, works).unwrap(), "the io chip does not work after cut {after}");
    }
}

/// Cuts at every `stride`-th operation that the update takes. How many cuts.
fn every_cut(
    name: &str,
    base: &mut Rig,
    digest: Digest,
    place: Where,
    stride: u64,
    second: Option<u64>,
) -> u64 {
    let mut whole = base.fork();
    let from = operations(&mut whole, place);
    assert!(whole.until(4000, |r| ended(r, digest).is_some()).unwrap());
    assert_eq!(ended(&whole, digest), Some((Ending::Kept, 0)), "{name} is not kept even with power");
    let total = operations(&mut whole, place) - from;
    let mut cuts = 0;
    let mut after = 1;
    while after <= total {
        run(base, digest, place, after, second);
        cuts += 1;
        after += stride;
    }
    println!("power cuts: {name}: {cuts} cut points of {total} operations");
    cuts
}

fn small(chip: Chip) -> Vec<u8> {
    let mut bytes = image(chip, 1, (1, 2), Quirk::None);
    bytes.truncate(1200);
    bytes
}

#[test]
fn a_net_image_survives_a_cut_at_every_operation() {
    let mut rig = commissioned();
    let bytes = small(Chip::Net);
    let envelope = packed(&rig, Chip::Net, &bytes, 1);
    let digest = rig.offer(envelope, Some(&bytes));
    assert!(every_cut("net image", &mut rig, digest, Where::Net, 1, None) > 1500);
}

#[test]
fn an_io_image_survives_a_cut_at_every_operation_of_either_chip() {
    let mut rig = commissioned();
    let bytes = small(Chip::Io);
    let envelope = packed(&rig, Chip::Io, &bytes, 1);
    let digest = rig.offer(envelope, Some(&bytes));
    assert!(every_cut("io image, net chip", &mut rig, digest, Where::Net, 1, None) > 1200);
    assert!(every_cut("io image, io chip", &mut rig, digest, Where::Io, 1, None) > 300);
}

#[test]
fn a_bundle_survives_a_cut_at_every_operation_and_a_second_one_while_recovering() {
    let mut rig = commissioned();
    let mut b = bundle(&["larkfield"]);
    b.alarms.left_open_minutes = Some(20);
    let envelope = sealed(&rig, &b, 2);
    let digest = rig.offer(envelope, None);
    assert!(every_cut("bundle", &mut rig, digest, Where::Net, 1, None) > 1000);
    assert!(every_cut("bundle, cut twice", &mut rig, digest, Where::Net, 7, Some(40)) > 100);
}

#[test]
fn a_wifi_candidate_survives_a_cut_at_every_operation() {
    let mut rig = commissioned();
    rig.air.points.push(AccessPoint::new("larkfield-2", "published test phrase"));
    let mut b = bundle(&["larkfield", "larkfield-2"]);
    b.wifi_change = Some(WifiChange { candidate: 1, after_loss_minutes: None });
    let envelope = sealed(&rig, &b, 2);
    let digest = rig.offer(envelope, None);
    assert!(every_cut("Wi-Fi candidate", &mut rig, digest, Where::Net, 1, None) > 1300);
}

#[test]
fn worn_flash_ends_in_a_refusal_and_the_node_goes_on() {
    use crate::sim::LAYOUT;
    let mut rig = commissioned();
    let bytes = small(Chip::Net);
    // The spare slot's first sector no longer erases.
    rig.board().flash.wear_out(LAYOUT.net[1]);
    let envelope = packed(&rig, Chip::Net, &bytes, 1);
    let digest = rig.offer(envelope, Some(&bytes));
    assert!(rig.until(900, |r| ended(r, digest).is_some()).unwrap());
    assert_eq!(ended(&rig, digest), Some((Ending::Refused, Reason::FlashWorn.code())));
    // A bit that sticks in the spare bundle's place.
    rig.board().flash.stick(LAYOUT.conf[0] + 20, 0xff);
    let envelope = sealed(&rig, &bundle(&["larkfield"]), 2);
    let digest = rig.offer(envelope, None);
    assert!(rig.until(900, |r| ended(r, digest).is_some()).unwrap());
    assert_eq!(ended(&rig, digest).unwrap().0, Ending::Refused);
    let before = rig.server.seen.as_ref().unwrap().counter;
    assert!(rig.until(200, |r| r.server.seen.as_ref().unwrap().counter > before + 2).unwrap());
}
