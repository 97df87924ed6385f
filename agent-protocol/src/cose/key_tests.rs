//! Which keys, which R and which S are refused.

use super::*;
use ed25519_dalek::Signature;
use std::collections::BTreeSet;

/// The subgroup of points whose order divides the cofactor has eight members: RFC 8032 section 5.1, c = 3.
#[test]
fn the_points_of_small_order_are_all_listed() {
    let mut found = BTreeSet::new();
    for y in SMALL_ORDER {
        for sign in [0, 0x80] {
            let mut bytes = y;
            bytes[31] |= sign;
            let point = VerifyingKey::from_bytes(&bytes).unwrap();
            assert!(point.is_weak() && has_small_order(&bytes), "{bytes:02x?}");
            found.insert(point.to_edwards().compress().to_bytes());
        }
    }
    assert_eq!(found.len(), 8);
}

#[test]
fn y_is_reduced_below_p_and_not_from_there_on() {
    let mut p = [0xff; 32];
    (p[0], p[31]) = (0xed, 0x7f);
    for above in 0..=18 {
        for sign in [0, 0x80] {
            let mut bytes = p;
            bytes[0] += above;
            bytes[31] |= sign;
            assert!(!is_reduced(&bytes), "p + {above}");
            // The library's own way to the canonical form says the same of every point there.
            if let Ok(point) = VerifyingKey::from_bytes(&bytes) {
                assert_ne!(point.to_edwards().compress().to_bytes(), bytes);
            }
        }
    }
    p[0] = 0xec;
    assert!(is_reduced(&p));
    for at in 1..32 {
        let mut lower = p;
        (lower[0], lower[at]) = (0xff, lower[at] - 1);
        assert!(is_reduced(&lower), "byte {at}");
    }
}

/// RFC 8032 section 5.1: the order of the group, little-endian.
const ORDER: [u8; 32] = [
    0xed, 0xd3, 0xf5, 0x5c, 0x1a, 0x63, 0x12, 0x58, 0xd6, 0x9c, 0xf7, 0xa2, 0xde, 0xf9, 0xde, 0x14, 0, 0, 0,
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0x10,
];

#[test]
fn s_is_taken_below_the_order_of_the_group_and_not_from_there_on() {
    let mut below = ORDER;
    below[0] -= 1;
    assert_eq!(below_order(&below), Some(-Scalar::ONE));
    assert_eq!(below_order(&[0; 32]), Some(Scalar::ZERO));
    for at in 0..32 {
        let mut above = ORDER;
        assert_eq!(below_order(&above), None);
        above[at] = above[at].saturating_add(1);
        assert_eq!(below_order(&above), None, "byte {at}");
        if let Some(less) = ORDER[at].checked_sub(1) {
            let mut lower = [0xff; 32];
            lower[at..].copy_from_slice(&ORDER[at..]);
            lower[at] = less;
            assert_eq!(below_order(&lower).map(|s| s.to_bytes()), Some(lower), "byte {at}");
        }
    }
    assert_eq!(below_order(&[0xff; 32]), None);
}

proptest::proptest! {
    /// Against curve25519-dalek's own check.
    #[test]
    fn s_is_taken_as_the_library_takes_it(
        bytes in proptest::prelude::any::<[u8; 32]>(),
        highest in 0x0fu8..=0x11,
    ) {
        for highest in [bytes[31], highest] {
            let mut bytes = bytes;
            bytes[31] = highest;
            let theirs: Option<Scalar> = Scalar::from_canonical_bytes(bytes).into();
            proptest::prop_assert_eq!(below_order(&bytes), theirs);
        }
    }

    /// Against the library's own strict verification, which computes both points.
    #[test]
    fn it_verifies_what_strict_verification_does(
        seed in proptest::prelude::any::<[u8; 32]>(),
        r in proptest::sample::select(SMALL_ORDER.to_vec()),
        (replace, sign, s_zero) in proptest::prelude::any::<(bool, bool, bool)>(),
    ) {
        use ed25519_dalek::{Signer, SigningKey};
        let key = SigningKey::from_bytes(&seed);
        let mut bytes = key.sign(b"some text").to_bytes();
        if replace {
            bytes[..32].copy_from_slice(&r);
            bytes[31] |= u8::from(sign) << 7;
        }
        if s_zero {
            bytes[32..].fill(0);
        }
        let public = key.verifying_key();
        let strict = public.verify_strict(b"some text", &Signature::from_bytes(&bytes)).is_ok();
        proptest::prop_assert_eq!(verifies(&public, &[b"some ", b"text"], &bytes), strict);
        proptest::prop_assert_eq!(strict, !replace && !s_zero);
    }
}
