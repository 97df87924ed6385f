//! What must hold in every state that can be reached, said of the world and not of what the agent
//! believes of it.

use super::node::State;
use super::setup::Setup;
use super::world::{Closing, LONG, NOTHING};
use crate::checkin::Ending;
use crate::id::Digest;
use crate::slots::Part;

/// A rule that was broken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) enum Broken {
    /// A change that touches actuation was put in force although the door was in use, or not known,
    /// or the relay not inhibited.
    AppliedUnsafely,
    /// The same without the press on the node's own button that the door asks for.
    AppliedWithoutConsent,
    /// An image on trial was brought to the io chip in such a moment.
    ProgrammedUnsafely,
    /// An image was brought to an io chip that already runs it, and says so.
    ProgrammedForNothing,
    /// An image was taken off the io chip, which said that the door was in use, before its time.
    RemovedInUse,
    /// What touches actuation was taken back although the io chip said that the door was in use, before
    /// its time.
    WentBackInUse,
    /// The relay was held off for what does not touch the door, or while the io chip said that the door
    /// was in use: whoever presses to stop it would press in vain.
    HeldOffInVain,
    /// The relay pulsed while something that touches actuation was on trial.
    PulsedInTrial,
    /// The relay pulsed by an image or by settings that are not in force.
    PulsedByOther,
    /// Everything may go well from here on, and still something waits for ever.
    Stuck,
}

/// A change is about to be put in force.
pub(super) fn may_apply(state: &State, setup: &Setup) -> Result<(), Broken> {
    let Some(trial) = state.agent.record().trial else { return Ok(()) };
    let actuation = touches_door(setup, trial.change.manifest);
    let Some(before) = &setup.bundle else {
        // Nothing is known about the door before the first bundle, and nothing moves it.
        let dead = state.world.inhibited && !state.world.pulse && state.world.wire;
        return if dead { Ok(()) } else { Err(Broken::AppliedUnsafely) };
    };
    if actuation && !state.world.is_safe(true) {
        return Err(Broken::AppliedUnsafely);
    }
    if actuation && before.policy.consent && !state.consented {
        return Err(Broken::AppliedWithoutConsent);
    }
    Ok(())
}

/// An image is about to be brought to the io chip.
///
/// Its loader moves and watches nothing. An image on trial is brought when a change may be applied. What
/// should not run there is taken off unless it says that the door is in use, after ten minutes even so,
/// and if it says nothing.
pub(super) fn may_program(state: &State) -> Result<(), Broken> {
    let (world, record) = (&state.world, state.agent.record());
    if world.io == NOTHING {
        return Ok(());
    }
    // What is said by a poll in which the change was applied is still the world's truth.
    let hears = world.wire && state.sense.hello.is_some();
    if hears && world.io == state.wanted() {
        return Err(Broken::ProgrammedForNothing);
    }
    if record.trial.is_some_and(|t| t.change.part == Part::Io) {
        return if world.is_safe(true) { Ok(()) } else { Err(Broken::ProgrammedUnsafely) };
    }
    let used = world.goes.is_some() || world.pulse || world.closing != Closing::No;
    let patient = state.stranger_since.is_some_and(|since| state.now - since >= LONG);
    if hears && used && !patient { Err(Broken::RemovedInUse) } else { Ok(()) }
}

/// What is on trial is about to be kept or taken back.
///
/// It is taken back unless the door is in use; after ten minutes even so. The io chip's image comes back
/// later, see [`may_program`].
pub(super) fn may_go_back(state: &State, setup: &Setup) -> Result<(), Broken> {
    let Some(trial) = state.saved.trial else { return Ok(()) };
    let kept = state.agent.record().outcome.is_some_and(|o| o.ending == Ending::Kept);
    if kept || trial.change.part == Part::Io || !touches_door(setup, trial.change.manifest) {
        return Ok(());
    }
    let world = &state.world;
    let used = world.goes.is_some() || world.pulse || world.closing != Closing::No;
    let patient = state.now - state.trial_since >= LONG;
    let heard = state.sense.status.is_some();
    if heard && (used || !world.inhibited) && !patient { Err(Broken::WentBackInUse) } else { Ok(()) }
}

/// The relay is about to be held off.
///
/// It is by what runs or is in force on the io chip and should not, before the first bundle, and for what
/// touches the door: on trial, or about to be while the door is not in use.
pub(super) fn may_hold_off(state: &State, setup: &Setup) -> Result<(), Broken> {
    let (record, bundle) = (state.agent.record(), state.agent.bundle());
    let Some(status) = state.sense.status else { return Ok(()) };
    let other = state.world.io != state.wanted() || status.settings != Setup::sum(bundle);
    let on_trial = record.trial.is_some_and(|t| touches_door(setup, t.change.manifest));
    let waits = record.staged.is_some_and(|s| touches_door(setup, s.manifest));
    let used = status.moving || status.relay_pulse || status.close_pending || status.warning;
    let right = bundle.is_none() || other || on_trial || waits && !used;
    if right { Ok(()) } else { Err(Broken::HeldOffInVain) }
}

/// The relay has just pulsed.
pub(super) fn may_pulse(state: &State, setup: &Setup) -> Result<(), Broken> {
    let record = state.agent.record();
    if record.trial.is_some_and(|t| touches_door(setup, t.change.manifest)) {
        return Err(Broken::PulsedInTrial);
    }
    let other = state.world.io != state.wanted() || state.world.settings != Setup::sum(state.agent.bundle());
    if other { Err(Broken::PulsedByOther) } else { Ok(()) }
}

fn touches_door(setup: &Setup, manifest: Digest) -> bool {
    setup.change(manifest).is_none_or(|(_, c)| c.actuation)
}
