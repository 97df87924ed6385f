//! The outer layers of an envelope: byte strings in byte strings, each with its place.

use super::codes::{MANIFEST, Section, TEXT, WRAPPER};
use super::refusal::Refusal;
use crate::cbor::{Expected, Limits, Reader, bytes_head, check};
use crate::cose::SHA_256;
use crate::id::Digest;
use sha2::Digest as _;

/// Largest manifest, and largest severable command sequence, in bytes.
pub const MAX_MANIFEST: usize = 4096;
/// Most authentication blocks that are looked at.
pub const MAX_BLOCKS: u64 = 4;

/// Bytes, and where they stand in the envelope.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Piece<'b> {
    pub bytes: &'b [u8],
    pub at: usize,
}

impl<'b> Piece<'b> {
    /// Reads a byte string.
    pub(super) fn read(r: &mut Reader<'b>, expected: &'static str) -> Result<Self, Refusal> {
        let bytes = r.bytes(expected)?;
        Ok(Self { bytes, at: r.at() - bytes.len() })
    }

    /// Checks that the content is one item of deterministic CBOR, and gives a reader on it.
    pub(super) fn reader(self) -> Result<Reader<'b>, Refusal> {
        check(self.bytes, Limits::default())
            .map_err(|fault| Refusal::Cbor { at: self.at + fault.at, kind: fault.kind })?;
        Ok(Reader::based(self.bytes, self.at))
    }

    /// SHA-256 over the encoded byte string, head included, as SUIT hashes manifest and severable
    /// members (draft-ietf-suit-manifest-37 sections 8.3 and 8.4.12).
    pub(super) fn digest(self) -> Digest {
        let hash = sha2::Sha256::new().chain_update(bytes_head(self.bytes.len())).chain_update(self.bytes);
        Digest(hash.finalize().into())
    }

    pub(super) fn not_larger_than(self, room: usize) -> Result<Self, Refusal> {
        match self.bytes.len() {
            size if size <= room => Ok(self),
            size => Err(Refusal::TooLarge { at: self.at, size, room }),
        }
    }
}

/// Reads a SUIT_Digest.
pub(super) fn suit_digest(r: &mut Reader<'_>) -> Result<Digest, Refusal> {
    r.array_of(2, "a SUIT_Digest as an array of two")?;
    let at = r.at();
    match r.int("a digest algorithm")? {
        SHA_256 => Ok(Digest(*r.bytes_of("a digest of 32 bytes")?)),
        found => Err(Refusal::DigestAlgorithm { at, found }),
    }
}

/// The members of an envelope, unread.
#[derive(Clone, Copy, Debug)]
pub(super) struct Outer<'b> {
    /// The whole envelope.
    pub envelope: &'b [u8],
    /// The authentication wrapper.
    pub wrapper: Piece<'b>,
    /// The manifest.
    pub manifest: Piece<'b>,
    /// The severable members: payload-fetch, install, text.
    pub severable: [Option<Piece<'b>>; 3],
    /// Where the integrated payloads start, and how many there are.
    integrated: (usize, u64),
}

/// Keys of [`Outer::severable`], in order.
pub(super) const SEVERABLE: [u8; 3] = [Section::PayloadFetch.number(), Section::Install.number(), TEXT as u8];

impl<'b> Outer<'b> {
    /// Takes the outer map apart.
    pub(super) fn read(envelope: &'b [u8]) -> Result<Self, Refusal> {
        let mut r = Piece { bytes: envelope, at: 0 }.reader()?;
        r.tag(107, "tag 107 (SUIT_Envelope)")?;
        let mut left = r.map("the envelope as a map")?;
        // The keys are sorted, or the check would have refused them: 2, 3, numbers, texts.
        let mut wrapper = None;
        let mut manifest = None;
        let mut severable = [None; 3];
        while left > 0 && !r.is_text() {
            let at = r.at();
            let key = r.int("a member of the envelope").map_err(|_| Refusal::Member { at, key: None })?;
            let value = Piece::read(&mut r, "a byte string")?;
            match key {
                WRAPPER => wrapper = Some(value.not_larger_than(MAX_MANIFEST)?),
                MANIFEST => manifest = Some(value.not_larger_than(MAX_MANIFEST)?),
                _ => match SEVERABLE.iter().zip(&mut severable).find(|(k, _)| i64::from(**k) == key) {
                    Some((k, slot)) if i64::from(*k) == TEXT => *slot = Some(value),
                    Some((_, slot)) => *slot = Some(value.not_larger_than(MAX_MANIFEST)?),
                    None => return Err(Refusal::Member { at, key: Some(key) }),
                },
            }
            left -= 1;
        }
        let integrated = (r.at(), left);
        for _ in 0..left {
            r.text("the name of an integrated payload")?;
            r.bytes("an integrated payload as a byte string")?;
        }
        let missing = |expected| Refusal::Structure { at: 0, expected: Expected::new(expected) };
        let wrapper = wrapper.ok_or(missing("an authentication wrapper (member 2)"))?;
        let manifest = manifest.ok_or(missing("a manifest (member 3)"))?;
        Ok(Self { envelope, wrapper, manifest, severable, integrated })
    }

    /// The integrated payload of this name, `#` included.
    pub(super) fn integrated(&self, name: &str) -> Option<&'b [u8]> {
        let (at, count) = self.integrated;
        let mut r = Reader::from(self.envelope, at);
        for _ in 0..count {
            let found = r.text("").ok()?;
            let payload = r.bytes("").ok()?;
            if found == name {
                return Some(payload);
            }
        }
        None
    }

    /// Takes the authentication wrapper apart: the bytes that are signed, the digest in them, and
    /// a reader on the blocks with their number.
    pub(super) fn wrapper(&self) -> Result<(Piece<'b>, Digest, Reader<'b>, u64), Refusal> {
        let mut r = self.wrapper.reader()?;
        let at = r.at();
        let count = r.array("the authentication wrapper as an array")?;
        let signed = Piece::read(&mut r, "the digest as a byte string")?;
        let digest = suit_digest(&mut signed.reader()?)?;
        match count {
            0 | 1 => Err(Refusal::Unsigned { at }),
            _ if count - 1 > MAX_BLOCKS => {
                Err(Refusal::Structure { at, expected: Expected::new("at most four authentication blocks") })
            }
            _ => Ok((signed, digest, r, count - 1)),
        }
    }
}
