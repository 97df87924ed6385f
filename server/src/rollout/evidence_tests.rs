//! The sentences about what is proved never take a node for a success that is not known to be one.

use super::evidence::{Moments, Says, says};
use super::testing::*;
use super::*;
use crate::contract::{Evidence, Gate, OnFailure, RolloutState, WaveState};
use pintle_protocol::checkin::Phase;

fn one(run: TargetRun, known: &Known, now: Seconds, ended_at: Option<Seconds>) -> Says {
    let gate = Gate { max_restarts: Some(1), ..gate(0, 0) };
    let plan = plan(&[1], 1, gate, OnFailure::Hold);
    let at = Moments { opened_at: Some(0), ended_at, now };
    says(&plan.waves[0], &plan.waves[0].targets[0], &run, known, &at)
}

fn heard(at: Seconds) -> Known {
    Known { last_seen: [(node(1), at)].into(), listening_since: 0 }
}

const KEPT: TargetRun =
    TargetRun { stage: Stage::Ended, forward: Some(Forward::Kept), since: Some(10), ..TargetRun::NEW };

#[test]
fn a_node_speaks_for_it_only_if_it_kept_it_and_is_heard_and_well() {
    let verdict = Verdict { refused: false, reason: 400, detail: 0 };
    let failed = TargetRun { forward: Some(Forward::Failed(verdict)), ..KEPT };
    let watch = |change: fn(&mut watch::Watch)| {
        let mut run = KEPT;
        change(&mut run.watch);
        run
    };
    let stage = |stage| TargetRun { stage, ..TargetRun::NEW };
    let late = Seconds::from(SILENT) + 1;
    for (what, run, now, wanted) in [
        ("kept", KEPT, 100, Says::For),
        ("kept and silent", KEPT, late, Says::Against),
        ("kept and starts again and again", watch(|w| w.restarts = 2), 100, Says::Against),
        ("kept and changed by hand", watch(|w| w.by_hand = true), 100, Says::Nothing),
        ("kept and retired", TargetRun { stage: Stage::Retired, ..KEPT }, 100, Says::Nothing),
        ("failed", failed, 100, Says::Against),
        ("failed and forgiven", TargetRun { forgiven: true, ..failed }, 100, Says::Against),
        ("failed and retired", TargetRun { stage: Stage::Retired, ..failed }, 100, Says::Against),
        ("failed and returned", TargetRun { way: Way::Back, ..failed }, 100, Says::Against),
        ("kept and returned", TargetRun { way: Way::Back, ..KEPT }, late, Says::For),
        ("on trial", stage(Stage::Trial), 100, Says::Open),
        ("on trial and silent", stage(Stage::Trial), late, Says::Against),
        ("never reached", stage(Stage::Waiting), late, Says::Open),
        ("retired before", stage(Stage::Retired), late, Says::Nothing),
    ] {
        assert_eq!(one(run, &heard(0), now, None), wanted, "{what}");
    }
}

#[test]
fn when_it_has_ended_what_came_later_says_nothing() {
    let late = Seconds::from(SILENT) + 1;
    for (what, run, seen, ended, wanted) in [
        ("silent for years since", KEPT, 90, 100, Says::For),
        ("silent when it ended, and since", KEPT, 0, late, Says::Against),
        ("silent when it ended, and heard later", KEPT, late + 5, late, Says::For),
        ("never reached", TargetRun::NEW, 90, 100, Says::Nothing),
        ("still at it", TargetRun { stage: Stage::Trial, ..TargetRun::NEW }, 90, 100, Says::Open),
    ] {
        assert_eq!(one(run, &heard(seen), 1_000_000, Some(ended)), wanted, "{what}");
    }
}

#[test]
fn a_wave_that_has_passed_speaks_of_what_is_and_not_of_what_would_be() {
    // Of three, one is never reached; one silent node is tolerated.
    let mut yard = Yard::started(plan(&[3, 1], 1, gate(0, 1), OnFailure::Hold));
    (1..=2).for_each(|n| yard.keep_all(n));
    assert!(yard.wave_proves(0).starts_with("if 3 of 3 keep it"));
    for seconds in [SILENT / 2, SILENT / 2 + 1] {
        yard.tick(seconds.into());
        (1..=2).for_each(|n| _ = yard.check_in(n, &kept(envelope(n, 0, false))));
    }
    assert_eq!(yard.rollout.state.waves[0].state, WaveState::Passed);
    assert!(yard.wave_proves(0).starts_with("2 of 2 kept"), "{}", yard.wave_proves(0));
}

#[test]
fn a_node_that_was_reached_and_lost_is_no_success_to_come() {
    let mut yard = Yard::started(plan(&[3], 1, gate(0, 1), OnFailure::Hold));
    (1..=2).for_each(|n| yard.keep_all(n));
    yard.check_in(3, &idle());
    yard.check_in(3, &at(Phase::Trial, envelope(3, 0, false)));
    for seconds in [SILENT / 2, SILENT / 2 + 1] {
        yard.tick(seconds.into());
        (1..=2).for_each(|n| _ = yard.check_in(n, &kept(envelope(n, 0, false))));
    }
    assert_eq!(yard.rollout.state.state, RolloutState::Done);
    for sentence in [yard.proves(), yard.wave_proves(0)] {
        assert!(sentence.starts_with("2 of 3 kept"), "{sentence}");
    }
    // It was only out of reach after all.
    yard.check_in(3, &kept(envelope(3, 0, false)));
    assert!(yard.proves().starts_with("3 of 3 kept"), "{}", yard.proves());
}

#[test]
fn a_tolerated_illness_is_no_success() {
    let gate = Gate { max_restarts: Some(0), max_unwell: 1, ..gate(0, 0) };
    let mut intent = plan(&[2], 1, gate, OnFailure::Hold);
    intent.waves[0].evidence = Evidence::default();
    let mut yard = Yard::started(intent);
    (1..=2).for_each(|n| yard.keep_all(n));
    yard.tick(SOAK.into());
    yard.check_in(1, &Report { starts: 9, ..kept(envelope(1, 0, false)) });
    yard.check_in(2, &kept(envelope(2, 0, false)));
    assert_eq!(yard.rollout.state.state, RolloutState::Done);
    assert!(yard.proves().starts_with("1 of 2 kept"), "{}", yard.proves());
}
