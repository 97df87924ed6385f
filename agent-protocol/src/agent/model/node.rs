//! The real agent in the world: what [`crate::agent::Node`] does around it, with slots that hold
//! only the name of what is in them, and with every action a place at which power may go.

use super::lies::Lie;
use super::rules::{Broken, may_pulse};
use super::setup::{NONCE, Setup};
use super::world::{Content, Event, NOTHING, Net, TICK, World};
use crate::agent::types::{Actions, Identity, Input, Moment, RequestFault, Scratch, Sense};
use crate::agent::{Agent, Start};
use crate::board::JoinFault;
use crate::bundle::Bundle;
use crate::id::Digest;
use crate::image::Quirk;
use crate::link::TransferEnd;
use crate::slots::{BootRecord, Pair, Part, SlotText};
use std::boxed::Box;

/// What goes wrong in the middle of a poll, after so many actions.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) enum Fault {
    None,
    /// Both chips go dark.
    Power(u8),
    /// The net chip alone starts again.
    NetReset(u8),
    /// The record cannot be saved from here on in this poll.
    NoSave(u8),
}

/// What the radio will report with the next poll.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) enum Pending {
    Join(u8),
    CheckIn,
    Claim,
    Envelope(Option<u8>),
    Payload(Option<u8>),
}

/// Why a poll ends before its time.
pub(super) enum Stop {
    Cut,
    Broken(Broken),
}

/// Everything there is.
#[derive(Clone)]
pub(super) struct State {
    pub(super) world: World,
    pub(super) agent: Box<Agent>,
    /// The record in flash.
    pub(super) saved: Box<BootRecord>,
    /// What each slot holds, by part and slot.
    pub(super) slots: [[Content; 2]; 4],
    /// Digest of the text written last.
    pub(super) text: Digest,
    pub(super) now: u64,
    pub(super) sense: Sense,
    pub(super) silent_polls: u8,
    pub(super) joined: bool,
    pub(super) pending: Option<Pending>,
    pub(super) transfer: Option<Content>,
    /// What the net chip has started from.
    pub(super) runs: Content,
    /// Somebody has pressed the node's own button since what waits was staged.
    pub(super) consented: bool,
    /// Since when the io chip has been heard to run what it should not.
    pub(super) stranger_since: Option<u64>,
    /// Since when something has been on trial, or the net chip's start after that.
    pub(super) trial_since: u64,
    /// How many disturbances may still come.
    pub(super) left: u8,
    pub(super) actions: u8,
    pub(super) fault: Fault,
    pub(super) lie: Lie,
}

impl State {
    pub(super) fn new(setup: &Setup, lie: Lie, left: u8) -> Self {
        let world = World::new(Setup::sum(setup.bundle.as_ref()));
        let mut slots = [[NOTHING; 2]; 4];
        for (part, held) in [Part::Net, Part::Io, Part::Conf, Part::Keys].into_iter().zip(&mut slots) {
            held[setup.record.active(part).index()] = 0;
        }
        let saved = Box::new(setup.record.clone());
        let mut state = Self {
            world,
            agent: Box::new(agent(setup, saved.as_ref().clone(), 0)),
            saved,
            slots,
            text: Digest([0; 32]),
            now: 0,
            sense: Sense::default(),
            silent_polls: 0,
            joined: false,
            pending: None,
            transfer: None,
            runs: 0,
            consented: false,
            stranger_since: None,
            trial_since: 0,
            left,
            actions: 0,
            fault: Fault::None,
            lie,
        };
        state.boot(setup);
        state
    }

    /// The world after `event`, or `None` if it cannot happen now.
    pub(super) fn can(&self, setup: &Setup, event: Event) -> Option<World> {
        let possible = match event {
            Event::Hush => self.pending.is_some(),
            Event::Spoilt => self.transfer.is_some(),
            Event::LongUse => {
                let lost = self.agent.lost_since <= self.now;
                lost || self.stranger_since.is_some() || self.agent.consent_at.is_some()
            }
            Event::NextOffer => usize::from(self.world.offered) + 1 < setup.changes.len(),
            _ => true,
        };
        let affordable = self.left > 0 || !event.disturbs();
        self.world.after(event).filter(|_| possible && affordable)
    }

    /// One event, after which the world is as given, and one poll. How many actions the agent asked for.
    ///
    /// # Errors
    /// The rule that was broken.
    pub(super) fn go(
        &mut self,
        setup: &Setup,
        event: Event,
        world: World,
        fault: Fault,
    ) -> Result<u8, Broken> {
        self.world = world;
        self.left -= u8::from(event.disturbs()) + u8::from(fault != Fault::None);
        match event {
            Event::Hush => self.pending = None,
            Event::NextOffer => self.world.offered += 1,
            Event::Consent => self.consented = self.saved.staged.is_some(),
            _ => {}
        }
        if self.world.pulse {
            may_pulse(self, setup)?;
        }
        self.now += event.takes();
        (self.actions, self.fault) = (0, fault);
        match self.poll(setup, event) {
            Ok(()) => {}
            Err(Stop::Broken(broken)) => return Err(broken),
            Err(Stop::Cut) => {
                if matches!(fault, Fault::Power(_)) {
                    self.world.io_restarts();
                }
                self.boot(setup);
            }
        }
        if self.lie == Lie::LetsGo && self.saved.trial.is_some() {
            self.world.inhibited = false;
        }
        Ok(self.actions)
    }

    /// The net chip starts: what `agent::boot` does, with slots that are whole if the record says so.
    fn boot(&mut self, setup: &Setup) {
        let mut record = self.saved.as_ref().clone();
        record.on_start();
        let counter = record.reserve_counters();
        *self.saved = record.clone();
        self.runs = self.slots[Part::Net as usize][record.net.active.index()];
        *self.agent = agent(setup, record, counter);
        (self.now, self.trial_since, self.silent_polls, self.joined) = (0, 0, 0, false);
        (self.pending, self.transfer, self.stranger_since) = (None, None, None);
        self.sense = Sense::default();
    }

    fn poll(&mut self, setup: &Setup, event: Event) -> Result<(), Stop> {
        let mut scratch = Box::new(Scratch::default());
        if let Some((_, change)) = self.agent.taking.subject().and_then(|d| setup.change(d)) {
            assert!(scratch.keep_envelope(&change.envelope));
        }
        if self.transfer.is_some() {
            self.bring(setup, event, &mut scratch)?;
        } else {
            self.look(setup, event);
        }
        if self.lie == Lie::Forgets {
            self.agent.bundle_touches = None;
        }
        self.sense.pressed = event == Event::Consent || self.lie == Lie::Pressed;
        self.radio(setup, &mut scratch)?;
        self.step(setup, Input::Tick, &mut scratch)
    }

    fn look(&mut self, setup: &Setup, event: Event) {
        match self.world.hello(setup) {
            Some(hello) => {
                self.silent_polls = 0;
                self.sense.hello = Some(hello);
                self.sense.status =
                    self.world.status(setup).map(|s| self.lie.tells(s, self.saved.trial.is_some()));
            }
            None => {
                self.sense.status = None;
                let polls = if event.takes() >= TICK { 3 } else { 1 };
                self.silent_polls = self.silent_polls.saturating_add(polls).min(3);
                if self.silent_polls >= 3 {
                    self.sense.hello = None;
                }
            }
        }
        let stranger = self.sense.hello.is_some() && ![NOTHING, self.wanted()].contains(&self.world.io);
        self.stranger_since = stranger.then(|| self.stranger_since.unwrap_or(self.now));
        let sum = Setup::sum(self.agent.bundle());
        if self.sense.status.is_some() && sum != 0 {
            self.world.settings = sum;
        }
    }

    /// What the io chip should run.
    pub(super) fn wanted(&self) -> Content {
        self.slots[Part::Io as usize][self.agent.record().io.active.index()]
    }

    /// An image is being brought to the io chip.
    fn bring(&mut self, setup: &Setup, event: Event, scratch: &mut Scratch) -> Result<(), Stop> {
        let Some(content) = self.transfer else { return Ok(()) };
        if self.world.wire {
            self.world.io = NOTHING;
            self.world.io_restarts();
        }
        let end = match (event, self.world.wire) {
            _ if event.takes() < TICK => return Ok(()),
            // Its image was lost to this transfer or to one before.
            (_, false) if self.world.io == NOTHING => TransferEnd::BrokenOff { taken: 0 },
            (_, false) => TransferEnd::NoAnswer,
            (Event::Spoilt, true) => TransferEnd::WrongDigest,
            (_, true) => {
                self.world.io = content;
                TransferEnd::Taken
            }
        };
        self.transfer = None;
        self.silent_polls = 0;
        if self.lie == Lie::NoEnd {
            return Ok(());
        }
        self.step(setup, Input::IoEnded(end), scratch)
    }

    /// What the radio reports.
    fn radio(&mut self, setup: &Setup, scratch: &mut Scratch) -> Result<(), Stop> {
        let pending = self.pending.take();
        let mute = setup.image(Part::Net, self.runs).is_some_and(|i| i.note.quirk == Quirk::NoCheckIn);
        let unreachable = Input::Failed(RequestFault::Unreachable);
        let body: &[u8] = match pending {
            Some(Pending::CheckIn) => {
                setup.changes.get(usize::from(self.world.offered)).map_or(&[], |c| &c.reply)
            }
            Some(Pending::Envelope(Some(n))) => &setup.changes[usize::from(n)].envelope,
            Some(Pending::Payload(Some(n))) => {
                setup.changes[usize::from(n)].image.as_ref().map_or(&[], |i| &i.bytes)
            }
            _ => &[],
        };
        let input = match (pending, self.world.net) {
            (Some(Pending::Join(index)), Net::Down) => Input::JoinFailed { index, why: JoinFault::NotFound },
            (_, Net::Down) if self.joined => {
                self.joined = false;
                Input::Lost
            }
            (None, _) => return Ok(()),
            (Some(Pending::Join(index)), _) => {
                self.joined = true;
                Input::Joined { index, rssi_dbm: -55 }
            }
            (Some(_), Net::NoServer | Net::Down) => unreachable,
            (Some(Pending::CheckIn), _) if mute => unreachable,
            (Some(Pending::Envelope(None) | Pending::Payload(None)), _) => {
                Input::Failed(RequestFault::Status(404))
            }
            (Some(_), Net::Up) => Input::Answered(body),
        };
        self.step(setup, input, scratch)
    }

    fn ask(&mut self, input: Input<'_>, scratch: &mut Scratch) -> Actions {
        let at = Moment { now: self.now, sense: self.sense, random: NONCE };
        self.agent.step(&at, input, scratch)
    }

    /// Steps the agent until it asks for nothing more.
    fn step(&mut self, setup: &Setup, input: Input<'_>, scratch: &mut Scratch) -> Result<(), Stop> {
        let mut actions = self.ask(input, scratch);
        while !actions.is_empty() {
            let mut next = Actions::new();
            for action in &actions {
                if matches!(self.fault, Fault::Power(n) | Fault::NetReset(n) if n == self.actions) {
                    return Err(Stop::Cut);
                }
                self.actions += 1;
                let Some(input) = self.perform(setup, *action, scratch)? else { continue };
                next = self.ask(input, scratch);
                if matches!(input, Input::SaveFailed { .. }) {
                    break;
                }
            }
            actions = next;
        }
        if matches!(self.fault, Fault::Power(n) | Fault::NetReset(n) if n == self.actions) {
            return Err(Stop::Cut);
        }
        Ok(())
    }
}

pub(super) fn bundle_in_force(setup: &Setup, conf: &Pair<SlotText>) -> Option<Bundle> {
    bundle_of(setup, conf.current()?)
}

fn bundle_of(setup: &Setup, text: SlotText) -> Option<Bundle> {
    setup.change(text.manifest).and_then(|(_, c)| c.bundle.clone()).or_else(|| setup.bundle.clone())
}

pub(super) fn anchors_in_force(setup: &Setup, keys: &Pair<SlotText>) -> crate::suit::TrustAnchors {
    let new = keys.current().and_then(|k| setup.change(k.manifest)).and_then(|(_, c)| c.anchors.clone());
    new.unwrap_or_else(|| setup.anchors.clone())
}

fn agent(setup: &Setup, record: BootRecord, counter: u64) -> Agent {
    let open = record.staged.or(record.trial.map(|t| t.change)).is_some_and(|c| c.part == Part::Conf);
    let other = record.conf.get(record.spare(Part::Conf)).filter(|_| open);
    let identity: Identity = setup.identity.clone();
    Agent::new(Start {
        identity,
        bundle: bundle_in_force(setup, &record.conf),
        anchors: anchors_in_force(setup, &record.keys),
        other: other.and_then(|text| bundle_of(setup, text)),
        record,
        counter,
        room_net: 128 * 1024,
        room_io: 128 * 1024,
    })
}
