//! When the relay is held off and let go, and whose press on the node's own button counts: the agent
//! alone, poll by poll.

use super::machine::{Agent, Radio};
use super::tests::{asks_consent, commissioned, ended, image, packed};
use super::types::{Action, Input, Moment, Scratch, Sense};
use crate::checkin::{Ending, Position};
use crate::id::{Chip, Digest};
use crate::image::Quirk;
use crate::interlock::{Hold, Touches};
use crate::link::TransferEnd;
use crate::slots::{Change, Part, SlotImage, SlotText};
use crate::version::LinkRange;
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

    /// A bundle or a set of trust anchors waits.
    fn stage_text(&mut self, part: Part, touches: Touches) {
        let text = SlotText { digest: Digest([8; 32]), size: 100, manifest: WAITS };
        self.agent.bundle_touches = (part == Part::Conf).then_some(touches);
        self.agent.record.stage_text(Change { part, manifest: WAITS, sequence: 1 }, text);
    }

    /// A bundle that touches the door is on trial and about to be lost.
    fn lost() -> Self {
        let mut b = Self::new();
        b.stage_text(Part::Conf, Touches { actuation: true, network: false });
        (0..2).for_each(|_| drop(b.tick()));
        assert!(b.on_trial() && b.status().inhibited);
        b.fail();
        b
    }

    /// What is on trial has had all its time, and was not heard by the server.
    fn fail(&mut self) {
        self.agent.trial_since = 0;
        (self.agent.evidence.joined, self.agent.evidence.checked_in) = (true, false);
        self.agent.radio = Radio::On { index: 0, rssi_dbm: -50, since: self.now };
    }

    fn on_trial(&self) -> bool {
        self.agent.record.trial.is_some()
    }
}

/// What the io chip is told about its relay.
fn told(actions: &[Action]) -> Option<bool> {
    actions.iter().find_map(|a| if let Action::Inhibit(on) = a { Some(*on) } else { None })
}

#[test]
fn the_relay_is_off_and_said_to_be_before_anything_is_put_in_force() {
    let mut b = Bench::new();
    b.stage();
    assert_eq!(b.tick(), [Action::Inhibit(true)]);
    b.status().inhibited = false;
    assert_eq!(b.tick(), [Action::Inhibit(true)], "what is told may be lost: what counts is what it says");
    assert!(!b.on_trial());
    assert_eq!(b.tick(), [Action::Save, Action::Restart]);
    assert!(b.on_trial());
}

#[test]
fn a_relay_that_is_off_since_the_start_stays_off_for_what_has_waited_since_before() {
    let mut b = Bench::new();
    b.status().inhibited = true;
    b.stage();
    // Nobody may use the door between the look at it and the swap.
    assert_eq!(b.tick(), [Action::Save, Action::Restart]);
    b = Bench::new();
    b.status().inhibited = true;
    b.status().moving = true;
    b.stage();
    assert_eq!(told(&b.tick()), Some(false), "whoever uses it must be able to stop it");
    assert!(!b.on_trial());
}

/// A change that waits holds no relay off: a press that stops the door must work.
#[test]
fn the_relay_is_let_go_in_the_poll_in_which_the_door_is_seen_in_use() {
    let uses: [fn(&mut crate::link::Status); 5] = [
        |s| s.moving = true,
        |s| s.relay_pulse = true,
        |s| s.button = true,
        |s| s.close_pending = true,
        |s| s.warning = true,
    ];
    for (n, used) in uses.into_iter().enumerate() {
        let mut b = Bench::new();
        b.stage();
        used(b.status());
        assert_eq!(told(&b.tick()), None, "case {n}: held off while in use");
        let rest = *Bench::new().status();
        *b.status() = rest;
        assert_eq!(told(&b.tick()), Some(true), "case {n}");
        used(b.status());
        assert_eq!(told(&b.tick()), Some(false), "case {n}");
        assert!(!b.on_trial() && !b.status().inhibited, "case {n}");
    }
}

#[test]
fn the_relay_is_left_alone_by_what_does_not_touch_the_door() {
    for part in [Part::Conf, Part::Keys] {
        let mut b = Bench::new();
        b.status().moving = true;
        b.stage_text(part, Touches { actuation: false, network: true });
        assert_eq!(b.tick(), [Action::Save, Action::Reload], "{part:?}");
        // On trial, and after it was taken back, too.
        for _ in 0..20 {
            assert_eq!(told(&b.tick()), None, "{part:?}");
        }
        assert!(b.on_trial(), "{part:?}");
        // The io chip starts anew, its relay off: it is let go although something is on trial.
        b.status().inhibited = true;
        assert!(b.tick().contains(&Action::Inhibit(false)), "{part:?}");
        b.fail();
        assert_eq!(b.tick()[..2], [Action::Save, Action::Reload], "{part:?}: it waits for no door");
    }
}

#[test]
fn settings_whose_trial_is_lost_stay_until_the_door_is_at_rest() {
    let uses: [fn(&mut crate::link::Status); 6] = [
        |s| s.moving = true,
        |s| s.relay_pulse = true,
        |s| s.button = true,
        |s| s.close_pending = true,
        |s| s.warning = true,
        |s| s.inhibited = false,
    ];
    for (n, used) in uses.into_iter().enumerate() {
        let mut b = Bench::lost();
        let rest = *b.status();
        for _ in 0..599 {
            used(b.status());
            let asked = b.tick();
            assert!(!asked.iter().any(|a| matches!(a, Action::Reload | Action::Inhibit(false))), "case {n}");
            assert!(b.on_trial(), "case {n}");
        }
        *b.status() = rest;
        assert_eq!(b.tick()[..2], [Action::Save, Action::Reload], "case {n}");
        assert!(!b.on_trial(), "case {n}");
    }
}

#[test]
fn settings_whose_trial_is_lost_go_after_ten_minutes_whatever_is_said_of_the_door() {
    let mut b = Bench::lost();
    b.status().moving = true;
    let waited = (0..700).take_while(|_| !b.tick().contains(&Action::Reload)).count();
    assert_eq!(waited, 600);
    // What is not known is not waited for: that may be what is wrong with them.
    for unknown in [true, false] {
        let mut b = Bench::lost();
        if unknown {
            b.status().position = Position::Unknown;
            b.status().plausible = false;
        } else {
            b.sense.status = None;
        }
        assert!(b.tick().contains(&Action::Reload));
    }
}

#[test]
fn a_net_image_whose_trial_is_lost_starts_no_chip_while_the_door_is_in_use() {
    let mut b = Bench::new();
    b.stage();
    (0..2).for_each(|_| drop(b.tick()));
    // As after the start into it.
    b.agent.restarting = false;
    b.status().moving = true;
    b.fail();
    for _ in 0..30 {
        assert!(b.tick().is_empty() && b.on_trial());
    }
    b.status().moving = false;
    assert_eq!(b.tick(), [Action::Save, Action::Restart]);
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
        assert!(b.agent.clearing && b.status().inhibited);
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

/// What the io chip says reaches the interlock: whatever alone speaks against a change holds it.
#[test]
fn each_thing_that_the_io_chip_says_holds_a_change_by_itself() {
    type Say = fn(&mut Bench);
    let says: [(Say, Hold); 12] = [
        (|b| b.status().position = Position::Unknown, Hold::PositionUnknown),
        (|b| b.status().plausible = false, Hold::PositionUnknown),
        (|b| b.status().moving = true, Hold::DoorMoving),
        (|b| b.status().rest_seconds = 0, Hold::NotYetAtRest),
        (|b| b.status().relay_pulse = true, Hold::RelayPulse),
        (|b| b.status().close_pending = true, Hold::ClosePending),
        (|b| b.status().warning = true, Hold::Warning),
        (|b| b.status().button = true, Hold::ButtonInUse),
        (|b| b.status().gas_alarm = true, Hold::GasAlarm),
        (|b| b.status().supply_mv = 0, Hold::Supply),
        (|b| b.sense.hello.as_mut().unwrap().link = LinkRange { oldest: 9, newest: 9 }, Hold::LinkDisagrees),
        (|b| b.sense.hello.as_mut().unwrap().profile.id += 1, Hold::ProfileDisagrees),
    ];
    for (say, hold) in says {
        let mut b = Bench::new();
        say(&mut b);
        b.stage();
        (0..5).for_each(|_| drop(b.tick()));
        assert!(!b.on_trial() && b.agent.holds().has(hold), "{hold:?}: {:?}", b.agent.holds());
    }
}

#[test]
fn an_image_that_the_other_chip_would_not_understand_is_held() {
    for chip in Chip::ALL {
        let mut b = Bench::new();
        let part = if chip == Chip::Net { Part::Net } else { Part::Io };
        let running = b.agent.record.chip(chip).current().unwrap();
        let link = LinkRange { oldest: 9, newest: 9 };
        let waits = SlotImage { digest: Digest([8; 32]), link, ..running };
        b.agent.record.stage_image(chip, Change { part, manifest: WAITS, sequence: 1 }, waits);
        (0..5).for_each(|_| drop(b.tick()));
        assert!(!b.on_trial(), "{chip:?}");
        assert_eq!(b.agent.holds().iter().collect::<Vec<_>>(), [Hold::PairAfter], "{chip:?}");
    }
}

/// An io chip that has to get an image and stays silent is tried every minute. Another trial ends all the same.
#[test]
fn a_silent_io_chip_does_not_put_off_the_end_of_another_trial() {
    for (heard, trial_seconds) in [(true, 300), (false, 300)] {
        let mut b = Bench::new();
        b.agent.bundle.as_mut().unwrap().policy.trial_seconds = trial_seconds;
        b.stage_text(Part::Keys, Touches { actuation: false, network: false });
        (0..3).for_each(|_| drop(b.tick()));
        assert!(b.on_trial());
        (b.sense.hello, b.sense.status, b.agent.record.io_due) = (None, None, true);
        b.agent.evidence.joined = true;
        let (mut tries, mut ends_at, from) = (0, None, b.now);
        while b.on_trial() && b.now < from + 4000 * u64::from(trial_seconds) {
            b.agent.evidence.checked_in = heard;
            b.agent.last_answer = b.now;
            b.agent.radio = Radio::On { index: 0, rssi_dbm: -50, since: b.now };
            if b.tick().iter().any(|a| matches!(a, Action::ProgramIo(_))) {
                (tries, ends_at) = (tries + 1, Some(b.now + 25_000));
            }
            if ends_at.is_some_and(|at| b.now >= at) {
                ends_at = None;
                let at = Moment { now: b.now, sense: b.sense, random: [0; 16] };
                let ended = Input::IoEnded(TransferEnd::NoAnswer);
                b.agent.step(&at, ended, &mut Scratch::default());
            }
        }
        assert!(tries >= 2, "{tries} tries");
        let ending = b.agent.record.outcome.map(|o| o.ending);
        let expected = if heard { Ending::Kept } else { Ending::WentBack };
        assert_eq!((b.on_trial(), ending), (false, Some(expected)));
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
