//! Payload encryption against published values, step by step, and against a second implementation in both directions.
//! The whole profile case and its structure stand in `reference_crypto.rs`.

mod reference;

use chacha20poly1305::{AeadInOut, ChaCha20Poly1305, KeyInit};
use pintle_protocol::cbor::{CborFault, CborKind, Limits};
use pintle_protocol::cose::encrypt::{self, CONTEXT, ENC_STRUCTURE, SealRandom};
use pintle_protocol::cose::{SealFault, StaticSecret};
use pintle_protocol::id::{Digest, PublicKey};
use reference::{bytes, rows};
use serde_json::{Value, json};
use std::path::Path;
use std::process::Command;

const SEALING: &str = include_str!("../vectors/sealing.txt");

/// A value of a case in the file.
fn of(case: &str, name: &str) -> Vec<u8> {
    let rows = rows(SEALING);
    let found = rows.iter().find(|row| row[0] == case && row[1] == name);
    bytes(found.unwrap_or_else(|| panic!("{case} {name}"))[2])
}

fn array<const N: usize>(case: &str, name: &str) -> [u8; N] {
    of(case, name).try_into().unwrap_or_else(|_| panic!("{case} {name}"))
}

fn derive(shared: &[u8], context: &[u8], salt: Option<&[u8]>) -> [u8; 16] {
    let mut key = [0; 16];
    hkdf::Hkdf::<sha2::Sha256>::new(salt, shared).expand(context, &mut key).unwrap();
    key
}

fn wrap(wrapping: [u8; 16], key: &[u8]) -> Vec<u8> {
    let mut out = vec![0; key.len() + 8];
    aes_kw::KwAes128::new(&wrapping.into()).wrap_key(key, &mut out).unwrap();
    out
}

/// Opens with the node's own code, with the profile case's private key.
fn open(info: &[u8], sealed: &[u8]) -> Result<Vec<u8>, SealFault> {
    let mut buffer = sealed.to_vec();
    let secret = StaticSecret::from(array::<32>("profile", "recipient-private"));
    let len = encrypt::decrypt(info, &mut buffer, &secret)?;
    buffer.truncate(len);
    Ok(buffer)
}

/// Source: COSE working group example collection, X25519-tests/x25519-hkdf-256-direct: keys, shared secret and derived key.
#[test]
fn x25519_and_the_key_derivation_are_as_published() {
    let value = |name| array::<32>("x25519-direct", name);
    let (mine, theirs) = (value("recipient-private"), value("ephemeral-private"));
    let public = |secret| *x25519_dalek::PublicKey::from(&StaticSecret::from(secret)).as_bytes();
    assert_eq!(public(mine), value("recipient-public"));
    assert_eq!(public(theirs), value("ephemeral-public"));
    for (secret, peer) in [(mine, "ephemeral-public"), (theirs, "recipient-public")] {
        assert_eq!(x25519_dalek::x25519(secret, value(peer)), value("shared"));
    }
    let context = of("x25519-direct", "context");
    let key = derive(&value("shared"), &context, None);
    assert_eq!(key, array("x25519-direct", "content-key"));
    // Ours differs from it in the algorithm (-3 for 1), the recipient's header and what is behind.
    let ours: Vec<u8> = [&b"\x84\x22"[..], &context[2..10], b"\x83", &context[11..15]].concat();
    assert_eq!(CONTEXT[..ours.len()], ours);
}

/// Other algorithms than those of the profile are refused by name, where they stand: the published examples all are.
#[test]
fn published_examples_of_other_algorithms_are_refused_where_it_is_said() {
    // Content algorithm 1 (AES-GCM), at the start of the first protected header.
    let gcm = SealFault::Algorithm { at: 4, found: Some(1) };
    for (case, name) in [("x25519-direct", "message"), ("p256-wrap", "message"), ("draft", "info")] {
        assert_eq!(encrypt::parse(&of(case, name)), Err(gcm), "{case}");
    }
    // Content algorithm 24, but the ciphertext inside.
    let inside = SealFault::Structure { at: 23, expected: "null: the ciphertext is detached".into() };
    assert_eq!(encrypt::parse(&of("chacha-01", "message")), Err(inside));
    let other_tag = SealFault::Cbor(CborFault { at: 0, kind: CborKind::Tag });
    assert_eq!(encrypt::parse(&of("chacha-02", "message")), Err(other_tag));
    // The order of the draft's own header maps is taken: it is well-formed for us up to the algorithm.
    assert!(pintle_protocol::cbor::check(&of("draft", "info"), Limits::COSE).is_ok());
}

/// Source: chacha-poly-examples of the same collection: both open with the additional data of their kind, and with no other.
#[test]
fn the_content_layer_is_bound_to_its_kind_of_message() {
    assert_eq!(of("chacha-01", "enc-structure"), ENC_STRUCTURE);
    assert_eq!(of("profile", "enc-structure"), ENC_STRUCTURE);
    for (case, other) in [("chacha-01", "chacha-02"), ("chacha-02", "chacha-01")] {
        let key = ChaCha20Poly1305::new(&array::<32>(case, "content-key").into());
        let nonce = array::<12>(case, "nonce").into();
        let open = |aad: &[u8]| {
            let mut text = of(case, "sealed");
            let tag: [u8; 16] = text.split_off(20).try_into().unwrap();
            key.decrypt_inout_detached(&nonce, aad, text.as_mut_slice().into(), &tag.into()).map(|()| text)
        };
        assert_eq!(open(&of(case, "enc-structure")).unwrap(), b"This is the content.");
        assert!(open(&of(other, "enc-structure")).is_err(), "{case}");
    }
    // "Encrypt1", which the second of them prints, opens nothing.
    let stale = of("chacha-02", "enc-structure")
        .iter()
        .map(|b| if *b == b'0' { b'1' } else { *b })
        .collect::<Vec<_>>();
    let key = ChaCha20Poly1305::new(&array::<32>("chacha-02", "content-key").into());
    let mut text = of("chacha-02", "sealed");
    let tag: [u8; 16] = text.split_off(20).try_into().unwrap();
    let nonce = array::<12>("chacha-02", "nonce").into();
    assert!(key.decrypt_inout_detached(&nonce, &stale, text.as_mut_slice().into(), &tag.into()).is_err());
}

/// Source: RFC 5869 section 2.2 (extract), RFC 9053 section 5.2, RFC 3394: the steps between the keys and the ciphertext.
#[test]
fn every_step_of_the_profile_case() {
    let value = |name| of("profile", name);
    let shared = x25519_dalek::x25519(
        array("profile", "ephemeral-private"),
        array("x25519-direct", "recipient-public"),
    );
    assert_ne!(shared.to_vec(), value("shared"), "another recipient, another secret");
    let bob = x25519_dalek::PublicKey::from(&StaticSecret::from(array::<32>("profile", "recipient-private")));
    let shared = x25519_dalek::x25519(array("profile", "ephemeral-private"), *bob.as_bytes());
    assert_eq!(shared.to_vec(), value("shared"));
    let (prk, _) = hkdf::Hkdf::<sha2::Sha256>::extract(None, &shared);
    assert_eq!(prk.to_vec(), value("prk"));
    assert_eq!(CONTEXT.to_vec(), value("context"));
    assert_eq!(derive(&shared, &CONTEXT, None).to_vec(), value("wrapping-key"));
    assert_eq!(wrap(array("profile", "wrapping-key"), &value("content-key")), value("wrapped"));
    let random = SealRandom {
        ephemeral: array("profile", "ephemeral-private"),
        content_key: array("profile", "content-key"),
        nonce: array("profile", "nonce"),
    };
    let recipient = PublicKey(*bob.as_bytes());
    let (info, sealed) = encrypt::seal(&recipient, &random, Some(b"kid-2"), &value("plain")).unwrap();
    assert_eq!((info.to_vec(), sealed.clone()), (value("info"), value("sealed")));
    assert_eq!(Digest::of(&sealed).0.to_vec(), value("sealed-digest"));
    assert_eq!(Digest::of(&value("plain")).0.to_vec(), value("plain-digest"));
    let parsed = encrypt::parse(&info).unwrap();
    assert_eq!((parsed.nonce.to_vec(), parsed.recipient.wrapped), (value("nonce"), &value("wrapped")[..]));
    assert_eq!(open(&info, &sealed), Ok(value("plain")));
    // The two published variants: derived as they say, and only the salted one is ours.
    for (case, context, salt) in [
        ("profile-plain-context", of("profile-plain-context", "context"), None),
        ("profile-salt", CONTEXT.to_vec(), Some(of("profile-salt", "salt"))),
    ] {
        let key = derive(&shared, &context, salt.as_deref());
        assert_eq!(key.to_vec(), of(case, "wrapping-key"), "{case}");
        assert_eq!(wrap(key, &value("content-key")), of(case, "wrapped"), "{case}");
    }
}

/// Keys wrapped under contexts that look right, and texts sealed under additional data that do. Source of the right ones: RFC
/// 9053 section 5.2 and draft-ietf-suit-firmware-encryption-24 sections 5.2.4 and 6; each is one plausible misreading.
#[test]
fn every_misreading_fails_where_it_must() {
    let (shared, key) = (of("profile", "shared"), of("profile", "content-key"));
    let (good, wrapped, info) = (CONTEXT.to_vec(), of("profile", "wrapped"), of("profile", "info"));
    let with = |from: &[u8], to: &[u8]| {
        let at = good.windows(from.len()).position(|w| w == from).unwrap();
        [&good[..at], to, &good[at + from.len()..]].concat()
    };
    let other = of("profile-plain-context", "context");
    /// Name, context, salt.
    type Case = (&'static str, Vec<u8>, Option<&'static [u8]>);
    let contexts: [Case; 7] = [
        ("plain COSE", other, None),
        ("a text for a byte string", with(b"\x57SUIT", b"\x77SUIT"), None),
        ("256 bits", with(b"\x18\x80", b"\x19\x01\x00"), None),
        ("16, in bytes", with(b"\x18\x80", b"\x10"), None),
        ("algorithm -29", with(b"\x84\x22", b"\x84\x38\x1c"), None),
        ("algorithm 24", with(b"\x84\x22", b"\x84\x18\x18"), None),
        ("a salt that is not sent", good.clone(), Some(b"salt")),
    ];
    let at = info.len() - wrapped.len();
    for (name, context, salt) in contexts {
        let wrapped = wrap(derive(&shared, &context, salt), &key);
        let info = [&info[..at], &wrapped].concat();
        assert_eq!(open(&info, &of("profile", "sealed")), Err(SealFault::Unwrap), "{name}");
    }
    let same = [&info[..at], &wrap(derive(&shared, &good, None), &key)].concat();
    assert_eq!(open(&same, &of("profile", "sealed")), Ok(of("profile", "plain")));

    let cipher = ChaCha20Poly1305::new(&array::<32>("profile", "content-key").into());
    let structures: [(&str, &[u8], bool); 5] = [
        ("ours", &ENC_STRUCTURE, true),
        ("Encrypt0", b"\x83\x68Encrypt0\x44\xa1\x01\x18\x18\x40", false),
        ("no external data", b"\x83\x67Encrypt\x44\xa1\x01\x18\x18\xf6", false),
        ("no protected header", b"\x83\x67Encrypt\x40\x40", false),
        ("the recipient's header", b"\x83\x67Encrypt\x44\xa1\x01\x38\x1c\x40", false),
    ];
    for (name, aad, good) in structures {
        let mut text = of("profile", "plain");
        let nonce = array::<12>("profile", "nonce").into();
        let tag = cipher.encrypt_inout_detached(&nonce, aad, text.as_mut_slice().into()).unwrap();
        let sealed = [&text[..], &tag].concat();
        let wanted = if good { Ok(of("profile", "plain")) } else { Err(SealFault::Tag) };
        assert_eq!(open(&info, &sealed), wanted, "{name}");
    }
}

/// Debian's interpreter where there is one, since its packages are installed for that one.
fn python() -> &'static str {
    if Path::new("/usr/bin/python3").exists() { "/usr/bin/python3" } else { "python3" }
}

/// Python's `cryptography` and `cbor2` recompute every value of the file from its inputs, open what the library seals, and
/// seal what it opens.
#[test]
fn a_second_implementation_agrees_in_both_directions() {
    let secret = array::<32>("profile", "recipient-private");
    let public = PublicKey(*x25519_dalek::PublicKey::from(&StaticSecret::from(secret)).as_bytes());
    let texts: Vec<Vec<u8>> =
        [0, 1, 15, 16, 17, 63, 64, 65, 1000, 2048].map(|len| vec![len as u8; len]).into();
    let sealed = texts.iter().enumerate().map(|(n, text)| {
        let fill = n as u8 + 1;
        let random = SealRandom { ephemeral: [fill; 32], content_key: [fill ^ 0x55; 32], nonce: [fill; 12] };
        let kid: Option<&[u8]> = (n % 2 == 0).then_some(b"kid-2");
        let (info, sealed) = encrypt::seal(&public, &random, kid, text).unwrap();
        json!({"text": hex::encode(text), "info": hex::encode(info), "sealed": hex::encode(sealed)})
    });
    let folder = tempfile::tempdir().unwrap();
    let given = folder.path().join("sealed.json");
    let all = json!({"secret": hex::encode(secret), "sealed": sealed.collect::<Vec<_>>()});
    std::fs::write(&given, all.to_string()).unwrap();
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let script = here.join("python/sealing.py");
    let output = Command::new(python())
        .arg("-B")
        .arg(script)
        .arg(here.join("vectors/sealing.txt"))
        .arg(given)
        .output();
    let output = output.unwrap_or_else(|e| panic!("{}: {e}; install Debian's python3", python()));
    let words = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success(),
        "sealing.py failed; if a module is missing, install Debian's python3-cbor2 and python3-cryptography\n{words}"
    );
    let said: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(said["held"], 66 + texts.len(), "facts that held");
    let made = said["made"].as_array().unwrap();
    assert_eq!(made.len(), texts.len());
    for (one, text) in made.iter().zip(&texts) {
        let get = |name: &str| bytes(one[name].as_str().filter(|s| !s.is_empty()).unwrap_or("-"));
        assert_eq!((open(&get("info"), &get("sealed")), get("text")), (Ok(text.clone()), text.clone()));
    }
}
