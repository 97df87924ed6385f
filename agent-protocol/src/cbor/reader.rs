//! Reading checked CBOR step by step, with the byte offset of whatever is not as expected.
//!
//! Offsets can count from the start of something larger, of which the bytes are a part: an
//! envelope holds byte strings in byte strings, and a fault is easiest found by its place in the
//! whole.

use super::check::{Head, item_end};
use super::expected::Expected;
use crate::copy::copy;

/// A reader on bytes that have passed [`crate::cbor::check()`]. On others it may read nonsense, but
/// ends and stays inside them.
#[derive(Clone, Debug)]
pub struct Reader<'b> {
    bytes: &'b [u8],
    pos: usize,
    base: usize,
}

/// What was expected and not found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unexpected {
    /// Byte offset.
    pub at: usize,
    /// What should stand there.
    pub expected: Expected,
}

/// The major types of RFC 8949 section 3.1 that are told apart here.
const UNSIGNED: u8 = 0;
const NEGATIVE: u8 = 1;
const BYTES: u8 = 2;
const TEXT: u8 = 3;
const ARRAY: u8 = 4;
const MAP: u8 = 5;
const TAG: u8 = 6;

const FALSE: u8 = 0xf4;
const TRUE: u8 = 0xf5;
const NULL: u8 = 0xf6;

impl<'b> Reader<'b> {
    /// Reads from the start of `bytes`; offsets count from there.
    pub(crate) fn new(bytes: &'b [u8]) -> Self {
        Self::based(bytes, 0)
    }

    /// Reads from the start of `bytes`, which stand at `base` in something larger.
    pub(crate) fn based(bytes: &'b [u8], base: usize) -> Self {
        Self { bytes, pos: 0, base }
    }

    /// Reads from the middle of `bytes`.
    pub(crate) fn from(bytes: &'b [u8], at: usize) -> Self {
        Self { bytes, pos: at, base: 0 }
    }

    /// Byte offset of the next item.
    pub(crate) fn at(&self) -> usize {
        self.base + self.pos
    }

    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.pos).copied()
    }

    /// Whether the next item has this major type.
    fn is(&self, major: u8) -> bool {
        self.peek().is_some_and(|first| first >> 5 == major)
    }

    fn missing<T>(&self, expected: &'static str) -> Result<T, Unexpected> {
        Err(Unexpected { at: self.at(), expected: Expected::new(expected) })
    }

    /// The value in the head of an item of this major type; steps over the head.
    #[inline(never)]
    fn head(&mut self, major: u8, expected: &'static str) -> Result<u64, Unexpected> {
        match Head::read(self.bytes, self.pos) {
            Ok(head) if head.major == major => {
                self.pos += head.len;
                Ok(head.value)
            }
            Ok(_) | Err(_) => self.missing(expected),
        }
    }

    /// A string of this major type.
    #[inline(never)]
    fn string(&mut self, major: u8, expected: &'static str) -> Result<&'b [u8], Unexpected> {
        let start = self.pos;
        let len = self.head(major, expected)?;
        let end = usize::try_from(len).ok().and_then(|len| self.pos.checked_add(len));
        match end.and_then(|end| Some((end, self.bytes.get(self.pos..end)?))) {
            Some((end, content)) => {
                self.pos = end;
                Ok(content)
            }
            None => {
                self.pos = start;
                self.missing(expected)
            }
        }
    }

    /// A tag with exactly this number.
    pub(crate) fn tag(&mut self, number: u64, expected: &'static str) -> Result<(), Unexpected> {
        let at = self.at();
        if self.head(TAG, expected)? == number {
            Ok(())
        } else {
            Err(Unexpected { at, expected: Expected::new(expected) })
        }
    }

    /// The number of items in an array.
    pub(crate) fn array(&mut self, expected: &'static str) -> Result<u64, Unexpected> {
        self.head(ARRAY, expected)
    }

    /// An array of exactly `len` items.
    pub(crate) fn array_of(&mut self, len: u64, expected: &'static str) -> Result<(), Unexpected> {
        let at = self.at();
        if self.array(expected)? == len {
            Ok(())
        } else {
            Err(Unexpected { at, expected: Expected::new(expected) })
        }
    }

    /// The number of entries in a map.
    pub(crate) fn map(&mut self, expected: &'static str) -> Result<u64, Unexpected> {
        self.head(MAP, expected)
    }

    /// A byte string.
    pub(crate) fn bytes(&mut self, expected: &'static str) -> Result<&'b [u8], Unexpected> {
        self.string(BYTES, expected)
    }

    /// A byte string of exactly `N` bytes.
    pub(crate) fn bytes_of<const N: usize>(
        &mut self,
        expected: &'static str,
    ) -> Result<&'b [u8; N], Unexpected> {
        let at = self.at();
        self.bytes(expected)?.try_into().map_err(|_| Unexpected { at, expected: Expected::new(expected) })
    }

    /// A byte string of exactly as many bytes as there is room for.
    pub(crate) fn fill(&mut self, into: &mut [u8]) -> Result<(), Unexpected> {
        let (at, expected) = (self.at(), "a byte string of its length");
        match self.bytes(expected)? {
            found if found.len() == into.len() => {
                copy(found, into);
                Ok(())
            }
            _ => Err(Unexpected { at, expected: Expected::new(expected) }),
        }
    }

    /// A text.
    pub(crate) fn text(&mut self, expected: &'static str) -> Result<&'b str, Unexpected> {
        let start = self.pos;
        let bytes = self.string(TEXT, expected)?;
        core::str::from_utf8(bytes).or_else(|_| {
            self.pos = start;
            self.missing(expected)
        })
    }

    /// An integer that fits into 64 bits with sign.
    pub(crate) fn int(&mut self, expected: &'static str) -> Result<i64, Unexpected> {
        let at = self.at();
        let negative = self.is(NEGATIVE);
        let start = self.pos;
        let value = self.head(if negative { NEGATIVE } else { UNSIGNED }, expected)?;
        match i64::try_from(value) {
            // CBOR holds -1 - n, which is the complement.
            Ok(value) => Ok(if negative { !value } else { value }),
            Err(_) => {
                self.pos = start;
                Err(Unexpected { at, expected: Expected::new(expected) })
            }
        }
    }

    /// An unsigned integer.
    pub(crate) fn uint(&mut self, expected: &'static str) -> Result<u64, Unexpected> {
        self.head(UNSIGNED, expected)
    }

    /// One of `all`, by its number.
    pub(crate) fn choice<T: Copy>(&mut self, all: &[T]) -> Result<T, Unexpected> {
        let (at, expected) = (self.at(), "a number that has a meaning");
        let number = usize::try_from(self.uint(expected)?).ok();
        number.and_then(|n| all.get(n)).copied().ok_or(Unexpected { at, expected: Expected::new(expected) })
    }

    /// True or false.
    pub(crate) fn bool(&mut self, expected: &'static str) -> Result<bool, Unexpected> {
        match self.peek() {
            Some(found @ (FALSE | TRUE)) => {
                self.pos += 1;
                Ok(found == TRUE)
            }
            _ => self.missing(expected),
        }
    }

    /// Reads null if it stands there, and says whether it did.
    pub(crate) fn null(&mut self) -> bool {
        self.step_over(NULL)
    }

    /// Reads true if it stands there, and says whether it did.
    pub(crate) fn truth(&mut self) -> bool {
        self.step_over(TRUE)
    }

    fn step_over(&mut self, simple: u8) -> bool {
        let there = self.peek() == Some(simple);
        self.pos += usize::from(there);
        there
    }

    /// Whether the next item is a text.
    pub(crate) fn is_text(&self) -> bool {
        self.is(TEXT)
    }

    /// Whether the next item is an array.
    pub(crate) fn is_array(&self) -> bool {
        self.is(ARRAY)
    }

    /// The next item, whole and unread.
    pub(crate) fn item(&mut self) -> Result<&'b [u8], Unexpected> {
        let found = item_end(self.bytes, self.pos).ok();
        match found.and_then(|end| Some((end, self.bytes.get(self.pos..end)?))) {
            Some((end, item)) => {
                self.pos = end;
                Ok(item)
            }
            None => self.missing("an item"),
        }
    }

    /// Steps over one item.
    pub(crate) fn skip(&mut self) -> Result<(), Unexpected> {
        self.item().map(drop)
    }
}
