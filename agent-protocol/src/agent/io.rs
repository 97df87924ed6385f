//! Keeping the io chip at the image that the record says.
//!
//! After a power cut it may run another one, sit in its loader, or say nothing; after a lost
//! trial it runs what has to go. What is done about it depends on what it says of itself:
//!
//! | it says | then |
//! | --- | --- |
//! | the image of the record | nothing |
//! | it is in its loader | the image is brought to it at once: nothing moves, nothing is watched |
//! | it is in its loader again, and its image is on trial | nothing: the trial is about to be lost |
//! | another image, which is on trial | as for every change: when the interlock clears it |
//! | another image, otherwise | unless it says that the door is in use; after ten minutes even so |
//! | nothing, and its image is on trial | nothing: it is not known where the door is, and the trial ends |
//! | nothing, and it was never known to run this image | the image is brought to it at once |
//! | nothing otherwise | nothing: the wire may be broken, and the image is the right one |
//!
//! What does not help is tried again after a minute, then after two, and in the end once an hour, since
//! it wears the flash; but every minute while nothing answers, or a transfer that breaks off came further
//! than all before.

use super::machine::{Agent, push};
use super::trial::Millis;
use super::types::{Action, Actions, Moment};
use crate::checkin::Position;
use crate::interlock::{decide, decide_removal, part_touches};
use crate::link::{Mode, TransferEnd, agree, pair_facts};
use crate::reason::Reason;
use crate::slots::{Part, SlotImage};

/// Time between two tries to bring the io chip to the image that the record says.
pub(super) const REPAIR_PAUSE: Millis = 60_000;
/// The most that this time grows to.
const REPAIR_PAUSE_MOST: Millis = 60 * 60_000;
/// Without an answer for so long the io chip counts as gone: a few lost frames do not.
const IO_SILENCE: Millis = 10_000;
/// What should not run or be in force may say for so long that the door is in use.
const REMOVAL_PATIENCE: Millis = 10 * 60_000;

impl Agent {
    /// What the io chip says counts only once it runs the image in force and goes by the bundle in
    /// force, and only as long as it goes on doing so: one that resets in a loop also shakes hands
    /// now and then.
    pub(super) fn hear_io(&mut self, at: &Moment) {
        let (hello, status) = match (at.sense.hello, at.sense.status) {
            (Some(hello), Some(status)) if self.io_is_right(at) => (hello, status),
            // A reset has made it forget, or it runs what it should not.
            (_, Some(_)) => return self.io_broke_off(),
            (_, None) if at.now.saturating_sub(self.io_heard) >= IO_SILENCE => return self.io_broke_off(),
            (_, None) => return,
        };
        self.io_heard = at.now;
        let agreed = self
            .record
            .net
            .current()
            .is_some_and(|n| agree((n.link, n.profile), (hello.link, hello.profile)).is_some());
        if agreed && !self.evidence.handshake {
            self.evidence.handshake = true;
            self.evidence.steady_since = at.now;
        }
        self.evidence.plausible = status.plausible;
        if self.evidence.first_position.is_none() && !status.moving && status.position != Position::Unknown {
            self.evidence.first_position = Some(status.position);
        }
    }

    fn io_broke_off(&mut self) {
        if self.evidence.handshake {
            self.evidence.lapses = self.evidence.lapses.saturating_add(1);
        }
        self.evidence.handshake = false;
        self.evidence.plausible = false;
    }

    /// Brings the io chip to the image that the record says, if it runs another or none, or if
    /// it is silent and was never known to run it: after a power cut in the middle of an update.
    pub(super) fn repair_io(&mut self, at: &Moment, out: &mut Actions) -> bool {
        let Some(want) = self.record.io.current() else { return false };
        if self.programming {
            return false;
        }
        let mut stranger = false;
        let needed = match at.sense.hello {
            Some(hello) if hello.runs(&want.digest) => {
                self.repair_pause = REPAIR_PAUSE;
                self.io_taken = 0;
                self.io_arrived(at, out);
                false
            }
            // In its loader it moves nothing and watches nothing.
            Some(hello) if hello.mode == Mode::Loader => !(self.io_took && self.io_on_trial()),
            Some(_) => {
                stranger = true;
                let since = *self.stranger_since.get_or_insert(at.now);
                self.may_replace(at, want, at.now.saturating_sub(since))
            }
            // Only to take something off: what is on trial waits until the door is known.
            None => self.record.io_due && !self.io_on_trial(),
        };
        if !stranger {
            self.stranger_since = None;
        }
        if !needed || at.now < self.repair_at {
            return false;
        }
        self.programming = true;
        self.stranger_since = None;
        push(out, Action::ProgramIo(self.record.io.active));
        true
    }

    /// Whether the io chip waits in its loader for an image that it cannot be brought.
    pub(super) fn io_stranded(&self, at: &Moment) -> bool {
        self.io_differed && at.sense.hello.is_some_and(|hello| hello.mode == Mode::Loader)
    }

    fn io_on_trial(&self) -> bool {
        self.record.trial.is_some_and(|t| t.change.part == Part::Io)
    }

    /// The io chip runs what the record says.
    fn io_arrived(&mut self, at: &Moment, out: &mut Actions) {
        if self.record.io_due && at.now >= self.rest_until {
            self.record.io_due = false;
            push(out, Action::Save);
        }
    }

    /// Whether the application that runs on the io chip may be replaced by `want` now. The door
    /// may have been used since the clearance was given: there was a restart in between.
    fn may_replace(&self, at: &Moment, want: SlotImage, seen_for: Millis) -> bool {
        if self.io_on_trial() {
            let door = at.sense.door(true);
            let inhibited = at.sense.status.is_none_or(|s| s.inhibited);
            let speaks = |i: SlotImage| (i.link, i.profile);
            let Some(net) = self.record.net.current().map(speaks) else { return false };
            let now = at.sense.hello.map(|h| (h.link, h.profile));
            let pair = pair_facts((net, now), (Some(net), Some(speaks(want))));
            return inhibited && decide(part_touches(Part::Io), &door, &self.policy(), &pair).is_ok();
        }
        self.may_take_off(at, seen_for)
    }

    /// Whether what should not go on may be taken off now, after it has waited for so long: unless the
    /// io chip says that the door is in use, or lets its relay pulse; after ten minutes even so.
    pub(super) fn may_take_off(&self, at: &Moment, waited: Millis) -> bool {
        let inhibited = at.sense.status.is_none_or(|s| s.inhibited);
        (inhibited && decide_removal(&at.sense.door(true)).is_ok()) || waited >= REMOVAL_PATIENCE
    }

    pub(super) fn on_io_ended(&mut self, at: &Moment, end: TransferEnd, out: &mut Actions) {
        self.programming = false;
        self.io_differed = end == TransferEnd::WrongDigest;
        let (lost, taken) = match end {
            TransferEnd::Taken => (false, 0),
            TransferEnd::WrongDigest | TransferEnd::NoAnswer => (true, 0),
            TransferEnd::BrokenOff { taken } => (true, taken),
        };
        let further = taken > self.io_taken;
        if further {
            self.io_taken = taken;
            self.repair_pause = REPAIR_PAUSE;
        }
        self.repair_at = at.now + self.repair_pause;
        if !further && end != TransferEnd::NoAnswer {
            self.repair_pause = (2 * self.repair_pause).min(REPAIR_PAUSE_MOST);
        }
        // A chip that stays silent is tried again and again: that must not put off the end of another trial.
        if end == TransferEnd::Taken || self.io_on_trial() {
            self.reset_evidence(at.now);
        }
        if end == TransferEnd::Taken {
            self.io_took = true;
            self.io_arrived(at, out);
        }
        // Without a trial the repair comes round again after its pause.
        if lost && self.io_on_trial() {
            self.go_back(Reason::LinkFailed, taken, at, out);
        }
    }
}
