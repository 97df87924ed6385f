//! Reading and writing whole messages.

use super::{CborFault, CborKind, Limits, check};
use core::fmt;
use minicbor::encode::write::Cursor;
use minicbor::{Decode, Decoder, Encode};

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

/// Reads a whole message (claim, check-in, reply, bundle, ...) by its derived `Decode`.
///
/// # Errors
/// [`MessageFault::Cbor`] unless `bytes` pass [`check()`]; [`MessageFault::Field`] unless they are
/// a message of this kind and nothing else.
#[inline(never)]
pub fn decode_message<'b, T: Decode<'b, ()>>(bytes: &'b [u8]) -> Result<T, MessageFault> {
    check(bytes, Limits::default())?;
    let mut decoder = Decoder::new(bytes);
    let message = match decoder.decode() {
        Ok(message) => message,
        Err(error) => {
            return Err(MessageFault::Field { at: error.position().unwrap_or_else(|| decoder.position()) });
        }
    };
    // A derived `Decode` that stops early would leave a rest that `check` has seen as part of the item.
    match decoder.position() {
        at if at == bytes.len() => Ok(message),
        at => Err(CborFault { at, kind: CborKind::Trailing }.into()),
    }
}

/// Writes a whole message into `out` and returns its length; `None` if it does not fit.
pub fn encode_message<T: Encode<()>>(message: &T, out: &mut [u8]) -> Option<usize> {
    let mut cursor = Cursor::new(out);
    minicbor::encode(message, &mut cursor).ok()?;
    Some(cursor.position())
}
