//! Reading a SUIT_Encryption_Info.

use crate::cbor::{Expected, Limits, Reader, check};
use crate::cose::{CHACHA20_POLY1305, SealFault};

/// The content layer's protected header: `{1: 24}`.
pub(super) const CONTENT_PROTECTED: [u8; 4] = [0xa1, 0x01, 0x18, 0x18];
const NONCE_LABEL: i64 = 5;

/// A SUIT_Encryption_Info, read but not used yet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Info<'b> {
    /// Nonce of the content layer.
    pub nonce: &'b [u8; 12],
    /// The one recipient.
    pub recipient: Recipient<'b>,
}

/// A COSE_recipient, its parts unread: what they hold is up to the key agreement.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Recipient<'b> {
    /// Content of the protected header's byte string.
    pub protected: &'b [u8],
    /// Byte offset of `protected` in the encryption info.
    pub protected_at: usize,
    /// The unprotected headers: one map, checked.
    pub unprotected: &'b [u8],
    /// Byte offset of `unprotected` in the encryption info.
    pub unprotected_at: usize,
    /// The wrapped content key.
    pub wrapped: &'b [u8],
}

/// Reads a SUIT_Encryption_Info with ChaCha20/Poly1305 as content algorithm and one recipient.
///
/// # Errors
/// [`SealFault`] with the byte offset of whatever is not as the profile has it.
pub fn parse(bytes: &[u8]) -> Result<Info<'_>, SealFault> {
    check(bytes, Limits::COSE)?;
    let mut r = Reader::new(bytes);
    r.tag(96, "tag 96 (COSE_Encrypt)")?;
    r.array_of(4, "an array of four")?;
    let protected = r.bytes("the protected header as a byte string")?;
    if protected != CONTENT_PROTECTED {
        return Err(algorithm_fault(protected, r.at() - protected.len(), CHACHA20_POLY1305));
    }
    let map_at = r.at();
    let mut nonce = None;
    for _ in 0..r.map("the map of unprotected headers")? {
        let at = r.at();
        if !r.int("a header label").is_ok_and(|label| label == NONCE_LABEL) {
            return Err(SealFault::Header { at });
        }
        nonce = Some(r.bytes_of("a nonce of 12 bytes")?);
    }
    let nonce =
        nonce.ok_or(SealFault::Structure { at: map_at, expected: Expected::new("a nonce of 12 bytes") })?;
    let at = r.at();
    if !r.null() {
        return Err(SealFault::Structure { at, expected: Expected::new("null: the ciphertext is detached") });
    }
    let at = r.at();
    match r.array("the list of recipients")? {
        1 => {}
        count => return Err(SealFault::Recipients { at, count }),
    }
    r.array_of(3, "a recipient as an array of three")?;
    let protected = r.bytes("the recipient's protected header as a byte string")?;
    let protected_at = r.at() - protected.len();
    let unprotected_at = r.at();
    let unprotected = r.item()?;
    let wrapped = r.bytes("the wrapped content key as a byte string")?;
    let recipient = Recipient { protected, protected_at, unprotected, unprotected_at, wrapped };
    Ok(Info { nonce, recipient })
}

/// Says what is wrong with a protected header that is not exactly `{1: wanted}`.
pub(super) fn algorithm_fault(protected: &[u8], at: usize, wanted: i64) -> SealFault {
    let broken =
        SealFault::Structure { at, expected: Expected::new("a protected header with the algorithm alone") };
    if check(protected, Limits::COSE).is_err() {
        return broken;
    }
    let mut r = Reader::new(protected);
    match (r.map(""), r.int(""), r.int("")) {
        (Ok(1), Ok(1), Ok(found)) if found != wanted => SealFault::Algorithm { at, found: Some(found) },
        (Ok(1), Ok(1), Err(_)) => SealFault::Algorithm { at, found: None },
        _ => broken,
    }
}
