//! CBOR as RFC 8949 has it, and as this project narrows it.

mod reference;

use pintle_protocol::cbor::{CborKind, Limits, check};
use reference::{bytes, rows};

const VECTORS: &str = include_str!("../vectors/cbor_rfc8949.txt");

fn kind(bytes: &[u8]) -> Result<(), CborKind> {
    check(bytes, Limits::default()).map_err(|fault| fault.kind)
}

/// Source: RFC 8949 appendix A, the rows in deterministic encoding without floating point. Of those
/// this project leaves out the tags and simple values that it has no use for.
#[test]
fn appendix_a_passes_but_for_what_we_leave_out() {
    let mut seen = 0;
    for row in rows(VECTORS).iter().filter(|row| row[0] == "well-formed") {
        let expected = match row[1] {
            // Tags 1 and 24.
            "c11a514b67b0" | "d818456449455446" => Err(CborKind::Tag),
            // simple(16), simple(255), undefined.
            "f0" | "f8ff" | "f7" => Err(CborKind::Simple),
            _ => Ok(()),
        };
        assert_eq!(kind(&bytes(row[1])), expected, "{}", row[1]);
        seen += 1;
    }
    assert_eq!(seen, 36);
}

/// Source: RFC 8949 section 4.2.1 (and appendix A for the indefinite lengths).
#[test]
fn what_is_not_deterministic_is_refused_for_the_right_reason() {
    let mut seen = 0;
    for row in rows(VECTORS) {
        let expected: &[CborKind] = match row[0] {
            "well-formed" | "not-well-formed" | "trailing" => continue,
            "duplicate-map-key" => &[CborKind::DuplicateKey],
            "indefinite-length" => &[CborKind::Indefinite],
            "invalid-UTF-8" => &[CborKind::Utf8],
            "map-keys-not-in-bytewise-order" => &[CborKind::KeyOrder],
            "not-shortest-float" => &[CborKind::Float],
            "not-shortest-integer" | "not-shortest-length" | "not-shortest-tag" => &[CborKind::NotShortest],
            other => panic!("{other}"),
        };
        let found = kind(&bytes(row[1])).unwrap_err();
        assert!(expected.contains(&found), "{row:?}: {found:?}");
        seen += 1;
    }
    assert_eq!(seen, 29);
}

/// Source: RFC 8949 appendix F, all 94 sequences, and three with more behind the item.
#[test]
fn what_is_not_well_formed_is_refused() {
    let mut seen = (0, 0);
    for row in rows(VECTORS) {
        match row[0] {
            "not-well-formed" => {
                assert!(kind(&bytes(row[1])).is_err(), "{}", row[1]);
                seen.0 += 1;
            }
            "trailing" => {
                assert_eq!(kind(&bytes(row[1])), Err(CborKind::Trailing), "{}", row[1]);
                seen.1 += 1;
            }
            _ => {}
        }
    }
    assert_eq!(seen, (94, 3));
}

/// The orders of RFC 7049 and RFC 8949 differ for {24: 2, -1: 1}. Source: RFC 8949 section 4.2.1
/// (bytewise) and section 4.2.3 (the older, length-first order).
#[test]
fn keys_sort_bytewise_not_by_length() {
    assert_eq!(kind(&bytes("a21818022001")), Ok(()));
    assert_eq!(kind(&bytes("a22001181802")), Err(CborKind::KeyOrder));
}

/// Lengths that nobody could have sent. Common practice, no source.
#[test]
fn claimed_lengths_reserve_nothing() {
    for row in ["5b7fffffffffffffff", "9bffffffffffffffff", "bbffffffffffffffff", "bb0000000100000000"] {
        assert_eq!(kind(&bytes(row)), Err(CborKind::Truncated), "{row}");
    }
    let deep = [vec![0x81; 1_000_000], vec![0]].concat();
    assert_eq!(kind(&deep), Err(CborKind::Depth));
}
