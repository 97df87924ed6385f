//! What a server in the wrong hands can do to flash within a month. It holds its own key and the
//! envelopes that were uploaded to it, and none of the operator's keys.

use super::tests::{asks_consent, bundle, commissioned, image, packed, sealed};
use crate::checkin::{Ending, Offer, Phase};
use crate::id::{Chip, Digest};
use crate::image::{ImageNote, Quirk};
use crate::reason::Reason;
use crate::sim::rig::Rig;
use crate::sim::{AccessPoint, Chance, LAYOUT, SimFlash, Stale, sample};
use crate::slots::Part;
use crate::tell::tell;
use std::vec::Vec;

const DAY: u64 = 24 * 60 * 60;

/// Lets a server do its worst for 30 days; `meddle` is asked before each second. The most erases of
/// one sector in the first day and in the whole time.
fn month(what: &str, rig: &mut Rig, mut meddle: impl FnMut(&mut Rig)) -> [u32; 2] {
    // What the node does by itself in between costs no flash; see the last test.
    rig.server.next_seconds = 60;
    let (before, start) = (rig.board().flash.most_erased(), rig.server.time);
    let mut first = 0;
    while rig.server.time < start + 30 * DAY {
        meddle(rig);
        rig.second().unwrap();
        let idle = rig.node.as_ref().is_some_and(|n| {
            matches!(n.agent().phase(), Phase::Idle | Phase::Waiting)
                && n.board.is_quiet()
                && n.agent().network().is_some()
        });
        if idle {
            rig.skip(20);
        }
        if rig.server.time <= start + DAY {
            first = rig.board().flash.most_erased() - before;
        }
    }
    let all = rig.board().flash.most_erased() - before;
    tell(format_args!("flash wear: {what}: {first} erases of one sector in a day, {all} in 30 days"));
    [first, all]
}

/// Offers one after the other, the next as soon as one has ended.
fn in_turn(rig: &mut Rig, offers: &[Offer], turn: &mut usize) {
    let ended = rig.server.seen.as_ref().and_then(|s| s.outcome).map(|o| o.envelope);
    if ended == Some(offers[*turn % offers.len()].envelope) {
        *turn += 1;
    }
    rig.server.offer = Some(offers[*turn % offers.len()]);
}

/// Two images for the net chip, each newer than what runs.
fn two_images(rig: &mut Rig) -> ([Offer; 2], [Digest; 2]) {
    let images = [1, 2].map(|minor| image(Chip::Net, minor, (1, 1), Quirk::None));
    let offers = [0, 1].map(|n| {
        let envelope = packed(rig, Chip::Net, &images[n], n as u64 + 1);
        let digest = rig.offer(envelope, Some(&images[n]));
        Offer { envelope: digest, ..rig.server.offer.unwrap() }
    });
    (offers, images.map(|i| Digest::of(&i)))
}

#[test]
fn offers_of_what_is_not_there_write_little() {
    let mut rig = commissioned();
    let offers: Vec<Offer> = (0..3)
        .map(|n| Offer { envelope: Digest([n; 32]), size: [100, 100, u32::MAX][usize::from(n)] })
        .collect();
    let mut turn = 0;
    let [first, all] = month("nothing there", &mut rig, |rig| in_turn(rig, &offers, &mut turn));
    assert!(turn > 60, "{turn} offers");
    assert!(first <= 12 && all <= 45, "{first}, {all}");
}

#[test]
fn payloads_that_break_off_erase_seldom() {
    let mut rig = commissioned();
    let (offers, digests) = two_images(&mut rig);
    for digest in digests {
        rig.server.payloads.get_mut(&digest).unwrap().truncate(5000);
    }
    let mut turn = 0;
    let [first, all] = month("broken off", &mut rig, |rig| in_turn(rig, &offers, &mut turn));
    assert!(turn > 60, "{turn} offers");
    assert!(first <= 20 && all <= 90, "{first}, {all}");

    // No answer at all: nothing has ended, and the same is offered once more.
    let mut rig = commissioned();
    let (offers, _) = two_images(&mut rig);
    let (mut before, mut pauses) = (Phase::Idle, 0);
    let [first, all] = month("no answer", &mut rig, |rig| {
        rig.server.offer = Some(offers[0]);
        let Some(agent) = rig.node.as_ref().map(|n| n.agent()) else { return };
        let now = agent.phase();
        pauses += u32::from(before == Phase::Fetching && now == Phase::Idle);
        before = now;
        // The envelope comes, and then no piece.
        rig.server.down = now == Phase::Fetching && agent.record().in_vain > 0;
    });
    rig.server.down = false;
    // Each time it goes on where it stopped.
    assert!(pauses > 1000, "{pauses}");
    assert!(first <= 2 && all <= 4, "{first}, {all}");
    // Nothing of it stands in the way of the operator later on.
    assert!(rig.until(13 * 60 * 60, |r| r.record().is_some_and(|b| b.sequences[1] == 1)).unwrap());
    assert_eq!(rig.record().unwrap().in_vain, 0);
}

#[test]
fn offers_that_take_each_others_place_erase_seldom() {
    let mut rig = asks_consent();
    let (offers, _) = two_images(&mut rig);
    let mut turn = 0;
    let [first, all] = month("waiting in turn", &mut rig, |rig| {
        // Nobody at the door ever says yes: as soon as one waits, the other is offered.
        let waits = rig.record().and_then(|r| r.staged).map(|s| s.manifest);
        if waits == Some(offers[turn % 2].envelope) {
            turn += 1;
        }
        rig.server.offer = Some(offers[turn % 2]);
    });
    assert!(turn > 60, "{turn} offers");
    assert!(first <= 25 && all <= 90, "{first}, {all}");
}

#[test]
fn trials_that_nobody_answers_write_little() {
    let mut rig = commissioned();
    let (offers, _) = two_images(&mut rig);
    let mut turn = 0;
    let [first, all] = month("trials without an answer", &mut rig, |rig| {
        in_turn(rig, &offers, &mut turn);
        rig.server.down = rig.record().is_some_and(|r| r.trial.is_some());
    });
    let outcome = rig.server.seen.as_ref().unwrap().outcome.unwrap();
    assert_eq!((outcome.ending, outcome.reason), (Ending::WentBack, Reason::NoCheckIn.code()));
    assert!(turn > 50, "{turn} trials");
    assert!(first <= 40 && all <= 220, "{first}, {all}");
}

#[test]
fn answers_now_here_now_there_write_little() {
    let mut rig = commissioned();
    rig.air.points.push(AccessPoint::new("meadow", "published test phrase"));
    let envelope = sealed(&rig, &bundle(&["larkfield", "meadow"]), 2);
    let digest = rig.offer(envelope, None);
    assert!(rig.until(900, |r| super::tests::ended(r, digest) == Some((Ending::Kept, 0))).unwrap());
    rig.server.offer = None;
    let (mut last, mut changes) = (None, 0);
    let before = rig.board().flash.most_erased();
    for _ in 0..2 * DAY {
        // It answers nobody who comes by the network of its last answer.
        let now = rig.node.as_ref().and_then(|n| n.agent().network());
        rig.server.down = now.is_none() || now == last;
        let seen = rig.server.seen.as_ref().map(|s| s.counter);
        rig.second().unwrap();
        if rig.server.seen.as_ref().map(|s| s.counter) != seen {
            (last, changes) = (now, changes + 1);
        }
    }
    let erases = rig.board().flash.most_erased() - before;
    tell(format_args!(
        "flash wear: networks in turn: {erases} erases of one sector in 2 days, {changes} changes"
    ));
    assert!(changes > 100, "{changes}");
    assert!(erases <= 6, "{erases}");
}

#[test]
fn an_io_chip_whose_flash_fails_is_erased_seldom() {
    let fault = |flash: &mut SimFlash, what| match what {
        "a bit that stays clear" => flash.stick(100, 0x10, false),
        "bits that stay set" => flash.stick(101, 0xff, true),
        "a sector that says it does not erase" => flash.wear_out(0, Stale::Told),
        "a sector that does not erase" => flash.wear_out(0, Stale::Silent),
        _ => unreachable!("no such fault"),
    };
    for what in [
        "a bit that stays clear",
        "bits that stay set",
        "a sector that says it does not erase",
        "a sector that does not erase",
    ] {
        let mut rig = commissioned();
        let io = image(Chip::Io, 1, (1, 1), Quirk::None);
        let envelope = packed(&rig, Chip::Io, &io, 1);
        let digest = rig.offer(envelope, Some(&io));
        fault(rig.board().io.flash_mut(), what);
        let before = rig.board().io.flash().most_erased();
        let came = rig.until(4000, |r| super::tests::ended(r, digest).is_some()).unwrap();
        assert!(came, "{what}: no end");
        let end = super::tests::ended(&rig, digest).unwrap();
        assert_eq!(end, (Ending::WentBack, Reason::LinkFailed.code()), "{what}");
        let first = rig.board().io.flash().most_erased() - before;
        for _ in 0..DAY {
            rig.second().unwrap();
        }
        let all = rig.board().io.flash().most_erased() - before;
        tell(format_args!("flash wear: io chip with {what}: {first} erases until told, {all} in a day"));
        assert!(first <= 10 && (20..=180).contains(&all), "{what}: {first}, {all}");
    }
}

#[test]
fn an_io_chip_that_resets_again_and_again_is_erased_seldom() {
    // Images that need eight seconds; the chip is never up for so long. How far it comes is by chance.
    let large = |minor| {
        sample::image(&ImageNote::find(&image(Chip::Io, minor, (1, 1), Quirk::None)).unwrap(), 60_000)
    };
    let mut rig = super::tests::commissioned_with(&large(0));
    let io = large(1);
    let envelope = packed(&rig, Chip::Io, &io, 1);
    rig.offer(envelope, Some(&io));
    let before = rig.board().io.flash().most_erased();
    let mut chance = Chance::new(7, "resets");
    let (mut left, mut transfers, mut was) = (3, 0, false);
    for _ in 0..DAY {
        rig.second().unwrap();
        let programs = rig.node.as_ref().is_some_and(|n| n.programs_io());
        transfers += u32::from(programs && !was);
        was = programs;
        left -= u32::from(programs);
        if left == 0 {
            rig.board().io.power_on();
            left = 1 + chance.below(6);
        }
    }
    let erases = rig.board().io.flash().most_erased() - before;
    tell(format_args!("flash wear: io chip that resets: {transfers} transfers and {erases} erases in a day"));
    assert!((20..=60).contains(&transfers) && erases <= 180, "{transfers}, {erases}");
}

#[test]
fn an_image_that_no_longer_is_what_was_signed_is_not_brought_to_the_io_chip() {
    let mut rig = commissioned();
    // A bit of the net chip's copy flips; and the io chip has lost what it ran.
    rig.power_cycle();
    let address = LAYOUT.slot(Part::Io, rig.high.io.active) + 300;
    let byte = rig.board().flash.peek(address, 1)[0];
    rig.board().flash.burn(address, &[byte ^ 0x10]);
    rig.board().io.flash_mut().burn(0, &[0; 64]);
    rig.board().io.power_on();
    let before = rig.board().io.flash().most_erased();
    let since = rig.server.seen.as_ref().unwrap().counter;
    for _ in 0..DAY {
        rig.second().unwrap();
    }
    assert_eq!(rig.board().io.flash().most_erased(), before, "it was erased for nothing");
    let seen = rig.server.seen.as_ref().unwrap();
    assert!(seen.counter > since + 1000 && seen.io.is_none(), "its absence is told: {seen:?}");
    // Another is brought, though nobody knows where the door is; and then one more, as always.
    for (minor, sequence) in [(1, 1), (2, 2)] {
        let new = image(Chip::Io, minor, (1, 1), Quirk::None);
        assert_eq!(super::tests::run_image(&mut rig, Chip::Io, &new, sequence), (Ending::Kept, 0));
    }
    assert!(rig.until(60, |_| false).is_ok() && rig.board().io.would_pulse());
}
