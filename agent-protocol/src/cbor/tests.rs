#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]

use super::check::item_end;
use super::*;
use hex_literal::hex;
use proptest::prelude::*;
use std::vec::Vec;

fn kind(bytes: &[u8]) -> Result<(), CborKind> {
    check(bytes, Limits::default()).map_err(|fault| fault.kind)
}

#[test]
fn place_of_the_fault_is_named() {
    // Sorted map whose third key stands wrong: {1: 0, 3: 0, 2: 0}.
    let fault = check(&hex!("a3 0100 0300 0200"), Limits::default());
    assert_eq!(fault, Err(CborFault { at: 5, kind: CborKind::KeyOrder }));
    // The text inside the array.
    let fault = check(&hex!("82 00 61ff"), Limits::default());
    assert_eq!(fault, Err(CborFault { at: 2, kind: CborKind::Utf8 }));
    // An array that claims more than there is, and a number cut short.
    assert_eq!(check(&hex!("82 00"), Limits::default()), Err(CborFault { at: 0, kind: CborKind::Truncated }));
    assert_eq!(
        check(&hex!("81 19 01"), Limits::default()),
        Err(CborFault { at: 3, kind: CborKind::Truncated })
    );
    assert_eq!(check(&[], Limits::default()), Err(CborFault { at: 0, kind: CborKind::Truncated }));
}

#[test]
fn only_our_tags_and_simple_values() {
    assert_eq!(kind(&hex!("d2 00")), Ok(()));
    assert_eq!(kind(&hex!("d860 00")), Ok(()));
    assert_eq!(kind(&hex!("d86b 00")), Ok(()));
    assert_eq!(kind(&hex!("d3 00")), Err(CborKind::Tag));
    assert_eq!(kind(&hex!("f7")), Err(CborKind::Simple));
    assert_eq!(kind(&hex!("f93c00")), Err(CborKind::Float));
}

#[test]
fn unordered_maps_are_for_cose_only_and_never_repeat_a_key() {
    // {-1: {}, 4: h''} as the published header maps have it.
    let map = hex!("a2 20a0 0440");
    assert_eq!(kind(&map), Err(CborKind::KeyOrder));
    assert_eq!(check(&map, Limits::COSE), Ok(()));
    let twice = hex!("a3 20a0 0440 20a0");
    assert_eq!(check(&twice, Limits::COSE), Err(CborFault { at: 5, kind: CborKind::DuplicateKey }));
    let mut many = std::vec![0xb1];
    (0..17u8).for_each(|key| many.extend([key, 0]));
    assert_eq!(check(&many, Limits::COSE), Err(CborFault { at: 0, kind: CborKind::TooManyKeys }));
}

#[test]
fn depth_is_bounded_whatever_is_asked() {
    let nested = |n: usize| [std::vec![0x81; n], std::vec![0x00]].concat();
    let deep = |depth| Limits { depth, order: MapOrder::Sorted };
    assert_eq!(check(&nested(8), deep(8)), Ok(()));
    assert_eq!(check(&nested(9), deep(8)), Err(CborFault { at: 8, kind: CborKind::Depth }));
    assert_eq!(check(&nested(16), deep(255)), Ok(()));
    assert_eq!(check(&nested(100_000), deep(255)), Err(CborFault { at: 16, kind: CborKind::Depth }));
    assert_eq!(check(&hex!("80"), deep(0)), Ok(()), "an empty array holds nothing");
}

#[test]
fn messages_are_read_whole() {
    use crate::version::Version;
    assert_eq!(decode_message::<Version>(&hex!("83 01 02 03")), Ok(Version::new(1, 2, 3)));
    assert_eq!(decode_message::<Version>(&hex!("83 01 02 1a00010000")), Err(MessageFault::Field { at: 3 }));
    assert!(matches!(decode_message::<Version>(&hex!("83 01 02 03 00")), Err(MessageFault::Cbor(_))));
    assert!(decode_message::<Version>(&hex!("82 01 02")).is_err());
    let mut out = [0; 4];
    assert_eq!(encode_message(&Version::new(1, 2, 3), &mut out), Some(4));
    assert_eq!(out, hex!("83 01 02 03"));
    assert_eq!(encode_message(&Version::new(1, 2, 3), &mut out[..3]), None);
}

/// Any item of the accepted form, as bytes made by construction, map keys sorted.
fn item() -> impl Strategy<Value = Vec<u8>> {
    let head = |major: u8, n: u64| {
        let mut out = [0; 9];
        let len = encode_message(&n, &mut out).unwrap();
        out[0] |= major << 5;
        out[..len].to_vec()
    };
    let leaf = prop_oneof![
        any::<u64>().prop_map(move |n| head(0, n)),
        any::<u64>().prop_map(move |n| head(1, n)),
        proptest::collection::vec(any::<u8>(), 0..40)
            .prop_map(move |b| [head(2, b.len() as u64), b].concat()),
        "\\PC{0,12}".prop_map(move |t| [head(3, t.len() as u64), t.into_bytes()].concat()),
        Just(std::vec![0xf4]),
        Just(std::vec![0xf5]),
        Just(std::vec![0xf6]),
    ];
    leaf.prop_recursive(6, 40, 6, move |inner| {
        prop_oneof![
            proptest::collection::vec(inner.clone(), 0..6).prop_map(move |v| [
                head(4, v.len() as u64),
                v.concat()
            ]
            .concat()),
            proptest::collection::btree_map(inner.clone(), inner.clone(), 0..6).prop_map(move |m| {
                let pairs: Vec<u8> = m.iter().flat_map(|(k, v)| [k.as_slice(), v].concat()).collect();
                [head(5, m.len() as u64), pairs].concat()
            }),
            inner.prop_map(move |i| [head(6, 107), i].concat()),
        ]
    })
}

proptest! {
    #[test]
    fn good_items_pass_and_end_where_they_should(bytes in item()) {
        prop_assert_eq!(check(&bytes, Limits::default()), Ok(()));
        prop_assert_eq!(item_end(&bytes, 0), Ok(bytes.len()));
    }

    #[test]
    fn cut_or_lengthened_items_do_not(bytes in item(), extra in any::<u8>()) {
        for cut in 0..bytes.len() {
            prop_assert!(check(&bytes[..cut], Limits::default()).is_err());
        }
        let long = [bytes.as_slice(), &[extra]].concat();
        prop_assert_eq!(kind(&long), Err(CborKind::Trailing));
    }

    #[test]
    fn any_bytes_are_judged_without_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200), depth in any::<u8>()) {
        for order in [MapOrder::Sorted, MapOrder::Any] {
            if let Err(fault) = check(&bytes, Limits { depth, order }) {
                prop_assert!(fault.at <= bytes.len());
            }
        }
        let _ = item_end(&bytes, 0);
    }

    /// What passes here is also well-formed in the eyes of another reader.
    #[test]
    fn what_passes_is_well_formed(bytes in proptest::collection::vec(any::<u8>(), 0..12)) {
        if check(&bytes, Limits::default()).is_ok() {
            let mut other = minicbor::Decoder::new(&bytes);
            prop_assert!(other.skip().is_ok());
            prop_assert_eq!(other.position(), bytes.len());
        }
    }
}

/// Heads are the shortest: the reader that refuses all others takes them.
#[test]
fn written_heads_are_the_shortest() {
    for n in [0, 23, 24, 255, 256, 65_535, 65_536, u64::from(u32::MAX), u64::from(u32::MAX) + 1, u64::MAX] {
        let bytes = head(0, n);
        assert_eq!(check(&bytes, Limits::default()), Ok(()), "{n}");
        assert_eq!(decode_message::<u64>(&bytes), Ok(n));
    }
    assert_eq!(bytes_head(113).as_slice(), hex!("5871"));
}
