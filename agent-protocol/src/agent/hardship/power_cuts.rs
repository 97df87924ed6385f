//! Power is cut at every flash operation of an update, on either chip: before it, with every bit
//! of it as chance will have it, half-way through an erase, and right after it.
//!
//! An operation is an erased sector or one programmed word of 4 bytes, so that a page is cut
//! after every number of words. After each cut the node boots, runs a pair of images and goes
//! by a bundle that an undisturbed update has too, has lowered no number, has not pulsed the
//! relay, and finishes the update once power stays; then the push button at the door works again.
//!
//! Nothing is replayed: a copy of the virtual board is taken before each second in which flash
//! is used, and each cut goes on from there.

use super::scenario::{Allowed, PATIENCE, Scenario, Watch, fresh, settled};
use crate::agent::tests::{bundle, ended, sealed};
use crate::checkin::Ending;
use crate::reason::Reason;
use crate::sim::rig::Rig;
use crate::sim::{SimFlash, Tear};
use crate::slots::BootRecord;
use crate::tell::tell;
use std::format;
use std::vec::Vec;

/// Virtual seconds after the end of an update in which the push button at the door must work again.
const WORKS_AGAIN: u32 = 60;

/// Whose flash is busy when power goes, and whose supply it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Cut {
    /// The net chip's flash; both go dark.
    Net,
    /// The io chip's flash; both go dark.
    Io,
    /// The io chip's flash; the net chip stays on.
    IoAlone,
    /// The io chip's flash, but it is the net chip that goes dark, right after the question that
    /// brought the operation.
    NetAlone,
}

impl Cut {
    pub(super) fn flash(self, rig: &mut Rig) -> &mut SimFlash {
        match self {
            Self::Net => &mut rig.board().flash,
            Self::Io | Self::IoAlone | Self::NetAlone => rig.board().io.flash_mut(),
        }
    }
}

/// A second of an update in which flash is used.
pub(super) struct Busy<'a> {
    /// Just before.
    pub(super) rig: Rig,
    pub(super) watch: Watch<'a>,
    /// Operations in it.
    pub(super) operations: u64,
}

/// Lets an update run, and keeps every second in which the flash in question is used.
pub(super) fn busy_seconds<'a>(
    mut rig: Rig,
    mut watch: Watch<'a>,
    cut: Cut,
    what: &str,
    mut done: impl FnMut(&Rig, usize) -> bool,
) -> Vec<Busy<'a>> {
    let mut busy = Vec::new();
    for _ in 0..PATIENCE {
        let before = rig.clone();
        let from = cut.flash(&mut rig).operations();
        rig.second().unwrap();
        let operations = cut.flash(&mut rig).operations() - from;
        if operations > 0 {
            busy.push(Busy { rig: before, watch: watch.clone(), operations });
        }
        watch.look(&mut rig, what);
        if done(&rig, busy.len()) {
            return busy;
        }
    }
    panic!("{what}: no end");
}

/// Goes on from a busy second, with power cut at its `at`-th operation. The erases up to there;
/// and the node, with power back.
pub(super) fn cut_in<'a>(
    busy: &Busy<'a>,
    cut: Cut,
    at: u64,
    tear: Tear,
    what: &str,
) -> (u64, Rig, Watch<'a>) {
    let (mut rig, mut watch) = (busy.rig.clone(), busy.watch.clone());
    rig.board().supplies_apart = matches!(cut, Cut::IoAlone | Cut::NetAlone);
    let erases = cut.flash(&mut rig).erases();
    let operations = cut.flash(&mut rig).operations();
    if cut == Cut::NetAlone {
        rig.board().net_resets_after = Some(operations + at);
    } else {
        cut.flash(&mut rig).tear(tear);
        cut.flash(&mut rig).cut_after(Some(at));
    }
    rig.second().unwrap_or_else(|e| panic!("{what}: does not start: {e:?}"));
    watch.look(&mut rig, what);
    let done = cut.flash(&mut rig).operations() - operations;
    // One question can bring several operations, which go on without the net chip.
    assert!(done == at || (cut == Cut::NetAlone && done > at), "{what}: power was not cut");
    assert!(rig.node.is_none() || cut == Cut::IoAlone, "{what}: power was not cut");
    let erases = cut.flash(&mut rig).erases() - erases;
    (erases, rig, watch)
}

/// Lets a node go on with power until the update is over, and looks whether it ended well.
pub(super) fn finish(scenario: &Scenario, cut: Cut, mut rig: Rig, mut watch: Watch<'_>, what: &str) {
    let mut end = None;
    for _ in 0..PATIENCE {
        rig.second().unwrap_or_else(|e| panic!("{what}: does not start: {e:?}"));
        watch.look(&mut rig, what);
        end = settled(&rig, scenario.last);
        if end.is_some() {
            break;
        }
    }
    let went_back = |reason: Reason| end == Some((Ending::WentBack, reason.code()));
    // What goes back in any case may also do so because the cut has used up a start; and an io
    // chip that loses power alone while it is programmed has not taken its image.
    let well = end == Some(scenario.end)
        || (scenario.end.0 == Ending::WentBack && went_back(Reason::Resets))
        || (cut == Cut::IoAlone && went_back(Reason::LinkFailed));
    assert!(well, "{what}: ended in {end:?}");
    for _ in 0..WORKS_AGAIN {
        if rig.board().io.would_pulse() {
            break;
        }
        rig.second().unwrap_or_else(|e| panic!("{what}: does not start: {e:?}"));
        watch.look(&mut rig, what);
    }
    watch.look(&mut rig, what);
    assert!(rig.board().io.would_pulse(), "{what}: the push button no longer works");
}

/// Cuts at every operation, in every way. How many cuts.
fn every_cut(scenario: &Scenario, cut: Cut) -> u64 {
    let mut allowed = Allowed::default();
    let mut whole = scenario.rig.clone();
    let mut ended = false;
    for _ in 0..PATIENCE {
        whole.second().unwrap();
        allowed.learn(&whole);
        ended = settled(&whole, scenario.last) == Some(scenario.end);
        if ended {
            break;
        }
    }
    assert!(ended, "{}: does not end as it should even with power", scenario.name);
    let watch = allowed.watch(&scenario.rig.high);
    let name = format!("{}, {cut:?}", scenario.name);
    let over = |rig: &Rig, _| settled(rig, scenario.last).is_some();
    let (mut cuts, mut operations) = (0, 0);
    for (second, busy) in busy_seconds(scenario.rig.clone(), watch, cut, &name, over).iter().enumerate() {
        operations += busy.operations;
        let mut erases = 0;
        for at in 1..=busy.operations {
            let mut tears = vec![Tear::Nothing];
            if cut != Cut::NetAlone {
                tears.push(Tear::Mixed(at));
            }
            while let Some(tear) = tears.pop() {
                let what = format!("{name}, busy second {second}, operation {at}, {tear:?}");
                let (so_far, rig, watch) = cut_in(busy, cut, at, tear, &what);
                // All of a word is nothing of the next one, and half of it one of the mixtures.
                if so_far > erases && cut != Cut::NetAlone {
                    erases = so_far;
                    tears.extend([Tear::All, Tear::Half]);
                }
                finish(scenario, cut, rig, watch, &what);
                cuts += 1;
            }
        }
    }
    let (in_trial, answered) = (allowed.presses.in_trial.get(), allowed.presses.answered.get());
    tell(format_args!(
        "power cuts: {name}: {cuts} cuts in {operations} operations; {in_trial} presses while on trial moved \
         nothing, {answered} others would have"
    ));
    // What must not happen could have happened.
    assert!(answered > 0, "{name}: no press would ever have moved the relay");
    assert_eq!(in_trial > 0, scenario.actuation, "{name}: presses while on trial");
    cuts
}

/// Each row is a test; the least number of cuts that it must have made.
const LEAST: [(&str, u64); 11] = [
    ("net image", 4_900),
    ("io image", 11_200),
    ("net image that goes back", 5_300),
    ("net image that resets", 6_200),
    ("net image that dies at once", 6_200),
    ("io image that goes back", 12_900),
    ("both chips", 12_400),
    ("way back", 5_000),
    ("bundle", 2_100),
    ("Wi-Fi candidate", 2_600),
    ("trust anchors", 2_100),
];

fn survives(scenario: &Scenario, cuts: &[Cut]) {
    let made: u64 = cuts.iter().map(|cut| every_cut(scenario, *cut)).sum();
    let least = LEAST.iter().find(|(name, _)| *name == scenario.name).map(|(_, n)| *n);
    assert!(least.is_some_and(|n| made >= n), "{}: only {made} cuts", scenario.name);
}

#[test]
fn the_cuts_are_tens_of_thousands() {
    let sum: u64 = LEAST.iter().map(|(_, n)| n).sum();
    tell(format_args!("power cuts: more than {sum} in all, without the second ones"));
    assert!(sum >= 50_000);
}

/// From a new board to its first check-in, and to its first bundle after that.
#[test]
fn a_first_start_survives_every_cut() {
    let heard = |rig: &Rig| rig.server.seen.is_some();
    let mut allowed = Allowed::default();
    let mut whole = fresh();
    while !heard(&whole) {
        whole.second().unwrap();
        allowed.learn(&whole);
    }
    let watch = allowed.watch(&BootRecord::default());
    let busy = busy_seconds(fresh(), watch, Cut::Net, "first start", |rig, _| heard(rig));
    let mut cuts = 0u64;
    for busy in &busy {
        for at in 1..=busy.operations {
            for tear in [Tear::Nothing, Tear::Mixed(at), Tear::Half, Tear::All] {
                let what = format!("first start, operation {at}, {tear:?}");
                let (_, mut rig, mut watch) = cut_in(busy, Cut::Net, at, tear, &what);
                for _ in 0..120 {
                    rig.second().unwrap_or_else(|e| panic!("{what}: does not start: {e:?}"));
                    watch.look(&mut rig, &what);
                }
                assert!(heard(&rig), "{what}: no check-in");
                let envelope = sealed(&rig, &bundle(&["larkfield"]), 1);
                let digest = rig.offer(envelope, None);
                assert!(rig.until(PATIENCE, |r| ended(r, digest).is_some()).unwrap(), "{what}: no end");
                assert_eq!(ended(&rig, digest), Some((Ending::Kept, 0)), "{what}");
                cuts += 1;
            }
        }
    }
    tell(format_args!("power cuts: first start: {cuts} cuts"));
    assert!(cuts > 1_000, "only {cuts} cuts");
}

/// The check of the relay can fail: a chip that says its relay is off, and lets it answer, is found out.
#[test]
#[should_panic(expected = "the relay pulsed")]
fn a_relay_that_does_not_obey_is_found() {
    let mut scenario = Scenario::net_image();
    scenario.rig.board().io.relay_disobeys = true;
    every_cut(&scenario, Cut::Net);
}

#[test]
fn a_net_image_survives_every_cut() {
    survives(&Scenario::net_image(), &[Cut::Net]);
}

#[test]
fn an_io_image_survives_every_cut_on_either_chip() {
    survives(&Scenario::io_image(), &[Cut::Net, Cut::Io, Cut::IoAlone, Cut::NetAlone]);
}

#[test]
fn a_net_image_that_goes_back_survives_every_cut() {
    survives(&Scenario::bad_net_image(), &[Cut::Net]);
}

#[test]
fn a_net_image_that_resets_survives_every_cut() {
    survives(&Scenario::resetting_net_image(), &[Cut::Net]);
}

#[test]
fn a_net_image_that_dies_before_its_node_starts_survives_every_cut() {
    survives(&Scenario::dying_net_image(), &[Cut::Net]);
}

/// Where nobody counts the starts of such an image, it is never left.
#[test]
#[should_panic(expected = "BadImage")]
fn an_image_that_dies_at_once_is_never_left_by_itself() {
    let mut scenario = Scenario::dying_net_image();
    scenario.rig.board().loader_counts = false;
    every_cut(&scenario, Cut::Net);
}

#[test]
fn an_io_image_that_goes_back_survives_every_cut_on_either_chip() {
    survives(&Scenario::bad_io_image(), &[Cut::Net, Cut::Io, Cut::IoAlone, Cut::NetAlone]);
}

#[test]
fn both_chips_in_one_plan_survive_every_cut_on_either_chip() {
    survives(&Scenario::both_chips(), &[Cut::Net, Cut::Io, Cut::IoAlone, Cut::NetAlone]);
}

#[test]
fn a_way_back_survives_every_cut() {
    survives(&Scenario::way_back(), &[Cut::Net]);
}

#[test]
fn a_bundle_survives_every_cut() {
    survives(&Scenario::bundle(), &[Cut::Net]);
}

#[test]
fn a_wifi_candidate_survives_every_cut() {
    survives(&Scenario::wifi_candidate(), &[Cut::Net]);
}

#[test]
fn trust_anchors_survive_every_cut() {
    survives(&Scenario::trust_anchors(), &[Cut::Net]);
}
