//! The yard and the server beside the virtual board. Its keys are made from numbers that stand in
//! the source: for trying out only.

use crate::code::PintleCode;
use crate::raw;
use crate::virtual_board::{PintleVirtual, with};
use pintle_protocol::bundle::sample::network;
use pintle_protocol::bundle::{self, Bundle};
use pintle_protocol::checkin::{Ending, Position};
use pintle_protocol::cose::{SigningKey, thumbprint};
use pintle_protocol::id::{Chip, Digest, PublicKey};
use pintle_protocol::image::ImageNote;
use pintle_protocol::sim::rig::{self, Server};
use pintle_protocol::sim::{AccessPoint, Air, Chance, Door, OwnedRequest, VirtualBoard, sample};
use pintle_protocol::version::{LinkRange, Version};
use std::vec::Vec;

/// What the virtual server can offer.
#[repr(u8)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PintleVirtualOffer {
    /// A bundle.
    Bundle = 0,
    /// A newer image for the net chip.
    NetImage = 1,
    /// A newer image for the io chip.
    IoImage = 2,
    /// A newer image for the net chip, signed by a key that the node does not know.
    WrongSignature = 3,
}

/// What the virtual server has heard.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintleVirtualHeard {
    /// 1 once a claim has come that proves the claim code.
    pub claimed: u8,
    /// 1 once a check-in has come.
    pub checked_in: u8,
    /// How the last offer ended: a PintleEnding; 0 while it has not.
    pub ending: u8,
    /// Why it was refused or went back, see pintle_reason_text.
    pub reason: u16,
    /// What the last check-in said waits for, one bit each.
    pub holds: u32,
    /// Where it said that the door is: a PintlePosition.
    pub position: u8,
    /// The versions it said it runs: net, then io.
    pub versions: [[u16; 3]; 2],
    /// Pulses that the relay has given, as it said.
    pub relay_pulses: u32,
    /// Counter of the last check-in.
    pub counter: u64,
}

/// What the virtual door's sensors see.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintleVirtualDoor {
    /// Distance from the range finder to the panel, in millimetres.
    pub distance_mm: u16,
    /// Carbon monoxide, in ppm.
    pub co_ppm: u16,
    /// Supply voltage, in millivolts.
    pub supply_mv: u16,
    /// 1 if it moves.
    pub moving: u8,
    /// 1 if somebody is at the button.
    pub button: u8,
    /// 1 if an unattended close is pending.
    pub close_pending: u8,
    /// 1 while the warning before one sounds.
    pub warning: u8,
    /// At rest for this many seconds.
    pub rest_seconds: u32,
}

pub(crate) struct Yard {
    keys: rig::Yard,
    server: Server,
    io_image: Vec<u8>,
    sequence: u64,
    minor: u16,
    offered: Option<Digest>,
}

fn image(chip: Chip, minor: u16) -> Vec<u8> {
    sample::image(&sample::note(chip, minor, LinkRange { oldest: 1, newest: 1 }), 9577)
}

/// The sample, but for a door that stays open if somebody leaves it so.
fn bundle() -> Bundle {
    let mut bundle = bundle::sample::bundle();
    bundle.close.enabled = false;
    bundle.policy.trial_seconds = 60;
    bundle
}

impl Yard {
    pub(crate) fn new() -> (Self, VirtualBoard, Air) {
        let keys = rig::Yard::default();
        let (net, io) = (image(Chip::Net, 0), image(Chip::Io, 0));
        let card = keys.card(network("larkfield"));
        let board = VirtualBoard::new("here", &net, &io, &card, Door::at_rest(false), Chance::new(1, "c"));
        let air = Air { points: std::vec![AccessPoint::new("larkfield", &network("larkfield").passphrase)] };
        let server = Server::default();
        (Self { keys, server, io_image: io, sequence: 0, minor: 0, offered: None }, board, air)
    }

    pub(crate) fn second(&mut self) {
        self.server.time += 1;
    }

    pub(crate) fn answer(&mut self, request: &OwnedRequest) -> (u16, Vec<u8>) {
        self.server.answer(&self.keys, request)
    }

    fn sealed(&self) -> Option<Vec<u8>> {
        let sealing_key = self.server.claim.as_ref()?.sealing_key;
        sample::bundle_envelope(&bundle(), self.sequence, sealing_key, &self.keys.bundle).ok()
    }

    fn packed(&self, image: &[u8], key: &SigningKey) -> Option<Vec<u8>> {
        sample::image_envelope(image, &ImageNote::find(image).ok()?, self.sequence, key).ok()
    }

    fn offer(&mut self, what: u8) -> Result<(), PintleCode> {
        const BUNDLE: u8 = PintleVirtualOffer::Bundle as u8;
        const IO_IMAGE: u8 = PintleVirtualOffer::IoImage as u8;
        const WRONG: u8 = PintleVirtualOffer::WrongSignature as u8;
        if what > WRONG {
            return Err(PintleCode::Range);
        }
        self.sequence += 1;
        if what == BUNDLE {
            // Only a node that has claimed has a key to seal to.
            let envelope = self.sealed().ok_or(PintleCode::Anchors)?;
            self.offered = Some(self.server.offer(envelope, None));
            return Ok(());
        }
        self.minor += 1;
        let image = image(if what == IO_IMAGE { Chip::Io } else { Chip::Net }, self.minor);
        let stranger = SigningKey::from_bytes(&[99; 32]);
        let key = if what == WRONG { &stranger } else { &self.keys.image };
        let envelope = self.packed(&image, key).ok_or(PintleCode::Length)?;
        self.offered = Some(self.server.offer(envelope, Some(&image)));
        Ok(())
    }

    fn heard(&self) -> PintleVirtualHeard {
        let mut heard =
            PintleVirtualHeard { claimed: self.server.claim.is_some().into(), ..Default::default() };
        let Some(seen) = &self.server.seen else { return heard };
        heard.checked_in = 1;
        if let Some(outcome) = seen.outcome.filter(|o| Some(o.envelope) == self.offered) {
            heard.ending = match outcome.ending {
                Ending::Kept => 1,
                Ending::WentBack => 2,
                Ending::Refused => 3,
            };
            heard.reason = outcome.reason;
        }
        let numbers = |v: Version| [v.major, v.minor, v.patch];
        heard.holds = seen.holds;
        heard.position = match seen.position {
            Position::Unknown => 0,
            Position::Open => 1,
            Position::PartlyOpen => 2,
            Position::Closed => 3,
        };
        heard.versions = [numbers(seen.net.version), seen.io.map_or([0; 3], |io| numbers(io.version))];
        heard.relay_pulses = seen.relay_pulses;
        heard.counter = seen.counter;
        heard
    }

    /// By which a node knows the server on the local link.
    pub(crate) fn server_thumbprint(&self) -> [u8; 32] {
        thumbprint(&PublicKey(self.keys.server.verifying_key().to_bytes()))
    }
}

/// The virtual server offers something, with the next sequence number.
///
/// what: a PintleVirtualOffer. PINTLE_CODE_ANCHORS: a bundle before the node has claimed.
///
/// # Safety
/// it comes from pintle_virtual_new.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_offer(it: *mut PintleVirtual, what: u8) -> PintleCode {
    // SAFETY: as promised.
    unsafe { with(it, |it| it.yard.offer(what)) }
}

/// What the virtual server has heard.
///
/// # Safety
/// it comes from pintle_virtual_new; heard can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_heard(
    it: *mut PintleVirtual,
    heard: *mut PintleVirtualHeard,
) -> PintleCode {
    let work = |it: &mut PintleVirtual| {
        // SAFETY: as promised.
        unsafe { raw::put(heard, it.yard.heard()) }
    };
    // SAFETY: as promised.
    unsafe { with(it, work) }
}

/// What the virtual door's sensors see.
///
/// # Safety
/// it comes from pintle_virtual_new; door can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_door(
    it: *mut PintleVirtual,
    door: *mut PintleVirtualDoor,
) -> PintleCode {
    let work = |it: &mut PintleVirtual| {
        let d = &it.board.door;
        let value = PintleVirtualDoor {
            distance_mm: d.distance_mm,
            co_ppm: d.co_ppm,
            supply_mv: d.supply_mv,
            moving: d.moves().into(),
            button: d.hand_at_button.into(),
            close_pending: d.close_pending.into(),
            warning: d.warning.into(),
            rest_seconds: d.rest_seconds(),
        };
        // SAFETY: as promised.
        unsafe { raw::put(door, value) }
    };
    // SAFETY: as promised.
    unsafe { with(it, work) }
}

/// Somebody uses the operator's own wall button: the virtual door goes to its other end.
///
/// # Safety
/// it comes from pintle_virtual_new.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_use_door(it: *mut PintleVirtual) -> PintleCode {
    let work = |it: &mut PintleVirtual| {
        it.board.door.used();
        Ok(())
    };
    // SAFETY: as promised.
    unsafe { with(it, work) }
}

/// The image that the io chip was made with. Good as long as it is.
///
/// # Safety
/// it comes from pintle_virtual_new; bytes and len can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_io_image(
    it: *mut PintleVirtual,
    bytes: *mut *const u8,
    len: *mut usize,
) -> PintleCode {
    let work = |it: &mut PintleVirtual| {
        let image = &it.yard.io_image;
        // SAFETY: as promised.
        unsafe { raw::put(bytes, image.as_ptr()) }?;
        // SAFETY: as promised.
        unsafe { raw::put(len, image.len()) }
    };
    // SAFETY: as promised.
    unsafe { with(it, work) }
}
