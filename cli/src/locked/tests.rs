use super::*;
use crate::random::from_seed;
use hex_literal::hex;
use proptest::prelude::*;

const PASSPHRASE: &[u8] = b"seven hinges and a latch";

/// Source: RFC 9106 section 5.3, the Argon2id test vector: 32 KiB, 3 passes, 4 lanes. The
/// vector also uses a secret and associated data, which a lock does not; so it checks the
/// implementation that we call, not our text form.
#[test]
fn argon2id_gives_the_printed_tag() {
    let mut params = argon2::ParamsBuilder::new();
    params.m_cost(32).t_cost(3).p_cost(4).output_len(32);
    params.data(argon2::AssociatedData::new(&[4; 12]).unwrap());
    let argon =
        Argon2::new_with_secret(&[3; 8], Algorithm::Argon2id, Version::V0x13, params.build().unwrap())
            .unwrap();
    let mut tag = [0; 32];
    argon.hash_password_into(&[1; 32], &[2; 16], &mut tag).unwrap();
    assert_eq!(tag, hex!("0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659"));
}

/// Source: draft-irtf-cfrg-xchacha-03 appendix A.3.1.
#[test]
fn xchacha_gives_the_printed_ciphertext() {
    let plain = b"Ladies and Gentlemen of the class of '99: If I could offer you only one tip for the future, sunscreen would be it.";
    let key = hex!("808182838485868788898a8b8c8d8e8f909192939495969798999a9b9c9d9e9f");
    let nonce = hex!("404142434445464748494a4b4c4d4e4f5051525354555657");
    let sealed = encrypt(&key, &nonce, &hex!("50515253c0c1c2c3c4c5c6c7"), plain);
    assert_eq!(sealed[..16], hex!("bd6d179d3e83d43b9576579493c0e939"));
    assert_eq!(sealed[sealed.len() - 16..], hex!("c0875924c1c7987947deafd8780acf49"));
}

#[test]
fn the_recommended_cost_is_the_published_one() {
    // RFC 9106 section 4: t = 3, p = 4, m = 2^16 KiB.
    assert_eq!(Cost::RECOMMENDED, Cost { memory_kib: 1 << 16, passes: 3, lanes: 4 });
}

#[test]
fn opens_with_the_passphrase_and_with_no_other() {
    let mut rng = from_seed(1);
    let key = YardKey::generate(&mut rng);
    let text = lock(&key, PASSPHRASE, Cost::REHEARSAL, &mut rng).unwrap();
    assert_eq!(unlock(&text, PASSPHRASE).unwrap().0, key.0);
    assert_eq!(unlock(&text, b"seven hinges and a bolt").unwrap_err(), LockedError::WrongPassphrase);
    assert_eq!(unlock(&text.replace('\n', "\r\n"), PASSPHRASE).unwrap().0, key.0);
}

#[test]
fn short_passphrases_are_refused() {
    let mut rng = from_seed(1);
    let key = YardKey::generate(&mut rng);
    assert_eq!(lock(&key, b"short", Cost::REHEARSAL, &mut rng).unwrap_err(), LockedError::ShortPassphrase(5));
}

#[test]
fn boxes_keep_to_their_purpose_and_their_yard() {
    let mut rng = from_seed(2);
    let (key, other) = (YardKey::generate(&mut rng), YardKey::generate(&mut rng));
    let text = key.seal("image key", b"secret", &mut rng);
    assert_eq!(key.open("image key", &text).unwrap().as_slice(), b"secret");
    assert!(matches!(key.open("bundle key", &text), Err(LockedError::Purpose { .. })));
    let renamed = text.replace("image key", "bundle key");
    assert_eq!(key.open("bundle key", &renamed).unwrap_err(), LockedError::Damaged("bundle key".into()));
    assert_eq!(other.open("image key", &text).unwrap_err(), LockedError::Damaged("image key".into()));
}

#[test]
fn a_cost_beyond_all_use_is_refused_before_it_is_paid() {
    let mut rng = from_seed(3);
    let key = YardKey::generate(&mut rng);
    let text = lock(&key, PASSPHRASE, Cost::REHEARSAL, &mut rng).unwrap();
    let text = text.replace("cost: 8 KiB", "cost: 4294967295 KiB");
    assert!(matches!(unlock(&text, PASSPHRASE), Err(LockedError::Cost(_))));
}

#[test]
fn errors_name_the_line() {
    let mut rng = from_seed(4);
    let key = YardKey::generate(&mut rng);
    let text = lock(&key, PASSPHRASE, Cost::REHEARSAL, &mut rng).unwrap();
    let wrong = |text: &str| unlock(text, PASSPHRASE).unwrap_err();
    assert!(matches!(wrong(&text.replace("salt: ", "salt: x")), LockedError::Form { line: 3, .. }));
    assert!(matches!(wrong(&text.replace("lock 1", "lock 2")), LockedError::Form { line: 1, .. }));
    assert!(matches!(wrong(""), LockedError::Form { line: 1, .. }));
    let cut: String = text.lines().take(3).map(|l| format!("{l}\n")).collect();
    assert!(matches!(wrong(&cut), LockedError::Form { line: 4, .. }));
}

proptest! {
    #[test]
    fn any_changed_character_is_noticed(at in 0usize..400, with in "[0-9a-z]") {
        let mut rng = from_seed(5);
        let key = YardKey::generate(&mut rng);
        let text = key.seal("claim of gate", b"sixteen bytes...", &mut rng);
        let at = at % (text.len() - 1);
        let mut changed = text.clone();
        changed.replace_range(at..=at, &with);
        // Hexadecimal digits mean the same in both cases.
        if changed.to_lowercase() != text.to_lowercase() {
            prop_assert!(key.open("claim of gate", &changed).is_err());
        }
    }

    #[test]
    fn any_text_is_read_without_panic(text in ".{0,300}") {
        let key = YardKey::generate(&mut from_seed(6));
        let _ = key.open("image key", &text);
        let _ = unlock(&text, PASSPHRASE);
    }
}
