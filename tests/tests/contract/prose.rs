//! That `docs/wire.md` says what the library does, where the two can be compared.

use super::samples as s;
use pintle_protocol::cose::AAD_REPLY;
use pintle_protocol::cose::encrypt::{CONTEXT, ENC_STRUCTURE};
use pintle_protocol::link::{FRAME_MAX, encode_frame};
use pintle_protocol::reason::Reason;

const TEXT: &str = include_str!("../../../docs/wire.md");

/// The page without white space: examples are set in groups.
fn squeezed() -> String {
    TEXT.split_whitespace().collect()
}

#[test]
fn the_worked_examples_are_the_vectors() {
    let page = squeezed();
    let message = s::signed(&s::signing(s::SERVER), &s::plain(&s::reply(None)), AAD_REPLY);
    for bytes in [&message[message.len() - 64..], &CONTEXT, &ENC_STRUCTURE] {
        let digits = hex::encode(bytes);
        assert!(page.contains(&digits), "{digits}");
    }
    let mut frame = [0; FRAME_MAX];
    let len = encode_frame(2, 2, &[], &mut frame).unwrap();
    assert!(page.contains(&hex::encode(&frame[..len])));
}

#[test]
fn every_reason_has_its_row() {
    for reason in Reason::ALL {
        assert!(TEXT.contains(&format!("\n| {} | ", reason.code())), "{reason:?}");
    }
}
