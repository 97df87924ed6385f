//! What the agent asks for, done in the world.

use super::node::{Fault, Pending, State, Stop, anchors_in_force, bundle_in_force};
use super::rules::{may_apply, may_go_back, may_hold_off, may_program};
use super::setup::Setup;
use super::world::NOTHING;
use crate::agent::types::{Action, Input, Measured, Scratch};
use crate::id::Digest;
use crate::slots::{BootRecord, Part, Slot};

impl State {
    /// Does what the agent asks for. What it hears of that, if anything.
    pub(super) fn perform(
        &mut self,
        setup: &Setup,
        action: Action,
        scratch: &Scratch,
    ) -> Result<Option<Input<'static>>, Stop> {
        let named = |digest| setup.change(digest).map(|(n, _)| n as u8);
        match action {
            Action::Save => return self.save(setup),
            Action::Join(index) => {
                self.joined = false;
                self.pending = Some(Pending::Join(index));
            }
            Action::Claim => self.pending = Some(Pending::Claim),
            Action::CheckIn => self.pending = Some(Pending::CheckIn),
            Action::GetEnvelope(digest) => self.pending = Some(Pending::Envelope(named(digest))),
            Action::GetPayload { digest, .. } => {
                let holds = |c: &super::setup::Change| c.image.as_ref().is_some_and(|i| i.digest == digest);
                let found = setup.changes.iter().position(holds);
                self.pending = Some(Pending::Payload(found.map(|n| n as u8)));
            }
            Action::Erase { part, slot, .. } => {
                self.slots[part as usize][slot.index()] = NOTHING;
                return Ok(Some(Input::FlashDone));
            }
            Action::StoreBody { part, slot, .. } => {
                self.write(setup, part, slot);
                return Ok(Some(Input::FlashDone));
            }
            Action::StorePlain { part, slot } => {
                self.write(setup, part, slot);
                self.text = Digest::of(scratch.rest());
                return Ok(Some(Input::FlashDone));
            }
            Action::Measure { part, slot, .. } => {
                let content = self.slots[part as usize][slot.index()];
                let nothing = Measured { digest: Digest([0; 32]), note: None };
                let image =
                    setup.image(part, content).map(|i| Measured { digest: i.digest, note: Some(i.note) });
                let text = matches!(part, Part::Conf | Part::Keys) && content != NOTHING;
                let text = text.then_some(Measured { digest: self.text, note: None });
                let chip = matches!(part, Part::Net | Part::Io);
                return Ok(Some(Input::Measured(if chip { image } else { text }.unwrap_or(nothing))));
            }
            Action::ProgramIo(slot) => {
                may_program(self).map_err(Stop::Broken)?;
                self.transfer = Some(self.slots[Part::Io as usize][slot.index()]);
                (self.sense.hello, self.sense.status) = (None, None);
            }
            Action::Inhibit(on) => {
                if on {
                    may_hold_off(self, setup).map_err(Stop::Broken)?;
                }
                let heard = self.world.hello(setup).is_some() && self.world.io != NOTHING;
                if heard && !self.lie.drops_inhibit(on) {
                    self.world.inhibited = on;
                }
            }
            Action::Reload => {
                let bundle = bundle_in_force(setup, &self.agent.record().conf);
                let anchors = anchors_in_force(setup, &self.agent.record().keys);
                let now = self.now;
                self.agent.reloaded(now, bundle, anchors);
            }
            Action::Restart => return Err(Stop::Cut),
        }
        Ok(None)
    }

    fn save(&mut self, setup: &Setup) -> Result<Option<Input<'static>>, Stop> {
        if matches!(self.fault, Fault::NoSave(n) if n < self.actions) {
            let staged = self.agent.record().staged.map(|change| change.manifest);
            *self.agent.record_mut() = self.saved.as_ref().clone();
            return Ok(Some(Input::SaveFailed { staged }));
        }
        let record = self.agent.record();
        if record.trial.is_some() && self.saved.trial.is_none() {
            may_apply(self, setup).map_err(Stop::Broken)?;
            self.trial_since = self.now;
        }
        if record.trial.is_none() && self.saved.trial.is_some() {
            may_go_back(self, setup).map_err(Stop::Broken)?;
        }
        let waits = |r: &BootRecord| r.staged.map(|s| s.manifest);
        if waits(record) != waits(&self.saved) {
            self.consented = false;
        }
        *self.saved = record.clone();
        Ok(None)
    }

    /// The payload of what is being taken up is in the slot now.
    fn write(&mut self, setup: &Setup, part: Part, slot: Slot) {
        let subject = self.agent.taking.subject().and_then(|d| setup.change(d));
        self.slots[part as usize][slot.index()] = subject.map_or(NOTHING, |(n, _)| n as u8 + 1);
    }
}
