//! Which images the two chips run together, whatever happens to one of them.

use super::tests::{bundle, commissioned, ended, image, packed, run_image, sealed};
use crate::checkin::{Ending, Position};
use crate::id::{Chip, Component, Digest};
use crate::image::{ImageNote, Quirk};
use crate::order::{Plan, Speaks, route};
use crate::reason::Reason;
use crate::sim::Door;
use crate::sim::rig::Rig;
use crate::slots::Part;
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};
use std::cell::Cell;
use std::vec::Vec;

/// An image with another actuation profile.
fn other_meaning(chip: Chip, id: u16) -> Vec<u8> {
    let mut bytes = image(chip, 3, (1, 1), Quirk::None);
    let mut note = ImageNote::find(&bytes).unwrap();
    note.profile.id = id;
    bytes[512..512 + crate::image::NOTE_LEN].copy_from_slice(&note.encode());
    bytes
}

fn minor(rig: &mut Rig) -> Option<u16> {
    rig.board().io.note().map(|n| n.version.minor)
}

#[test]
fn whichever_chip_comes_first_a_pair_that_would_break_is_refused() {
    let breaks = (Ending::Refused, Reason::PairWouldBreak.code());
    for first in Chip::ALL {
        let second = first.other();
        let mut rig = commissioned();
        let only_new = |chip| image(chip, 2, (2, 2), Quirk::None);
        // Link 2 alone is not understood by the other chip, which speaks link 1 alone.
        assert_eq!(run_image(&mut rig, first, &only_new(first), 1), breaks);
        assert_eq!(run_image(&mut rig, first, &other_meaning(first, 2), 1), breaks);
        // Over a stepping stone the same image is taken.
        let stone = image(second, 1, (1, 2), Quirk::None);
        assert_eq!(run_image(&mut rig, second, &stone, 2), (Ending::Kept, 0));
        assert_eq!(run_image(&mut rig, first, &only_new(first), 3), (Ending::Kept, 0));
        // And now the way back of the stone alone would break the pair.
        let old = image(second, 0, (1, 1), Quirk::None);
        let (part, erases) = (Part::from(Component::Chip(second)), rig.board().flash.erases());
        let spare = |r: &Rig| r.record().map(|r| r.chip(second).get(r.spare(part)));
        let before = spare(&rig);
        assert_eq!(run_image(&mut rig, second, &old, 4), breaks);
        // What is in the spare slot was not given up for it; only the record was written.
        assert_eq!(spare(&rig), before);
        assert!(before.flatten().is_some() && rig.board().flash.erases() <= erases + 2);
        let seen = rig.server.seen.as_ref().unwrap();
        assert_eq!((seen.sequences, seen.relay_pulses), ([0, 3, 1], 0));
    }
}

#[test]
fn what_a_chip_says_that_does_not_agree_on_the_link_counts_for_nothing() {
    let (net, io) = (image(Chip::Net, 0, (1, 1), Quirk::None), image(Chip::Io, 0, (2, 2), Quirk::None));
    let network = bundle(&["larkfield"]).networks[0].clone();
    let mut rig = Rig::new(&net, &io, Door::at_rest(false), network);
    assert!(rig.until(120, |r| r.server.seen.is_some()).unwrap());
    let envelope = sealed(&rig, &bundle(&["larkfield"]), 1);
    let digest = rig.offer(envelope, None);
    assert!(!rig.until(600, |r| ended(r, digest).is_some()).unwrap());
    let node = rig.node.as_ref().unwrap();
    assert!(node.sense().hello.is_some() && node.sense().status.is_none());
    assert_eq!(rig.server.seen.as_ref().unwrap().position, Position::Unknown);
}

#[test]
fn after_a_cut_before_the_io_chip_was_programmed_the_door_is_looked_at_again() {
    let mut rig = commissioned();
    let io = image(Chip::Io, 1, (1, 2), Quirk::None);
    let envelope = packed(&rig, Chip::Io, &io, 1);
    let digest = rig.offer(envelope, Some(&io));
    let on_trial = |r: &Rig| r.record().is_some_and(|r| r.trial.is_some());
    assert!(rig.until(900, on_trial).unwrap());
    rig.power_cycle();
    for n in 0..150 {
        if n % 20 == 0 {
            rig.board().door.used();
        }
        rig.second().unwrap();
        assert_eq!(minor(&mut rig), Some(0), "replaced while the door was in use");
        assert!(on_trial(&rig));
    }
    assert!(rig.until(900, |r| ended(r, digest).is_some()).unwrap());
    assert_eq!((ended(&rig, digest), minor(&mut rig)), (Some((Ending::Kept, 0)), Some(1)));
}

#[test]
fn what_is_on_trial_is_not_brought_to_an_io_chip_that_says_nothing_of_the_door() {
    let mut rig = commissioned();
    let io = image(Chip::Io, 1, (1, 2), Quirk::None);
    let envelope = packed(&rig, Chip::Io, &io, 1);
    let digest = rig.offer(envelope, Some(&io));
    let on_trial = |r: &Rig| r.record().is_some_and(|r| r.trial.is_some());
    assert!(rig.until(900, on_trial).unwrap());
    rig.power_cycle();
    let programs = |r: &Rig| r.node.as_ref().is_some_and(|n| n.programs_io());
    rig.board().io.loses_one_in = 1;
    for _ in 0..60 {
        rig.second().unwrap();
        assert!(!programs(&rig), "programmed without a word of the door");
    }
    // The wire is back while somebody opens and closes the door, twice.
    rig.board().io.loses_one_in = 0;
    for n in 0..60 {
        if n % 15 == 0 {
            rig.board().door.used();
        }
        rig.second().unwrap();
        assert_eq!((minor(&mut rig), programs(&rig)), (Some(0), false), "replaced while the door was in use");
        assert!(on_trial(&rig));
    }
    assert!(rig.until(900, |r| ended(r, digest).is_some()).unwrap());
    assert_eq!((ended(&rig, digest), minor(&mut rig)), (Some((Ending::Kept, 0)), Some(1)));
}

#[test]
fn a_mute_io_image_is_taken_off_even_if_power_goes_first() {
    let mut rig = commissioned();
    let bad = image(Chip::Io, 1, (1, 2), Quirk::MuteLink);
    let envelope = packed(&rig, Chip::Io, &bad, 1);
    let digest = rig.offer(envelope, Some(&bad));
    let back = |r: &Rig| r.record().and_then(|r| r.outcome).is_some_and(|o| o.envelope == digest);
    assert!(rig.until(2000, back).unwrap());
    assert_eq!(minor(&mut rig), Some(1), "the old image is not back yet");
    rig.power_cycle();
    assert!(rig.until(300, |r| r.node.as_ref().is_some_and(|n| n.sense().hello.is_some())).unwrap());
    assert_eq!(minor(&mut rig), Some(0));
}

#[test]
fn a_silent_io_chip_that_has_its_image_is_left_alone() {
    let mut rig = commissioned();
    let operations = rig.board().io.flash().operations();
    rig.board().io.loses_one_in = 1;
    rig.power_cycle();
    rig.until(900, |_| false).unwrap();
    rig.board().io.loses_one_in = 0;
    assert!(rig.until(60, |r| r.node.as_ref().is_some_and(|n| n.sense().status.is_some())).unwrap());
    assert_eq!(rig.board().io.flash().operations(), operations);
}

#[test]
fn a_net_image_that_rots_takes_the_io_image_that_went_with_it_along() {
    let mut rig = commissioned();
    let net = image(Chip::Net, 1, (1, 2), Quirk::None);
    let io = image(Chip::Io, 1, (2, 2), Quirk::None);
    assert_eq!(run_image(&mut rig, Chip::Net, &net, 1), (Ending::Kept, 0));
    assert_eq!(run_image(&mut rig, Chip::Io, &io, 2), (Ending::Kept, 0));
    let layout = crate::board::Board::layout(rig.board());
    let at = layout.slot(Part::Net, rig.record().unwrap().net.active);
    rig.board().flash.burn(at + 700, &[0; 8]);
    rig.power_cycle();
    let old = Digest::of(&image(Chip::Net, 0, (1, 1), Quirk::None));
    let agreed = |r: &Rig| r.node.as_ref().is_some_and(|n| n.sense().status.is_some());
    assert!(rig.until(300, agreed).unwrap(), "the two chips do not understand each other");
    assert_eq!(rig.record().unwrap().net.current().unwrap().digest, old);
    assert_eq!(minor(&mut rig), Some(0));
    // And the newer ones can be had again, under new numbers.
    assert_eq!(run_image(&mut rig, Chip::Net, &net, 3), (Ending::Kept, 0));
    assert_eq!(run_image(&mut rig, Chip::Io, &io, 4), (Ending::Kept, 0));
}

#[test]
fn a_bundle_that_rots_is_not_reported_as_in_force() {
    let mut rig = commissioned();
    let layout = crate::board::Board::layout(rig.board());
    let at = layout.slot(Part::Conf, rig.record().unwrap().conf.active);
    assert!(rig.server.seen.as_ref().unwrap().bundle.is_some());
    rig.board().flash.burn(at + 40, &[0; 8]);
    rig.power_cycle();
    let before = rig.server.seen.as_ref().unwrap().counter;
    assert!(rig.until(300, |r| r.server.seen.as_ref().unwrap().counter > before).unwrap());
    assert_eq!(rig.server.seen.as_ref().unwrap().bundle, None);
    let envelope = sealed(&rig, &bundle(&["larkfield"]), 2);
    let digest = rig.offer(envelope, None);
    assert!(rig.until(900, |r| ended(r, digest).is_some()).unwrap());
    assert_eq!(ended(&rig, digest), Some((Ending::Kept, 0)));
    assert_eq!(rig.server.seen.as_ref().unwrap().bundle, Some(digest));
}

fn links() -> impl Strategy<Value = Vec<(u8, u8)>> {
    proptest::collection::vec((1u8..4, 0u8..3).prop_map(|(oldest, more)| (oldest, oldest + more)), 1..4)
}

/// A whole node keeps every step of the way that the solver finds, and refuses what the other chip would not
/// understand.
#[test]
fn a_node_walks_every_way_that_the_solver_finds() {
    let (kept, refused) = (Cell::new(0u32), Cell::new(0u32));
    let mut runner = TestRunner::new(Config { source_file: Some(file!()), cases: 24, ..Config::default() });
    let all = runner.run(&(links(), links()), |(nets, ios)| {
        let bytes = |chip, links: &[(u8, u8)]| -> Vec<Vec<u8>> {
            let minors = 1u16..;
            links.iter().zip(minors).map(|(link, minor)| image(chip, minor, *link, Quirk::None)).collect()
        };
        let images = [bytes(Chip::Net, &nets), bytes(Chip::Io, &ios)];
        let speaks = |(oldest, newest): (u8, u8)| {
            let note = ImageNote::find(&image(Chip::Net, 1, (oldest, newest), Quirk::None)).unwrap();
            Speaks { link: note.link, profile: note.profile }
        };
        let (nets, ios): (Vec<_>, Vec<_>) =
            (nets.into_iter().map(speaks).collect(), ios.into_iter().map(speaks).collect());
        let mut now = [speaks((1, 1)); 2];
        let plan = Plan {
            net: now[0],
            io: now[1],
            net_images: &nets,
            io_images: &ios,
            want_net: Some(0),
            want_io: Some(0),
        };
        let mut rig = commissioned();
        let mut sequence = 0;
        let mut bring = |rig: &mut Rig, chip: Chip, index: Option<usize>| {
            sequence += 1;
            let first = image(chip, 0, (1, 1), Quirk::None);
            run_image(rig, chip, index.map_or(&first, |n| &images[chip.index()][n]), sequence)
        };
        for (n, io) in ios.iter().enumerate().filter(|(_, io)| !now[0].understands(**io)) {
            refused.set(refused.get() + 1);
            prop_assert_eq!(
                bring(&mut rig, Chip::Io, Some(n)),
                (Ending::Refused, Reason::PairWouldBreak.code()),
                "{:?}",
                io
            );
        }
        for step in route(&plan).into_iter().flatten() {
            kept.set(kept.get() + 1);
            prop_assert_eq!(
                bring(&mut rig, step.chip, step.image),
                (Ending::Kept, 0),
                "{:?} of {:?}",
                step,
                plan
            );
            let at_hand = if step.chip == Chip::Net { &nets } else { &ios };
            now[step.chip.index()] = step.image.map_or(speaks((1, 1)), |n| at_hand[n]);
        }
        let seen = rig.server.seen.as_ref().unwrap();
        prop_assert_eq!([Some(seen.net.link), seen.io.map(|io| io.link)], now.map(|s| Some(s.link)));
        prop_assert_eq!(seen.relay_pulses, 0);
        Ok(())
    });
    all.unwrap_or_else(|fault| panic!("{fault}"));
    let (kept, refused) = (kept.get(), refused.get());
    assert!(kept >= 10 && refused >= 5, "both must have come up: {kept} and {refused}");
}

/// An image of the io chip that hangs answers nothing, not even the question for its loader.
#[test]
fn an_io_image_that_hangs_is_taken_off_by_a_reset_line_or_a_watchdog() {
    for (line, watchdog) in [(true, false), (false, true), (false, false)] {
        let what = std::format!("reset line {line}, watchdog {watchdog}");
        let mut rig = commissioned();
        rig.board().reset_line = line;
        let old = rig.board().io.note().unwrap().version;
        let hung = image(Chip::Io, 1, (1, 1), Quirk::MuteLink);
        let envelope = packed(&rig, Chip::Io, &hung, 1);
        let digest = rig.offer(envelope, Some(&hung));
        let (mut back, mut seconds) = (false, 0);
        while !back && seconds < 4000 {
            rig.second().unwrap();
            seconds += 1;
            if watchdog && seconds % 7 == 0 && rig.board().io.note().is_some_and(|n| n.version != old) {
                rig.board().io.reset();
            }
            let works =
                rig.board().io.would_pulse() && rig.board().io.note().is_some_and(|n| n.version == old);
            back = works && ended(&rig, digest).is_some();
        }
        let end = ended(&rig, digest);
        assert_eq!(end, Some((Ending::WentBack, Reason::NoHandshake.code())), "{what}");
        assert_eq!(back, line || watchdog, "{what}");
    }
}
