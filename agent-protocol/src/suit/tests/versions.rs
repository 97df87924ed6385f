//! Versions, as a manifest names its own and as a condition asks for one.
//!
//! Source: draft-ietf-suit-update-management-14, set-version and the version parameter: numbers, the marks of versions
//! before a release (-1 candidate, -2 beta, -3 alpha), the five comparisons, and that they end with the asked numbers.

use crate::suit::Refusal;
use crate::suit::manifest::set_version;
use crate::suit::outer::Piece;
use crate::suit::params::Wanted;
use crate::version::Version;
use hex_literal::hex;

fn named(bytes: &[u8]) -> Option<Version> {
    set_version(Piece { bytes, at: 0 }).unwrap()
}

/// The three encodings that the draft prints; only the first is a version as images here have one.
#[test]
fn set_version_as_the_draft_writes_it() {
    assert_eq!(named(&hex!("83 01 02 03")), Some(Version::new(1, 2, 3)));
    // 1.2-rc.3 and 1.2.3-alpha.4.
    assert_eq!(named(&hex!("84 01 02 20 03")), None);
    assert_eq!(named(&hex!("85 01 02 03 22 04")), None);
    assert_eq!(named(&hex!("82 01 02")), None);
    assert_eq!(named(&hex!("83 01 02 1a 00010000")), None, "too large for an image's note");
}

/// What is no version, each with its place.
#[test]
fn what_is_no_version_is_refused_where_it_is_wrong() {
    let one_to_three = "1 to 3 numbers, then one mark from -1 to -3";
    let rows: [(&[u8], usize, &str); 9] = [
        (&hex!("80"), 0, "a version of 1 to 8 numbers"),
        (&hex!("89 01 02 03 20 01 02 03 04 05"), 0, "a version of 1 to 8 numbers"),
        // A fourth number of a release, a mark before any number, unknown marks, two marks.
        (&hex!("84 01 02 03 04"), 4, one_to_three),
        (&hex!("81 20"), 1, one_to_three),
        (&hex!("82 01 23"), 2, one_to_three),
        (&hex!("82 01 3b 7fffffffffffffff"), 2, one_to_three),
        (&hex!("83 01 20 21"), 3, one_to_three),
        (&hex!("82 01 61 61"), 2, "a number"),
        (&hex!("01"), 0, "the numbers of a version"),
    ];
    for (bytes, at, expected) in rows {
        let at = at + 40;
        let refusal = set_version(Piece { bytes, at: 40 }).unwrap_err();
        assert_eq!(refusal, Refusal::Structure { at, expected: expected.into() }, "{bytes:02x?}");
    }
    let cut = set_version(Piece { bytes: &hex!("83 01 02"), at: 40 });
    assert!(matches!(cut, Err(Refusal::Cbor { at: 40, .. })), "{cut:?}");
    // A mark may be the end, and after it any count of numbers up to the bound.
    assert_eq!(named(&hex!("82 01 20")), None);
    assert_eq!(named(&hex!("88 01 02 03 22 04 05 06 07")), None);
}

fn holds(wanted: &[u8], installed: [u16; 3]) -> bool {
    Wanted::read(Piece { bytes: wanted, at: 0 }).unwrap().holds(&installed)
}

/// Every comparison, on versions below, at and above 1.2.3: greater, at least, equal, at most, lesser.
#[test]
fn comparisons_have_the_drafts_numbers() {
    let rows = [(1, [false, false, true]), (2, [false, true, true]), (3, [false, true, false])];
    let rows = rows.into_iter().chain([(4, [true, true, false]), (5, [true, false, false])]);
    for (comparison, wanted) in rows {
        let asked = [0x82, comparison, 0x83, 1, 2, 3];
        let found = [[1, 2, 2], [1, 2, 3], [1, 3, 0]].map(|installed| holds(&asked, installed));
        assert_eq!(found, wanted, "comparison {comparison}");
    }
    for other in [0, 6, 23] {
        let asked = [0x82, other, 0x81, 1];
        assert!(Wanted::read(Piece { bytes: &asked, at: 0 }).is_err(), "comparison {other}");
    }
}

/// "Equal [1]" is every 1.x, and "greater [1]" none of them.
#[test]
fn what_is_not_asked_is_not_compared() {
    assert!(holds(&hex!("82 03 81 01"), [1, 9, 9]));
    assert!(!holds(&hex!("82 01 81 01"), [1, 9, 9]));
    assert!(holds(&hex!("82 01 81 01"), [2, 0, 0]));
    assert!(holds(&hex!("82 05 82 01 0a"), [1, 9, 9]), "numbers, not texts");
    // A release is above its candidate: 1.2.3 against 1.2.3-rc.1.
    assert!(holds(&hex!("82 01 85 01 02 03 20 01"), [1, 2, 3]));
    assert!(!holds(&hex!("82 03 85 01 02 03 20 01"), [1, 2, 3]));
}
