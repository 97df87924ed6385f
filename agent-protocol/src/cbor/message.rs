//! Reading and writing whole messages.

use super::{Bounded, CborFault, CborKind, Item, Limits, Reader, Shape, Writer, check, read_fields};
use core::fmt;

/// Why bytes are no message of the expected kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MessageFault {
    /// Not the one accepted form of CBOR.
    Cbor(CborFault),
    /// A field is missing, or has the wrong type or an impossible value.
    Field {
        /// Byte offset of the field, or of the end of what should hold it.
        at: usize,
    },
}

impl MessageFault {
    /// Byte offset of what is wrong.
    pub const fn at(&self) -> usize {
        match self {
            Self::Cbor(fault) => fault.at,
            Self::Field { at } => *at,
        }
    }
}

impl From<CborFault> for MessageFault {
    fn from(fault: CborFault) -> Self {
        Self::Cbor(fault)
    }
}

impl fmt::Display for MessageFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Cbor(fault) => fault.fmt(f),
            Self::Field { at } => write!(f, "at byte {at}: a field is missing or has an impossible value"),
        }
    }
}

impl core::error::Error for MessageFault {}

/// Reads a whole message (claim, check-in, reply, bundle, ...).
///
/// # Errors
/// [`MessageFault::Cbor`] unless `bytes` pass [`check()`]; [`MessageFault::Field`] unless they are
/// a message of this kind and nothing else.
pub fn decode_message<T: Item>(bytes: &[u8]) -> Result<T, MessageFault> {
    let mut message = T::blank();
    decode_into(&mut message, bytes)?;
    Ok(message)
}

/// [`decode_message`] over a value that is there, so that a large one needs no second place. After
/// an error that value means nothing.
///
/// # Errors
/// As [`decode_message`].
#[inline(never)]
pub fn decode_into(message: &mut dyn Item, bytes: &[u8]) -> Result<(), MessageFault> {
    check(bytes, Limits::default())?;
    let mut reader = Reader::new(bytes);
    message.read(&mut reader).map_err(|unexpected| MessageFault::Field { at: unexpected.at })?;
    // `check` has seen that there is one item, so that nothing can be left.
    match reader.at() {
        at if at == bytes.len() => Ok(()),
        at => Err(CborFault { at, kind: CborKind::Trailing }.into()),
    }
}

/// Reads some fields of a message that is a map, as [`decode_into`] reads all of them.
pub(crate) fn decode_fields(fields: &mut [&mut dyn Item], bytes: &[u8]) -> Result<(), MessageFault> {
    check(bytes, Limits::default())?;
    read_fields(&mut Reader::new(bytes), Shape::Map, fields)
        .map_err(|unexpected| MessageFault::Field { at: unexpected.at })
}

/// Writes a whole message into `out` and returns its length; `None` if it does not fit.
#[inline(never)]
pub fn encode_message(message: &dyn Item, out: &mut [u8]) -> Option<usize> {
    let mut writer = Writer(Bounded::new(out));
    message.write(&mut writer);
    writer.0.finish().ok()
}
