//! Versions, as a manifest names its own and as a condition asks for one.
//!
//! Source: draft-ietf-suit-update-management-14, set-version and the version parameter: numbers, the marks of versions
//! before a release (-1 candidate, -2 beta, -3 alpha), the five comparisons, and that they end with the asked numbers.

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
    assert!(set_version(Piece { bytes: &hex!("83 01 02"), at: 0 }).is_err());
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
