//! Reading checked CBOR step by step, with the byte offset of whatever is not as expected.
//!
//! Offsets can count from the start of something larger, of which the bytes are a part: an
//! envelope holds byte strings in byte strings, and a fault is easiest found by its place in the
//! whole.

use minicbor::data::Type;
use minicbor::{Decoder, decode};

/// A reader on bytes that have passed [`crate::cbor::check()`].
#[derive(Clone, Debug)]
pub(crate) struct Reader<'b> {
    decoder: Decoder<'b>,
    base: usize,
}

/// What was expected and not found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Unexpected {
    /// Byte offset.
    pub at: usize,
    /// What should stand there.
    pub expected: &'static str,
}

impl<'b> Reader<'b> {
    /// Reads from the start of `bytes`; offsets count from there.
    pub(crate) fn new(bytes: &'b [u8]) -> Self {
        Self::based(bytes, 0)
    }

    /// Reads from the start of `bytes`, which stand at `base` in something larger.
    pub(crate) fn based(bytes: &'b [u8], base: usize) -> Self {
        Self { decoder: Decoder::new(bytes), base }
    }

    /// Reads from the middle of `bytes`.
    pub(crate) fn from(bytes: &'b [u8], at: usize) -> Self {
        let mut decoder = Decoder::new(bytes);
        decoder.set_position(at);
        Self { decoder, base: 0 }
    }

    /// Byte offset of the next item.
    pub(crate) fn at(&self) -> usize {
        self.base + self.decoder.position()
    }

    fn take<T>(
        &mut self,
        expected: &'static str,
        read: impl FnOnce(&mut Decoder<'b>) -> Result<T, decode::Error>,
    ) -> Result<T, Unexpected> {
        let (at, position) = (self.at(), self.decoder.position());
        read(&mut self.decoder).map_err(|_| {
            self.decoder.set_position(position);
            Unexpected { at, expected }
        })
    }

    /// A tag with exactly this number.
    pub(crate) fn tag(&mut self, number: u64, expected: &'static str) -> Result<(), Unexpected> {
        let at = self.at();
        match self.take(expected, Decoder::tag)? {
            tag if tag.as_u64() == number => Ok(()),
            _ => Err(Unexpected { at, expected }),
        }
    }

    /// The number of items in an array.
    pub(crate) fn array(&mut self, expected: &'static str) -> Result<u64, Unexpected> {
        let at = self.at();
        self.take(expected, Decoder::array)?.ok_or(Unexpected { at, expected })
    }

    /// An array of exactly `len` items.
    pub(crate) fn array_of(&mut self, len: u64, expected: &'static str) -> Result<(), Unexpected> {
        let at = self.at();
        if self.array(expected)? == len { Ok(()) } else { Err(Unexpected { at, expected }) }
    }

    /// The number of entries in a map.
    pub(crate) fn map(&mut self, expected: &'static str) -> Result<u64, Unexpected> {
        let at = self.at();
        self.take(expected, Decoder::map)?.ok_or(Unexpected { at, expected })
    }

    /// A byte string.
    pub(crate) fn bytes(&mut self, expected: &'static str) -> Result<&'b [u8], Unexpected> {
        self.take(expected, Decoder::bytes)
    }

    /// A byte string of exactly `N` bytes.
    pub(crate) fn bytes_of<const N: usize>(
        &mut self,
        expected: &'static str,
    ) -> Result<&'b [u8; N], Unexpected> {
        let at = self.at();
        self.bytes(expected)?.try_into().map_err(|_| Unexpected { at, expected })
    }

    /// A text.
    pub(crate) fn text(&mut self, expected: &'static str) -> Result<&'b str, Unexpected> {
        self.take(expected, Decoder::str)
    }

    /// An integer that fits into 64 bits with sign.
    pub(crate) fn int(&mut self, expected: &'static str) -> Result<i64, Unexpected> {
        self.take(expected, Decoder::i64)
    }

    /// An unsigned integer.
    pub(crate) fn uint(&mut self, expected: &'static str) -> Result<u64, Unexpected> {
        self.take(expected, Decoder::u64)
    }

    /// Reads null if it stands there, and says whether it did.
    pub(crate) fn null(&mut self) -> bool {
        self.decoder.datatype().is_ok_and(|t| t == Type::Null) && self.decoder.null().is_ok()
    }

    /// Reads true if it stands there, and says whether it did.
    pub(crate) fn truth(&mut self) -> bool {
        let position = self.decoder.position();
        if self.decoder.bool().is_ok_and(|b| b) {
            return true;
        }
        self.decoder.set_position(position);
        false
    }

    /// Whether the next item is a text.
    pub(crate) fn is_text(&self) -> bool {
        self.decoder.datatype().is_ok_and(|t| t == Type::String)
    }

    /// Whether the next item is an array.
    pub(crate) fn is_array(&self) -> bool {
        self.decoder.datatype().is_ok_and(|t| t == Type::Array)
    }

    /// The next item, whole and unread.
    pub(crate) fn item(&mut self) -> Result<&'b [u8], Unexpected> {
        let start = self.decoder.position();
        let missing = Unexpected { at: self.at(), expected: "an item" };
        let end = super::item_end(self.decoder.input(), start).map_err(|_| missing)?;
        self.decoder.set_position(end);
        self.decoder.input().get(start..end).ok_or(missing)
    }

    /// Steps over one item.
    pub(crate) fn skip(&mut self) -> Result<(), Unexpected> {
        self.item().map(drop)
    }
}
