//! Cryptography against published values: the primitives as they are linked, and COSE on top.

mod reference;

use chacha20::ChaCha20;
use chacha20::cipher::{KeyIvInit, StreamCipher};
use chacha20poly1305::{AeadInOut, ChaCha20Poly1305, KeyInit};
use ed25519_dalek::ed25519::signature::MultipartSigner;
use ed25519_dalek::{Signer, SigningKey, Verifier};
use pintle_protocol::cbor::CborKind;
use pintle_protocol::cose::encrypt::{self, CONTEXT, ENC_STRUCTURE};
use pintle_protocol::cose::key::{verifies, verifying_key};
use pintle_protocol::cose::{CoseFault, KeyFault, NodeKey, SealFault, StaticSecret, sign1};
use pintle_protocol::id::{Digest, PublicKey};
use reference::{array, bytes, named, rows};
use sha2::Digest as _;

const RFC8032: &str = include_str!("../vectors/ed25519_rfc8032.txt");
const EDGE: &str = include_str!("../vectors/ed25519_edge_cases.txt");
const MORE: &str = include_str!("../vectors/ed25519_more.txt");
const SMALL: &str = include_str!("../vectors/ed25519_small_order.txt");
const SIGN1: &str = include_str!("../vectors/cose_sign1.txt");

/// Source: FIPS 180-4 with the NIST example values; RFC 6234 section 8.5.
#[test]
fn sha_256() {
    let long = "abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmnhijklmnoijklmnopjklmnopqklmnopqrlmnopqrsmnopqrstnopqrstu";
    let rows = [
        ("", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        ("abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
        (long, "cf5b16a778af8380036ce59e7b0492370b249b11e8f07a51afac45037afee9d1"),
    ];
    for (text, digest) in rows {
        assert_eq!(Digest::of(text.as_bytes()).to_string(), digest);
    }
    let mut hash = sha2::Sha256::new();
    vec![b'a'; 1_000_000].chunks(997).for_each(|chunk| hash.update(chunk));
    assert_eq!(
        hex::encode(hash.finalize()),
        "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"
    );
}

/// The rule of this project: key loaded with its checks, then strict verification. That over parts comes to the same
/// as the library's over the whole, wherever it is cut and whether or not the key was checked.
fn strict(key: &[u8], message: &[u8], signature: &[u8]) -> bool {
    let Some(key) = PublicKey::from_slice(key) else { return false };
    let Ok(signature) = ed25519_dalek::Signature::from_slice(signature) else { return false };
    let Ok(unchecked) = ed25519_dalek::VerifyingKey::from_bytes(&key.0) else { return false };
    let fine = unchecked.verify_strict(message, &signature).is_ok();
    for cut in [0, message.len() / 3, message.len()] {
        let (start, rest) = message.split_at(cut);
        assert_eq!(verifies(&unchecked, &[start, b"", rest], &signature.to_bytes()), fine);
    }
    fine && verifying_key(&key).is_ok()
}

/// Source: RFC 8032 section 7.1, all vectors.
#[test]
fn ed25519_signs_and_verifies_as_published() {
    let rows = rows(RFC8032);
    assert_eq!(rows.len(), 5);
    for row in rows {
        let key = SigningKey::from_bytes(&array(row[1]));
        assert_eq!(key.verifying_key().to_bytes(), array::<32>(row[2]), "{}", row[0]);
        let (message, signature) = (bytes(row[3]), bytes(row[4]));
        assert_eq!(key.sign(&message).to_bytes().to_vec(), signature, "{}", row[0]);
        let node = NodeKey::new(&array(row[1]));
        assert_eq!(node.public().0, array::<32>(row[2]), "{}", row[0]);
        assert_eq!(node.multipart_sign(&[&message]).to_bytes().to_vec(), signature, "{}", row[0]);
        assert!(strict(&bytes(row[2]), &message, &signature), "{}", row[0]);
    }
}

/// Source: IACR ePrint 2020/1244, the twelve vectors; Wycheproof ed25519_test; see the files' heads.
#[test]
fn ed25519_edge_cases_are_judged_strictly() {
    let mut accepted = Vec::new();
    for row in rows(EDGE).into_iter().chain(rows(MORE)) {
        let fine = strict(&bytes(row[2]), &bytes(row[1]), &bytes(row[3]));
        assert_eq!(fine, row[4] == "accept", "{row:?}");
        if fine {
            accepted.push(row[0]);
        }
    }
    assert_eq!(accepted, ["3", "W84"]);
    // Lengths. Source: RFC 8032 section 5.1.7; TEST 1 cut and lengthened.
    let rows = rows(RFC8032);
    let (key, signature) = (bytes(rows[0][2]), bytes(rows[0][4]));
    assert!(!strict(&key, b"", &signature[..63]));
    assert!(!strict(&key, b"", &[&signature[..], &[0]].concat()));
}

/// Source: the torsion points of the curve of RFC 8032 section 5.1; y = 2 is no point of it.
#[test]
fn keys_that_prove_nothing_are_refused_when_loaded() {
    for row in rows(SMALL) {
        // y of p or above, as RFC 8032 section 5.1.3 step 1 refuses it; x = 0 with a sign has small order all the same.
        let above = bytes(row[2])[0] > 0xec && bytes(row[2])[1] == 0xff;
        let fault = if above { KeyFault::NotCanonical } else { KeyFault::SmallOrder };
        assert_eq!(verifying_key(&PublicKey(array(row[2]))).err(), Some(fault), "{row:?}");
        // Nor may one be R: signature (R, 0) under the key of RFC 8032 TEST 1.
        let signature = [bytes(row[2]), vec![0; 32]].concat();
        assert!(!strict(&bytes(rows(RFC8032)[0][2]), b"", &signature), "{row:?}");
    }
    let mut two = [0; 32];
    two[0] = 2;
    assert_eq!(verifying_key(&PublicKey(two)), Err(KeyFault::NotAPoint));
}

/// Under a key of small order anybody signs: R = [S]B goes with one message in at most eight. Where the library's lenient
/// verification is fooled, ours is not, even if the key was not checked when it was loaded.
#[test]
fn nothing_verifies_under_a_key_of_small_order() {
    // The public key of a seed whose secret number is known is a point R = [S]B.
    let s = curve25519_dalek::Scalar::from(5u8);
    let r = curve25519_dalek::EdwardsPoint::mul_base(&s).compress();
    let mut forged = [0; 64];
    forged[..32].copy_from_slice(r.as_bytes());
    forged[32..].copy_from_slice(s.as_bytes());
    for row in rows(SMALL) {
        let key = ed25519_dalek::VerifyingKey::from_bytes(&array(row[2])).unwrap();
        let signature = ed25519_dalek::Signature::from_bytes(&forged);
        let fooled = (0u8..=255).find(|n| key.verify(&[*n], &signature).is_ok());
        let message = fooled.unwrap_or_else(|| panic!("{row:?}: the library is never fooled"));
        assert!(!verifies(&key, &[&[message]], &forged), "{row:?}");
    }
}

/// Source: RFC 7748 sections 5.2 and 6.1; the million-fold iteration is left to patient people.
#[test]
fn x25519_agrees_as_published() {
    let x = |k: &str, u: &str| hex::encode(x25519_dalek::x25519(array(k), array(u)));
    assert_eq!(
        x(
            "a546e36bf0527c9d3b16154b82465edd62144c0ac1fc5a18506a2244ba449ac4",
            "e6db6867583030db3594c1a424b15f7c726624ec26b3353b10a903a6d0ab1c4c"
        ),
        "c3da55379de9c6908e94ea4df28d084f32eccf03491c71f754b4075577a28552"
    );
    assert_eq!(
        x(
            "4b66e9d4d1b4673c5ad22691957d6af5c11b6421e0ea01d42ca4169e7918ba0d",
            "e5210f12786811d3f4b7959d0538ae2c31dbe7106fc03c3efc4cd549c715a493"
        ),
        "95cbde9476e8907d7aade45cb4b873f88b595a68799fa152e6f8f7647aac7957"
    );
    let (mut k, mut u) = ([0; 32], [0; 32]);
    (k[0], u[0]) = (9, 9);
    for n in 1..=1000 {
        (k, u) = (x25519_dalek::x25519(k, u), k);
        if n == 1 {
            assert_eq!(hex::encode(k), "422c8e7a6227d7bca1350b3e2bb7279f7897b87bb6854b783c60e80311ae3079");
        }
    }
    assert_eq!(hex::encode(k), "684cf59ba83309552800ef566f2f4d3c1c3887c49360e3875f2eb94d99532c51");
    assert_eq!(x(ALICE, BOB_PUBLIC), SHARED);
    assert_eq!(x(BOB, ALICE_PUBLIC), SHARED);
}

/// Source: RFC 5869 appendix A.1 to A.3.
#[test]
fn hkdf_sha_256() {
    let ikm = "0b".repeat(22);
    let run = |from: u8, len: usize| hex::encode((0..len).map(|n| from + n as u8).collect::<Vec<_>>());
    let (long_ikm, long_salt, long_info) = (run(0, 80), run(0x60, 80), run(0xb0, 80));
    let rows: [(&str, &str, &str, &str, &str); 3] = [
        (
            &ikm,
            "000102030405060708090a0b0c",
            "f0f1f2f3f4f5f6f7f8f9",
            "077709362c2e32df0ddc3f0dc47bba6390b6c73bb50f9c3122ec844ad7c2b3e5",
            "3cb25f25faacd57a90434f64d0362f2a2d2d0a90cf1a5a4c5db02d56ecc4c5bf34007208d5b887185865",
        ),
        (
            &long_ikm,
            &long_salt,
            &long_info,
            "06a6b88c5853361a06104c9ceb35b45cef760014904671014a193f40c15fc244",
            "b11e398dc80327a1c8e7f78c596a49344f012eda2d4efad8a050cc4c19afa97c59045a99cac7827271cb41c65e590e09da3275600c2f09b8367793a9aca3db71cc30c58179ec3e87c14c01d5c1f3434f1d87",
        ),
        (
            &ikm,
            "-",
            "-",
            "19ef24a32c717b167f33a91d6f648bdf96596776afdb6377ac434c1c293ccb04",
            "8da4e775a563c18f715f802a063c5a31b8a11f5c5ee1879ec3454e5f3c738d2d9d201395faa4b61a96c8",
        ),
    ];
    for (ikm, salt, info, prk, wanted) in rows {
        let mut okm = vec![0; wanted.len() / 2];
        let (extracted, kdf) = hkdf::Hkdf::<sha2::Sha256>::extract(Some(&bytes(salt)), &bytes(ikm));
        assert_eq!(hex::encode(extracted), prk);
        kdf.expand(&bytes(info), &mut okm).unwrap();
        assert_eq!(hex::encode(okm), wanted);
    }
}

/// Source: RFC 4231 sections 4.2, 4.3 and 4.7.
#[test]
fn hmac_sha_256() {
    use hmac::Mac;
    let long = [0xaa; 131];
    let rows: [(&[u8], &[u8], &str); 3] = [
        (&[0x0b; 20], b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
        (
            b"Jefe",
            b"what do ya want for nothing?",
            "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843",
        ),
        (
            &long,
            b"Test Using Larger Than Block-Size Key - Hash Key First",
            "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
        ),
    ];
    for (key, data, wanted) in rows {
        let mut mac = hmac::Hmac::<sha2::Sha256>::new_from_slice(key).unwrap();
        mac.update(data);
        assert_eq!(hex::encode(mac.finalize().into_bytes()), wanted);
    }
}

/// Source: RFC 3394 section 4.1; NIST SP 800-38F sample files KW_AE_128 and KW_AD_128.
#[test]
fn aes_128_key_wrap() {
    let rows = [
        (
            "000102030405060708090a0b0c0d0e0f",
            "00112233445566778899aabbccddeeff",
            "1fa68b0a8112b447aef34bd8fb5a7b829d3e862371d2cfe5",
        ),
        (
            "e5d058e7f1c22c016c4e1cc9b26b9f8f",
            "7f604e9b8d39d3c91e193fe6f196c1e3da6211a7c9a33b8873b64b138d1803e4",
            "60b9f8ac797c56e01e9b5f84d65816a980777869f67991a0e6dc19b8cd75c9b54db4a38456bbd6f3",
        ),
    ];
    for (kek, key, wrapped) in rows {
        let kw = aes_kw::KwAes128::new(&array::<16>(kek).into());
        let mut out = vec![0; wrapped.len() / 2];
        assert_eq!(hex::encode(kw.wrap_key(&bytes(key), &mut out).unwrap()), wrapped);
        assert_eq!(hex::encode(kw.unwrap_key(&bytes(wrapped), &mut out).unwrap()), key);
    }
    let kw = aes_kw::KwAes128::new(&array::<16>("84bc6ce7ee4fd9db512536669d0686da").into());
    let wrapped = bytes("c383db930ffd02c0073ac2cc79ec289e6866bdcc6a135a3b776aa42f14ee04f9cca06ed6c0b22901");
    assert!(kw.unwrap_key(&wrapped, &mut [0; 40]).is_err());
}

/// Source: RFC 8439 section 2.8.2; every changed bit of ciphertext and tag.
#[test]
fn chacha20_poly1305() {
    let key = ChaCha20Poly1305::new(&core::array::from_fn(|n| 0x80 + n as u8).into());
    let nonce = array::<12>("070000004041424344454647").into();
    let aad = bytes("50515253c0c1c2c3c4c5c6c7");
    // The one-time key: the first half of the first block (RFC 8439 section 2.6).
    let mut one_time = [0; 32];
    let key_bytes: [u8; 32] = core::array::from_fn(|n| 0x80 + n as u8);
    ChaCha20::new(&key_bytes.into(), &nonce).apply_keystream(&mut one_time);
    assert_eq!(hex::encode(one_time), "7bac2b252db447af09b67a55a4e955840ae1d6731075d9eb2a9375783ed553ff");
    let text = b"Ladies and Gentlemen of the class of '99: If I could offer you only one tip for the future, sunscreen would be it.";
    let mut buffer = text.to_vec();
    let tag = key.encrypt_inout_detached(&nonce, &aad, buffer.as_mut_slice().into()).unwrap();
    let ciphertext = "d31a8d34648e60db7b86afbc53ef7ec2a4aded51296e08fea9e2b5a736ee62d63dbea45e8ca9671282fafb69da92728b1a71de0a9e060b2905d6a5b67ecd3b3692ddbd7f2d778b8c9803aee328091b58fab324e4fad675945585808b4831d7bc3ff4def08e4b7a9de576d26586cec64b6116";
    assert_eq!(hex::encode(&buffer), ciphertext);
    assert_eq!(hex::encode(tag), "1ae10b594f09e26a7e902ecbd0600691");
    for bit in 0..(buffer.len() + 16) * 8 {
        let (mut hurt, mut hurt_tag) = (buffer.clone(), tag);
        match hurt.get_mut(bit / 8) {
            Some(byte) => *byte ^= 1 << (bit % 8),
            None => hurt_tag[bit / 8 - buffer.len()] ^= 1 << (bit % 8),
        }
        let before = hurt.clone();
        assert!(key.decrypt_inout_detached(&nonce, &aad, hurt.as_mut_slice().into(), &hurt_tag).is_err());
        assert_eq!(hurt, before, "plaintext of bit {bit} was let out");
    }
}

/// Source: COSE working group example collection, chacha-poly-examples, chacha-poly-01 (state of
/// 13 March 2024): our additional data opens it.
#[test]
fn cose_content_layer_opens_the_published_example() {
    let key = ChaCha20Poly1305::new(&array::<32>(CEK).into());
    let mut text = bytes("1cd5d49daa014ccaffb30e765dc5cd410689aae1c60b45648853298ff6808db3fa8235db");
    let tag = array::<16>(&hex::encode(text.split_off(20))).into();
    let nonce = array::<12>(NONCE).into();
    key.decrypt_inout_detached(&nonce, &ENC_STRUCTURE, text.as_mut_slice().into(), &tag).unwrap();
    assert_eq!(text, b"This is the content.");
}

const PAYLOAD: &[u8] = b"This is the content.";

/// The Sig_structure of RFC 9052 section 4.4, for short fields.
fn sig_structure(protected: &[u8], aad: &[u8], payload: &[u8]) -> Vec<u8> {
    let field = |bytes: &[u8]| [&[0x40 | bytes.len() as u8], bytes].concat();
    [&b"\x84\x6aSignature1"[..], &field(protected), &field(aad), &field(payload)].concat()
}

/// Source: COSE working group example collection, eddsa-examples (13 March 2024). Both use the
/// deprecated algorithm -8: the mathematics is right, the messages are refused.
#[test]
fn cose_eddsa_examples() {
    let message = named(SIGN1, "eddsa-sig-01");
    let parts = sign1::layout(&message).unwrap();
    let key = bytes(rows(RFC8032)[0][2]);
    assert!(strict(&key, &sig_structure(parts.protected, b"", PAYLOAD), parts.signature));
    assert_eq!((parts.kid, parts.payload), (Some(&b"11"[..]), Some(PAYLOAD)));
    for name in ["eddsa-sig-01", "eddsa-sig-02"] {
        let message = named(SIGN1, name);
        assert!(
            matches!(sign1::parse(&message), Err(CoseFault::Algorithm { found: Some(-8), .. })),
            "{name}"
        );
    }
}

/// Source: the same payload with -19 (RFC 9864), key of RFC 8032 TEST 1; computed with two libraries.
#[test]
fn cose_sign1_with_fully_specified_algorithm() {
    let row = &rows(RFC8032)[0];
    let key = SigningKey::from_bytes(&array(row[1]));
    let public = PublicKey(array(row[2]));
    let mut out = [0; 128];
    let len = sign1::sign_attached(&key, None, PAYLOAD, b"", &mut out).unwrap();
    assert_eq!(out[..len], named(SIGN1, "attached"));
    assert_eq!(sign1::open(&out[..len], &public, b""), Ok(PAYLOAD));
    let len = sign1::sign_detached(&key, None, PAYLOAD, b"", &mut out).unwrap();
    assert_eq!(out[..len], named(SIGN1, "detached"));
    let aad = bytes("11aa22bb33cc44dd55006699");
    let len = sign1::sign_attached(&key, None, PAYLOAD, &aad, &mut out).unwrap();
    let signature = "20eeef71d3051d43ad8cf9dbe1effdb08c1e63dff7397dd346fffc67f95139ad3e0ede3926938f1afa2c04b163801d4eb4f3b180325613b8344b8a2e6a318106";
    assert_eq!(hex::encode(&out[len - 64..len]), signature);
}

/// Verifies ES256 in tests only: the published examples use it, this project does not.
fn es256(message: &[u8], aad: &[u8]) -> Result<bool, CoseFault> {
    use p256::ecdsa::signature::Verifier;
    let parts = sign1::layout(message)?;
    match parts.algorithm()? {
        -7 => {}
        found => return Err(CoseFault::Algorithm { at: 0, found: Some(found) }),
    }
    let point = "04bac5b11cad8f99f9c72b05cf4b9e26d244dc189f745228255a219a86d6a09eff20138bf82dc1b6d562be0fa54ab7804a3a64b6d72ccfed6b6fb6ed28bbfc117e";
    let key = p256::ecdsa::VerifyingKey::from_sec1_bytes(&bytes(point)).unwrap();
    let signed = sig_structure(parts.protected, aad, parts.payload.unwrap());
    let signature = p256::ecdsa::Signature::from_slice(parts.signature).unwrap();
    Ok(key.verify(&signed, &signature).is_ok())
}

/// Source: COSE working group example collection, sign1-tests, all nine.
#[test]
fn cose_sign1_tests() {
    let message = |name| named(SIGN1, name);
    let aad = bytes("11aa22bb33cc44dd55006699");
    let fault = es256(&message("sign-fail-01"), b"").unwrap_err();
    assert!(matches!(fault, CoseFault::Cbor(f) if f.kind == CborKind::Tag && f.at == 0));
    assert_eq!(es256(&message("sign-fail-02"), b""), Ok(false));
    assert!(matches!(
        es256(&message("sign-fail-03"), b""),
        Err(CoseFault::Algorithm { found: Some(-999), .. })
    ));
    assert!(matches!(es256(&message("sign-fail-04"), b""), Err(CoseFault::Algorithm { found: None, .. })));
    assert_eq!(es256(&message("sign-fail-06"), b""), Ok(false));
    assert_eq!(es256(&message("sign-fail-07"), b""), Ok(false));
    // Fine by RFC 9052, refused here: the algorithm must be protected, the tag must be there.
    assert!(matches!(es256(&message("sign-pass-01"), b""), Err(CoseFault::Header { .. })));
    assert!(matches!(es256(&message("sign-pass-03"), b""), Err(CoseFault::Structure { at: 0, .. })));
    assert_eq!(es256(&message("sign-pass-02"), &aad), Ok(true));
    assert_eq!(es256(&message("sign-pass-02"), b""), Ok(false));
    // None of them is Ed25519.
    for row in rows(SIGN1).iter().filter(|row| row[0].starts_with("sign-")) {
        assert!(sign1::parse(&bytes(row[1])).is_err(), "{}", row[0]);
    }
}

// The one combination that this project uses has no published example. It is built here from
// published parts: keys of RFC 7748 section 6.1, content key and nonce of chacha-poly-01 of the
// COSE examples, plaintext of draft-ietf-suit-firmware-encryption-24. Every step was computed with
// two implementations.
const ALICE: &str = "77076d0a7318a57d3c16c17251b26645df4c2f87ebc0992ab177fba51db92c2a";
const ALICE_PUBLIC: &str = "8520f0098930a754748b7ddcb43ef75a0dbf3a0d26381af4eba4a98eaa9b4e6a";
const BOB: &str = "5dab087e624a8a4b79e17f8b83800ee66f3bb1292618b6fd1c2f8b27ff88e0eb";
const BOB_PUBLIC: &str = "de9edb7d7b7dc1b4d35b61c2ece435373f8343c85b78674dadfc7e146f882b4f";
const SHARED: &str = "4a5d9d5ba4ce2de1728e3bf480350f25e07e21c947d19e3376f09b3c1e161742";
const CEK: &str = "0f1e2d3c4b5a69788796a5b4c3d2e1f01f2e3d4c5b6a798897a6b5c4d3e2f100";
const NONCE: &str = "26682306d4fb28ca01b43b80";
const TEXT: &[u8] = b"This is a real firmware image.";
const SEALED: &str =
    "1cd5d49daa014ccaeafb19335fc683530a95b3b82932910a09658445b22f1ed2729ca9008b138a789fb868fe25b1";
const INFO: &str = "d8608444a1011818a1054c26682306d4fb28ca01b43b80f6818344a101381ca204456b69642d3220a3010120042158208520f0098930a754748b7ddcb43ef75a0dbf3a0d26381af4eba4a98eaa9b4e6a58289fa5288c8e9be2e68ce4107fc51e89fc276ee2d3e24f641c9cfcc4c347435435622be01e27532f9b";

fn open(info: &str) -> Result<Vec<u8>, SealFault> {
    open_bytes(&bytes(info), &bytes(SEALED))
}

fn open_bytes(info: &[u8], sealed: &[u8]) -> Result<Vec<u8>, SealFault> {
    let mut buffer = sealed.to_vec();
    match encrypt::decrypt(info, &mut buffer, &StaticSecret::from(array::<32>(BOB))) {
        Ok(len) => Ok(buffer[..len].to_vec()),
        Err(fault) => {
            assert_eq!(buffer, sealed, "something was let out");
            Err(fault)
        }
    }
}

#[test]
fn the_profile_case_opens_and_seals() {
    assert_eq!(open(INFO), Ok(TEXT.to_vec()));
    let random =
        encrypt::SealRandom { ephemeral: array(ALICE), content_key: array(CEK), nonce: array(NONCE) };
    let (info, sealed) = encrypt::seal(&PublicKey(array(BOB_PUBLIC)), &random, Some(b"kid-2"), TEXT).unwrap();
    assert_eq!((hex::encode(info), hex::encode(sealed)), (INFO.into(), SEALED.into()));
    // Source of the context: RFC 9053 section 5.2 with the draft's SuppPubInfo; made byte for byte
    // by another COSE library.
    let context = "842283f6f6f683f6f6f683188044a101381c5753554954205061796c6f616420456e6372797074696f6e";
    assert_eq!(hex::encode(CONTEXT), context);
}

/// The key derivation of -29 with the draft's context unwraps the draft's own content key, and with
/// the context of plain COSE that of the COSE examples: both are published, with P-256 for the
/// agreement. Source: draft-ietf-suit-firmware-encryption-24 section 6.1.3; COSE working group
/// example collection, ecdh-wrap-examples/p256-wrap-128-01 (13 March 2024). The shared secret of the
/// first follows from the keys printed there.
#[test]
fn published_content_keys_unwrap() {
    let plain = bytes("842283f6f6f683f6f6f682188044a101381c");
    let cases: [(&str, &[u8], &str, &str, &str); 2] = [
        (
            "13bd7df22a0b2fa132a02083de47e209ae79231de158037f51aa663ae758fcd7",
            &CONTEXT,
            "bb63763fc3913868040a1d63cf3a72ba",
            "a06b8e6550f308712b1df044b21b7d11d9b22792f1de0997",
            "15f785b5c931414411b4b71373a9c0f7",
        ),
        (
            "ee45f7c389fdb89923ca67c0e0cd29802dec8f514eb818054beedd5dafa78048",
            &plain,
            "7c60cb35a78b24dcf40a394395e9e8cd",
            "d23bca11c3f8e35bf6f81412794e159772e946ff4fb31bd1",
            "b2353161740aacf1f7163647984b522a",
        ),
    ];
    for (shared, context, wrapping, wrapped, key) in cases {
        let mut kek = [0; 16];
        hkdf::Hkdf::<sha2::Sha256>::new(None, &bytes(shared)).expand(context, &mut kek).unwrap();
        assert_eq!(hex::encode(kek), wrapping);
        let mut out = [0; 16];
        aes_kw::KwAes128::new(&kek.into()).unwrap_key(&bytes(wrapped), &mut out).unwrap();
        assert_eq!(hex::encode(out), key);
    }
}

/// The published examples write header maps in any order; a salt that is there is applied.
/// Source: draft-ietf-suit-firmware-encryption-24 sections 5.2.4 and 9.3 (order); salt of RFC 5869
/// A.1, wrapped key computed with two implementations.
#[test]
fn order_and_salt_of_the_recipient_headers() {
    let key = format!("20a301012004215820{ALICE_PUBLIC}");
    let other_order = INFO.replace(&format!("04456b69642d32{key}"), &format!("{key}04456b69642d32"));
    assert_ne!(other_order, INFO);
    assert_eq!(open(&other_order), Ok(TEXT.to_vec()));
    let wrapped = "9fa5288c8e9be2e68ce4107fc51e89fc276ee2d3e24f641c9cfcc4c347435435622be01e27532f9b";
    let salted = INFO
        .replace("a204456b69642d32", "a304456b69642d32")
        .replace(&key, &format!("{key}334d000102030405060708090a0b0c"))
        .replace(wrapped, "8f4173c5e69026c2ea5fc3e170f202287db8215fa9a3d4401128fef87d5260454c47f2c5b059e466");
    assert_eq!(open(&salted), Ok(TEXT.to_vec()));
    // The salt taken away again, and a salt that was not applied when wrapping.
    assert_eq!(
        open(&INFO.replace(&key, &format!("{key}3340")).replace("a204456b", "a304456b")),
        Ok(TEXT.to_vec())
    );
    let not_applied = INFO.replace("a204456b", "a304456b").replace(&key, &format!("{key}334100"));
    // One zero byte as salt is the same as none: HMAC pads its key with zeros (RFC 2104).
    assert_eq!(open(&not_applied), Ok(TEXT.to_vec()));
    let not_applied = INFO.replace("a204456b", "a304456b").replace(&key, &format!("{key}334101"));
    assert_eq!(open(&not_applied), Err(SealFault::Unwrap));
}

/// Every change of the profile case, and where it fails.
#[test]
fn the_profile_case_changed_is_refused() {
    let change = |from: &str, to: &str| {
        let changed = INFO.replacen(from, to, 1);
        assert_ne!(changed, INFO, "{from}");
        open(&changed).unwrap_err()
    };
    // The wrong context when wrapping: that of plain COSE (RFC 9053), wrapped key as computed.
    let wrapped = "9fa5288c8e9be2e68ce4107fc51e89fc276ee2d3e24f641c9cfcc4c347435435622be01e27532f9b";
    let plain_cose = "0fc6cc129687a6d354956e8db04e1528ebeabb8f61e1e483484a28522382f12d92677162c809311e";
    assert_eq!(change(wrapped, plain_cose), SealFault::Unwrap);
    assert_eq!(change(wrapped, &wrapped.replacen("9f", "9e", 1)), SealFault::Unwrap);
    assert_eq!(change(ALICE_PUBLIC, &ALICE_PUBLIC.replacen("85", "84", 1)), SealFault::Unwrap);
    assert_eq!(change(NONCE, &NONCE.replacen("26", "27", 1)), SealFault::Tag);
    // Structure: kty 2, crv 6, a key of 31 bytes, a fourth parameter (d), no ephemeral key.
    assert!(matches!(change("a3010120042158", "a3010220042158"), SealFault::Structure { .. }));
    assert!(matches!(change("a3010120042158", "a3010120062158"), SealFault::Structure { .. }));
    let short = format!("581f{}", &ALICE_PUBLIC[2..]);
    assert!(matches!(change(&format!("5820{ALICE_PUBLIC}"), &short), SealFault::Structure { .. }));
    let with_d =
        change(&format!("a301012004215820{ALICE_PUBLIC}"), &format!("a401012004215820{ALICE_PUBLIC}2340"));
    assert!(matches!(with_d, SealFault::Structure { .. }));
    let gone = format!("a204456b69642d3220a301012004215820{ALICE_PUBLIC}");
    assert!(matches!(change(&gone, "a104456b69642d32"), SealFault::Structure { .. }));
    // Algorithms: content 1 (AES-GCM), agreement -31, the algorithm unprotected, an unknown crit.
    assert_eq!(change("44a1011818", "43a10101"), SealFault::Algorithm { at: 4, found: Some(1) });
    assert!(matches!(change("44a101381c", "44a101381e"), SealFault::Algorithm { found: Some(-31), .. }));
    assert!(matches!(
        change("44a1011818a1054c26682306d4fb28ca01b43b80", "40a2011818054c26682306d4fb28ca01b43b80"),
        SealFault::Structure { at: 4, .. }
    ));
    assert!(matches!(change("44a1011818", "47a20118180281f6"), SealFault::Structure { at: 4, .. }));
    // Nonce of 11 bytes, Partial IV (6) instead of the nonce, ciphertext inside.
    assert!(matches!(
        change("4c26682306d4fb28ca01b43b80", "4b682306d4fb28ca01b43b80"),
        SealFault::Structure { .. }
    ));
    assert!(matches!(change("a1054c", "a1064c"), SealFault::Header { .. }));
    assert!(matches!(change("b43b80f681", "b43b804081"), SealFault::Structure { .. }));
    // No recipient, two recipients.
    let recipient = &INFO[INFO.find("8344a101381c").unwrap()..];
    assert_eq!(change(&format!("81{recipient}"), "80"), SealFault::Recipients { at: 24, count: 0 });
    let two = SealFault::Recipients { at: 24, count: 2 };
    assert_eq!(change(&format!("81{recipient}"), &format!("82{recipient}{recipient}")), two);
    // A wrapped key of 24 bytes, which is a key for another cipher.
    let short = change(&format!("5828{wrapped}"), "58181fa68b0a8112b447aef34bd8fb5a7b829d3e862371d2cfe5");
    assert!(matches!(short, SealFault::Structure { .. }));
    assert_eq!(open_bytes(&bytes(INFO), &[0; 15]), Err(SealFault::TooShort { len: 15 }));
    for bit in 0..SEALED.len() / 2 * 8 {
        let mut hurt = bytes(SEALED);
        hurt[bit / 8] ^= 1 << (bit % 8);
        assert_eq!(open_bytes(&bytes(INFO), &hurt), Err(SealFault::Tag), "bit {bit}");
    }
}

/// Source: RFC 7748 section 6.1 (the check for zero); the seven u-coordinates of low order, with and
/// without the top bit, which the function masks.
#[test]
fn ephemeral_keys_of_low_order_are_refused() {
    let low = [
        "0000000000000000000000000000000000000000000000000000000000000000",
        "0100000000000000000000000000000000000000000000000000000000000000",
        "e0eb7a7c3b41b8ae1656e3faf19fc46ada098deb9c32b1fd866205165f49b800",
        "5f9c95bca3508c24b1d0b1559c83ef5b04445cc4581c8e86d8224eddd09f1157",
        "ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
        "edffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
        "eeffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
    ];
    for key in low {
        let mut high = array::<32>(key);
        high[31] ^= 0x80;
        for key in [key.to_string(), hex::encode(high)] {
            assert_eq!(open(&INFO.replace(ALICE_PUBLIC, &key)), Err(SealFault::Agreement), "{key}");
        }
    }
    // The top bit of a good key is masked too: why the whole info stands inside a signed manifest.
    let mut high = array::<32>(ALICE_PUBLIC);
    high[31] ^= 0x80;
    assert_eq!(open(&INFO.replace(ALICE_PUBLIC, &hex::encode(high))), Ok(TEXT.to_vec()));
}
