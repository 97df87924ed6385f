//! Why a COSE message is refused.

use super::KeyFault;
use crate::cbor::{CborFault, Expected, Unexpected};
use core::fmt;

/// Why a COSE_Sign1 is refused. Offsets count from the start of the message.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum CoseFault {
    /// Not the one accepted form of CBOR.
    Cbor(CborFault),
    /// Not built like a COSE_Sign1.
    Structure {
        /// Byte offset.
        at: usize,
        /// What should stand there.
        expected: Expected,
    },
    /// Signed with another algorithm than Ed25519 (-19).
    Algorithm {
        /// Byte offset of the protected header.
        at: usize,
        /// The algorithm named; `None` if it is not named by a number.
        found: Option<i64>,
    },
    /// A header parameter that is not understood.
    Header {
        /// Byte offset of its label.
        at: usize,
    },
    /// The payload is inside, but should be known from elsewhere.
    PayloadAttached {
        /// Byte offset of the payload.
        at: usize,
    },
    /// The payload should be inside.
    PayloadMissing,
    /// The key cannot be used.
    Key(KeyFault),
    /// The signature does not verify.
    Signature,
    /// A message longer than can be verified here.
    TooLong {
        /// Bytes of payload and external data.
        len: usize,
        /// Bytes that can be taken.
        room: usize,
    },
    /// The buffer is too small for what should be written.
    NoRoom {
        /// Bytes needed.
        needed: usize,
        /// Bytes there are.
        room: usize,
    },
}

impl From<CborFault> for CoseFault {
    fn from(fault: CborFault) -> Self {
        Self::Cbor(fault)
    }
}

impl From<KeyFault> for CoseFault {
    fn from(fault: KeyFault) -> Self {
        Self::Key(fault)
    }
}

impl CoseFault {
    /// Byte offset of what is wrong, 0 where the message as a whole is.
    pub const fn at(&self) -> usize {
        match self {
            Self::Cbor(fault) => fault.at,
            Self::Structure { at, .. }
            | Self::Algorithm { at, .. }
            | Self::Header { at }
            | Self::PayloadAttached { at } => *at,
            Self::PayloadMissing
            | Self::Key(_)
            | Self::Signature
            | Self::TooLong { .. }
            | Self::NoRoom { .. } => 0,
        }
    }
}

impl fmt::Display for CoseFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Cbor(fault) => fault.fmt(f),
            Self::Structure { at, expected } => write!(f, "at byte {at}: {expected} was expected"),
            Self::Algorithm { at, found: Some(found) } => {
                write!(f, "at byte {at}: signature algorithm {found}; only Ed25519 (-19) is accepted")
            }
            Self::Algorithm { at, found: None } => {
                write!(
                    f,
                    "at byte {at}: no signature algorithm; Ed25519 (-19) is expected in the protected header"
                )
            }
            Self::Header { at } => write!(f, "at byte {at}: a header parameter that is not understood"),
            Self::PayloadAttached { at } => {
                write!(f, "at byte {at}: the payload is inside the message, it should not be")
            }
            Self::PayloadMissing => f.write_str("the payload is missing from the message"),
            Self::Key(fault) => fault.fmt(f),
            Self::Signature => f.write_str("the signature does not verify with this key"),
            Self::TooLong { len, room } => {
                write!(f, "the signed content has {len} bytes, at most {room} can be verified")
            }
            Self::NoRoom { needed, room } => {
                write!(f, "the message needs {needed} bytes, the buffer holds {room}")
            }
        }
    }
}

impl core::error::Error for CoseFault {}

/// Why a sealed payload cannot be opened. Offsets count from the start of the encryption info.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum SealFault {
    /// Not the one accepted form of CBOR.
    Cbor(CborFault),
    /// Not built like a COSE_Encrypt for one recipient with a detached payload.
    Structure {
        /// Byte offset.
        at: usize,
        /// What should stand there.
        expected: Expected,
    },
    /// Another algorithm than the profile's.
    Algorithm {
        /// Byte offset of the protected header.
        at: usize,
        /// The algorithm named; `None` if it is not named by a number.
        found: Option<i64>,
    },
    /// A header parameter that is not understood.
    Header {
        /// Byte offset of its label.
        at: usize,
    },
    /// Not exactly one recipient.
    Recipients {
        /// Byte offset of the list.
        at: usize,
        /// How many there are.
        count: u64,
    },
    /// The key agreement gives a secret that everybody knows (a peer key of low order).
    Agreement,
    /// The content key does not unwrap: sealed to another key, or damaged.
    Unwrap,
    /// The ciphertext is shorter than its tag.
    TooShort {
        /// Bytes there are.
        len: usize,
    },
    /// The tag does not verify: damaged, or sealed with another content key.
    Tag,
}

impl From<CborFault> for SealFault {
    fn from(fault: CborFault) -> Self {
        Self::Cbor(fault)
    }
}

impl fmt::Display for SealFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Cbor(fault) => fault.fmt(f),
            Self::Structure { at, expected } => write!(f, "at byte {at}: {expected} was expected"),
            Self::Algorithm { at, found: Some(found) } => {
                write!(f, "at byte {at}: encryption algorithm {found} is not the profile's")
            }
            Self::Algorithm { at, found: None } => {
                write!(f, "at byte {at}: no encryption algorithm is named")
            }
            Self::Header { at } => write!(f, "at byte {at}: a header parameter that is not understood"),
            Self::Recipients { at, count } => {
                write!(f, "at byte {at}: {count} recipients; exactly one is expected")
            }
            Self::Agreement => f.write_str("the ephemeral key is a known weak one"),
            Self::Unwrap => f.write_str("it is not sealed to this key, or damaged"),
            Self::TooShort { len } => {
                write!(f, "the sealed content has {len} bytes, at least 16 are expected")
            }
            Self::Tag => f.write_str("the sealed content is damaged"),
        }
    }
}

impl core::error::Error for SealFault {}

macro_rules! from_unexpected {
    ($($fault:ty),*) => {$(
        impl From<Unexpected> for $fault {
            fn from(Unexpected { at, expected }: Unexpected) -> Self {
                Self::Structure { at, expected }
            }
        }
    )*};
}
from_unexpected!(CoseFault, SealFault);
