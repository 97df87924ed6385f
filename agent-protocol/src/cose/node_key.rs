//! The key with which a node signs, for chips with little flash.
//!
//! Signing multiplies two numbers modulo the order of the group, once. The library's function for that is 6 KiB of
//! code on ARMv6-M, where every product of two words is a call, and the reduction of the secret number 3 KiB more.
//! Here both are made of what verifying brings along anyway. The operator's side signs with the library alone.

use super::key::{hash, reduced};
use crate::copy::copy;
use crate::id::PublicKey;
use curve25519_dalek::scalar::clamp_integer;
use curve25519_dalek::{EdwardsPoint, Scalar};
use ed25519_dalek::Signature;
use ed25519_dalek::ed25519::signature::{Error, MultipartSigner};
use sha2::{Digest, Sha512};
use zeroize::{Zeroize, Zeroizing};

/// An Ed25519 key that signs; what is secret in it is wiped when dropped.
pub struct NodeKey {
    /// The secret number, below the order of the group.
    number: Zeroizing<Scalar>,
    /// What makes each signature's own secret number, together with what is signed.
    prefix: Zeroizing<[u8; 32]>,
    public: PublicKey,
}

impl NodeKey {
    /// The key that a seed of 32 random bytes makes.
    ///
    /// # Source
    /// RFC 8032 section 5.1.5.
    pub fn new(seed: &[u8; 32]) -> Self {
        let mut hash = Sha512::digest(seed);
        let (mut number, mut prefix) = (Zeroizing::new([0; 32]), Zeroizing::new([0; 32]));
        copy(&hash, &mut *number);
        copy(hash.get(32..).unwrap_or_default(), &mut *prefix);
        hash.zeroize();
        let clamped = Zeroizing::new(clamp_integer(*number));
        let number = Zeroizing::new(reduced(&clamped));
        Self { public: PublicKey(EdwardsPoint::mul_base(&number).compress().to_bytes()), number, prefix }
    }

    /// Its public key.
    pub const fn public(&self) -> PublicKey {
        self.public
    }
}

impl MultipartSigner<Signature> for NodeKey {
    /// Signs; never fails.
    ///
    /// # Source
    /// RFC 8032 section 5.1.6.
    fn try_multipart_sign(&self, parts: &[&[u8]]) -> Result<Signature, Error> {
        let r = Zeroizing::new(hash(&[&self.prefix], parts));
        let point = EdwardsPoint::mul_base(&r).compress();
        let k = hash(&[point.as_bytes(), &self.public.0], parts);
        let mut s = times(&k, &self.number);
        s += &*r;
        Ok(Signature::from_components(point.to_bytes(), s.to_bytes()))
    }
}

/// `known` times `secret`, by doubling and adding. The time it takes depends on `known`, which anybody who has the
/// signed message can compute, and not on `secret`.
fn times(known: &Scalar, secret: &Scalar) -> Scalar {
    let mut sum = Scalar::ZERO;
    for byte in known.as_bytes().iter().rev() {
        for bit in (0..8).rev() {
            sum += sum;
            if byte >> bit & 1 == 1 {
                sum += secret;
            }
        }
    }
    sum
}

#[cfg(test)]
#[path = "node_key_tests.rs"]
mod tests;
