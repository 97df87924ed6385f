//! An image, a bundle and a set of keys for the same node: three rollouts, one after the other in whatever order they
//! were started, each by the role whose numbers count for it.

use super::*;
use crate::rollout::{Brings, Parcel};
use pintle_protocol::id::{Component, Role};

const BUNDLE: Digest = Digest([0xb1; 32]);
const KEYS: Digest = Digest([0xc1; 32]);

/// A rollout of one step to node 1 that brings something else than an image.
fn other(envelope: Digest, role: Role, component: Component) -> Plan {
    let mut plan = testing::plan(&[1], 1, gate(0, 0), OnFailure::Hold);
    let step = &mut plan.waves[0].targets[0].steps[0];
    let brings = vec![Brings { component, payload: None }];
    step.forward = Parcel { envelope, role, sequence: 1, brings, ..step.forward.clone() };
    step.way_back = None;
    plan
}

/// The node keeps what it was offered, and reports it as nodes do.
fn keeps(yard: &mut Yard, envelope: Digest) {
    let at = &mut yard.nodes[0];
    at.end(envelope, Ending::Kept);
    match envelope {
        BUNDLE => (at.check_in.bundle, at.check_in.sequences[Role::Bundle.index()]) = (Some(BUNDLE), 1),
        KEYS => at.check_in.sequences[Role::Root.index()] = 1,
        _ => at.check_in.sequences[Role::Image.index()] = 100,
    }
}

#[test]
fn an_image_a_bundle_and_keys_for_one_node_come_one_after_the_other() {
    let plans = [
        (envelope(1, 0, false), testing::plan(&[1], 1, gate(0, 0), OnFailure::Hold)),
        (BUNDLE, other(BUNDLE, Role::Bundle, Component::Conf)),
        (KEYS, other(KEYS, Role::Root, Component::Keys)),
    ];
    for order in [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]] {
        let mut yard = Yard::new(1);
        let numbers = order.map(|n| {
            let number = yard.add(&plans[n].1);
            yard.act(number, rollouts::Action::Start).unwrap();
            yard.now += 1;
            number
        });
        for (place, n) in order.into_iter().enumerate() {
            let brought = plans[n].0;
            let offer = yard.check_in(1).unwrap().offer.map(|offer| offer.envelope);
            assert_eq!(offer, Some(brought), "{order:?}");
            // The others wait, and say for whom.
            for later in &numbers[place + 1..] {
                let stored = rows::get(&yard.conn, *later).unwrap().unwrap();
                let view = crate::views::rollout_view(&yard.conn, &stored, yard.now).unwrap();
                let reason = view.waves[0].targets[0].reason.clone().unwrap();
                assert!(reason.starts_with(&format!("rollout {} ", numbers[place])), "{order:?}: {reason}");
            }
            keeps(&mut yard, brought);
            assert_eq!(yard.check_in(1).unwrap().offer, None, "{order:?}: it soaks");
            yard.now += i64::from(testing::SOAK);
        }
        assert_eq!(yard.check_in(1).unwrap().offer, None, "{order:?}");
        for number in numbers {
            let state = rows::get(&yard.conn, number).unwrap().unwrap().rollout.state.state;
            assert_eq!(state, RolloutState::Done, "{order:?}");
        }
    }
}

#[test]
fn what_runs_another_bundle_than_it_kept_was_changed_by_hand() {
    let mut yard = Yard::new(1);
    let number = yard.add(&other(BUNDLE, Role::Bundle, Component::Conf));
    yard.act(number, rollouts::Action::Start).unwrap();
    assert_eq!(yard.check_in(1).unwrap().offer.unwrap().envelope, BUNDLE);
    keeps(&mut yard, BUNDLE);
    yard.check_in(1).unwrap();
    yard.nodes[0].check_in.bundle = Some(Digest([0xee; 32]));
    assert_eq!(yard.check_in(1).unwrap().offer, None, "it is not brought back behind somebody's back");
    let stored = rows::get(&yard.conn, number).unwrap().unwrap();
    assert!(stored.rollout.state.waves[0].targets[0].watch.by_hand);
    // What it refused is not offered once more, whatever it runs.
    let mut yard = Yard::new(1);
    let number = yard.add(&other(BUNDLE, Role::Bundle, Component::Conf));
    yard.act(number, rollouts::Action::Start).unwrap();
    assert!(yard.check_in(1).unwrap().offer.is_some());
    yard.nodes[0].end(BUNDLE, Ending::Refused);
    for _ in 0..3 {
        assert_eq!(yard.check_in(1).unwrap().offer, None);
        yard.now += 10_000;
    }
}

#[test]
fn an_io_chip_that_falls_silent_is_counted_across_check_ins_and_holds_the_rollout() {
    let mut yard = Yard::new(2);
    let number = yard.add(&testing::plan(&[1, 1], 1, gate(0, 0), OnFailure::Hold));
    yard.act(number, rollouts::Action::Start).unwrap();
    yard.check_in(1).unwrap();
    yard.nodes[0].end(envelope(1, 0, false), Ending::Kept);
    yard.check_in(1).unwrap();
    let state = |yard: &Yard| rows::get(&yard.conn, number).unwrap().unwrap().rollout.state;
    let io = yard.nodes[0].check_in.io.take();
    for n in 1..=3 {
        assert_eq!(state(&yard).state, RolloutState::UnderWay, "{n}");
        yard.check_in(1).unwrap();
        assert_eq!(state(&yard).waves[0].targets[0].watch.mute, Some(n));
    }
    assert_eq!(state(&yard).state, RolloutState::Held);
    assert_eq!(yard.check_in(2).unwrap().offer, None);
    // Once it is heard again a person can go on.
    yard.nodes[0].check_in.io = io;
    yard.check_in(1).unwrap();
    yard.act(number, rollouts::Action::Resume).unwrap();
    assert_eq!(
        (state(&yard).state, state(&yard).waves[0].targets[0].watch.mute),
        (RolloutState::UnderWay, Some(0))
    );
}
