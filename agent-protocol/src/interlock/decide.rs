//! The rule itself.

use super::holds::{Hold, Holds};
use super::touches::Touches;
use crate::bundle::Policy;
use crate::checkin::Position;

/// What the door and the board say right now. `None` is "not known".
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct DoorFacts {
    /// The io chip answers and its answer is fresh.
    pub io_answers: bool,
    /// Where the door is.
    pub position: Position,
    /// Whether it moves.
    pub moving: Option<bool>,
    /// How long it has been at rest, in seconds.
    pub rest_seconds: Option<u32>,
    /// Whether a relay pulse is in progress.
    pub relay_pulse: Option<bool>,
    /// Whether an unattended close is pending.
    pub close_pending: Option<bool>,
    /// Whether the warning before one sounds.
    pub warning: Option<bool>,
    /// Whether somebody is at the button.
    pub button: Option<bool>,
    /// Whether the gas alarm sounds; `Some(false)` where no sensor is fitted.
    pub gas_alarm: Option<bool>,
    /// Supply voltage, in millivolts.
    pub supply_mv: Option<u16>,
    /// Somebody pressed the node's own button for this change.
    pub consent: bool,
}

impl DoorFacts {
    /// What is known when the io chip does not answer: nothing.
    pub const fn unknown(supply_mv: Option<u16>) -> Self {
        Self {
            io_answers: false,
            position: Position::Unknown,
            moving: None,
            rest_seconds: None,
            relay_pulse: None,
            close_pending: None,
            warning: None,
            button: None,
            gas_alarm: None,
            supply_mv,
            consent: false,
        }
    }
}

/// Whether the two chips agree, before and after the change. `None` is "not known".
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct PairFacts {
    /// They share a link version now.
    pub link_now: Option<bool>,
    /// They mean the same by moving the door now.
    pub profile_now: Option<bool>,
    /// They will share a link version.
    pub link_after: Option<bool>,
    /// They will mean the same by moving the door.
    pub profile_after: Option<bool>,
}

/// The interlock's leave to apply one change now. Only [`decide`] makes it, and applying takes
/// it by value, so that it cannot be kept for later.
#[derive(Debug, PartialEq, Eq)]
pub struct Clearance(());

/// Decides whether a change may be applied now.
///
/// What touches no actuation is cleared. Anything else needs every condition: door position
/// known and at rest for `policy.rest_seconds`, no pulse, no unattended close pending, no
/// warning, nobody at the button, no gas alarm, supply within the policy's range, both chips in
/// agreement before and after, and consent where the policy asks for it.
///
/// # Errors
/// Every reason to wait, not only the first, so that a person sees all there is to do.
pub fn decide(
    touches: Touches,
    door: &DoorFacts,
    policy: &Policy,
    pair: &PairFacts,
) -> Result<Clearance, Holds> {
    if !touches.actuation {
        return Ok(Clearance(()));
    }
    // "Not known to be false" and "not known to be true": both wait.
    let may_be = |fact: Option<bool>| fact != Some(false);
    let not_sure = |fact: Option<bool>| fact != Some(true);
    let rested = door.rest_seconds.is_some_and(|s| s >= u32::from(policy.rest_seconds));
    let range = policy.supply_min_mv..=policy.supply_max_mv;
    let supplied = door.supply_mv.is_some_and(|mv| range.contains(&mv));

    let holds = Holds::NONE
        .with(Hold::IoSilent, !door.io_answers)
        .with(Hold::PositionUnknown, door.position == Position::Unknown)
        .with(Hold::DoorMoving, may_be(door.moving))
        .with(Hold::NotYetAtRest, !rested)
        .with(Hold::RelayPulse, may_be(door.relay_pulse))
        .with(Hold::ClosePending, may_be(door.close_pending))
        .with(Hold::Warning, may_be(door.warning))
        .with(Hold::ButtonInUse, may_be(door.button))
        .with(Hold::GasAlarm, may_be(door.gas_alarm))
        .with(Hold::Supply, !supplied)
        .with(Hold::LinkDisagrees, not_sure(pair.link_now))
        .with(Hold::ProfileDisagrees, not_sure(pair.profile_now))
        .with(Hold::PairAfter, not_sure(pair.link_after) || not_sure(pair.profile_after))
        .with(Hold::ConsentMissing, policy.consent && !door.consent);
    if holds.is_empty() { Ok(Clearance(())) } else { Err(holds) }
}

/// Decides about taking off what should not go on: an image that should not run on the io chip, or
/// an image or settings whose trial is lost.
///
/// What is said of the door under them is not relied on: it may be wrong, or never come, and
/// [`decide`] would wait for ever. But where it is said that the door is in use, that is heeded.
///
/// # Errors
/// Every reason to wait.
pub fn decide_removal(door: &DoorFacts) -> Result<Clearance, Holds> {
    let is = |fact: Option<bool>| fact == Some(true);
    let holds = Holds::NONE
        .with(Hold::DoorMoving, is(door.moving))
        .with(Hold::RelayPulse, is(door.relay_pulse))
        .with(Hold::ClosePending, is(door.close_pending))
        .with(Hold::Warning, is(door.warning))
        .with(Hold::ButtonInUse, is(door.button));
    if holds.is_empty() { Ok(Clearance(())) } else { Err(holds) }
}

/// Decides about the first bundle of a node that has none.
///
/// Without a bundle nothing is known about the door, so that [`decide`] would wait for ever. Such
/// a node neither moves nor guards anything yet: its relay is inhibited from the first start.
/// What remains to be asked is that the io chip answers, that no pulse is in progress, and that
/// no gas alarm sounds.
///
/// # Errors
/// Every reason to wait.
pub fn decide_first(door: &DoorFacts) -> Result<Clearance, Holds> {
    let holds = Holds::NONE
        .with(Hold::IoSilent, !door.io_answers)
        .with(Hold::RelayPulse, door.relay_pulse != Some(false))
        .with(Hold::GasAlarm, door.gas_alarm != Some(false));
    if holds.is_empty() { Ok(Clearance(())) } else { Err(holds) }
}

/// Decides about an image for an io chip that sits in its loader and could not be brought the one in force: the net
/// chip's copy is damaged, or the chip measured another digest.
///
/// Nothing moves and nothing is watched then, and nothing is known of the door, so that [`decide`] would wait for ever.
/// The new image's relay is off, and held off while it is on trial. What remains to be asked is that the chips will
/// understand each other, and consent where the policy asks for it.
///
/// # Errors
/// Every reason to wait.
pub fn decide_stranded(door: &DoorFacts, policy: &Policy, pair: &PairFacts) -> Result<Clearance, Holds> {
    let holds = Holds::NONE
        .with(Hold::PairAfter, pair.link_after != Some(true) || pair.profile_after != Some(true))
        .with(Hold::ConsentMissing, policy.consent && !door.consent);
    if holds.is_empty() { Ok(Clearance(())) } else { Err(holds) }
}
