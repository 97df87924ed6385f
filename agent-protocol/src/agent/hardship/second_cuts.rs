//! Power is cut again while a node recovers from a first cut: at every operation of its start and of
//! the next second that uses flash, or of what the io chip does first. The first cuts are spread over
//! the update, since what follows each of them is long; all of them are made, with one cut each, in
//! [`super::power_cuts`].

use super::power_cuts::{Cut, busy_seconds, cut_in, finish};
use super::scenario::{Allowed, PATIENCE, Scenario, settled};
use crate::sim::Tear;
use crate::sim::rig::Rig;
use crate::tell::tell;
use std::format;

/// First cuts in every update, evenly spread. Besides these, in each second in which flash is used, at its first and its
/// last operation: what the node was about to do, and what it had just done, then differs each time.
const FIRST: u64 = 10;
/// Seconds with use of flash in which the second cut falls: the start, with the record saved in it, and the next one.
const SECONDS: usize = 2;
/// Cuts that each scenario makes at least.
const LEAST: u64 = 8_000;

fn twice(scenario: &Scenario, first: Cut, second: Cut) -> u64 {
    let mut allowed = Allowed::default();
    let mut whole = scenario.rig.clone();
    for _ in 0..PATIENCE {
        whole.second().unwrap();
        allowed.learn(&whole);
        if settled(&whole, scenario.last).is_some() {
            break;
        }
    }
    let name = format!("{}, {first:?} then {second:?}", scenario.name);
    let watch = allowed.watch(&scenario.rig.high);
    let over = |rig: &Rig, _| settled(rig, scenario.last).is_some();
    let busy = busy_seconds(scenario.rig.clone(), watch, first, &name, over);
    let operations: u64 = busy.iter().map(|b| b.operations).sum();
    let stride = (operations / FIRST).max(1);
    let (mut first_cuts, mut cuts, mut passed) = (0, 0, 0);
    for busy in &busy {
        let chosen = |at: &u64| *at == 1 || *at == busy.operations || (passed + at).is_multiple_of(stride);
        for at in (1..=busy.operations).filter(chosen) {
            first_cuts += 1;
            let what = format!("{name}, operation {}", passed + at);
            let (_, rig, watch) = cut_in(busy, first, at, Tear::Mixed(at), &what);
            let done = |rig: &Rig, seconds| seconds >= SECONDS || settled(rig, scenario.last).is_some();
            for (n, again) in busy_seconds(rig, watch, second, &what, done).iter().enumerate() {
                for at in 1..=again.operations {
                    let what = format!("{what}, then busy second {n}, operation {at}");
                    let (_, rig, watch) = cut_in(again, second, at, Tear::Mixed(at), &what);
                    finish(scenario, second, rig, watch, &what);
                    cuts += 1;
                }
            }
        }
        passed += busy.operations;
    }
    tell(format_args!(
        "power cuts: {name}: {cuts} second cuts, after {first_cuts} of {operations} first ones"
    ));
    cuts
}

fn survives(scenario: &Scenario, pairs: &[(Cut, Cut)]) {
    let made: u64 = pairs.iter().map(|(first, second)| twice(scenario, *first, *second)).sum();
    assert!(made >= LEAST, "{}: only {made} second cuts", scenario.name);
}

const NET: &[(Cut, Cut)] = &[(Cut::Net, Cut::Net)];
const BOTH: &[(Cut, Cut)] = &[(Cut::Net, Cut::Net), (Cut::Io, Cut::Net), (Cut::Io, Cut::Io)];

#[test]
fn images_survive_a_second_cut() {
    survives(&Scenario::net_image(), NET);
    survives(&Scenario::io_image(), BOTH);
    survives(&Scenario::way_back(), NET);
}

#[test]
fn images_that_go_back_survive_a_second_cut() {
    survives(&Scenario::bad_net_image(), NET);
    survives(&Scenario::resetting_net_image(), NET);
    survives(&Scenario::dying_net_image(), NET);
    survives(&Scenario::bad_io_image(), BOTH);
}

#[test]
fn both_chips_in_one_plan_survive_a_second_cut() {
    survives(&Scenario::both_chips(), &[(Cut::Net, Cut::Net), (Cut::Io, Cut::Net)]);
}

#[test]
fn bundles_and_anchors_survive_a_second_cut() {
    survives(&Scenario::bundle(), NET);
    survives(&Scenario::wifi_candidate(), NET);
    survives(&Scenario::trust_anchors(), NET);
}
