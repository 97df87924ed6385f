//! Signed heads: what the server says its newest entry is, so that it cannot say otherwise later.
//!
//! The signed bytes are the CBOR map `{0: number, 1: hash, 2: time}`, as COSE_Sign1 (RFC 9052) by
//! the server's online key over [`AAD_HEAD`].

use crate::contract::{JournalHead, Seconds};
use minicbor::{Decoder, Encoder};
use pintle_protocol::cose::{SigningKey, sign1};
use pintle_protocol::id::{Digest, PublicKey};

/// Keeps a signed head from being taken for another message, and others for it.
pub const AAD_HEAD: &[u8] = b"pintle journal head";

/// Why a signed head is not taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadHead {
    /// It is not hexadecimal text.
    #[error("the signed head is no hexadecimal text")]
    NoHex,
    /// The signature is not by the server's key.
    #[error("the signature of the journal's head is not by the server's key: {why}")]
    Signature {
        /// What does not fit.
        why: String,
    },
    /// What was signed is not a head.
    #[error("what the server signed as the journal's head is none: {why}")]
    Content {
        /// What does not fit.
        why: String,
    },
    /// What was signed is not what stands beside it.
    #[error("the server shows another head of its journal than it signed")]
    Differs,
}

fn content(number: i64, hash: Digest, at: Seconds) -> Vec<u8> {
    let mut e = Encoder::new(Vec::new());
    let written = (|| {
        e.map(3)?.u8(0)?.i64(number)?.u8(1)?.bytes(&hash.0)?.u8(2)?.i64(at)?;
        Ok::<(), minicbor::encode::Error<std::convert::Infallible>>(())
    })();
    match written {
        Ok(()) => e.into_writer(),
        // A vector takes everything: its writer's error type has no value, and no custom encoder ran.
        Err(_) => Vec::new(),
    }
}

/// Signs number and hash of the newest entry.
///
/// # Errors
/// The text of what signing reports; it does not fail for content of this size.
pub fn sign(key: &SigningKey, number: i64, hash: Digest, at: Seconds) -> Result<JournalHead, String> {
    // The content has at most 57 bytes, signature and frame 100 more.
    let mut signed = [0u8; 256];
    let len = sign1::sign_attached(key, None, &content(number, hash, at), AAD_HEAD, &mut signed)
        .map_err(|e| e.to_string())?;
    let signed = hex::encode(signed.get(..len).unwrap_or_default());
    Ok(JournalHead { number, hash, at, signed })
}

/// Makes sure that a head was signed by `key` and says what stands beside it.
///
/// # Errors
/// [`BadHead`].
pub fn open(head: &JournalHead, key: &PublicKey) -> Result<(), BadHead> {
    let bytes = hex::decode(&head.signed).map_err(|_| BadHead::NoHex)?;
    let found = sign1::open(&bytes, key, AAD_HEAD).map_err(|e| BadHead::Signature { why: e.to_string() })?;
    read(found).map_err(|e| BadHead::Content { why: e.to_string() })?;
    // One encoding for one content: the bytes can be compared.
    if found == content(head.number, head.hash, head.at) { Ok(()) } else { Err(BadHead::Differs) }
}

fn read(bytes: &[u8]) -> Result<(), minicbor::decode::Error> {
    let mut d = Decoder::new(bytes);
    d.map()?;
    for _ in 0..3 {
        d.u8()?;
        d.skip()?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn key(n: u8) -> (SigningKey, PublicKey) {
        let key = SigningKey::from_bytes(&[n; 32]);
        let public = PublicKey(key.verifying_key().to_bytes());
        (key, public)
    }

    #[test]
    fn signed_bytes_are_as_documented() {
        // Hand-encoded by RFC 8949 section 3: map(3), 0: 7, 1: bytes(32), 2: 1000.
        let mut want = vec![0xa3, 0x00, 0x07, 0x01, 0x58, 0x20];
        want.extend([5; 32]);
        want.extend([0x02, 0x19, 0x03, 0xe8]);
        assert_eq!(content(7, Digest([5; 32]), 1000), want);
    }

    proptest! {
        #[test]
        fn a_head_holds_and_no_changed_one_does(
            number in 0..i64::MAX, hash: [u8; 32], at in 0..i64::MAX, flip in 0usize..150, bit in 0u8..8,
        ) {
            let (private, public) = key(1);
            let head = sign(&private, number, Digest(hash), at).unwrap();
            prop_assert_eq!(open(&head, &public), Ok(()));
            let is_signature = |found| matches!(found, Err(BadHead::Signature { .. }));
            prop_assert!(is_signature(open(&head, &key(2).1)));
            let other = JournalHead { number: number ^ 1, ..head.clone() };
            prop_assert_eq!(open(&other, &public), Err(BadHead::Differs));
            let other = JournalHead { at: at ^ 1, ..head.clone() };
            prop_assert_eq!(open(&other, &public), Err(BadHead::Differs));
            let mut bytes = hex::decode(&head.signed).unwrap();
            let at = flip % bytes.len();
            bytes[at] ^= 1 << bit;
            let other = JournalHead { signed: hex::encode(bytes), ..head };
            prop_assert!(is_signature(open(&other, &public)));
        }
    }
}
