//! Writing deterministic CBOR by hand, where no derived message fits.

use super::head;
use crate::copy::copy;

/// Where written bytes go.
pub trait Sink {
    /// Takes the next bytes.
    fn put(&mut self, bytes: &[u8]);
}

#[cfg(any(test, feature = "std"))]
impl Sink for std::vec::Vec<u8> {
    fn put(&mut self, bytes: &[u8]) {
        self.extend_from_slice(bytes);
    }
}

/// A buffer of fixed size that counts on when it is full, so that one check at the end is enough.
pub struct Bounded<'a> {
    out: &'a mut [u8],
    len: usize,
}

impl<'a> Bounded<'a> {
    pub(crate) fn new(out: &'a mut [u8]) -> Self {
        Self { out, len: 0 }
    }

    /// Bytes written, if all fitted.
    ///
    /// # Errors
    /// The bytes needed, if they are more than there are.
    pub(crate) fn finish(self) -> Result<usize, usize> {
        if self.len <= self.out.len() { Ok(self.len) } else { Err(self.len) }
    }
}

impl Sink for Bounded<'_> {
    fn put(&mut self, bytes: &[u8]) {
        let end = self.len.saturating_add(bytes.len());
        if let Some(to) = self.out.get_mut(self.len..end) {
            copy(bytes, to);
        }
        self.len = end;
    }
}

/// Writes items in their shortest form. Map keys must be given in order by the caller.
pub struct Writer<S>(pub(crate) S);

impl<S: Sink> Writer<S> {
    fn head(&mut self, major: u8, value: u64) -> &mut Self {
        self.0.put(&head(major, value));
        self
    }

    pub(crate) fn uint(&mut self, value: u64) -> &mut Self {
        self.head(0, value)
    }

    pub(crate) fn int(&mut self, value: i64) -> &mut Self {
        // For negative numbers CBOR holds -1 - n, which is the complement.
        if value < 0 { self.head(1, !value as u64) } else { self.head(0, value as u64) }
    }

    pub(crate) fn bytes(&mut self, bytes: &[u8]) -> &mut Self {
        self.head(2, bytes.len() as u64);
        self.raw(bytes)
    }

    pub(crate) fn text(&mut self, text: &str) -> &mut Self {
        self.head(3, text.len() as u64);
        self.raw(text.as_bytes())
    }

    pub(crate) fn array(&mut self, len: usize) -> &mut Self {
        self.head(4, len as u64)
    }

    pub(crate) fn map(&mut self, len: usize) -> &mut Self {
        self.head(5, len as u64)
    }

    #[cfg(any(test, feature = "author"))]
    pub(crate) fn tag(&mut self, number: u64) -> &mut Self {
        self.head(6, number)
    }

    pub(crate) fn truth(&mut self) -> &mut Self {
        self.bool(true)
    }

    pub(crate) fn bool(&mut self, value: bool) -> &mut Self {
        self.raw(&[0xf4 | u8::from(value)])
    }

    pub(crate) fn null(&mut self) -> &mut Self {
        self.raw(&[0xf6])
    }

    /// Bytes that already are CBOR.
    pub(crate) fn raw(&mut self, bytes: &[u8]) -> &mut Self {
        self.0.put(bytes);
        self
    }
}
