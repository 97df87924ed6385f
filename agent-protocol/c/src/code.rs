//! What every function returns, and the limits.

use pintle_protocol::{agent, bundle, image, link};

/// Raised when this interface changes so that firmware has to be built again.
pub const PINTLE_ABI: u32 = 3;
/// Bytes that are enough for a node on every target; pintle_node_size() tells the exact number.
pub const PINTLE_NODE_SIZE: usize = 16384;
/// Alignment that is enough for a node on every target, in bytes.
pub const PINTLE_NODE_ALIGN: usize = 16;
/// Longest frame on the link, in bytes.
pub const PINTLE_FRAME_MAX: usize = 32;
/// Longest payload of a frame, in bytes.
pub const PINTLE_PAYLOAD_MAX: usize = 27;
/// Most image bytes in one question on the link.
pub const PINTLE_DATA_MAX: usize = 20;
/// Settings of a bundle that the io chip goes by.
pub const PINTLE_SETTINGS: usize = 26;
/// Most bytes of a starter card.
pub const PINTLE_CARD_MAX: usize = 2560;
/// Most bytes of an answer that a node can use.
pub const PINTLE_BODY_MAX: usize = 4096;
/// Bytes of an image note.
pub const PINTLE_NOTE_LEN: usize = 64;
/// Bytes that are enough for a capability report.
pub const PINTLE_CAPABILITIES_MAX: usize = 128;
/// Bytes of a flash sector.
pub const PINTLE_SECTOR: usize = 4096;

const _: () = assert!(PINTLE_FRAME_MAX == link::FRAME_MAX && PINTLE_PAYLOAD_MAX == link::PAYLOAD_MAX);
const _: () = assert!(PINTLE_DATA_MAX == link::DATA_MAX && PINTLE_SETTINGS == bundle::SETTINGS);
const _: () = assert!(PINTLE_CARD_MAX == agent::CARD_MAX && PINTLE_BODY_MAX == agent::ENVELOPE_MAX);
const _: () = assert!(PINTLE_BODY_MAX == agent::CHUNK as usize && PINTLE_NOTE_LEN == image::NOTE_LEN);
const _: () = assert!(PINTLE_SECTOR == pintle_protocol::slots::SECTOR as usize);

/// What a function returns. 0 and above: it did what it was asked; below 0: it did not, and has
/// changed nothing that it was given, except where its own text says otherwise.
#[repr(i32)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PintleCode {
    /// Done.
    Ok = 0,
    /// The interlock says: wait. The holds say why.
    Hold = 1,
    /// The node has to be started again: end it, then reset the chip, or call pintle_node_init.
    Restart = 2,
    /// Send the answer, then start the application.
    Start = 3,
    /// The frame asks nothing of the loader.
    NotForLoader = 4,

    /// A pointer is null.
    Null = -1,
    /// A number or text is outside its range.
    Range = -2,
    /// Too many bytes, or too few.
    Length = -3,
    /// A pointer is not aligned.
    Align = -4,
    /// The memory is too small for a node.
    Memory = -5,
    /// The structure's size member is not that of this version: header and library differ.
    Version = -6,
    /// A callback is missing; the detail is its place in the structure, counted from 0.
    Callback = -7,
    /// The layout of flash cannot be used; the detail is the address or size that is wrong.
    Layout = -8,
    /// Not a running node or loader: not initialised, or ended.
    Ended = -9,
    /// A callback has called back into the node that called it.
    Busy = -10,
    /// Time went backwards.
    Clock = -11,
    /// No random bytes came, or all the same ones. Nothing was written with them. Start again.
    Random = -12,
    /// Flash failed; the detail is the address, if it is known. Start again.
    Flash = -13,
    /// The boot record could not be kept.
    Store = -14,
    /// A new board without a starter card.
    NoCard = -15,
    /// The starter card is not what it should be; the detail is the byte.
    BadCard = -16,
    /// No whole image; the detail is 1 for the net chip, 2 for the io chip.
    BadImage = -17,
    /// Power was lost (virtual boards only).
    Power = -18,
    /// The bytes are no frame.
    Frame = -19,
    /// A whole frame, but no message that is known.
    Message = -20,
    /// The envelope is refused; the refusal says why.
    Refused = -21,
    /// The trust anchors cannot be used.
    Anchors = -22,
    /// Flash holds no boot record: the board is new.
    NoRecord = -23,
    /// No image note, more than one, or a damaged one.
    Note = -24,
}

impl PintleCode {
    /// The code of a function that brings nothing else.
    pub(crate) fn of(result: Result<(), Self>) -> Self {
        match result {
            Ok(()) => Self::Ok,
            Err(code) => code,
        }
    }
}
