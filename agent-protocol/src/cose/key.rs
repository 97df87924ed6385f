//! Loading keys, verifying under them, and their short names.

use crate::copy::copy;
use crate::id::PublicKey;
use core::fmt;
use curve25519_dalek::{EdwardsPoint, Scalar};
use ed25519_dalek::VerifyingKey;
use sha2::{Digest, Sha256, Sha512};
use zeroize::Zeroize;

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
    // The library accepts y not reduced modulo p. The other form that is not canonical, x = 0 with a sign, has
    // small order.
    if !is_reduced(&key.0) {
        return Err(KeyFault::NotCanonical);
    }
    if has_small_order(&key.0) {
        return Err(KeyFault::SmallOrder);
    }
    Ok(loaded)
}

/// Whether y, the encoding without its sign, is below p = 2^255 - 19.
///
/// # Source
/// RFC 8032 section 5.1.3, step 1.
fn is_reduced(point: &[u8; 32]) -> bool {
    let [lowest, middle @ .., highest] = point;
    *lowest < 0xed || highest & 0x7f != 0x7f || middle.iter().any(|byte| *byte != 0xff)
}

/// Whether a signature over these parts, one after the other, verifies strictly: as the library's own strict
/// verification, for which all of them would have to lie in one piece; and under no key that is not canonical.
///
/// The steps are taken here, with the library's arithmetic, since its check of S alone is 3 KiB of code on ARMv6-M.
///
/// # Source
/// RFC 8032 section 5.1.7, with R of small order or not canonical refused on top, and a key of small order or not
/// canonical.
pub fn verifies(key: &VerifyingKey, parts: &[&[u8]], signature: &[u8; 64]) -> bool {
    let Some((r, rest)) = signature.split_first_chunk::<32>() else { return false };
    let Some(s) = rest.first_chunk().and_then(below_order) else { return false };
    let a = key.as_bytes();
    if !is_reduced(a) || has_small_order(a) || has_small_order(r) {
        return false;
    }
    let k = hash(&[r, a], parts);
    let expected = EdwardsPoint::vartime_double_scalar_mul_basepoint(&k, &-key.to_edwards(), &s);
    // R that is no point or not canonical never verifies: its bytes are compared with those of a point that is computed.
    expected.compress().as_bytes() == r
}

/// SHA-512 over all of these, one after the other, as a number modulo the order of the group.
pub(super) fn hash(first: &[&[u8; 32]], parts: &[&[u8]]) -> Scalar {
    let mut hash = Sha512::new();
    first.iter().for_each(|bytes| hash.update(bytes));
    parts.iter().for_each(|bytes| hash.update(bytes));
    Scalar::from_hash(hash)
}

/// The number that 32 bytes are, little-endian, modulo the order of the group.
pub(super) fn reduced(bytes: &[u8; 32]) -> Scalar {
    let mut wide = [0; 64];
    copy(bytes, &mut wide);
    let number = Scalar::from_bytes_mod_order_wide(&wide);
    wide.zeroize();
    number
}

/// The number that 32 bytes are, if it is below the order of the group: S of a signature has no second form.
fn below_order(bytes: &[u8; 32]) -> Option<Scalar> {
    let number = reduced(bytes);
    (number.as_bytes() == bytes).then_some(number)
}

/// Whether bytes whose y is below p are a point whose order divides 8, with either sign. No point is computed for that.
fn has_small_order(point: &[u8; 32]) -> bool {
    let mut y = *point;
    if let Some(highest) = y.last_mut() {
        *highest &= 0x7f;
    }
    SMALL_ORDER.contains(&y)
}

/// y of the eight points whose order divides 8, each with either sign but for the first two, where x is 0:
/// 1, -1, 0, and those of order 8.
///
/// # Source
/// RFC 7748 section 4.1 (the curve and its cofactor 8); that these are points of small order, and all of them, is
/// tested.
const SMALL_ORDER: [[u8; 32]; 5] = [
    [1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0],
    [
        0xec, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff,
        0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x7f,
    ],
    [0; 32],
    [
        0x26, 0xe8, 0x95, 0x8f, 0xc2, 0xb2, 0x27, 0xb0, 0x45, 0xc3, 0xf4, 0x89, 0xf2, 0xef, 0x98, 0xf0, 0xd5,
        0xdf, 0xac, 0x05, 0xd3, 0xc6, 0x33, 0x39, 0xb1, 0x38, 0x02, 0x88, 0x6d, 0x53, 0xfc, 0x05,
    ],
    [
        0xc7, 0x17, 0x6a, 0x70, 0x3d, 0x4d, 0xd8, 0x4f, 0xba, 0x3c, 0x0b, 0x76, 0x0d, 0x10, 0x67, 0x0f, 0x2a,
        0x20, 0x53, 0xfa, 0x2c, 0x39, 0xcc, 0xc6, 0x4e, 0xc7, 0xfd, 0x77, 0x92, 0xac, 0x03, 0x7a,
    ],
];

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

#[cfg(test)]
#[path = "key_tests.rs"]
mod tests;
