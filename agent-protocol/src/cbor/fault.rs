//! What can be wrong with bytes that should be CBOR.

use core::fmt;

/// The first thing wrong, and where.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct CborFault {
    /// Byte offset of the item that is wrong or claims more than is left; the length of the input
    /// if it ends inside a head.
    pub at: usize,
    /// What is wrong.
    pub kind: CborKind,
}

/// What is wrong with an item.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum CborKind {
    /// The input ends inside an item, or an item claims more than is left.
    Truncated,
    /// More bytes follow after the item.
    Trailing,
    /// A reserved form of head (additional information 28 to 30, or 31 where it has no meaning).
    Reserved,
    /// Indefinite length, or a break.
    Indefinite,
    /// A number or length in more bytes than it needs.
    NotShortest,
    /// A map key that should stand before the one in front of it.
    KeyOrder,
    /// A map key that occurs twice.
    DuplicateKey,
    /// A text that is not UTF-8.
    Utf8,
    /// A floating-point number.
    Float,
    /// A simple value other than false, true and null.
    Simple,
    /// A tag other than 18, 96 and 107.
    Tag,
    /// Nested deeper than allowed.
    Depth,
    /// An unordered map with more than [`super::MAX_UNORDERED`] entries.
    TooManyKeys,
}

impl CborKind {
    /// The words for people.
    pub const fn sentence(self) -> &'static str {
        match self {
            Self::Truncated => "the data ends too early",
            Self::Trailing => "more bytes follow than belong to it",
            Self::Reserved => "a reserved form of CBOR head",
            Self::Indefinite => "an indefinite length; definite lengths are required",
            Self::NotShortest => "a number or length in more bytes than it needs",
            Self::KeyOrder => "map keys out of order",
            Self::DuplicateKey => "a map key that occurs twice",
            Self::Utf8 => "text that is not UTF-8",
            Self::Float => "a floating-point number; none is expected",
            Self::Simple => "a simple value other than false, true and null",
            Self::Tag => "a tag that is not expected",
            Self::Depth => "nested too deeply",
            Self::TooManyKeys => "too many entries in a header map",
        }
    }
}

impl fmt::Display for CborKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.sentence())
    }
}

impl fmt::Display for CborFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "at byte {}: {}", self.at, self.kind)
    }
}

impl core::error::Error for CborFault {}
