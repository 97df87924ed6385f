//! When the relay is held off and let go, and whose press on the node's own button counts: the agent
//! alone, poll by poll.

use super::machine::{Agent, Radio};
use super::tests::{asks_consent, commissioned, ended, image, packed};
use super::types::{Action, Input, Moment, Scratch, Sense};
use crate::checkin::Ending;
use crate::id::{Chip, Digest};
use crate::image::Quirk;
use crate::interlock::Hold;
use crate::slots::{Change, Part, SlotImage};
use std::boxed::Box;
use std::vec::Vec;

const WAITS: Digest = Digest([7; 32]);

/// A commissioned agent and what it senses: a closed door that has rested, and a relay that is free.
struct Bench {
    agent: Box<Agent>,
    sense: Sense,
    now: u64,
}

impl Bench {
    fn new() -> Self {
        let mut rig = commissioned();
        let free = |r: &crate::sim::rig::Rig| {
            r.node.as_ref().is_some_and(|n| n.sense().status.is_some_and(|s| !s.inhibited))
        };
        assert!(rig.until(120, free).unwrap(), "the relay is never let go");
        let node = rig.node.as_ref().unwrap();
        let mut bench = Self { agent: Box::new(node.agent().clone()), sense: *node.sense(), now: 10_000_000 };
        bench.sense.status.as_mut().unwrap().rest_seconds = 3600;
        bench.agent.talk.next_at = u64::MAX;
        bench.agent.last_answer = bench.now;
        bench.agent.radio = Radio::On { index: 0, rssi_dbm: -50, since: bench.now };
        bench.tick();
        bench
    }

    /// A second later. What the io chip is told about its relay it does, and says with the next status.
    fn tick(&mut self) -> Vec<Action> {
        self.now += 1000;
        let at = Moment { now: self.now, sense: self.sense, random: [0; 16] };
        let actions = self.agent.step(&at, Input::Tick, &mut Scratch::default());
        self.sense.pressed = false;
        for action in &actions {
            if let Action::Inhibit(on) = action {
                self.status().inhibited = *on;
            }
        }
        actions.to_vec()
    }

    fn status(&mut self) -> &mut crate::link::Status {
        self.sense.status.as_mut().unwrap()
    }

    /// A net image waits, which the io chip understands.
    fn stage(&mut self) {
        let running = self.agent.record.net.current().unwrap();
        let waits = SlotImage { digest: Digest([8; 32]), ..running };
        let change = Change { part: Part::Net, manifest: WAITS, sequence: 1 };
        self.agent.record.stage_image(Chip::Net, change, waits);
    }

    fn on_trial(&self) -> bool {
        self.agent.record.trial.is_some()
    }
}

#[test]
fn nothing_is_put_in_force_in_the_poll_that_lets_the_relay_go() {
    let mut b = Bench::new();
    // As after a start: the relay is off, and something has been waiting since before.
    b.status().inhibited = true;
    b.stage();
    assert_eq!(b.tick(), [Action::Inhibit(false)], "what it said before counts no more");
    assert!(!b.on_trial());
    assert_eq!(b.tick(), [Action::Inhibit(true)]);
    assert!(!b.on_trial(), "what is told may be lost: what counts is what it says");
    assert_eq!(b.tick(), [Action::Save, Action::Restart]);
    assert!(b.on_trial());
}

#[test]
fn an_io_chip_that_does_not_inhibit_its_relay_gets_no_change() {
    let mut b = Bench::new();
    b.stage();
    for _ in 0..20 {
        b.tick();
        b.status().inhibited = false;
        assert!(!b.on_trial());
    }
}

#[test]
fn the_relay_is_let_go_when_what_waited_is_dropped() {
    let drop: [fn(&mut Agent, u64); 3] = [
        |agent, _| agent.record.refuse(WAITS, crate::reason::Reason::PairWouldBreak, 0),
        // Another is read into its slot.
        |agent, _| agent.record.spare_opened(Part::Net),
        // The record could not be saved, and nothing is begun for a while.
        |agent, now| agent.rest_until = now + 60_000,
    ];
    for (n, drop) in drop.into_iter().enumerate() {
        let mut b = Bench::new();
        b.stage();
        b.tick();
        assert!(b.agent.clearing);
        assert_eq!(b.tick()[0], Action::Inhibit(true));
        assert!(!b.on_trial());
        drop(&mut b.agent, b.now);
        let after: Vec<_> = (0..2).flat_map(|_| b.tick()).collect();
        assert!(after.contains(&Action::Inhibit(false)), "case {n}: off for ever: {after:?}");
        assert!(!b.on_trial() && !b.status().inhibited, "case {n}");
    }
}

#[test]
fn the_relay_stays_off_for_an_image_or_settings_that_are_not_in_force() {
    let right = Bench::new();
    let wrong: [fn(&mut Sense); 2] =
        [|s| s.hello.as_mut().unwrap().digest[0] ^= 1, |s| s.status.as_mut().unwrap().settings ^= 1];
    for (n, wrong) in wrong.into_iter().enumerate() {
        for inhibited in [false, true] {
            let mut b = Bench { agent: right.agent.clone(), ..right };
            wrong(&mut b.sense);
            b.status().inhibited = inhibited;
            // The image is replaced in the end, as long as the door is not in use.
            b.status().moving = true;
            for _ in 0..5 {
                assert!(!b.tick().contains(&Action::Inhibit(false)), "case {n}");
                assert!(b.status().inhibited, "case {n}");
            }
            b.sense = right.sense;
            b.status().inhibited = true;
            assert!(b.tick().contains(&Action::Inhibit(false)), "case {n}: off for ever");
        }
    }
}

#[test]
fn a_press_while_nothing_waits_is_consent_to_nothing() {
    let mut b = Bench::new();
    b.agent.bundle.as_mut().unwrap().policy.consent = true;
    b.sense.pressed = true;
    b.tick();
    b.stage();
    for _ in 0..5 {
        b.tick();
        assert_eq!(b.agent.holds().iter().collect::<Vec<_>>(), [Hold::ConsentMissing]);
    }
    b.sense.pressed = true;
    (0..4).for_each(|_| drop(b.tick()));
    assert!(b.on_trial());
}

/// Once a change has been on trial, the press that let it through counts for no other.
#[test]
fn consent_is_used_up_by_the_trial_that_it_was_for() {
    let mut b = Bench::new();
    b.agent.bundle.as_mut().unwrap().policy.consent = true;
    b.stage();
    b.sense.pressed = true;
    (0..4).for_each(|_| drop(b.tick()));
    assert!(b.on_trial());
    b.agent.restarting = false;
    b.agent.record.go_back(crate::reason::Reason::NoCheckIn, 0);
    b.stage();
    (0..5).for_each(|_| drop(b.tick()));
    assert!(!b.on_trial());
    assert_eq!(b.agent.holds().iter().collect::<Vec<_>>(), [Hold::ConsentMissing]);
}

/// Nobody can have meant what was not yet there.
#[test]
fn a_press_while_a_change_is_still_read_is_no_consent_to_it() {
    let mut rig = asks_consent();
    let new = image(Chip::Net, 1, (1, 2), Quirk::None);
    let envelope = packed(&rig, Chip::Net, &new, 1);
    let digest = rig.offer(envelope, Some(&new));
    // Pressed in every second up to and with the one in which it is staged.
    let staged = (0..600).any(|_| {
        rig.board().press_own_button();
        rig.second().unwrap();
        rig.record().is_some_and(|r| r.staged.is_some_and(|s| s.manifest == digest))
    });
    assert!(staged);
    assert!(!rig.until(300, |r| r.record().is_some_and(|r| r.trial.is_some())).unwrap());
    rig.board().press_own_button();
    assert!(rig.until(900, |r| ended(r, digest) == Some((Ending::Kept, 0))).unwrap());
}

#[test]
fn a_radio_that_never_says_how_joining_went_is_asked_again() {
    let mut b = Bench::new();
    b.agent.radio = Radio::Apart { retry_at: 0 };
    assert_eq!(b.tick(), [Action::Join(0)]);
    let (mut joins, mut waited) = (0, 0);
    while joins == 0 && waited < 300 {
        joins += b.tick().iter().filter(|a| matches!(a, Action::Join(_))).count();
        waited += 1;
    }
    assert_eq!(joins, 1);
    assert!(waited >= 60, "a radio is given a minute");
}
