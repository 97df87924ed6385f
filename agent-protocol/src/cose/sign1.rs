//! COSE_Sign1 (RFC 9052 section 4.2): tag 18, protected header exactly `{1: -19}`, at most a key
//! identifier unprotected, payload inside or detached.
//!
//! ```text
//! 18([ h'a10132', {? 4: kid}, payload or null, 64 bytes of signature ])
//! ```

use super::{CoseFault, ED25519, key};
use crate::cbor::{Bounded, Expected, Limits, Reader, Sink, bytes_head, check};
use crate::id::PublicKey;
use ed25519_dalek::Signature;
use ed25519_dalek::ed25519::signature::MultipartSigner;

/// The protected header `{1: -19}`.
pub const PROTECTED: [u8; 3] = [0xa1, 0x01, 0x32];
/// Most bytes of payload and external data together that [`Sign1::verify`] takes.
pub const MAX_SIGNED: usize = 2048;
/// Longest key identifier that is written or read.
pub const MAX_KID: usize = 32;

/// Head of the Sig_structure: array of four, the text "Signature1".
const CONTEXT: [u8; 12] = *b"\x84\x6aSignature1";
/// Most bytes of an encoded SUIT_Digest.
const MAX_DIGEST: usize = 64;

/// The parts of a COSE_Sign1 with any algorithm. Nothing has been verified.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Layout<'b> {
    /// Content of the protected header's byte string.
    pub protected: &'b [u8],
    /// Byte offset of `protected` in the message.
    pub protected_at: usize,
    /// The key identifier, if there is one.
    pub kid: Option<&'b [u8]>,
    /// The payload, if it is inside.
    pub payload: Option<&'b [u8]>,
    /// Byte offset of the payload item in the message.
    pub payload_at: usize,
    /// The signature, of whatever length.
    pub signature: &'b [u8],
}

/// Reads the parts of a COSE_Sign1, whatever its algorithm. For readers of other profiles and for
/// tests; nodes and server use [`parse`].
///
/// # Errors
/// [`CoseFault`] unless it is one well-formed, tagged COSE_Sign1 with no unprotected header
/// parameter but a key identifier.
pub fn layout(bytes: &[u8]) -> Result<Layout<'_>, CoseFault> {
    check(bytes, Limits::COSE)?;
    let mut r = Reader::new(bytes);
    r.tag(18, "tag 18 (COSE_Sign1)")?;
    r.array_of(4, "an array of four")?;
    let protected = r.bytes("the protected header as a byte string")?;
    let protected_at = r.at() - protected.len();
    let mut kid = None;
    for _ in 0..r.map("the map of unprotected headers")? {
        let at = r.at();
        if !r.int("a header label").is_ok_and(|label| label == 4) {
            return Err(CoseFault::Header { at });
        }
        let at = r.at();
        let found = r.bytes("a key identifier as a byte string")?;
        if found.len() > MAX_KID {
            return Err(CoseFault::Structure {
                at,
                expected: Expected::new("a key identifier of at most 32 bytes"),
            });
        }
        kid = Some(found);
    }
    let payload_at = r.at();
    let payload = if r.null() { None } else { Some(r.bytes("the payload as a byte string, or null")?) };
    let signature = r.bytes("the signature as a byte string")?;
    Ok(Layout { protected, protected_at, kid, payload, payload_at, signature })
}

impl<'b> Layout<'b> {
    /// The algorithm that the protected header names.
    ///
    /// # Errors
    /// [`CoseFault::Structure`] if the protected header is no map, [`CoseFault::Algorithm`] if it
    /// names no algorithm by number.
    pub fn algorithm(&self) -> Result<i64, CoseFault> {
        let at = self.protected_at;
        let broken = CoseFault::Structure { at, expected: Expected::new("the protected header as a map") };
        check(self.protected, Limits::COSE).map_err(|_| broken)?;
        let mut r = Reader::new(self.protected);
        for _ in 0..r.map("").map_err(|_| broken)? {
            match r.int("") {
                Ok(1) => return r.int("").map_err(|_| CoseFault::Algorithm { at, found: None }),
                Ok(_) => {}
                Err(_) => r.skip().map_err(|_| broken)?,
            }
            r.skip().map_err(|_| broken)?;
        }
        Err(CoseFault::Algorithm { at, found: None })
    }
}

/// A COSE_Sign1 of our profile. Its signature has not been verified yet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sign1<'b> {
    kid: Option<&'b [u8]>,
    payload: Option<&'b [u8]>,
    payload_at: usize,
    signature: &'b [u8; 64],
}

/// Reads a COSE_Sign1 of our profile.
///
/// # Errors
/// [`CoseFault`] for anything but the one accepted form; nothing is verified yet.
pub fn parse(bytes: &[u8]) -> Result<Sign1<'_>, CoseFault> {
    let parts = layout(bytes)?;
    if parts.protected != PROTECTED {
        let at = parts.protected_at;
        return Err(match parts.algorithm()? {
            ED25519 => CoseFault::Structure {
                at,
                expected: Expected::new("a protected header with the algorithm alone"),
            },
            found => CoseFault::Algorithm { at, found: Some(found) },
        });
    }
    let signature = parts.signature.try_into().map_err(|_| CoseFault::Structure {
        at: bytes.len() - parts.signature.len(),
        expected: Expected::new("a signature of 64 bytes"),
    })?;
    Ok(Sign1 { kid: parts.kid, payload: parts.payload, payload_at: parts.payload_at, signature })
}

impl<'b> Sign1<'b> {
    /// The key identifier, if there is one. It is not protected: a hint which key to try.
    pub fn kid(&self) -> Option<&'b [u8]> {
        self.kid
    }

    /// The signature, not verified.
    pub const fn signature(&self) -> &'b [u8; 64] {
        self.signature
    }

    /// The payload as it came, not verified; `None` if it is detached. For finding out whose key
    /// to take (a check-in names its node); believe it only after [`Self::verify`].
    pub fn unverified_payload(&self) -> Option<&'b [u8]> {
        self.payload
    }

    /// Verifies the signature, strictly.
    ///
    /// `external_aad`: what the kind of message demands. `detached`: the payload if it is not
    /// inside the message; `None` if it is.
    ///
    /// # Errors
    /// [`CoseFault::Signature`] if it does not verify; [`CoseFault::PayloadAttached`] or
    /// [`CoseFault::PayloadMissing`] if the payload is not where it should be;
    /// [`CoseFault::TooLong`] above [`MAX_SIGNED`]; [`CoseFault::Key`] for a key that cannot be used.
    ///
    /// # Source
    /// RFC 9052 section 4.4 (what is signed); RFC 8032 section 5.1.7, with R and the key of small
    /// order or not canonical refused on top.
    pub fn verify(
        &self,
        key: &PublicKey,
        external_aad: &[u8],
        detached: Option<&[u8]>,
    ) -> Result<(), CoseFault> {
        self.verify_up_to(MAX_SIGNED, key, external_aad, detached)
    }

    /// [`Self::verify`] for the detached digest of a manifest, of at most [`MAX_DIGEST`] bytes.
    pub(crate) fn verify_digest(&self, key: &PublicKey, digest: &[u8]) -> Result<(), CoseFault> {
        self.verify_up_to(MAX_DIGEST, key, &[], Some(digest))
    }

    fn verify_up_to(
        &self,
        room: usize,
        key: &PublicKey,
        external_aad: &[u8],
        detached: Option<&[u8]>,
    ) -> Result<(), CoseFault> {
        let payload = match (self.payload, detached) {
            (Some(inside), None) => inside,
            (None, Some(outside)) => outside,
            (Some(_), Some(_)) => return Err(CoseFault::PayloadAttached { at: self.payload_at }),
            (None, None) => return Err(CoseFault::PayloadMissing),
        };
        let len = payload.len() + external_aad.len();
        if len > room {
            return Err(CoseFault::TooLong { len, room });
        }
        let key = key::verifying_key(key)?;
        // What is signed is hashed where it lies: no chip has the stack for another copy of it.
        let (aad_head, payload_head) = (bytes_head(external_aad.len()), bytes_head(payload.len()));
        let parts = sig_structure(&aad_head, external_aad, &payload_head, payload);
        if key::verifies(&key, &parts, self.signature) { Ok(()) } else { Err(CoseFault::Signature) }
    }
}

/// The bytes that are signed, in parts: ["Signature1", protected, external data, payload].
fn sig_structure<'a>(
    aad_head: &'a [u8],
    external_aad: &'a [u8],
    payload_head: &'a [u8],
    payload: &'a [u8],
) -> [&'a [u8]; 7] {
    [&CONTEXT, &[0x43], &PROTECTED, aad_head, external_aad, payload_head, payload]
}

/// Opens a message with its payload inside: parses, verifies, and only then gives the payload.
///
/// # Errors
/// As [`parse`] and [`Sign1::verify`].
pub fn open<'b>(bytes: &'b [u8], key: &PublicKey, external_aad: &[u8]) -> Result<&'b [u8], CoseFault> {
    let message = parse(bytes)?;
    message.verify(key, external_aad, None)?;
    message.payload.ok_or(CoseFault::PayloadMissing)
}

/// Writes a signed message with its payload inside; returns its length in `out`.
///
/// `kid`: the key identifier for the unprotected header, at most [`MAX_KID`] bytes.
///
/// # Errors
/// [`CoseFault::NoRoom`] if `out` is too small; [`CoseFault::Structure`] for a longer `kid`;
/// [`CoseFault::TooLong`] above [`MAX_SIGNED`], which no receiver would verify.
pub fn sign_attached(
    key: &impl MultipartSigner<Signature>,
    kid: Option<&[u8]>,
    payload: &[u8],
    external_aad: &[u8],
    out: &mut [u8],
) -> Result<usize, CoseFault> {
    sign(key, kid, payload, external_aad, true, out)
}

/// Writes a signed message without its payload; returns its length in `out`.
///
/// # Errors
/// As [`sign_attached`].
pub fn sign_detached(
    key: &impl MultipartSigner<Signature>,
    kid: Option<&[u8]>,
    payload: &[u8],
    external_aad: &[u8],
    out: &mut [u8],
) -> Result<usize, CoseFault> {
    sign(key, kid, payload, external_aad, false, out)
}

/// Puts a message without a key identifier together from its payload and a signature that somebody made of it;
/// returns its length in `out`. It is not verified.
///
/// # Errors
/// [`CoseFault::NoRoom`] if `out` is too small.
pub fn assemble(payload: &[u8], signature: &[u8; 64], out: &mut [u8]) -> Result<usize, CoseFault> {
    write(None, Some(payload), signature, out)
}

fn sign(
    key: &impl MultipartSigner<Signature>,
    kid: Option<&[u8]>,
    payload: &[u8],
    external_aad: &[u8],
    attached: bool,
    out: &mut [u8],
) -> Result<usize, CoseFault> {
    let len = payload.len() + external_aad.len();
    if len > MAX_SIGNED {
        return Err(CoseFault::TooLong { len, room: MAX_SIGNED });
    }
    if kid.is_some_and(|kid| kid.len() > MAX_KID) {
        return Err(CoseFault::Structure {
            at: 0,
            expected: Expected::new("a key identifier of at most 32 bytes"),
        });
    }
    let payload_head = bytes_head(payload.len());
    let signature = key
        .try_multipart_sign(&sig_structure(
            &bytes_head(external_aad.len()),
            external_aad,
            &payload_head,
            payload,
        ))
        .map_err(|_| CoseFault::Signature)?
        .to_bytes();
    write(kid, attached.then_some(payload), &signature, out)
}

fn write(
    kid: Option<&[u8]>,
    payload: Option<&[u8]>,
    signature: &[u8; 64],
    out: &mut [u8],
) -> Result<usize, CoseFault> {
    let kid_head = kid.map(|kid| bytes_head(kid.len()));
    let payload_head = payload.map(|payload| bytes_head(payload.len()));
    let parts: [&[u8]; 9] = [
        &[0xd2, 0x84, 0x43],
        &PROTECTED,
        if kid.is_some() { &[0xa1, 0x04] } else { &[0xa0] },
        kid_head.as_deref().unwrap_or_default(),
        kid.unwrap_or_default(),
        payload_head.as_deref().unwrap_or(&[0xf6]),
        payload.unwrap_or_default(),
        &[0x58, 0x40],
        signature,
    ];
    let (needed, room) = (parts.iter().map(|part| part.len()).sum(), out.len());
    if needed > room {
        return Err(CoseFault::NoRoom { needed, room });
    }
    let mut message = Bounded::new(out);
    parts.iter().for_each(|part| message.put(part));
    message.finish().map_err(|needed| CoseFault::NoRoom { needed, room })
}
