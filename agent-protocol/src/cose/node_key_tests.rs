//! What a node's key signs is what the library signs with the same seed.

use super::*;
use ed25519_dalek::SigningKey;
use proptest::prelude::*;
use std::vec::Vec;

fn signature(key: &impl MultipartSigner<Signature>, parts: &[&[u8]]) -> [u8; 64] {
    key.multipart_sign(parts).to_bytes()
}

/// A number below the order of the group, from any 64 bytes.
fn number() -> impl Strategy<Value = Scalar> {
    (any::<[u8; 32]>(), any::<[u8; 32]>()).prop_map(|(low, high)| {
        let mut wide = [0; 64];
        wide[..32].copy_from_slice(&low);
        wide[32..].copy_from_slice(&high);
        Scalar::from_bytes_mod_order_wide(&wide)
    })
}

proptest! {
    /// Against ed25519-dalek. Signing has no random part (RFC 8032 section 5.1.6), so the bytes are the same.
    #[test]
    fn it_signs_as_the_library_does(
        seed in any::<[u8; 32]>(),
        message in prop::collection::vec(any::<u8>(), 0..300),
        cut in any::<prop::sample::Index>(),
    ) {
        let (ours, theirs) = (NodeKey::new(&seed), SigningKey::from_bytes(&seed));
        prop_assert_eq!(ours.public().0, theirs.verifying_key().to_bytes());
        let (start, rest) = message.split_at(cut.index(message.len() + 1));
        prop_assert_eq!(signature(&ours, &[start, b"", rest]), signature(&theirs, &[&message]));
    }

    /// Against curve25519-dalek's own product.
    #[test]
    fn the_product_is_the_librarys(a in number(), b in number()) {
        prop_assert_eq!(times(&a, &b), a * b);
    }

    /// Against curve25519-dalek's own reduction.
    #[test]
    fn a_number_is_reduced_as_the_library_does(bytes in any::<[u8; 32]>()) {
        prop_assert_eq!(reduced(&bytes), Scalar::from_bytes_mod_order(bytes));
    }
}

#[test]
fn the_smallest_and_largest_numbers_multiply_as_in_the_library() {
    let edges: Vec<Scalar> =
        [Scalar::ZERO, Scalar::ONE, -Scalar::ONE, -Scalar::from(2u8), Scalar::from(u128::MAX)].into();
    for a in &edges {
        for b in &edges {
            assert_eq!(times(a, b), a * b, "{a:?} {b:?}");
        }
    }
}
