//! The agent itself: what it holds, and one step.

use super::in_force::InForce;
use super::take::Taking;
use super::talk::Talk;
use super::trial::{CandidateProof, Evidence, Millis, Verdict, judge};
use super::types::{Action, Actions, Identity, Input, Moment, Scratch};
use super::wifi::{Networks, next_network};
use crate::board::JoinFault;
use crate::bundle::{Bundle, Policy};
use crate::cbor::Item;
use crate::checkin::{Phase, Position};
use crate::id::{Chip, Digest};
use crate::interlock::{
    Holds, PairFacts, Touches, bundle_touches, decide, decide_first, decide_stranded, part_touches,
};
use crate::link::pair_facts;
use crate::reason::Reason;
use crate::slots::{BootRecord, Part, SlotImage};
use crate::suit::{Stopped, TrustAnchors};

/// The policy before the first bundle: wait long, take any supply a board runs on.
pub const DEFAULT_POLICY: Policy = Policy {
    rest_seconds: 60,
    trial_seconds: 120,
    consent: false,
    supply_min_mv: 2_700,
    supply_max_mv: 30_000,
};

/// A press on the node's own button counts as consent for so long.
const CONSENT_MILLIS: Millis = 10 * 60_000;
/// Time between two tries to join a network.
const JOIN_PAUSE: Millis = 5_000;
/// The radio has not said for so long how joining went: try again.
const JOIN_MILLIS: Millis = 60_000;
/// Joined but without an authenticated answer for so long: try another network.
const DEAF_MILLIS: Millis = 10 * 60_000;
/// Failed tries to join a candidate before its bundle goes back.
const CANDIDATE_TRIES: u8 = 3;
/// The io chip may be silent for so long after a start before it counts as in need of repair.
const REPAIR_AFTER: Millis = 20_000;
/// A time that does not come.
const NEVER: Millis = Millis::MAX;
/// After the record could not be saved, time before anything is begun that needs it saved.
const SAVE_PAUSE: Millis = 60_000;

/// What an agent starts from.
pub struct Start {
    /// Who the node is.
    pub identity: Identity,
    /// The record, with this start already counted and saved.
    pub record: BootRecord,
    /// First check-in counter that may be used.
    pub counter: u64,
    /// The trust anchors in force.
    pub anchors: TrustAnchors,
    /// The bundle in force, if there is one.
    pub bundle: Option<Bundle>,
    /// The bundle that waits for clearance, or that was in force before the one on trial, if there is one.
    pub other: Option<Bundle>,
    /// Bytes in each of the net chip's slots.
    pub room_net: u32,
    /// Bytes in each of the io chip's slots.
    pub room_io: u32,
}

/// Where the radio stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Radio {
    /// Not joined; try again at this time.
    Apart { retry_at: Millis },
    /// Joining this network.
    Joining { index: u8, since: Millis },
    /// Joined.
    On { index: u8, rssi_dbm: i8, since: Millis },
}

/// The node's loop.
#[derive(Clone)]
pub struct Agent {
    pub(super) id: Identity,
    pub(super) record: BootRecord,
    pub(super) anchors: TrustAnchors,
    pub(super) bundle: InForce,
    pub(super) counter: u64,
    pub(super) radio: Radio,
    pub(super) talk: Talk,
    pub(super) taking: Taking,
    pub(super) evidence: Evidence,
    pub(super) trial_since: Millis,
    /// When the io chip last answered by the bundle in force.
    pub(super) io_heard: Millis,
    pub(super) holds: Holds,
    pub(super) last_answer: Millis,
    pub(super) last_tried: Option<u8>,
    pub(super) candidate_fault: Option<Reason>,
    /// What the bundle touches that waits or is on trial, as long as one does.
    pub(super) bundle_touches: Option<Touches>,
    /// Rooms for images, in bytes.
    pub(super) room_net: u32,
    pub(super) room_io: u32,
    candidate_tries: u8,
    pub(super) consent_at: Option<Millis>,
    /// When what waits was staged, if that was since the start.
    pub(super) staged_at: Option<Millis>,
    pub(super) programming: bool,
    pub(super) repair_at: Millis,
    /// The pause before the io chip is repaired again.
    pub(super) repair_pause: Millis,
    /// The most bytes that the io chip had taken when a transfer of the image in force broke off.
    pub(super) io_taken: u32,
    /// The io chip has taken the image in force since that came into force.
    pub(super) io_took: bool,
    /// The last try to bring it its image ended with another digest.
    pub(super) io_differed: bool,
    /// Since when the io chip has been seen to run an image that should not run there.
    pub(super) stranger_since: Option<Millis>,
    pub(super) restarting: bool,
    /// Nothing that needs the record saved is begun before this time.
    pub(super) rest_until: Millis,
    /// When an offer was last taken up.
    pub(super) took_up_at: Millis,
    /// Changes of the preferred network that were saved by themselves since the start.
    pub(super) network_saves: u8,
    /// The interlock has cleared a change; the relay is being inhibited before it is asked again.
    pub(super) clearing: bool,
    /// Since when what is on trial has been lost, and waits until it may be taken back.
    pub(super) lost_since: Millis,
}

impl Agent {
    /// An agent that has just started, where there is stack enough for all that it starts from. A [`super::Node`] is
    /// filled in where it lies.
    pub fn new(start: Start) -> Self {
        let Start { identity, record, counter, anchors, bundle, other, room_net, room_io } = start;
        let mut agent = Self::blank();
        agent.bundle_touches = other.map(|other| bundle_touches(bundle.as_ref(), &other));
        (agent.id, agent.record, agent.anchors) = (identity, record, anchors);
        agent.bundle = InForce::of(bundle);
        (agent.counter, agent.room_net, agent.room_io) = (counter, room_net, room_io);
        agent.reset_evidence(0);
        agent
    }

    /// An agent of which nothing is known yet. What it starts from is read over it.
    pub(super) fn blank() -> Self {
        Self {
            id: Identity::blank(),
            record: BootRecord::default(),
            anchors: TrustAnchors::blank(),
            bundle: InForce::NOTHING,
            counter: 0,
            radio: Radio::Apart { retry_at: 0 },
            talk: Talk::default(),
            taking: Taking::No,
            evidence: Evidence::default(),
            trial_since: 0,
            io_heard: 0,
            holds: Holds::NONE,
            last_answer: 0,
            last_tried: None,
            candidate_fault: None,
            bundle_touches: None,
            room_net: 0,
            room_io: 0,
            candidate_tries: 0,
            consent_at: None,
            staged_at: None,
            programming: false,
            repair_at: REPAIR_AFTER,
            repair_pause: super::io::REPAIR_PAUSE,
            io_taken: 0,
            io_took: false,
            io_differed: false,
            stranger_since: None,
            restarting: false,
            rest_until: 0,
            took_up_at: 0,
            network_saves: 0,
            clearing: false,
            lost_since: NEVER,
        }
    }

    /// The record, as it should be in flash.
    pub fn record(&self) -> &BootRecord {
        &self.record
    }

    /// For the caller that saves: the record gets its new generation there.
    pub fn record_mut(&mut self) -> &mut BootRecord {
        &mut self.record
    }

    /// The bundle in force.
    pub fn bundle(&self) -> Option<&Bundle> {
        self.bundle.as_ref()
    }

    /// The trust anchors in force.
    pub fn anchors(&self) -> &TrustAnchors {
        &self.anchors
    }

    /// Takes a bundle and trust anchors loaded again after [`Action::Reload`].
    ///
    /// Stays on a network that the new bundle still has, unless another has to be proved.
    pub fn reloaded(&mut self, now: Millis, bundle: Option<Bundle>, anchors: TrustAnchors) {
        self.goes_by(now, InForce::of(bundle), anchors);
    }

    /// [`Self::reloaded`], with what counts without a bundle.
    pub(super) fn goes_by(&mut self, now: Millis, new: InForce, anchors: TrustAnchors) {
        let on = self.network().and_then(|i| self.bundle.as_ref()?.networks.get(usize::from(i)));
        let same = on.and_then(|network| {
            let index = new.as_ref()?.networks.iter().position(|n| n == network)?;
            u8::try_from(index).ok()
        });
        self.bundle = new;
        self.anchors = anchors;
        self.candidate_fault = None;
        self.candidate_tries = 0;
        self.last_tried = None;
        if self.record.trial.is_some_and(|t| t.change.part == Part::Conf) {
            self.record.network = same.unwrap_or(0);
        }
        // Only now is it known what the bundle that came asks for.
        self.evidence.candidate = self.candidate_proof();
        self.radio = match (self.radio, same) {
            (Radio::On { rssi_dbm, since, .. }, Some(index)) if !self.must_prove() => {
                Radio::On { index, rssi_dbm, since }
            }
            _ => Radio::Apart { retry_at: now },
        };
    }

    /// The network in use, an index into the bundle's list.
    pub fn network(&self) -> Option<u8> {
        match self.radio {
            Radio::On { index, .. } => Some(index),
            Radio::Apart { .. } | Radio::Joining { .. } => None,
        }
    }

    /// What the node is doing, for people and for check-ins.
    pub fn phase(&self) -> Phase {
        if self.record.trial.is_some() {
            Phase::Trial
        } else if self.taking.is_under_way() {
            Phase::Fetching
        } else if self.record.staged.is_some() {
            Phase::Waiting
        } else {
            Phase::Idle
        }
    }

    /// Why the staged change waits.
    pub fn holds(&self) -> Holds {
        self.holds
    }

    /// The policy in force.
    pub fn policy(&self) -> Policy {
        self.bundle.as_ref().map_or(DEFAULT_POLICY, |b| b.policy)
    }

    /// One step.
    pub fn step(&mut self, at: &Moment, input: Input<'_>, scratch: &mut Scratch) -> Actions {
        let mut out = Actions::new();
        self.step_into(at, input, scratch, &mut out);
        out
    }

    /// [`Self::step`], with a place given for what is to be done. It is empty before.
    pub(super) fn step_into(
        &mut self,
        at: &Moment,
        input: Input<'_>,
        scratch: &mut Scratch,
        out: &mut Actions,
    ) {
        // Once a restart is due nothing else may happen: RAM no longer tells what runs.
        if self.restarting && !matches!(input, Input::SaveFailed { .. }) {
            return;
        }
        self.observe(at);
        match input {
            Input::Tick => self.tick(at, scratch, out),
            Input::Joined { index, rssi_dbm } => self.on_joined(at, index, rssi_dbm),
            Input::JoinFailed { index, why } => self.on_join_failed(at, index, why),
            Input::Lost => {
                self.radio = Radio::Apart { retry_at: at.now };
                self.talk.cut();
            }
            Input::Answered(body) => self.on_answer(at, body, scratch, out),
            Input::Failed(fault) => self.on_request_failed(at, fault, scratch, out),
            Input::FlashDone => self.on_flash_done(at, scratch, out),
            Input::FlashFailed(address) => self.give_up(Reason::FlashWorn, address, at, scratch, out),
            Input::Measured(m) => self.on_measured(&m, scratch, out, at),
            Input::SaveFailed { staged } => self.on_save_failed(at, staged),
            Input::IoEnded(end) => self.on_io_ended(at, end, out),
        }
    }

    /// The record is again what it was, and what was to follow was not done. An update that was
    /// being taken or waited is given up; that this is so cannot be kept, but it can be told.
    fn on_save_failed(&mut self, at: &Moment, staged: Option<Digest>) {
        let waits = self.record.staged.map(|s| s.manifest);
        if let Some(subject) = self.taking.subject().or(staged).or(waits) {
            self.record.refuse(subject, Reason::FlashWorn, 0);
            // Whatever was to be told of it has not come true.
            self.note_report_of(subject, "", Err(&Stopped::by(Reason::FlashWorn)));
            self.talk.soon(at.now);
        }
        self.taking = Taking::No;
        self.restarting = false;
        self.programming = false;
        self.clearing = false;
        self.rest_until = at.now + SAVE_PAUSE;
    }

    /// Collects evidence from what is sensed.
    fn observe(&mut self, at: &Moment) {
        // A press in the moment in which it was staged came before anybody could know of it.
        if at.sense.pressed && self.record.staged.is_some() && self.staged_at != Some(at.now) {
            self.consent_at = Some(at.now);
        }
        if !self.programming {
            self.hear_io(at);
        }
        self.evidence.joined = matches!(self.radio, Radio::On { .. });
    }

    /// Keeps the relay off while something that touches the door is on trial or about to be applied,
    /// and while the io chip runs another image or goes by other settings than it should; lets it go
    /// otherwise: a press that stops a moving door must not fail for a change of Wi-Fi.
    /// What counts is what the io chip says, since a message may be lost.
    fn tend_inhibition(&mut self, at: &Moment, out: &mut Actions) {
        let want = self.door_is_on_trial() || self.clearing || self.bundle.is_none() || !self.io_is_right(at);
        if at.sense.status.is_some_and(|s| s.inhibited != want) && !self.programming {
            push(out, Action::Inhibit(want));
        }
    }

    /// Whether the io chip runs the image in force and goes by the bundle in force.
    pub(super) fn io_is_right(&self, at: &Moment) -> bool {
        let (Some(hello), Some(status)) = (&at.sense.hello, &at.sense.status) else { return false };
        let image = self.record.io.current_ref();
        image.is_some_and(|i| hello.runs(&i.digest)) && status.settings == self.bundle.sum()
    }

    fn tick(&mut self, at: &Moment, scratch: &mut Scratch, out: &mut Actions) {
        if self.judge_trial(at, out) || self.repair_io(at, out) || self.apply_staged(at, out) {
            return;
        }
        // Last, so that the relay is held off on what is sensed now, and nothing is applied on what the
        // io chip said before it was let go.
        self.tend_inhibition(at, out);
        self.tend_radio(at, out);
        self.tend_talk(at, scratch, out);
    }

    /// Keeps or takes back what is on trial. Whether it did.
    fn judge_trial(&mut self, at: &Moment, out: &mut Actions) -> bool {
        let Some(trial) = self.record.trial else { return false };
        if self.programming || at.now < self.rest_until {
            return false;
        }
        match judge(&trial, &self.evidence, &self.policy(), self.trial_since, at.now) {
            Verdict::Wait => false,
            Verdict::Keep => {
                self.record.keep();
                self.talk.soon(at.now);
                push(out, Action::Save);
                true
            }
            Verdict::Lost(reason, detail) => {
                self.lost_since = self.lost_since.min(at.now);
                let may = !self.door_is_on_trial() || self.may_take_off(at, at.now - self.lost_since);
                if may {
                    self.go_back(reason, detail, at, out);
                }
                may
            }
        }
    }

    /// Whether what is on trial touches the door: the relay is held off as long as it does.
    pub fn door_is_on_trial(&self) -> bool {
        self.record.trial.is_some_and(|t| self.touches(t.change.part).actuation)
    }

    /// What ran before counts again. The door has been looked at before, where it matters, but for
    /// the io chip's image: that comes back by way of [`Agent::repair_io`], which does.
    pub(super) fn go_back(&mut self, reason: Reason, detail: u32, at: &Moment, out: &mut Actions) {
        let Some(trial) = self.record.trial else { return };
        self.record.go_back(reason, detail);
        self.talk.soon(at.now);
        push(out, Action::Save);
        match trial.change.part {
            Part::Io => {
                (self.io_took, self.io_differed, self.io_taken) = (false, false, 0);
                self.repair_at = at.now;
                self.reset_evidence(at.now);
            }
            part => self.put_in_force(part, at.now, out),
        }
    }

    /// After the active slot of `part` has changed: what makes it run.
    fn put_in_force(&mut self, part: Part, now: Millis, out: &mut Actions) {
        match part {
            Part::Net => {
                self.restarting = true;
                push(out, Action::Restart);
            }
            Part::Io => {
                (self.io_took, self.io_differed, self.io_taken) = (false, false, 0);
                self.programming = true;
                push(out, Action::ProgramIo(self.record.io.active));
            }
            Part::Conf | Part::Keys => {
                push(out, Action::Reload);
            }
        }
        self.reset_evidence(now);
    }

    pub(super) fn reset_evidence(&mut self, now: Millis) {
        self.evidence = Evidence { candidate: self.candidate_proof(), ..Evidence::default() };
        self.trial_since = now;
        self.io_heard = now;
        self.consent_at = None;
        self.lost_since = NEVER;
    }

    /// What a trial that begins now has to show of a candidate.
    fn candidate_proof(&self) -> CandidateProof {
        if self.must_prove() { CandidateProof::Open } else { CandidateProof::NotAsked }
    }

    /// Whether the bundle on trial has a candidate to prove now.
    pub(super) fn must_prove(&self) -> bool {
        let on_trial = self.record.trial.is_some_and(|t| t.change.part == Part::Conf);
        let change = self.bundle.as_ref().and_then(|b| b.wifi_change);
        on_trial && change.is_some_and(|c| c.after_loss_minutes.is_none())
    }

    /// Asks the interlock about what is staged, and applies it on a clearance.
    fn apply_staged(&mut self, at: &Moment, out: &mut Actions) -> bool {
        let Some(staged) = self.record.staged else {
            self.holds = Holds::NONE;
            self.clearing = false;
            return false;
        };
        let busy = self.record.trial.is_some() || self.taking.is_under_way() || self.programming;
        if busy || at.now < self.rest_until {
            // It is asked again from the start, and the relay is let go until then.
            self.clearing = false;
            return false;
        }
        let consent = self.consent_at.is_some_and(|t| at.now.saturating_sub(t) <= CONSENT_MILLIS);
        let touches = self.touches(staged.part);
        let door = at.sense.door(consent);
        let stranded = staged.part == Part::Io && self.io_stranded(at);
        let answer = if staged.part == Part::Conf && self.bundle.is_none() {
            decide_first(&door)
        } else if stranded {
            decide_stranded(&door, &self.policy(), &self.pair(at, staged.part))
        } else {
            decide(touches, &door, &self.policy(), &self.pair(at, staged.part))
        };
        match answer {
            Err(holds) => {
                self.clearing = false;
                if holds.bits() & !self.holds.bits() != 0 && self.holds.is_empty() {
                    // A new wait is worth telling soon.
                    self.talk.soon(at.now);
                }
                self.holds = holds;
                false
            }
            // The relay is inhibited first and the question asked again, so that no pulse can
            // begin between the answer and the swap. What does not touch the door leaves it alone.
            Ok(_) if touches.actuation && !stranded && !at.sense.status.is_some_and(|s| s.inhibited) => {
                self.clearing = true;
                false
            }
            Ok(clearance) => {
                self.holds = Holds::NONE;
                // Whoever uses the door during a change of Wi-Fi alone does not end it.
                let position = if touches.actuation { door.position } else { Position::Unknown };
                self.begin_trial(clearance, staged.part, position, at, out);
                true
            }
        }
    }

    /// The swap. Takes the clearance by value: there is no other way here.
    fn begin_trial(
        &mut self,
        _clearance: crate::interlock::Clearance,
        part: Part,
        position: Position,
        at: &Moment,
        out: &mut Actions,
    ) {
        self.clearing = false;
        // What waits for its next piece was admitted by what is in force now.
        self.taking = Taking::No;
        self.record.begin_trial(position);
        push(out, Action::Save);
        self.put_in_force(part, at.now, out);
    }

    fn touches(&self, part: Part) -> Touches {
        match (part, self.bundle_touches) {
            (Part::Conf, Some(touches)) => touches,
            _ => part_touches(part),
        }
    }

    fn pair(&self, at: &Moment, part: Part) -> PairFacts {
        let speaks = |i: SlotImage| (i.link, i.profile);
        let Some(net) = self.record.net.current().map(speaks) else { return UNKNOWN_PAIR };
        let io = at.sense.hello.map(|h| (h.link, h.profile));
        let spare = |chip: Chip| self.record.chip(chip).get(self.record.spare(part)).map(speaks);
        let after = match part {
            Part::Net => (spare(Chip::Net), io),
            Part::Io => (Some(net), spare(Chip::Io)),
            Part::Conf | Part::Keys => (Some(net), io),
        };
        pair_facts((net, io), after)
    }

    fn tend_radio(&mut self, at: &Moment, out: &mut Actions) {
        let deaf = at.now.saturating_sub(self.last_answer) >= DEAF_MILLIS;
        match self.radio {
            Radio::Joining { since, .. } if at.now.saturating_sub(since) >= JOIN_MILLIS => {
                self.radio = Radio::Apart { retry_at: at.now };
            }
            Radio::Joining { .. } => {}
            // Joined, but nobody there: perhaps another network still reaches the server.
            Radio::On { index, since, .. } if deaf && at.now.saturating_sub(since) >= DEAF_MILLIS => {
                self.last_tried = Some(index);
                self.radio = Radio::Apart { retry_at: at.now };
            }
            Radio::On { .. } => {}
            Radio::Apart { retry_at } if at.now < retry_at => {}
            Radio::Apart { .. } => {
                let index = next_network(&Networks {
                    count: self.bundle.as_ref().map_or(1, |b| b.networks.len() as u8),
                    preferred: self.record.network,
                    change: self.bundle.as_ref().and_then(|b| b.wifi_change),
                    prove: self.must_prove(),
                    last_tried: self.last_tried,
                    silent_for: at.now.saturating_sub(self.last_answer),
                });
                self.last_tried = Some(index);
                self.radio = Radio::Joining { index, since: at.now };
                push(out, Action::Join(index));
            }
        }
    }

    fn on_joined(&mut self, at: &Moment, index: u8, rssi_dbm: i8) {
        self.radio = Radio::On { index, rssi_dbm, since: at.now };
        self.last_tried = None;
        self.talk.soon(at.now);
    }

    fn on_join_failed(&mut self, at: &Moment, index: u8, why: JoinFault) {
        self.radio = Radio::Apart { retry_at: at.now + JOIN_PAUSE };
        let reason = match why {
            JoinFault::NotFound => Reason::NetworkNotFound,
            JoinFault::WrongPassphrase => Reason::WrongPassphrase,
            JoinFault::NoAddress => Reason::NoAddress,
        };
        let candidate = self.bundle.as_ref().and_then(|b| b.wifi_change).map(|c| c.candidate);
        if candidate == Some(index) {
            self.candidate_fault = Some(reason);
            self.candidate_tries = self.candidate_tries.saturating_add(1);
            if self.evidence.candidate == CandidateProof::Open && self.candidate_tries >= CANDIDATE_TRIES {
                self.evidence.candidate = CandidateProof::Failed(reason);
            }
        }
    }
}

const UNKNOWN_PAIR: PairFacts =
    PairFacts { link_now: None, profile_now: None, link_after: None, profile_after: None };

/// A step never asks for more than six things; were it to, the rest would come with the next
/// tick, since every action follows from state that is still there.
pub(super) fn push(out: &mut Actions, action: Action) {
    let room = out.push(action);
    debug_assert!(room.is_ok(), "too many actions in one step");
}
