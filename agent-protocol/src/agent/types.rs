//! What goes into the agent and what comes out of it.

use super::trial::Millis;
use crate::board::JoinFault;
use crate::checkin::{ClaimCode, Position};
use crate::copy::copy;
use crate::cose::NodeKey;
use crate::id::{Digest, NodeId, Uuid16};
use crate::image::ImageNote;
use crate::interlock::DoorFacts;
use crate::link::{Hello, Status, TransferEnd};
use crate::slots::{Part, Slot};
use heapless::Vec;
use x25519_dalek::StaticSecret;
use zeroize::{Zeroize, Zeroizing};

/// Longest envelope a node takes, in bytes.
pub const ENVELOPE_MAX: usize = 4096;
/// Longest bundle, decrypted or not, in bytes.
pub const BUNDLE_MAX: usize = 2048;
/// Bytes of a payload asked for at a time: one flash sector.
pub const CHUNK: u32 = 4096;
/// Longest claim or check-in, signed, in bytes.
pub const OUT_MAX: usize = 768;
/// Longest envelope together with the text it carries, a bundle or a set of trust anchors, in bytes. The longest
/// envelope leaves room for a message; one with the longest bundle may have 768 bytes around that.
pub const ENVELOPE_AND_TEXT_MAX: usize = ENVELOPE_MAX + OUT_MAX;

/// The seed of an Ed25519 signing key; wiped when dropped.
pub type SigningSeed = Zeroizing<[u8; 32]>;

/// Who the node is. Private keys never leave it.
#[derive(Clone)]
pub struct Identity {
    /// The node.
    pub node: NodeId,
    /// Vendor identifier of its yard.
    pub vendor: Uuid16,
    /// Class of its net chip's images.
    pub net_class: Uuid16,
    /// Class of its io chip's images.
    pub io_class: Uuid16,
    /// Claim code from the starter card, until the card is wiped.
    pub code: Option<ClaimCode>,
    /// Seed of the Ed25519 key that signs claims and check-ins. The key itself is three times as long.
    pub signing: SigningSeed,
    /// X25519 key to which bundles are sealed.
    pub sealing: StaticSecret,
}

impl Identity {
    /// Nobody.
    pub(super) fn blank() -> Self {
        let nobody = Uuid16([0; 16]);
        Self {
            node: NodeId([0; 16]),
            vendor: nobody,
            net_class: nobody,
            io_class: nobody,
            code: None,
            signing: Zeroizing::new([0; 32]),
            sealing: StaticSecret::from([0; 32]),
        }
    }

    /// The key that signs claims and check-ins.
    pub fn signing_key(&self) -> NodeKey {
        NodeKey::new(&self.signing)
    }
}

/// Bytes that the caller owns, so that there is one place for all of them and no heap: the envelope being processed,
/// and behind it a message to send, or a bundle or a set of keys being taken.
#[derive(Clone)]
pub struct Scratch {
    bytes: [u8; ENVELOPE_AND_TEXT_MAX],
    envelope: usize,
    rest: usize,
}

impl Default for Scratch {
    fn default() -> Self {
        Self::new()
    }
}

impl Scratch {
    pub(super) const fn new() -> Self {
        Self { bytes: [0; ENVELOPE_AND_TEXT_MAX], envelope: 0, rest: 0 }
    }

    /// The envelope being processed.
    pub fn envelope(&self) -> &[u8] {
        self.bytes.get(..self.envelope).unwrap_or_default()
    }

    /// The claim or check-in to send, or the bundle or set of keys to store.
    pub fn rest(&self) -> &[u8] {
        self.bytes.get(self.envelope..).and_then(|b| b.get(..self.rest)).unwrap_or_default()
    }

    /// Takes an envelope in, and forgets whatever there was. Whether it fits.
    pub(super) fn keep_envelope(&mut self, envelope: &[u8]) -> bool {
        (self.envelope, self.rest) = (0, 0);
        match self.bytes.get_mut(..envelope.len()) {
            Some(place) if envelope.len() <= ENVELOPE_MAX => {
                copy(envelope, place);
                self.envelope = envelope.len();
                true
            }
            _ => false,
        }
    }

    /// The envelope, and the place behind it.
    pub(super) fn split(&mut self) -> (&[u8], Rest<'_>) {
        let (envelope, room) = self.bytes.split_at_mut_checked(self.envelope).unwrap_or_default();
        (envelope, Rest { room, len: &mut self.rest })
    }

    /// Forgets whatever there was, and leaves no trace of it.
    pub(super) fn wipe(&mut self) {
        self.bytes.zeroize();
        (self.envelope, self.rest) = (0, 0);
    }

    /// Room to work in, while nothing is being taken: whatever there was is forgotten.
    pub(super) fn work(&mut self) -> &mut [u8] {
        (self.envelope, self.rest) = (0, 0);
        &mut self.bytes
    }
}

/// The place behind the envelope: at least [`OUT_MAX`] bytes.
pub(super) struct Rest<'a> {
    room: &'a mut [u8],
    len: &'a mut usize,
}

impl Rest<'_> {
    /// All of it.
    pub(super) fn room(&mut self) -> &mut [u8] {
        self.room
    }

    /// So many bytes of it count.
    pub(super) fn set_len(&mut self, len: usize) {
        *self.len = len.min(self.room.len());
    }

    /// Takes these bytes in; those that count are then these. `None` if they do not fit.
    pub(super) fn fill(&mut self, bytes: &[u8]) -> Option<&mut [u8]> {
        let place = self.room.get_mut(..bytes.len())?;
        copy(bytes, place);
        *self.len = bytes.len();
        Some(place)
    }

    /// The bytes that count.
    pub(super) fn bytes(&self) -> &[u8] {
        self.room.get(..*self.len).unwrap_or_default()
    }
}

/// What the node senses right now.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sense {
    /// The io chip's last answer to a hello, if it is fresh.
    pub hello: Option<Hello>,
    /// The io chip's last status, if it is fresh.
    pub status: Option<Status>,
    /// The node's own button was pressed since the last step.
    pub pressed: bool,
}

impl Sense {
    /// The interlock's view.
    pub fn door(&self, consent: bool) -> DoorFacts {
        match self.status {
            None => DoorFacts { consent, ..DoorFacts::unknown(None) },
            Some(s) => DoorFacts {
                io_answers: true,
                // What the io chip itself does not believe is not known.
                position: if s.plausible { s.position } else { Position::Unknown },
                moving: Some(s.moving),
                rest_seconds: Some(u32::from(s.rest_seconds)),
                relay_pulse: Some(s.relay_pulse),
                close_pending: Some(s.close_pending),
                warning: Some(s.warning),
                button: Some(s.button),
                gas_alarm: Some(s.gas_alarm),
                supply_mv: Some(s.supply_mv),
                consent,
            },
        }
    }
}

/// Why a request brought no usable answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum RequestFault {
    /// The server was not reached, or the connection broke.
    Unreachable,
    /// The server answered with this HTTP status.
    Status(u16),
    /// The answer is longer than the room for it.
    TooLarge,
}

/// What a slot holds, measured by reading it back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Measured {
    /// SHA-256 of the bytes asked for.
    pub digest: Digest,
    /// For images: what it says of itself.
    pub note: Option<ImageNote>,
}

/// Something that happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Input<'a> {
    /// Time went on.
    Tick,
    /// A network was joined.
    Joined {
        /// Index in the bundle's list.
        index: u8,
        /// Signal, in dBm.
        rssi_dbm: i8,
    },
    /// A network was not joined.
    JoinFailed {
        /// Index in the bundle's list.
        index: u8,
        /// Why.
        why: JoinFault,
    },
    /// The network is gone.
    Lost,
    /// The last request was answered.
    Answered(&'a [u8]),
    /// The last request was not.
    Failed(RequestFault),
    /// The last flash action is done.
    FlashDone,
    /// The last flash action failed at this address.
    FlashFailed(u32),
    /// The last [`Action::Measure`] is done.
    Measured(Measured),
    /// The record could not be saved; the agent holds the one that is in flash.
    SaveFailed {
        /// What would have been staged by it.
        staged: Option<Digest>,
    },
    /// The io chip's programming ended.
    IoEnded(TransferEnd),
}

/// Something to do. The caller does them in order and feeds back what the last one brings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Action {
    /// Save the record. If that fails, drop the rest and feed [`Input::SaveFailed`].
    Save,
    /// Join this network of the bundle (or the starter card's, before the first bundle).
    Join(u8),
    /// Send [`Scratch::rest`] to `/node/claim`.
    Claim,
    /// Send [`Scratch::rest`] to `/node/check-in`.
    CheckIn,
    /// Read the envelope with this manifest digest.
    GetEnvelope(Digest),
    /// Read a piece of the payload with this digest.
    GetPayload {
        /// SHA-256 of the whole payload.
        digest: Digest,
        /// First byte.
        offset: u32,
        /// How many bytes.
        len: u32,
    },
    /// Erase what `size` bytes need in a spare slot; brings [`Input::FlashDone`].
    Erase {
        /// Whose slot.
        part: Part,
        /// Which slot.
        slot: Slot,
        /// Bytes that will be written.
        size: u32,
    },
    /// Program the body of the answer just given; brings [`Input::FlashDone`].
    StoreBody {
        /// Whose slot.
        part: Part,
        /// Which slot.
        slot: Slot,
        /// Offset in the slot.
        offset: u32,
    },
    /// Program [`Scratch::rest`]; brings [`Input::FlashDone`].
    StorePlain {
        /// Whose slot.
        part: Part,
        /// Which slot.
        slot: Slot,
    },
    /// Hash a slot by reading it back; brings [`Input::Measured`].
    Measure {
        /// Whose slot.
        part: Part,
        /// Which slot.
        slot: Slot,
        /// How many bytes.
        size: u32,
    },
    /// Bring the image in this slot to the io chip; brings [`Input::IoEnded`].
    ProgramIo(Slot),
    /// Keep the relay off, or stop doing so.
    Inhibit(bool),
    /// The bundle or the trust anchors in the active slot have changed: load them again.
    Reload,
    /// Start again, from the slot that the record says.
    Restart,
}

/// What a step asks for, in order.
pub type Actions = Vec<Action, 6>;

/// A moment, and what is sensed in it.
#[derive(Clone, Copy, Debug)]
pub struct Moment {
    /// Milliseconds since the node started.
    pub now: Millis,
    /// What is sensed.
    pub sense: Sense,
    /// 16 fresh random bytes, used if a message is made.
    pub random: [u8; 16],
}
