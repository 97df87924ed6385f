//! Sealing, on the operator's side.

use super::agreement::{RECIPIENT_PROTECTED, WRAPPED_LEN, wrapping_key};
use super::info::CONTENT_PROTECTED;
use super::{ENC_STRUCTURE, TAG_LEN};
use crate::cbor::Writer;
use crate::cose::SealFault;
use crate::id::PublicKey;
use aes_kw::{KeyInit, KwAes128};
use chacha20poly1305::{AeadInOut, ChaCha20Poly1305};
use std::vec::Vec;
use x25519_dalek::StaticSecret;
use zeroize::Zeroize;

/// The random values of one sealing. Never used twice; wiped when dropped.
pub struct SealRandom {
    /// Private half of the ephemeral key.
    pub ephemeral: [u8; 32],
    /// Content key.
    pub content_key: [u8; 32],
    /// Nonce of the content layer.
    pub nonce: [u8; 12],
}

impl Drop for SealRandom {
    fn drop(&mut self) {
        self.ephemeral.zeroize();
        self.content_key.zeroize();
        self.nonce.zeroize();
    }
}

/// Seals `plaintext` so that only the holder of `recipient` reads it.
///
/// Returns the SUIT_Encryption_Info and the ciphertext with its tag.
///
/// # Errors
/// [`SealFault::Agreement`] for a recipient key of low order.
pub fn seal(
    recipient: &PublicKey,
    random: &SealRandom,
    kid: Option<&[u8]>,
    plaintext: &[u8],
) -> Result<(Vec<u8>, Vec<u8>), SealFault> {
    let ephemeral = StaticSecret::from(random.ephemeral);
    let public = x25519_dalek::PublicKey::from(&ephemeral);
    let shared = ephemeral.diffie_hellman(&x25519_dalek::PublicKey::from(recipient.0));
    if !shared.was_contributory() {
        return Err(SealFault::Agreement);
    }
    let kek = wrapping_key(shared.as_bytes(), None)?;
    let mut wrapped = [0; WRAPPED_LEN];
    KwAes128::new((&*kek).into())
        .wrap_key(&random.content_key, &mut wrapped)
        .map_err(|_| SealFault::Unwrap)?;

    let mut ciphertext = Vec::with_capacity(plaintext.len() + TAG_LEN);
    ciphertext.extend_from_slice(plaintext);
    let tag = ChaCha20Poly1305::new((&random.content_key).into())
        .encrypt_inout_detached((&random.nonce).into(), &ENC_STRUCTURE, ciphertext.as_mut_slice().into())
        .map_err(|_| SealFault::Tag)?;
    ciphertext.extend_from_slice(&tag);

    let mut w = Writer(Vec::new());
    w.tag(96).array(4).bytes(&CONTENT_PROTECTED).map(1).uint(5).bytes(&random.nonce).null();
    w.array(1).array(3).bytes(&RECIPIENT_PROTECTED);
    match kid {
        Some(kid) => w.map(2).uint(4).bytes(kid),
        None => w.map(1),
    };
    w.int(-1).map(3).uint(1).uint(1).int(-1).uint(4).int(-2).bytes(public.as_bytes());
    w.bytes(&wrapped);
    Ok((w.0, ciphertext))
}
