//! Downloads that get no answer for a while: they go on where they stopped, or make way.

use super::tests::{asks_consent, bundle, commissioned, ended, image, packed, sealed};
use crate::checkin::{Ending, Phase};
use crate::id::{Chip, Digest};
use crate::image::Quirk;
use crate::sim::LAYOUT;
use crate::sim::rig::Rig;

const KEPT: Option<(Ending, u16)> = Some((Ending::Kept, 0));

/// Offers a net image of three pieces and waits until two are in flash.
fn two_pieces(rig: &mut Rig) -> Digest {
    let new = image(Chip::Net, 1, (1, 1), Quirk::None);
    assert!((8192..12_288).contains(&new.len()), "three pieces");
    let envelope = packed(rig, Chip::Net, &new, 1);
    let digest = rig.offer(envelope, Some(&new));
    for _ in 0..200 {
        if rig.board().flash.peek(LAYOUT.net[1] + 4096, 16) == new[4096..4112] {
            return digest;
        }
        rig.second().unwrap();
    }
    panic!("no second piece");
}

fn phase(rig: &Rig) -> Phase {
    rig.node.as_ref().unwrap().agent().phase()
}

/// No answer until the node no longer asks.
fn silence(rig: &mut Rig) {
    rig.server.down = true;
    assert!(rig.until(300, |r| phase(r) != Phase::Fetching).unwrap(), "it asks for ever");
    rig.server.down = false;
}

#[test]
fn a_download_goes_on_where_it_stopped() {
    let erased = [false, true].map(|disturbed| {
        let mut rig = commissioned();
        let before = rig.board().flash.erases();
        let digest = two_pieces(&mut rig);
        if disturbed {
            silence(&mut rig);
            assert_eq!(rig.board().flash.peek(LAYOUT.net[1] + 8192, 16), [0xff; 16], "the third is missing");
            // Whoever asked for the first pieces once more would get other bytes.
            rig.server.payloads.values_mut().for_each(|payload| payload[..8192].fill(0));
        }
        assert!(rig.until(4000, |r| ended(r, digest) == KEPT).unwrap(), "not kept");
        rig.board().flash.erases() - before
    });
    assert_eq!(erased[0], erased[1]);
}

#[test]
fn a_download_without_an_answer_makes_way_for_another_offer() {
    let mut rig = commissioned();
    let first = two_pieces(&mut rig);
    silence(&mut rig);
    let image = rig.server.offer;
    let envelope = sealed(&rig, &bundle(&["larkfield", "meadow"]), 2);
    let digest = rig.offer(envelope, None);
    assert!(rig.until(900, |r| ended(r, digest) == KEPT).unwrap(), "the bundle is not kept");
    rig.server.offer = image;
    assert!(rig.until(4000, |r| ended(r, first) == KEPT).unwrap(), "the image is not kept");
}

#[test]
fn a_download_without_an_answer_does_not_hold_up_what_waits() {
    let mut rig = asks_consent();
    let mut calm = bundle(&["larkfield"]);
    calm.checkin_seconds = 200;
    calm.policy.rest_seconds = 40;
    let envelope = sealed(&rig, &calm, 3);
    let waits = rig.offer(envelope, None);
    assert!(rig.until(300, |r| phase(r) == Phase::Waiting).unwrap(), "it does not wait");
    let image = two_pieces(&mut rig);
    rig.server.down = true;
    assert!(rig.until(300, |r| phase(r) == Phase::Waiting).unwrap(), "it asks for ever");
    rig.board().press_own_button();
    assert!(rig.until(120, |r| phase(r) == Phase::Trial).unwrap(), "the bundle is held up");
    rig.server.down = false;
    assert!(rig.until(900, |r| ended(r, waits) == KEPT).unwrap(), "the bundle is not kept");
    // Begun anew by what is in force now; the door asks for consent no more.
    assert!(rig.until(4000, |r| ended(r, image) == KEPT).unwrap(), "the image is not kept");
}
