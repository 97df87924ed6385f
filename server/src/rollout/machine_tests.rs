use super::testing::*;
use super::*;
use crate::contract::{OnFailure, RolloutState, WaveState};
use pintle_protocol::checkin::Phase;

fn states(yard: &Yard) -> Vec<WaveState> {
    yard.rollout.state.waves.iter().map(|w| w.state).collect()
}

fn run(yard: &Yard, wave: usize, place: usize) -> TargetRun {
    yard.rollout.state.waves[wave].targets[place]
}

#[test]
fn nothing_is_offered_before_the_start() {
    let mut yard = Yard::new(plan(&[1], 1, gate(0, 0), OnFailure::Hold));
    assert_eq!(yard.check_in(1, &idle()), None);
    assert!(!yard.rollout.has(&node(1)));
}

#[test]
fn steps_go_in_order_and_the_next_wave_waits_for_the_soak() {
    let mut yard = Yard::started(plan(&[1, 1], 2, gate(0, 0), OnFailure::Hold));
    assert_eq!(yard.check_in(2, &idle()), None, "its wave is not open");
    let (first, second) = (envelope(1, 0, false), envelope(1, 1, false));
    assert_eq!(yard.check_in(1, &idle()), Some(first));
    assert_eq!(yard.check_in(1, &at(Phase::Fetching, first)), None);
    assert_eq!(run(&yard, 0, 0).stage, Stage::Fetching);
    assert_eq!(yard.check_in(1, &at(Phase::Waiting, first)), None);
    assert_eq!(run(&yard, 0, 0).stage, Stage::Door);
    assert_eq!(yard.check_in(1, &at(Phase::Trial, first)), None, "nothing is offered during a trial");
    assert_eq!(yard.check_in(1, &kept(first)), Some(second));
    assert_eq!(yard.check_in(1, &kept(second)), None);
    assert_eq!(states(&yard), [WaveState::Soaking, WaveState::NotOpen]);

    yard.tick(i64::from(SOAK));
    assert_eq!(states(&yard)[0], WaveState::Soaking, "it was not heard at the end of the soak");
    assert_eq!(yard.check_in(1, &kept(second)), None);
    assert_eq!(states(&yard), [WaveState::Passed, WaveState::Open]);
    yard.keep_all(2);
    yard.tick(i64::from(SOAK));
    yard.check_in(2, &kept(envelope(2, 1, false)));
    assert_eq!(yard.rollout.state.state, RolloutState::Done);
    assert!(yard.proves().starts_with("2 of 2 kept"));
}

#[test]
fn a_failure_holds_at_once_and_is_never_offered_again() {
    for refused in [false, true] {
        let mut yard = Yard::started(plan(&[2, 1], 1, gate(0, 0), OnFailure::Hold));
        let first = envelope(1, 0, false);
        yard.check_in(1, &idle());
        assert_eq!(yard.check_in(1, &failed(first, refused)), None);
        assert_eq!(yard.rollout.state.state, RolloutState::Held);
        assert_eq!(states(&yard), [WaveState::Failed, WaveState::NotOpen]);
        assert_eq!(yard.check_in(2, &idle()), None, "held: not offered to others");
        yard.rollout.resume(None, &yard.known, yard.now).unwrap();
        assert_eq!(yard.check_in(2, &idle()), Some(envelope(2, 0, false)));
        assert_eq!(yard.check_in(1, &idle()), None, "even if the node forgot it");
        yard.keep_all(2);
        yard.tick(i64::from(SOAK));
        yard.check_in(2, &kept(envelope(2, 0, false)));
        assert_eq!(states(&yard), [WaveState::Passed, WaveState::Open], "a person accepted the failure");
    }
}

#[test]
fn what_failed_in_an_earlier_rollout_is_not_offered_again() {
    let mut yard = Yard::started(plan(&[1], 1, gate(1, 0), OnFailure::Hold));
    assert_eq!(yard.check_in(1, &failed(envelope(1, 0, false), false)), None);
    assert!(run(&yard, 0, 0).has_failed());
}

#[test]
fn a_node_that_runs_it_already_counts_as_kept() {
    let mut yard = Yard::started(plan(&[1], 2, gate(0, 0), OnFailure::Hold));
    let mut report = idle();
    report.images = [Some(image(1, 1, false)), Some(image(1, 0, false))];
    report.sequences = [0, 10, 0];
    assert_eq!(yard.check_in(1, &report), Some(envelope(1, 1, false)), "only the first is kept: 11 > 10");
    report.sequences = [0, 11, 0];
    assert_eq!(yard.check_in(1, &report), None);
    assert_eq!(run(&yard, 0, 0).forward, Some(Forward::Kept));
}

#[test]
fn the_image_on_trial_does_not_count_as_kept() {
    let mut yard = Yard::started(plan(&[1], 1, gate(0, 0), OnFailure::Hold));
    let mut report = at(Phase::Trial, envelope(1, 0, false));
    report.images = [None, Some(image(1, 0, false))];
    report.sequences = [0, 99, 0];
    yard.check_in(1, &report);
    assert_eq!(run(&yard, 0, 0).stage, Stage::Trial);
}

#[test]
fn an_offer_lost_in_a_power_cut_is_made_again() {
    let mut yard = Yard::started(plan(&[1], 1, gate(0, 0), OnFailure::Hold));
    let first = envelope(1, 0, false);
    assert_eq!(yard.check_in(1, &idle()), Some(first));
    assert_eq!(yard.check_in(1, &idle()), Some(first), "the reply may have been lost");
    yard.check_in(1, &at(Phase::Fetching, first));
    assert_eq!(yard.check_in(1, &idle()), Some(first));
}

#[test]
fn a_failed_gate_turns_back_in_reverse_order() {
    let mut yard = Yard::started(plan(&[1, 1], 2, gate(0, 0), OnFailure::TurnBack));
    yard.keep_all(1);
    yard.tick(i64::from(SOAK));
    yard.check_in(1, &kept(envelope(1, 1, false)));
    assert_eq!(yard.check_in(2, &idle()), Some(envelope(2, 0, false)));
    assert_eq!(yard.check_in(2, &kept(envelope(2, 0, false))), Some(envelope(2, 1, false)));
    // Node 2 kept its first step and fails in its second: it is returned too.
    let mut report = failed(envelope(2, 1, false), false);
    assert_eq!(yard.check_in(2, &report), Some(envelope(2, 0, true)));
    assert_eq!(yard.rollout.state.state, RolloutState::TurnedBack);
    assert!(yard.rollout.is_active() && yard.rollout.has(&node(1)));
    report.kept = Some(envelope(2, 0, true));
    assert_eq!(yard.check_in(2, &report), None);
    assert_eq!(run(&yard, 1, 0).back, Some(Return::Done));
    assert!(!yard.rollout.has(&node(2)) && yard.rollout.has(&node(1)));

    assert_eq!(yard.check_in(1, &idle()), Some(envelope(1, 1, true)));
    assert_eq!(yard.check_in(1, &kept(envelope(1, 1, true))), Some(envelope(1, 0, true)));
    assert_eq!(yard.check_in(1, &kept(envelope(1, 0, true))), None);
    assert!(yard.rollout.state.ended_at.is_some() && !yard.rollout.is_active());
    assert!(yard.proves().starts_with("1 of 2 kept"), "what was proved stays");
}

#[test]
fn a_trial_under_way_ends_before_its_node_is_returned() {
    let mut yard = Yard::started(plan(&[1], 1, gate(0, 0), OnFailure::Hold));
    let first = envelope(1, 0, false);
    yard.check_in(1, &idle());
    yard.check_in(1, &at(Phase::Trial, first));
    yard.rollout.turn_back(None, yard.now).unwrap();
    assert_eq!(yard.check_in(1, &at(Phase::Trial, first)), None);
    assert!(yard.rollout.is_active());
    assert_eq!(yard.check_in(1, &kept(first)), Some(envelope(1, 0, true)));
}

#[test]
fn an_offer_not_taken_up_is_dropped_when_held_or_turned_back() {
    let mut yard = Yard::started(plan(&[1], 1, gate(0, 0), OnFailure::Hold));
    yard.check_in(1, &idle());
    yard.rollout.hold(Some("guests".to_owned())).unwrap();
    assert_eq!(yard.check_in(1, &idle()), None);
    assert_eq!(run(&yard, 0, 0).stage, Stage::Waiting);
    yard.rollout.turn_back(None, yard.now).unwrap();
    assert!(yard.rollout.state.ended_at.is_some(), "no node had anything to return");
}

#[test]
fn a_step_without_a_way_back_is_left_alone_with_those_before_it() {
    let mut intent = plan(&[1], 2, gate(0, 0), OnFailure::Hold);
    intent.waves[0].targets[0].steps[1].way_back = None;
    let mut yard = Yard::started(intent);
    yard.keep_all(1);
    yard.rollout.turn_back(None, yard.now).unwrap();
    assert_eq!(yard.check_in(1, &idle()), None);
    assert_eq!(run(&yard, 0, 0).back, Some(Return::NoWayBack));
    let part = yard.rollout.part(&node(1)).unwrap();
    assert_eq!(part.left(&idle()), Some(Left::NotReturned));
    assert!(!yard.rollout.is_active());
}

#[test]
fn a_refused_way_back_ends_the_return() {
    let mut yard = Yard::started(plan(&[1], 2, gate(0, 0), OnFailure::Hold));
    yard.keep_all(1);
    yard.rollout.turn_back(None, yard.now).unwrap();
    yard.check_in(1, &idle());
    assert_eq!(yard.check_in(1, &failed(envelope(1, 1, true), true)), None);
    assert!(matches!(run(&yard, 0, 0).back, Some(Return::Failed(_))));
    assert_eq!(yard.check_in(1, &idle()), None);
}

#[test]
fn silence_after_being_reached_fails_the_gate() {
    let mut yard = Yard::started(plan(&[2], 1, gate(0, 0), OnFailure::Hold));
    yard.keep_all(1);
    yard.check_in(2, &idle());
    yard.tick(i64::from(SILENT));
    yard.check_in(1, &idle());
    assert_eq!(yard.rollout.state.state, RolloutState::UnderWay);
    yard.tick(1);
    assert_eq!(yard.rollout.state.state, RolloutState::Held);
    let because = yard.rollout.state.because.clone().unwrap();
    assert_eq!(because, "wave 1: Door 2 not heard for more than 3600 s after being reached; 0 tolerated");
    // A person accepts it; once it is heard again it counts again.
    yard.rollout.resume(None, &yard.known, yard.now).unwrap();
    yard.check_in(1, &idle());
    assert_eq!(states(&yard), [WaveState::Passed]);
}

#[test]
fn a_node_that_kept_and_then_falls_silent_fails_the_gate() {
    let mut yard = Yard::started(plan(&[1, 1], 1, gate(0, 0), OnFailure::Hold));
    yard.keep_all(1);
    yard.tick(i64::from(SILENT) + 1);
    assert_eq!(yard.rollout.state.state, RolloutState::Held);
}

#[test]
fn silence_while_the_server_was_away_says_nothing() {
    let mut yard = Yard::started(plan(&[1], 1, gate(0, 0), OnFailure::Hold));
    yard.check_in(1, &idle());
    yard.now += 100_000;
    yard.known.listening_since = yard.now;
    yard.tick(i64::from(SILENT));
    assert_eq!(yard.rollout.state.state, RolloutState::UnderWay);
    yard.tick(1);
    assert_eq!(yard.rollout.state.state, RolloutState::Held);
}

#[test]
fn a_node_that_was_away_for_weeks_goes_on_where_it_was() {
    let mut yard = Yard::started(plan(&[2, 1], 1, gate(0, 1), OnFailure::Hold));
    yard.keep_all(1);
    yard.tick(i64::from(SILENT) + 1);
    yard.check_in(1, &kept(envelope(1, 0, false)));
    assert_eq!(states(&yard), [WaveState::Passed, WaveState::Open], "one silent node is tolerated");
    yard.now += 20 * 86_400;
    yard.known.listening_since = yard.now;
    assert_eq!(yard.check_in(2, &idle()), Some(envelope(2, 0, false)));
    yard.check_in(2, &failed(envelope(2, 0, false), false));
    assert_eq!(yard.rollout.state.state, RolloutState::Held, "a late failure counts against its wave");
}

#[test]
fn nodes_never_reached_only_keep_the_wave_open() {
    let mut yard = Yard::started(plan(&[1], 1, gate(0, 1), OnFailure::Hold));
    yard.tick(100 * i64::from(SILENT));
    assert_eq!(states(&yard), [WaveState::Open]);
    assert_eq!(yard.rollout.state.state, RolloutState::UnderWay);
}

#[test]
fn a_wave_in_which_nobody_kept_does_not_pass() {
    let mut yard = Yard::started(plan(&[1, 1], 1, gate(1, 0), OnFailure::Hold));
    yard.check_in(1, &idle());
    yard.check_in(1, &failed(envelope(1, 0, false), true));
    assert_eq!(yard.rollout.state.because.as_deref(), Some("wave 1: no node of the wave kept it"));
}

#[test]
fn retired_nodes_do_not_wedge_a_rollout() {
    let mut yard = Yard::started(plan(&[2, 1], 1, gate(0, 0), OnFailure::Hold));
    yard.check_in(1, &at(Phase::Trial, envelope(1, 0, false)));
    yard.rollout.retire(&node(1), yard.now);
    assert!(!yard.rollout.has(&node(1)));
    yard.keep_all(2);
    yard.tick(i64::from(SOAK));
    yard.check_in(2, &kept(envelope(2, 0, false)));
    assert_eq!(states(&yard), [WaveState::Passed, WaveState::Open]);
    yard.keep_all(3);
    yard.tick(i64::from(SOAK));
    yard.check_in(3, &kept(envelope(3, 0, false)));
    assert_eq!(yard.rollout.state.state, RolloutState::Done);
}

/// A canary that was taken down in its trial has shown nothing, and least of all that others may follow.
#[test]
fn a_wave_whose_nodes_were_all_retired_is_a_persons_to_pass() {
    for on_failure in [OnFailure::Hold, OnFailure::TurnBack] {
        let mut yard = Yard::started(plan(&[1, 1], 1, gate(0, 0), on_failure));
        yard.check_in(1, &at(Phase::Trial, envelope(1, 0, false)));
        yard.rollout.retire(&node(1), yard.now);
        yard.tick(i64::from(SOAK));
        assert_eq!(states(&yard), [WaveState::Failed, WaveState::NotOpen]);
        assert_eq!(
            yard.rollout.state.state,
            RolloutState::Held,
            "retiring a node is nothing to turn back for"
        );
        assert_eq!(
            yard.rollout.state.because.as_deref(),
            Some(
                "wave 1: no node of the wave is left to show how it does: they were changed by hand or retired"
            )
        );
        assert_eq!(yard.check_in(2, &idle()), None);
        yard.rollout.resume(None, &yard.known, yard.now).unwrap();
        yard.tick(0);
        assert_eq!(states(&yard), [WaveState::Passed, WaveState::Open]);
        assert_eq!(yard.check_in(2, &idle()), Some(envelope(2, 0, false)));
        yard.rollout.retire(&node(2), yard.now);
        yard.tick(i64::from(SOAK));
        assert_eq!(yard.rollout.state.state, RolloutState::Held);
        yard.rollout.resume(None, &yard.known, yard.now).unwrap();
        yard.tick(0);
        assert_eq!(yard.rollout.state.state, RolloutState::Done);
        assert_eq!(yard.proves(), "no node shows how it does, so nothing is proved");
    }
}

#[test]
fn a_wave_that_has_passed_stays_so_when_its_node_is_retired() {
    let mut yard = Yard::started(plan(&[1, 1], 1, gate(0, 0), OnFailure::Hold));
    yard.keep_all(1);
    yard.tick(i64::from(SOAK));
    yard.check_in(1, &kept(envelope(1, 0, false)));
    assert_eq!(states(&yard), [WaveState::Passed, WaveState::Open]);
    yard.rollout.retire(&node(1), yard.now);
    yard.tick(0);
    assert_eq!(yard.rollout.state.state, RolloutState::UnderWay);
    assert_eq!(states(&yard), [WaveState::Passed, WaveState::Open]);
}

/// One failure is tolerated; retiring the node that failed makes no room for another.
#[test]
fn retiring_a_node_that_failed_does_not_give_its_allowance_back() {
    let mut yard = Yard::started(plan(&[3], 1, gate(1, 0), OnFailure::Hold));
    yard.check_in(1, &failed(envelope(1, 0, false), false));
    assert_eq!(yard.rollout.state.state, RolloutState::UnderWay);
    yard.rollout.retire(&node(1), yard.now);
    yard.check_in(2, &failed(envelope(2, 0, false), false));
    assert_eq!(
        yard.rollout.state.because.as_deref(),
        Some("wave 1: Door 1, Door 2 went back or refused; 1 tolerated")
    );
    yard.rollout.resume(None, &yard.known, yard.now).unwrap();
    yard.tick(0);
    assert_eq!(yard.rollout.state.state, RolloutState::UnderWay, "a person went on in spite of both");
    yard.keep_all(3);
    yard.tick(i64::from(SOAK));
    yard.check_in(3, &kept(envelope(3, 0, false)));
    assert_eq!(yard.rollout.state.state, RolloutState::Done);
    assert!(
        yard.proves().starts_with("1 of 3 kept"),
        "what a person forgave is no success: {}",
        yard.proves()
    );
}

#[test]
fn requests_that_do_not_fit_are_refused() {
    let mut yard = Yard::new(plan(&[1], 1, gate(0, 0), OnFailure::Hold));
    assert!(yard.rollout.hold(None).is_err());
    assert!(yard.rollout.resume(None, &yard.known, 0).is_err());
    let misfit = yard.rollout.turn_back(None, 0).unwrap_err();
    assert_eq!(
        misfit.to_string(),
        "the rollout is ready; only one that is under way, held or done can be turned back"
    );
    yard.rollout.start(None, 0).unwrap();
    assert!(yard.rollout.start(None, 0).is_err());
}
