//! The limits of what is read, at the last value that passes and the first that does not; and what may not be touched
//! untested.

use super::{
    anchors, block, bstr, cbor, choose, command, envelope_with, identity, manifest_bytes, sealed_envelope,
    sequence, set, suit_digest, uint,
};
use crate::cbor::Reader;
use crate::suit::outer::Piece;
use crate::suit::params::Wanted;
use crate::suit::scan::{Index, alternatives};
use crate::suit::{Answer, Ask, FailureKind, MAX_MANIFEST, Refusal, envelope};
use hex_literal::hex;
use std::vec::Vec;

fn structure(at: usize, expected: &'static str) -> Refusal {
    Refusal::Structure { at, expected: expected.into() }
}

/// Blocks that are each as they should be, one role's.
#[test]
fn four_blocks_are_looked_at_and_five_refuse() {
    let bytes = manifest_bytes(&[b"a"], None, &[(7, bstr(&sequence(&[command(14)])))]);
    let signed = suit_digest(&bytes);
    let opened = |count: u8| {
        let blocks: Vec<_> = (0..count).map(|_| block(2, None, &signed)).collect();
        let envelope = envelope_with(&bytes, &blocks, &[]);
        envelope::open(&envelope, &anchors()).map(|a| a.role()).map_err(|refusal| (refusal, envelope))
    };
    assert!(opened(4).is_ok());
    let (refusal, envelope) = opened(5).unwrap_err();
    // The wrapper is an array of the digest and five blocks.
    let at = envelope.windows(3).position(|w| w == [0x86, 0x58, 0x24]).unwrap();
    assert_eq!(refusal, structure(at, "at most four authentication blocks"));
}

#[test]
fn two_to_four_alternatives_are_read() {
    let read = |bytes: &[u8]| alternatives(&mut Reader::new(bytes));
    let list = |count: usize, null: bool| {
        cbor(|w| {
            w.array(count + usize::from(null));
            for _ in 0..count {
                w.bytes(&[0x80]);
            }
            if null { w.null() } else { w }
        })
    };
    let wrong = Err(structure(0, "two to four alternatives"));
    for null in [false, true] {
        assert_eq!(read(&list(0, null)), wrong);
        assert_eq!(read(&list(1, null)), wrong);
        assert_eq!(read(&list(2, null)), Ok((2, null)));
        assert_eq!(read(&list(4, null)), Ok((4, null)));
        assert_eq!(read(&list(5, null)), wrong);
        // As many as would come to two if they were counted in a byte.
        assert_eq!(read(&list(258, null)), wrong);
    }
}

/// Of three components: each at most once, one at least.
#[test]
fn a_list_of_components_has_each_at_most_once() {
    let read = |bytes: &[u8]| {
        let index = Index::read(&mut Reader::new(bytes), 3)?;
        Ok((0..4).map_while(|n| index.get(n)).collect::<Vec<_>>())
    };
    assert_eq!(read(&hex!("f5")), Ok(std::vec![0, 1, 2]));
    assert_eq!(read(&hex!("02")), Ok(std::vec![2]));
    assert_eq!(read(&hex!("83 02 00 01")), Ok(std::vec![2, 0, 1]));
    let too_many = "a list with every component at most once";
    assert_eq!(read(&hex!("80")), Err(structure(0, too_many)));
    assert_eq!(read(&hex!("84 00 01 02 00")), Err(structure(0, too_many)));
    assert_eq!(read(&hex!("82 01 01")), Err(structure(2, "a component that is not in the list yet")));
    assert!(read(&hex!("82 00 03")).is_err() && read(&hex!("03")).is_err());
}

#[test]
fn a_condition_asks_for_one_to_eight_numbers() {
    let read = |bytes: &[u8]| Wanted::read(Piece { bytes, at: 0 }).map(drop);
    let wrong = Err(structure(2, "a version of 1 to 8 numbers"));
    assert_eq!(read(&hex!("82 01 80")), wrong);
    assert_eq!(read(&hex!("82 01 81 01")), Ok(()));
    assert_eq!(read(&hex!("82 01 88 01 02 03 04 05 06 07 08")), Ok(()));
    assert_eq!(read(&hex!("82 01 89 01 02 03 04 05 06 07 08 09")), wrong);
}

/// The wrapper and what can be severed are no larger than the manifest may be; the text may.
#[test]
fn each_member_of_an_envelope_has_its_room() {
    let bytes = manifest_bytes(&[b"a"], None, &[(7, bstr(&sequence(&[command(14)])))]);
    let block = block(2, None, &suit_digest(&bytes));
    let with = |key: u64| {
        let severed = (uint(key), std::vec![0; MAX_MANIFEST + 1]);
        envelope::open(&envelope_with(&bytes, core::slice::from_ref(&block), &[severed]), &anchors())
            .map(drop)
    };
    for key in [16, 20] {
        assert!(matches!(with(key), Err(Refusal::TooLarge { room: MAX_MANIFEST, .. })), "{key}");
    }
    assert!(!matches!(with(23), Err(Refusal::TooLarge { .. })));
    let filler = std::vec![0u8; MAX_MANIFEST];
    let wrapper = envelope_with(&bytes, &[block, filler], &[]);
    assert!(matches!(
        envelope::open(&wrapper, &anchors()),
        Err(Refusal::TooLarge { room: MAX_MANIFEST, .. })
    ));
}

/// Every command that touches a component, one after the other, with nothing tested before it.
#[test]
fn whatever_touches_a_component_asks_first_whom_it_is_for() {
    let parameters = || set(&[(18, bstr(b"x")), (21, super::text("#x")), (22, uint(1))]);
    for (section, code) in [(20, 18), (20, 21), (20, 22), (9, 23)] {
        let body = sequence(&[choose(0), parameters(), command(code)]);
        let made = |shared: &[u8]| {
            sealed_envelope(&manifest_bytes(&[b"a", b"b"], Some(shared), &[(section, bstr(&body))]))
        };
        let untested = made(&sequence(&[choose(0), identity()[0].clone()]));
        let (asked, end) = touched(&untested, section);
        assert_eq!((asked, end), (0, Some(FailureKind::IdentityUntested)), "command {code}");
        let (asked, _) = touched(&made(&sequence(&[&[choose(0)][..], &identity()].concat())), section);
        assert_eq!(asked, 1, "command {code}");
    }
}

/// How often a component is touched, and how the run ends, with every question answered well.
fn touched(bytes: &[u8], section: u64) -> (usize, Option<FailureKind>) {
    let manifest = super::read(bytes).unwrap();
    let mut run = if section == 9 {
        crate::suit::Run::<4>::invoke(&manifest)
    } else {
        crate::suit::Run::update(&manifest)
    };
    let (mut answer, mut asked) = (Answer::Start, 0);
    loop {
        match run.next(&manifest, answer) {
            Ok(Ask::Done) => return (asked, None),
            Ok(_) => asked += 1,
            Err(failure) => return (asked, Some(failure.kind)),
        }
        answer = Answer::Done;
    }
}
