//! Sealed payloads: SUIT_Encryption_Info, a COSE_Encrypt (RFC 9052 section 5.1) with a detached
//! ciphertext and one recipient.
//!
//! ```text
//! 96([ h'a1011818', {5: nonce of 12 bytes}, null,
//!      [[ h'a101381c', {? 4: kid, -1: {1: 1, -1: 4, -2: ephemeral public key}, ? -20: salt},
//!         wrapped content key of 40 bytes ]] ])
//! ```
//!
//! The ciphertext, tag behind it, is opened in place: `plaintext = ciphertext - 16` bytes.
//!
//! # Source
//! RFC 9052, RFC 9053 sections 4.3, 5.2, 6.2 and 6.4; draft-ietf-suit-firmware-encryption-24
//! sections 5.2 and 6. The curve is our rule: -29 names none.

mod agreement;
mod info;
#[cfg(feature = "author")]
mod seal;

pub use agreement::{CONTEXT, ContentKey, KeyAgreement, X25519};
pub use info::{Info, Recipient, parse};
#[cfg(feature = "author")]
pub use seal::{SealRandom, seal};

use super::SealFault;
use chacha20poly1305::{AeadInOut, ChaCha20Poly1305, KeyInit};
use x25519_dalek::StaticSecret;

/// Bytes in the authentication tag behind the ciphertext.
pub const TAG_LEN: usize = 16;
/// Additional data of the content layer: `["Encrypt", h'a1011818', h'']`.
///
/// RFC 9052 section 5.3; a constant because the protected header is one.
pub const ENC_STRUCTURE: [u8; 15] = *b"\x83\x67Encrypt\x44\xa1\x01\x18\x18\x40";

/// Opens a payload sealed to the X25519 key `secret`, in place.
///
/// `info`: the encryption info. `buffer`: ciphertext and tag; afterwards the plaintext stands at
/// its start. Returns the length of the plaintext.
///
/// # Errors
/// [`SealFault`]; `buffer` then still holds the ciphertext, not one byte of plaintext.
pub fn decrypt(info: &[u8], buffer: &mut [u8], secret: &StaticSecret) -> Result<usize, SealFault> {
    decrypt_with(info, buffer, &X25519(secret))
}

/// [`decrypt`] with any key agreement.
///
/// # Errors
/// As [`decrypt`].
pub fn decrypt_with(
    info: &[u8],
    buffer: &mut [u8],
    agreement: &dyn KeyAgreement,
) -> Result<usize, SealFault> {
    let info = parse(info)?;
    let len = buffer.len();
    let plain = len.checked_sub(TAG_LEN).ok_or(SealFault::TooShort { len })?;
    let key = agreement.content_key(&info.recipient)?;
    let cipher = ChaCha20Poly1305::new(key.bytes().into());
    // The length was checked above.
    let (text, tag) = buffer.split_at_mut(plain);
    let tag: &[u8; TAG_LEN] = (&*tag).try_into().map_err(|_| SealFault::TooShort { len })?;
    // The library compares the tag, in constant time, before it touches the text.
    cipher
        .decrypt_inout_detached(info.nonce.into(), &ENC_STRUCTURE, text.into(), tag.into())
        .map_err(|_| SealFault::Tag)?;
    Ok(plain)
}
