//! Loading keys, and their short names.

use crate::id::PublicKey;
use core::fmt;
use ed25519_dalek::ed25519::signature::MultipartVerifier;
use ed25519_dalek::{Signature, VerifyingKey};
use sha2::{Digest, Sha256};

/// Bytes in a key's short name.
pub const KID_LEN: usize = 8;

/// Why 32 bytes are no usable Ed25519 public key.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum KeyFault {
    /// They encode no point of the curve.
    NotAPoint,
    /// They encode a point in another than the one canonical form.
    NotCanonical,
    /// A point of small order: signatures under it prove nothing.
    SmallOrder,
}

impl fmt::Display for KeyFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NotAPoint => "the key is no Ed25519 public key",
            Self::NotCanonical => "the key is not in its canonical form",
            Self::SmallOrder => "the key is a known weak one",
        })
    }
}

impl core::error::Error for KeyFault {}

/// Loads an Ed25519 public key for verifying.
///
/// # Errors
/// [`KeyFault`] for bytes that are no point, are not canonical, or have small order.
///
/// # Source
/// RFC 8032 section 5.1.3 (decoding, canonical y); the refusal of small order is ours.
pub fn verifying_key(key: &PublicKey) -> Result<VerifyingKey, KeyFault> {
    let loaded = VerifyingKey::from_bytes(&key.0).map_err(|_| KeyFault::NotAPoint)?;
    if loaded.is_weak() {
        return Err(KeyFault::SmallOrder);
    }
    // The library accepts y not reduced modulo p; writing the point anew gives the canonical form.
    if loaded.to_edwards().compress().as_bytes() != &key.0 {
        return Err(KeyFault::NotCanonical);
    }
    Ok(loaded)
}

/// Whether a signature over these parts, one after the other, verifies strictly: as the library's own strict
/// verification, for which all of them would have to lie in one piece.
///
/// # Source
/// RFC 8032 section 5.1.7, with R of small order or not canonical refused on top, and a key of small order.
pub fn verifies(key: &VerifyingKey, parts: &[&[u8]], signature: &[u8; 64]) -> bool {
    let signature = Signature::from_bytes(signature);
    // R not canonical never verifies: its bytes are compared with those of a point that is computed.
    !key.is_weak() && has_large_order(signature.r_bytes()) && key.multipart_verify(parts, &signature).is_ok()
}

/// Whether bytes are a point, and that not of small order. By itself, so that it is off the stack during what follows.
#[inline(never)]
fn has_large_order(point: &[u8; 32]) -> bool {
    VerifyingKey::from_bytes(point).is_ok_and(|point| !point.is_weak())
}

/// The thumbprint of an Ed25519 public key: SHA-256 over its COSE_Key `{1: 1, -1: 6, -2: x}`.
///
/// # Source
/// RFC 9679 section 3 and RFC 9053 section 7.2.
pub fn thumbprint(key: &PublicKey) -> [u8; 32] {
    okp_thumbprint(6, key)
}

/// The thumbprint of an X25519 public key: SHA-256 over its COSE_Key `{1: 1, -1: 4, -2: x}`.
///
/// # Source
/// RFC 9679 section 3 and RFC 9053 section 7.2.
pub fn sealing_thumbprint(key: &PublicKey) -> [u8; 32] {
    okp_thumbprint(4, key)
}

fn okp_thumbprint(curve: u8, key: &PublicKey) -> [u8; 32] {
    let head = [0xa3, 0x01, 0x01, 0x20, curve, 0x21, 0x58, 0x20];
    Sha256::new().chain_update(head).chain_update(key.0).finalize().into()
}

/// A signing key's short name for the `kid` header: the first [`KID_LEN`] bytes of its thumbprint.
pub fn kid(key: &PublicKey) -> [u8; KID_LEN] {
    short(thumbprint(key))
}

/// A sealing key's short name for the `kid` header.
pub fn sealing_kid(key: &PublicKey) -> [u8; KID_LEN] {
    short(sealing_thumbprint(key))
}

fn short(thumbprint: [u8; 32]) -> [u8; KID_LEN] {
    let mut kid = [0; KID_LEN];
    kid.iter_mut().zip(thumbprint).for_each(|(to, from)| *to = from);
    kid
}
