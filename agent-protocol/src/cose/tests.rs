#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]

use super::sign1::{MAX_KID, MAX_SIGNED};
use super::*;
use crate::cbor::{CborFault, CborKind};
use crate::id::PublicKey;
use hex_literal::hex;
use proptest::prelude::*;
use std::vec::Vec;

/// Source of the seed: RFC 8032 section 7.1, TEST 1.
fn signer() -> SigningKey {
    SigningKey::from_bytes(&hex!("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"))
}

fn public() -> PublicKey {
    PublicKey(signer().verifying_key().to_bytes())
}

fn signed(payload: &[u8], aad: &[u8], kid: Option<&[u8]>) -> Vec<u8> {
    let mut out = [0; 4096];
    let len = sign1::sign_attached(&signer(), kid, payload, aad, &mut out).unwrap();
    out[..len].to_vec()
}

#[test]
fn kinds_of_messages_do_not_stand_in_for_each_other() {
    let kinds = [AAD_CLAIM, AAD_CHECK_IN, AAD_REPLY, AAD_REPORT, b""];
    for made in kinds {
        let message = signed(b"hello", made, None);
        for read in kinds {
            let opened = sign1::open(&message, &public(), read);
            assert_eq!(opened.is_ok(), made == read);
        }
    }
}

#[test]
fn payload_must_be_where_it_is_expected() {
    let key = public();
    let message = signed(b"hello", b"", None);
    let parsed = sign1::parse(&message).unwrap();
    assert_eq!(parsed.verify(&key, b"", None), Ok(()));
    assert_eq!(parsed.verify(&key, b"", Some(b"hello")), Err(CoseFault::PayloadAttached { at: 7 }));
    let mut out = [0; 100];
    let len = sign1::sign_detached(&signer(), None, b"hello", b"", &mut out).unwrap();
    let parsed = sign1::parse(&out[..len]).unwrap();
    assert_eq!(parsed.verify(&key, b"", Some(b"hello")), Ok(()));
    assert_eq!(parsed.verify(&key, b"", None), Err(CoseFault::PayloadMissing));
    assert_eq!(parsed.verify(&key, b"", Some(b"hullo")), Err(CoseFault::Signature));
}

#[test]
fn only_the_one_form_is_taken() {
    let good = signed(b"x", b"", Some(b"kid"));
    let key = public();
    assert_eq!(sign1::open(&good, &key, b""), Ok(&b"x"[..]));
    let untagged = &good[1..];
    assert_eq!(
        sign1::parse(untagged),
        Err(CoseFault::Structure { at: 0, expected: "tag 18 (COSE_Sign1)".into() })
    );
    // {1: -8}, {1: "x"}, {3: 0}, h'', {1: -19, 3: 0}
    let with = |protected: &[u8]| {
        let tail = hex!("a0 40 5840");
        [&hex!("d284")[..], &[0x40 | protected.len() as u8], protected, &tail[..], &[0; 64]].concat()
    };
    assert_eq!(sign1::parse(&with(&hex!("a10127"))), Err(CoseFault::Algorithm { at: 3, found: Some(-8) }));
    assert_eq!(sign1::parse(&with(&hex!("a1016178"))), Err(CoseFault::Algorithm { at: 3, found: None }));
    assert_eq!(sign1::parse(&with(&hex!("a10300"))), Err(CoseFault::Algorithm { at: 3, found: None }));
    assert!(matches!(sign1::parse(&with(b"")), Err(CoseFault::Structure { at: 3, .. })));
    assert!(matches!(sign1::parse(&with(&hex!("a201320300"))), Err(CoseFault::Structure { at: 3, .. })));
    assert!(sign1::parse(&with(&hex!("a10132"))).is_ok());
    // The algorithm in the unprotected header, and a critical header.
    let unprotected = hex!("d284 40 a10132 40 40");
    assert_eq!(sign1::parse(&unprotected), Err(CoseFault::Header { at: 4 }));
    let short = hex!("d284 43a10132 a0 40 41ff");
    assert!(matches!(sign1::parse(&short), Err(CoseFault::Structure { at: 9, .. })));
}

#[test]
fn room_and_length_are_checked_before_anything_is_written() {
    let key = signer();
    let needed = signed(b"hello", b"", Some(b"12345678")).len();
    let mut out = [0xee; 200];
    let result = sign1::sign_attached(&key, Some(b"12345678"), b"hello", b"", &mut out[..needed - 1]);
    assert_eq!(result, Err(CoseFault::NoRoom { needed, room: needed - 1 }));
    assert_eq!(out, [0xee; 200]);
    let long = [0; MAX_SIGNED + 1];
    assert!(matches!(
        sign1::sign_attached(&key, None, &long, b"", &mut [0; 4096]),
        Err(CoseFault::TooLong { .. })
    ));
    assert!(sign1::sign_attached(&key, Some(&[0; MAX_KID + 1]), b"", b"", &mut [0; 4096]).is_err());
    let longest = signed(&long[..MAX_SIGNED - AAD_CHECK_IN.len()], AAD_CHECK_IN, None);
    assert!(sign1::open(&longest, &public(), AAD_CHECK_IN).is_ok());
    // As long a message as can be written is also the longest that is verified.
    let foreign = [&hex!("d284 43a10132 a0 590801")[..], &long, &hex!("5840"), &[0; 64]].concat();
    let parsed = sign1::parse(&foreign).unwrap();
    assert!(matches!(parsed.verify(&public(), AAD_CHECK_IN, None), Err(CoseFault::TooLong { .. })));
}

/// Source: RFC 9679 (thumbprint over the deterministic COSE_Key); the value is the SHA-256 of
/// those bytes for the key of RFC 8032 section 7.1 TEST 1, computed with Python's hashlib.
#[test]
fn thumbprint_is_over_the_cose_key() {
    let key = public();
    let wanted = hex!("866eefbd6718c8846cd7ddfe43fc74ab1daac4538ff8514ea2ec2d410a415743");
    assert_eq!(key::thumbprint(&key), wanted);
    assert_eq!(key::kid(&key), wanted[..8]);
}

#[test]
fn weak_and_wrong_keys_are_refused_on_loading() {
    let mut one = [0; 32];
    one[0] = 1;
    assert_eq!(key::verifying_key(&PublicKey(one)), Err(KeyFault::SmallOrder));
    let mut two = [0; 32];
    two[0] = 2;
    assert_eq!(key::verifying_key(&PublicKey(two)), Err(KeyFault::NotAPoint));
    // y = p + 3, where y = 3 is a point of large order: 2^255 - 19 + 3 is f0 ff .. ff 7f.
    let mut high = [0xff; 32];
    high[0] = 0xf0;
    high[31] = 0x7f;
    assert_eq!(key::verifying_key(&PublicKey(high)), Err(KeyFault::NotCanonical));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn what_was_signed_is_read_back(payload in proptest::collection::vec(any::<u8>(), 0..300), kid in proptest::option::of(proptest::collection::vec(any::<u8>(), 0..=MAX_KID))) {
        let message = signed(&payload, AAD_REPLY, kid.as_deref());
        prop_assert_eq!(sign1::parse(&message).unwrap().kid(), kid.as_deref());
        prop_assert_eq!(sign1::open(&message, &public(), AAD_REPLY), Ok(&payload[..]));
    }

    /// All but the key identifier is protected, directly or by the one accepted form.
    #[test]
    fn any_changed_bit_is_noticed(bit in any::<proptest::sample::Index>()) {
        let mut message = signed(b"hello", AAD_CLAIM, None);
        let bit = bit.index(message.len() * 8);
        message[bit / 8] ^= 1 << (bit % 8);
        prop_assert!(sign1::open(&message, &public(), AAD_CLAIM).is_err());
    }

    #[test]
    fn any_bytes_are_judged_without_panic(mut bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
        let _ = sign1::parse(&bytes);
        let _ = encrypt::parse(&bytes);
        bytes.splice(..0, hex!("d284 43a10132"));
        let _ = sign1::parse(&bytes);
        bytes.splice(..6, hex!("d8608444a1011818a1054c 26682306d4fb28ca01b43b80f68183 44a101381c"));
        let _ = encrypt::decrypt(&bytes, &mut [0; 40], &StaticSecret::from([7; 32]));
    }
}

#[test]
fn faults_say_where() {
    let cut = &signed(b"hello", b"", None)[..20];
    let fault = sign1::parse(cut).unwrap_err();
    assert!(matches!(fault, CoseFault::Cbor(CborFault { kind: CborKind::Truncated, .. })));
    assert!(std::format!("{fault}").starts_with("at byte "));
}

#[cfg(feature = "author")]
mod sealed {
    use super::*;
    use crate::cose::encrypt::{SealRandom, decrypt, seal};

    fn random(seed: u8) -> SealRandom {
        SealRandom { ephemeral: [seed; 32], content_key: [seed ^ 0x55; 32], nonce: [seed; 12] }
    }

    fn recipient() -> (StaticSecret, PublicKey) {
        let secret = StaticSecret::from([42; 32]);
        let public = PublicKey(x25519_dalek::PublicKey::from(&secret).to_bytes());
        (secret, public)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]

        #[test]
        fn what_was_sealed_opens(text in proptest::collection::vec(any::<u8>(), 0..300), seed in any::<u8>(), kid in proptest::option::of(any::<[u8; 8]>())) {
            let (secret, public) = recipient();
            let (info, mut text2) = seal(&public, &random(seed), kid.as_ref().map(|k| &k[..]), &text).unwrap();
            prop_assert_eq!(decrypt(&info, &mut text2, &secret), Ok(text.len()));
            prop_assert_eq!(&text2[..text.len()], &text[..]);
        }

        #[test]
        fn a_changed_bit_opens_nothing(bit in 0usize..46 * 8) {
            let (secret, public) = recipient();
            let (info, mut text) = seal(&public, &random(9), None, &[0xaa; 30]).unwrap();
            text[bit / 8] ^= 1 << (bit % 8);
            let before = text.clone();
            prop_assert_eq!(decrypt(&info, &mut text, &secret), Err(SealFault::Tag));
            prop_assert_eq!(text, before, "no plaintext is left behind");
        }
    }

    #[test]
    fn another_node_cannot_open_it() {
        let (_, public) = recipient();
        let (info, mut text) = seal(&public, &random(1), None, b"secret").unwrap();
        assert_eq!(decrypt(&info, &mut text, &StaticSecret::from([43; 32])), Err(SealFault::Unwrap));
        assert_eq!(decrypt(&info, &mut [0; 15], &recipient().0), Err(SealFault::TooShort { len: 15 }));
    }

    #[test]
    fn nothing_is_sealed_to_a_weak_key() {
        assert_eq!(seal(&PublicKey([0; 32]), &random(1), None, b"secret").err(), Some(SealFault::Agreement));
    }
}
