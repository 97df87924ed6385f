//! Reading checked CBOR step by step, with the byte offset of whatever is not as expected.

use minicbor::data::Type;
use minicbor::{Decoder, decode};

/// A reader on bytes that have passed [`crate::cbor::check`].
pub(crate) struct Reader<'b> {
    decoder: Decoder<'b>,
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
    pub(crate) fn new(bytes: &'b [u8]) -> Self {
        Self { decoder: Decoder::new(bytes) }
    }

    /// Byte offset of the next item.
    pub(crate) fn at(&self) -> usize {
        self.decoder.position()
    }

    /// Whether everything has been read.
    pub(crate) fn is_done(&self) -> bool {
        self.at() >= self.decoder.input().len()
    }

    fn take<T>(
        &mut self,
        expected: &'static str,
        read: impl FnOnce(&mut Decoder<'b>) -> Result<T, decode::Error>,
    ) -> Result<T, Unexpected> {
        let at = self.at();
        read(&mut self.decoder).map_err(|_| {
            self.decoder.set_position(at);
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
        let at = self.at();
        if self.decoder.bool().is_ok_and(|b| b) {
            return true;
        }
        self.decoder.set_position(at);
        false
    }

    /// Whether the next item is a byte string.
    pub(crate) fn is_bytes(&self) -> bool {
        self.decoder.datatype().is_ok_and(|t| t == Type::Bytes)
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
        let at = self.at();
        let missing = Unexpected { at, expected: "an item" };
        let end = crate::cbor::item_end(self.decoder.input(), at).map_err(|_| missing)?;
        self.decoder.set_position(end);
        self.decoder.input().get(at..end).ok_or(missing)
    }

    /// Steps over one item.
    pub(crate) fn skip(&mut self) -> Result<(), Unexpected> {
        self.item().map(drop)
    }
}

macro_rules! from_unexpected {
    ($($fault:ty),*) => {$(
        impl From<Unexpected> for $fault {
            fn from(Unexpected { at, expected }: Unexpected) -> Self {
                Self::Structure { at, expected }
            }
        }
    )*};
}
from_unexpected!(super::CoseFault, super::SealFault);
