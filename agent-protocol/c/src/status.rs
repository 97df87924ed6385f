//! What a node is doing, for firmware to show.

use crate::code::PintleCode;
use crate::node::{PintleNode, enter};
use crate::raw;
use pintle_protocol::checkin::{Ending, Phase};
use pintle_protocol::slots::{Pair, SlotImage};

/// What a node is doing.
#[repr(u8)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PintlePhase {
    /// Nothing under way.
    Idle = 0,
    /// Reading an envelope or its payload.
    Fetching = 1,
    /// Ready to apply, waiting for the door.
    Waiting = 2,
    /// Something new is on trial. If it touches the door, the node has told the io chip to keep its relay off.
    Trial = 3,
}

/// How the last update ended.
#[repr(u8)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PintleEnding {
    /// There was none.
    None = 0,
    /// It proved itself and is kept.
    Kept = 1,
    /// It did not; the node runs what it ran before.
    WentBack = 2,
    /// It was not applied at all.
    Refused = 3,
}

/// What a node is doing, and what it runs.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintleStatus {
    /// A PintlePhase.
    pub phase: u8,
    /// The network in use, an index into the bundle's list; 255 for none.
    pub network: u8,
    /// 1 while an image is being brought to the io chip.
    pub programs_io: u8,
    /// 1 if a bundle is in force.
    pub has_bundle: u8,
    /// The net chip's slot in force: a PintleSlot.
    pub net_slot: u8,
    /// The io chip's slot in force: a PintleSlot.
    pub io_slot: u8,
    /// How the last update ended: a PintleEnding.
    pub ending: u8,
    /// Why it was refused or went back, see pintle_reason_text; 0 if it was kept.
    pub reason: u16,
    /// More about the reason.
    pub detail: u32,
    /// Manifest digest of the last update that ended.
    pub envelope: [u8; 32],
    /// What the waiting change waits for, one bit each, see pintle_hold_text; 0 for nothing.
    pub holds: u32,
    /// Starts so far.
    pub starts: u32,
    /// Version of the net chip's image in force: major, minor, patch.
    pub net_version: [u16; 3],
    /// Version of the io chip's image in force.
    pub io_version: [u16; 3],
    /// Highest sequence number kept: root, image, bundle.
    pub sequences: [u64; 3],
}

fn version(pair: &Pair<SlotImage>) -> [u16; 3] {
    pair.current().map_or([0; 3], |i| [i.version.major, i.version.minor, i.version.patch])
}

/// Tells what a node is doing. Changes nothing.
///
/// # Safety
/// node comes from pintle_node_init and is used by one thread at a time; status can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_node_status(node: *mut PintleNode, status: *mut PintleStatus) -> PintleCode {
    // SAFETY: as promised.
    let read = unsafe {
        enter(node, |entered| {
            let agent = entered.node.agent();
            let record = agent.record();
            let outcome = record.outcome;
            let phase = agent.phase();
            Ok(PintleStatus {
                phase: match phase {
                    Phase::Idle => PintlePhase::Idle,
                    Phase::Fetching => PintlePhase::Fetching,
                    Phase::Waiting => PintlePhase::Waiting,
                    Phase::Trial => PintlePhase::Trial,
                } as u8,
                network: agent.network().unwrap_or(u8::MAX),
                programs_io: entered.node.programs_io().into(),
                has_bundle: agent.bundle().is_some().into(),
                net_slot: record.net.active.index() as u8,
                io_slot: record.io.active.index() as u8,
                ending: match outcome.map(|o| o.ending) {
                    None => PintleEnding::None,
                    Some(Ending::Kept) => PintleEnding::Kept,
                    Some(Ending::WentBack) => PintleEnding::WentBack,
                    Some(Ending::Refused) => PintleEnding::Refused,
                } as u8,
                reason: outcome.map_or(0, |o| o.reason),
                detail: outcome.map_or(0, |o| o.detail),
                envelope: outcome.map_or([0; 32], |o| o.envelope.0),
                holds: if phase == Phase::Waiting { agent.holds().bits() } else { 0 },
                starts: record.starts,
                net_version: version(&record.net),
                io_version: version(&record.io),
                sequences: record.sequences,
            })
        })
    };
    // SAFETY: as promised.
    PintleCode::of(read.and_then(|value| unsafe { raw::put(status, value) }))
}
