//! How the content key reaches the recipient. A second method (COSE-HPKE, once its registry
//! entries are final) is another [`KeyAgreement`].

use super::Recipient;
use super::info::algorithm_fault;
use crate::cbor::{Expected, Reader, Unexpected};
use crate::cose::{ECDH_ES_A128KW, SealFault};
use aes_kw::{KeyInit, KwAes128};
use hkdf::Hkdf;
use sha2::Sha256;
use x25519_dalek::{PublicKey, StaticSecret};
use zeroize::{Zeroize, Zeroizing};

/// The recipient's protected header: `{1: -29}`.
pub(super) const RECIPIENT_PROTECTED: [u8; 4] = [0xa1, 0x01, 0x38, 0x1c];
/// The COSE_KDF_Context of this profile. A constant, because everything in it is:
///
/// ```text
/// [ -3,                                  the derived key is for A128KW
///   [null, null, null], [null, null, null],
///   [ 128, h'a101381c', 'SUIT Payload Encryption' ] ]
/// ```
///
/// # Source
/// RFC 9053 section 5.2; draft-ietf-suit-firmware-encryption-24 section 5.2.4.
pub const CONTEXT: [u8; 42] =
    *b"\x84\x22\x83\xf6\xf6\xf6\x83\xf6\xf6\xf6\x83\x18\x80\x44\xa1\x01\x38\x1c\x57SUIT Payload Encryption";

/// Bytes in a wrapped content key: 32 and the eight of the integrity check (RFC 3394).
pub(super) const WRAPPED_LEN: usize = 40;

/// A content key, wiped when it is dropped.
pub struct ContentKey(Zeroizing<[u8; 32]>);

impl ContentKey {
    /// From its bytes.
    pub fn new(bytes: [u8; 32]) -> Self {
        Self(Zeroizing::new(bytes))
    }

    pub(super) fn bytes(&self) -> &[u8; 32] {
        &self.0
    }
}

/// A way to get the content key out of a recipient entry.
pub trait KeyAgreement {
    /// Gives the content key.
    ///
    /// # Errors
    /// [`SealFault`] if the entry is not of this method, not for this key, or damaged.
    fn content_key(&self, recipient: &Recipient<'_>) -> Result<ContentKey, SealFault>;
}

/// ECDH-ES with HKDF-SHA-256 and AES-128 key wrap (-29), on X25519 with a fresh ephemeral key.
pub struct X25519<'k>(
    /// The recipient's private key.
    pub &'k StaticSecret,
);

impl KeyAgreement for X25519<'_> {
    fn content_key(&self, recipient: &Recipient<'_>) -> Result<ContentKey, SealFault> {
        if recipient.protected != RECIPIENT_PROTECTED {
            return Err(algorithm_fault(recipient.protected, recipient.protected_at, ECDH_ES_A128KW));
        }
        let headers = Headers::read(recipient)?;
        let at = recipient.unprotected_at + recipient.unprotected.len();
        let wrapped: &[u8; WRAPPED_LEN] = recipient.wrapped.try_into().map_err(|_| SealFault::Structure {
            at,
            expected: Expected::new("a wrapped content key of 40 bytes"),
        })?;
        let shared = self.0.diffie_hellman(&headers.ephemeral);
        // All-zero for a peer key of low order (RFC 7748 section 6.1); compared in constant time.
        if !shared.was_contributory() {
            return Err(SealFault::Agreement);
        }
        let kek = wrapping_key(shared.as_bytes(), headers.salt)?;
        let mut cek = Zeroizing::new([0; 32]);
        KwAes128::new((&*kek).into())
            .unwrap_key(wrapped, cek.as_mut_slice())
            .map_err(|_| SealFault::Unwrap)?;
        Ok(ContentKey(cek))
    }
}

/// The key that wraps the content key: HKDF over the shared secret, with [`CONTEXT`].
pub(super) fn wrapping_key(shared: &[u8; 32], salt: Option<&[u8]>) -> Result<Zeroizing<[u8; 16]>, SealFault> {
    let mut kek = Zeroizing::new([0; 16]);
    let (mut prk, hkdf) = Hkdf::<Sha256>::extract(salt, shared);
    prk.as_mut_slice().zeroize();
    // 16 bytes are always within what HKDF can give.
    hkdf.expand(&CONTEXT, kek.as_mut_slice()).map_err(|_| SealFault::Agreement)?;
    Ok(kek)
}

/// The recipient's unprotected headers.
struct Headers<'b> {
    ephemeral: PublicKey,
    salt: Option<&'b [u8]>,
}

impl<'b> Headers<'b> {
    fn read(recipient: &Recipient<'b>) -> Result<Self, SealFault> {
        let base = recipient.unprotected_at;
        let mut r = Reader::based(recipient.unprotected, base);
        let (mut ephemeral, mut salt) = (None, None);
        for _ in 0..r.map("a map")? {
            let at = r.at();
            match r.int("a header label") {
                // The key identifier names our own key; there is only one to choose.
                Ok(4) => drop(r.bytes("a key identifier as a byte string")?),
                Ok(-1) => ephemeral = Some(PublicKey::from(*ephemeral_key(&mut r)?)),
                Ok(-20) => salt = Some(r.bytes("a salt as a byte string")?),
                _ => return Err(SealFault::Header { at }),
            }
        }
        let missing =
            SealFault::Structure { at: base, expected: Expected::new("an ephemeral key (header -1)") };
        Ok(Self { ephemeral: ephemeral.ok_or(missing)?, salt })
    }
}

/// A COSE_Key with kty OKP (1), crv X25519 (4) and x, nothing else, in any order.
fn ephemeral_key<'b>(r: &mut Reader<'b>) -> Result<&'b [u8; 32], Unexpected> {
    let start = r.at();
    let whole = Unexpected { at: start, expected: Expected::new("an ephemeral key {1: 1, -1: 4, -2: x}") };
    if r.map("an ephemeral key as a map")? != 3 {
        return Err(whole);
    }
    let mut x = None;
    for _ in 0..3 {
        let at = r.at();
        let number = |r: &mut Reader<'b>, wanted, expected| match r.int(expected)? {
            found if found == wanted => Ok(()),
            _ => Err(Unexpected { at, expected: Expected::new(expected) }),
        };
        // No label occurs twice: the scan has seen to that. So three known ones are all three.
        match r.int("a key parameter")? {
            1 => number(r, 1, "key type 1 (OKP)")?,
            -1 => number(r, 4, "curve 4 (X25519)")?,
            -2 => x = Some(r.bytes_of("a public key of 32 bytes")?),
            _ => {
                return Err(Unexpected {
                    at,
                    expected: Expected::new("key type, curve or public key, nothing else"),
                });
            }
        }
    }
    x.ok_or(whole)
}
