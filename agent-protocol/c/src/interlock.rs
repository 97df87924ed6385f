//! The interlock, without a node around it.

use crate::code::PintleCode;
use crate::message::position_in;
use crate::raw;
use pintle_protocol::bundle::Policy;
use pintle_protocol::interlock::{Clearance, DoorFacts, Holds, PairFacts, Touches, decide, decide_first};

/// Where the door is.
#[repr(u8)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PintlePosition {
    /// Not known.
    Unknown = 0,
    /// Open.
    Open = 1,
    /// Partly open.
    PartlyOpen = 2,
    /// Closed.
    Closed = 3,
}

/// A fact. Zero is "not known", so that a structure of zeros is a hold.
#[repr(u8)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PintleFact {
    /// Not known.
    Unknown = 0,
    /// No.
    No = 1,
    /// Yes.
    Yes = 2,
}

/// What the door and the board say right now. Facts are PintleFact; any other number is "not known".
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintleDoorFacts {
    /// A fact: the io chip answers and its answer is fresh. Only a clear yes counts.
    pub io_answers: u8,
    /// A PintlePosition; any other number is "not known".
    pub position: u8,
    /// A fact: it moves.
    pub moving: u8,
    /// A fact: a relay pulse is in progress.
    pub relay_pulse: u8,
    /// A fact: an unattended close is pending.
    pub close_pending: u8,
    /// A fact: the warning before one sounds.
    pub warning: u8,
    /// A fact: somebody is at the button.
    pub button: u8,
    /// A fact: the gas alarm sounds; no where no sensor is fitted.
    pub gas_alarm: u8,
    /// A fact: somebody pressed the node's own button for this change. Only a clear yes counts.
    pub consent: u8,
    /// At rest for this many seconds; 0 if not known.
    pub rest_seconds: u32,
    /// Supply voltage in millivolts; 0 if not known.
    pub supply_mv: u16,
}

/// Whether the two chips agree, now and after the change. Facts; only a clear yes counts.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintlePairFacts {
    /// They share a link version now.
    pub link_now: u8,
    /// They mean the same by moving the door now.
    pub profile_now: u8,
    /// They will share a link version.
    pub link_after: u8,
    /// They will mean the same by moving the door.
    pub profile_after: u8,
}

/// When an update may be applied.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintlePolicy {
    /// The door must have been at rest for this long, in seconds.
    pub rest_seconds: u16,
    /// Lowest supply voltage, in millivolts, above 0.
    pub supply_min_mv: u16,
    /// Highest supply voltage, in millivolts.
    pub supply_max_mv: u16,
    /// A fact: a press on the node's own button is needed. Only a clear no leaves it out.
    pub consent: u8,
}

const fn fact(value: u8) -> Option<bool> {
    const NO: u8 = PintleFact::No as u8;
    const YES: u8 = PintleFact::Yes as u8;
    match value {
        NO => Some(false),
        YES => Some(true),
        _ => None,
    }
}

fn facts_in(f: &PintleDoorFacts) -> DoorFacts {
    let known = fact(f.io_answers) == Some(true);
    let supply_mv = (f.supply_mv != 0).then_some(f.supply_mv);
    if !known {
        // What a silent chip said some time ago is not what the door says now.
        return DoorFacts { consent: fact(f.consent) == Some(true), ..DoorFacts::unknown(supply_mv) };
    }
    DoorFacts {
        io_answers: true,
        position: position_in(f.position).unwrap_or(pintle_protocol::checkin::Position::Unknown),
        moving: fact(f.moving),
        rest_seconds: (f.rest_seconds != 0).then_some(f.rest_seconds),
        relay_pulse: fact(f.relay_pulse),
        close_pending: fact(f.close_pending),
        warning: fact(f.warning),
        button: fact(f.button),
        gas_alarm: fact(f.gas_alarm),
        supply_mv,
        consent: fact(f.consent) == Some(true),
    }
}

/// Writes a decision.
///
/// # Safety
/// `holds` is null or can be written.
unsafe fn decided(decision: Result<Clearance, Holds>, holds: *mut u32) -> Result<PintleCode, PintleCode> {
    let (bits, code) = match decision {
        Ok(_) => (0, PintleCode::Ok),
        Err(found) => (found.bits(), PintleCode::Hold),
    };
    // SAFETY: as promised.
    unsafe { raw::put(holds, bits) }.map(|()| code)
}

fn flat(result: Result<PintleCode, PintleCode>) -> PintleCode {
    match result {
        Ok(code) | Err(code) => code,
    }
}

/// Decides whether a change may be applied now: PINTLE_CODE_OK is clearance for this moment and not
/// for later, PINTLE_CODE_HOLD means wait. Anything else is an error, and means wait too.
///
/// touches_actuation: a fact: the change touches how, when or whether the door moves or is watched, as
/// firmware of either chip always does. Only a clear no is taken for one.
/// holds: gets every reason to wait, one bit each, see pintle_hold_text; all bits until it is decided.
///
/// # Safety
/// The pointers are null or good for what they point to.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_interlock_decide(
    touches_actuation: u8,
    door: *const PintleDoorFacts,
    policy: *const PintlePolicy,
    pair: *const PintlePairFacts,
    holds: *mut u32,
) -> PintleCode {
    flat((|| {
        // SAFETY: as promised.
        unsafe { raw::put(holds, u32::MAX) }?;
        // SAFETY: as promised.
        let door = unsafe { raw::get(door) }?;
        // SAFETY: as promised.
        let policy = unsafe { raw::get(policy) }?;
        // SAFETY: as promised.
        let pair = unsafe { raw::get(pair) }?;
        if policy.supply_min_mv == 0 || policy.supply_min_mv > policy.supply_max_mv {
            return Err(PintleCode::Range);
        }
        let policy = Policy {
            rest_seconds: policy.rest_seconds,
            trial_seconds: 0,
            consent: fact(policy.consent) != Some(false),
            supply_min_mv: policy.supply_min_mv,
            supply_max_mv: policy.supply_max_mv,
        };
        let pair = PairFacts {
            link_now: fact(pair.link_now),
            profile_now: fact(pair.profile_now),
            link_after: fact(pair.link_after),
            profile_after: fact(pair.profile_after),
        };
        let touches = Touches { actuation: fact(touches_actuation) != Some(false), network: true };
        // SAFETY: as promised.
        unsafe { decided(decide(touches, &facts_in(door), &policy, &pair), holds) }
    })())
}

/// Decides about the first bundle of a node that has none: its relay has been inhibited since its first
/// start, and nothing is known about the door yet. Returns as pintle_interlock_decide.
///
/// # Safety
/// The pointers are null or good for what they point to.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_interlock_decide_first(
    door: *const PintleDoorFacts,
    holds: *mut u32,
) -> PintleCode {
    flat((|| {
        // SAFETY: as promised.
        unsafe { raw::put(holds, u32::MAX) }?;
        // SAFETY: as promised.
        let door = unsafe { raw::get(door) }?;
        // SAFETY: as promised.
        unsafe { decided(decide_first(&facts_in(door)), holds) }
    })())
}
