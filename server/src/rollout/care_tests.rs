//! Approval, evidence, windows, limits to waiting and health, and ending early.

use super::testing::*;
use super::*;
use crate::contract::{Evidence, Gate, OnFailure, RolloutState, WaveState};
use pintle_protocol::checkin::{Phase, Position};

fn states(yard: &Yard) -> Vec<WaveState> {
    yard.rollout.state.waves.iter().map(|w| w.state).collect()
}

fn because(yard: &Yard) -> &str {
    yard.rollout.state.because.as_deref().unwrap_or_default()
}

/// Two waves of one node each, and what to change about them.
fn care(change: impl Fn(&mut WavePlan)) -> Plan {
    let mut plan = plan(&[1, 1], 1, gate(0, 0), OnFailure::Hold);
    plan.waves.iter_mut().for_each(change);
    plan
}

#[test]
fn a_wave_opens_only_after_a_person_approved_it() {
    let mut yard = Yard::started(care(|w| w.approval = true));
    assert_eq!(states(&yard), [WaveState::ForApproval, WaveState::NotOpen]);
    assert_eq!(yard.check_in(1, &idle()), None);
    assert!(yard.rollout.approve(Some(1), None, yard.now).is_err(), "the other wave waits");
    yard.rollout.approve(Some(0), None, yard.now).unwrap();
    yard.tick(0);
    assert!(yard.rollout.approve(None, None, yard.now).is_err(), "nothing waits");
    yard.keep_all(1);
    yard.tick(SOAK.into());
    yard.check_in(1, &kept(envelope(1, 0, false)));
    assert_eq!(states(&yard), [WaveState::Passed, WaveState::ForApproval]);
    assert_eq!(yard.check_in(2, &idle()), None);
    yard.rollout.hold(None).unwrap();
    assert!(yard.rollout.approve(None, None, yard.now).is_err(), "held");
    yard.rollout.resume(None, &yard.known, yard.now).unwrap();
    yard.rollout.approve(None, None, yard.now).unwrap();
    assert_eq!(yard.check_in(2, &idle()), Some(envelope(2, 0, false)));
    assert_eq!(yard.rollout.state.waves[1].asked_at, Some(yard.now));
}

#[test]
fn a_wave_passes_only_when_enough_was_seen() {
    let evidence = Evidence { min_check_ins: 3, min_door_cycles: 1 };
    let mut yard = Yard::started(care(|w| w.evidence = evidence));
    yard.keep_all(1);
    let report = kept(envelope(1, 0, false));
    yard.tick(SOAK.into());
    for _ in 0..4 {
        yard.check_in(1, &report);
    }
    assert_eq!(states(&yard)[0], WaveState::Soaking, "its door was not used");
    yard.check_in(1, &Report { position: Position::PartlyOpen, ..report.clone() });
    assert_eq!(states(&yard)[0], WaveState::Soaking);
    yard.check_in(1, &report);
    assert_eq!(states(&yard), [WaveState::Passed, WaveState::Open]);
}

#[test]
fn evidence_does_not_shorten_the_soak() {
    let mut yard = Yard::started(care(|w| w.evidence.min_check_ins = 1));
    yard.keep_all(1);
    yard.check_in(1, &kept(envelope(1, 0, false)));
    assert_eq!(states(&yard)[0], WaveState::Soaking);
}

/// Somebody flashes what runs on the node.
fn by_hand() -> Report {
    Report { images: [None, Some(image(1, 42, false))], ..idle() }
}

#[test]
fn a_node_changed_by_hand_is_no_evidence_and_does_not_wedge() {
    let mut intent = plan(&[2, 1], 1, gate(0, 0), OnFailure::Hold);
    intent.waves[0].evidence = Evidence { min_check_ins: 1, min_door_cycles: 0 };
    let mut yard = Yard::started(intent);
    (1..=2).for_each(|n| yard.keep_all(n));
    yard.tick(SOAK.into());
    yard.check_in(2, &kept(envelope(2, 0, false)));
    yard.check_in(1, &by_hand());
    assert!(yard.rollout.state.waves[0].targets[0].watch.by_hand);
    assert_eq!(states(&yard), [WaveState::Passed, WaveState::Open]);
    assert!(yard.wave_proves(0).starts_with("1 of 1 kept"));
}

#[test]
fn a_wave_whose_only_node_was_changed_by_hand_is_a_persons_to_pass() {
    for on_failure in [OnFailure::Hold, OnFailure::TurnBack] {
        let mut yard = Yard::started(Plan { on_failure, ..care(|_| ()) });
        yard.keep_all(1);
        yard.tick(SOAK.into());
        yard.check_in(1, &by_hand());
        assert_eq!(states(&yard), [WaveState::Failed, WaveState::NotOpen]);
        assert_eq!(
            because(&yard),
            "wave 1: no node of the wave is left to show how it does: they were changed by hand or retired"
        );
        yard.rollout.resume(None, &yard.known, yard.now).unwrap();
        yard.check_in(1, &by_hand());
        assert_eq!(states(&yard), [WaveState::Passed, WaveState::Open], "hearing it again asks nobody again");
        assert_eq!(yard.wave_proves(0), "no node shows how it does, so nothing is proved");
        assert!(yard.wave_proves(1).starts_with("if 1 of 1 keep it"));
    }
}

/// It says that it kept this once; it does not run it any more.
#[test]
fn a_node_that_says_it_kept_it_and_runs_something_else_is_no_evidence_from_the_start() {
    let mut yard = Yard::started(care(|_| ()));
    yard.check_in(1, &Report { kept: Some(envelope(1, 0, false)), ..by_hand() });
    assert!(yard.rollout.state.waves[0].targets[0].is_by_hand());
    assert_eq!(states(&yard), [WaveState::Failed, WaveState::NotOpen]);
    assert_eq!(yard.check_in(2, &idle()), None);
}

/// Until it has its old image again: then it has to show itself anew.
#[test]
fn a_node_that_runs_it_again_counts_again() {
    let mut yard = Yard::started(care(|w| w.evidence.min_check_ins = 2));
    yard.keep_all(1);
    yard.check_in(1, &by_hand());
    assert_eq!(yard.rollout.state.state, RolloutState::Held);
    yard.rollout.resume(None, &yard.known, yard.now).unwrap();
    let again = Report { images: [None, Some(image(1, 0, false))], ..idle() };
    yard.check_in(1, &again);
    assert!(!yard.rollout.state.waves[0].targets[0].forgiven);
    yard.tick(SOAK.into());
    assert_eq!(states(&yard)[0], WaveState::Soaking);
    yard.check_in(1, &again);
    assert_eq!(states(&yard), [WaveState::Passed, WaveState::Open]);
}

#[test]
fn nothing_new_is_offered_outside_of_the_window() {
    let mut intent = care(|_| ());
    intent.windows = Some(mornings());
    let mut yard = Yard::new(intent);
    // 1 209 600 s is a whole number of days.
    yard.now = 1_209_600 + 11 * 3600;
    yard.rollout.start(None, yard.now).unwrap();
    yard.tick(0);
    assert_eq!(yard.check_in(1, &idle()), Some(envelope(1, 0, false)));
    yard.tick(3600);
    assert_eq!(yard.check_in(1, &idle()), None, "its reply may have been lost: it waits until morning");
    assert_eq!(yard.rollout.state.waves[0].targets[0].stage, Stage::Waiting);
    // What it has taken up already goes on.
    yard.check_in(1, &at(Phase::Trial, envelope(1, 0, false)));
    yard.check_in(1, &kept(envelope(1, 0, false)));
    yard.tick(SOAK.into());
    yard.check_in(1, &kept(envelope(1, 0, false)));
    assert_eq!(states(&yard), [WaveState::Passed, WaveState::Open]);
    assert_eq!(yard.check_in(2, &idle()), None);
    // A return does not wait.
    yard.rollout.turn_back(None, yard.now).unwrap();
    assert_eq!(yard.check_in(1, &kept(envelope(1, 0, false))), Some(envelope(1, 0, true)));
}

#[test]
fn a_long_wait_for_the_door_fails_the_gate() {
    let limits = |w: &mut WavePlan| (w.gate.max_waiting, w.gate.waiting_after_seconds) = (Some(0), 7200);
    let mut yard = Yard::started(care(limits));
    yard.check_in(1, &idle());
    let waiting = at(Phase::Waiting, envelope(1, 0, false));
    for _ in 0..3 {
        yard.check_in(1, &waiting);
        yard.tick(2400);
    }
    assert_eq!(yard.rollout.state.state, RolloutState::UnderWay);
    yard.tick(1);
    assert_eq!(because(&yard), "wave 1: Door 1 waiting for the door for more than 2 h; 0 tolerated");
    yard.rollout.resume(None, &yard.known, yard.now).unwrap();
    for _ in 0..3 {
        yard.check_in(1, &waiting);
        yard.tick(2400);
    }
    assert_eq!(yard.rollout.state.state, RolloutState::UnderWay, "it counts from when it went on");
    yard.tick(1);
    assert_eq!(yard.rollout.state.state, RolloutState::Held);
}

#[test]
fn restarts_since_it_kept_fail_the_gate_even_after_the_wave_passed() {
    let mut yard = Yard::started(care(|w| w.gate.max_restarts = Some(2)));
    // The update itself starts the board again; that does not count.
    yard.check_in(1, &idle());
    let report = |starts| Report { starts, ..kept(envelope(1, 0, false)) };
    yard.check_in(1, &report(7));
    yard.tick(SOAK.into());
    yard.check_in(1, &report(9));
    assert_eq!(states(&yard), [WaveState::Passed, WaveState::Open]);
    yard.check_in(1, &report(10));
    assert_eq!(because(&yard), "wave 1: Door 1 (started 3 times) unwell since it kept; 0 tolerated");
    yard.rollout.resume(None, &yard.known, yard.now).unwrap();
    yard.check_in(1, &report(12));
    assert_eq!(yard.rollout.state.state, RolloutState::UnderWay, "it counts anew");
}

#[test]
fn a_weak_signal_fails_the_gate() {
    let mut yard = Yard::started(care(|w| w.gate = Gate { min_signal_dbm: Some(-80), ..w.gate }));
    yard.keep_all(1);
    for n in 0..3 {
        assert_eq!(yard.rollout.state.state, RolloutState::UnderWay, "{n}");
        yard.check_in(1, &Report { rssi_dbm: -85, ..kept(envelope(1, 0, false)) });
    }
    assert_eq!(because(&yard), "wave 1: Door 1 (weak signal) unwell since it kept; 0 tolerated");
}

#[test]
fn an_io_chip_that_falls_silent_after_the_trial_fails_the_gate_and_opens_no_further_wave() {
    let mut yard = Yard::started(plan(&[1, 1], 1, gate(0, 0), OnFailure::Hold));
    yard.keep_all(1);
    for n in 0..3 {
        assert_eq!(yard.rollout.state.state, RolloutState::UnderWay, "{n}");
        yard.check_in(1, &Report { io_silent: true, ..kept(envelope(1, 0, false)) });
    }
    let why = "wave 1: Door 1 (its io chip has fallen silent) unwell since it kept; 0 tolerated";
    assert_eq!(because(&yard), why);
    yard.now += i64::from(SOAK);
    assert_eq!(yard.check_in(2, &idle()), None, "the next wave stays shut");
    yard.rollout.resume(None, &yard.known, yard.now).unwrap();
    assert_eq!(yard.rollout.state.state, RolloutState::UnderWay, "a person has seen it");
}

#[test]
fn ending_early_lets_go_of_every_node_and_leaves_it_as_it_is() {
    let mut yard = Yard::started(plan(&[3], 1, gate(0, 0), OnFailure::Hold));
    yard.keep_all(1);
    yard.check_in(2, &at(Phase::Trial, envelope(2, 0, false)));
    yard.check_in(3, &idle());
    yard.rollout.hold(None).unwrap();
    assert!((1..=3).all(|n| yard.rollout.has(&node(n))), "a held rollout has its nodes");
    yard.rollout.end(Some("the new radio is no good".to_owned()), yard.now).unwrap();
    assert_eq!(yard.rollout.state.state, RolloutState::Done);
    assert!(yard.rollout.was_ended_early() && !yard.rollout.is_active());
    assert_eq!(because(&yard), "ended early: the new radio is no good");
    assert!((1..=3).all(|n| !yard.rollout.has(&node(n))));
    assert_eq!(yard.check_in(3, &idle()), None);
    // What was on its way is still heard to its end.
    yard.check_in(2, &kept(envelope(2, 0, false)));
    assert_eq!(yard.rollout.state.waves[0].targets[1].forward, Some(Forward::Kept));
    assert!(yard.rollout.end(None, yard.now).is_err());
    // It can still be turned back.
    yard.rollout.turn_back(None, yard.now).unwrap();
    assert!(!yard.rollout.was_ended_early());
    assert_eq!(yard.check_in(1, &kept(envelope(1, 0, false))), Some(envelope(1, 0, true)));
}

#[test]
fn each_wave_says_what_it_proves_or_would() {
    let mut yard = Yard::started(plan(&[1, 2], 1, gate(0, 0), OnFailure::Hold));
    let would = |n: &str, p: &str| {
        format!("if {n} of {n} keep it: with 95 % confidence fewer than {p} % of such nodes would fail")
    };
    assert_eq!(yard.wave_proves(0), would("1", "95.0"));
    assert_eq!(yard.wave_proves(1), would("3", "63.2"));
    yard.keep_all(1);
    assert!(
        yard.wave_proves(0)
            .starts_with("1 of 1 kept it and did well: with 95 % confidence fewer than 95.0 %")
    );
    yard.rollout.retire(&node(3), yard.now);
    assert_eq!(yard.wave_proves(1), would("2", "77.7"));
}
