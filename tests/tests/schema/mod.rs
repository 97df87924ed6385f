//! Holds messages against `docs/pintle.cddl`.
#![allow(dead_code, unreachable_pub, reason = "each test binary uses a part")]

use cddl::ast::CDDL;
use cddl::validator::Validator;
use cddl::validator::cbor::CBORValidator;
use cddl::validator::cbor_value::decode_cbor;
use minicbor::Decoder;
use pintle_protocol::cbor::{Limits, check};
use std::cell::RefCell;
use std::collections::HashMap;

const TEXT: &str = include_str!("../../../docs/pintle.cddl");

thread_local! {
    /// The file, parsed once for each rule that something was held against.
    static PARSED: RefCell<HashMap<String, &'static CDDL<'static>>> = RefCell::default();
}

/// The file with `rule` as what is asked for. A rule that is not there would pass nothing.
fn parsed(rule: &str) -> &'static CDDL<'static> {
    PARSED.with_borrow_mut(|parsed| {
        *parsed.entry(rule.to_owned()).or_insert_with(|| {
            assert!(TEXT.contains(&format!("\n{rule} ")), "docs/pintle.cddl has no rule {rule}");
            let text = Box::leak(format!("asked-for = {rule}\n{TEXT}").into_boxed_str());
            let tree =
                cddl::parser::cddl_from_str(text, false).unwrap_or_else(|e| panic!("pintle.cddl: {e}"));
            Box::leak(Box::new(tree))
        })
    })
}

/// What is wrong with `bytes` as `rule`, if anything.
pub fn fault(rule: &str, bytes: &[u8]) -> Option<String> {
    // What the notation cannot say: deterministic encoding, and nothing behind it.
    if let Err(fault) = check(bytes, Limits::default()) {
        return Some(fault.to_string());
    }
    let value = match decode_cbor(bytes) {
        Ok(value) => value,
        Err(error) => return Some(error.to_string()),
    };
    CBORValidator::new(parsed(rule), value, None).validate().err().map(|e| e.to_string())
}

/// Holds a message that must be good against its rule.
#[track_caller]
pub fn holds(rule: &str, bytes: &[u8]) {
    if let Some(fault) = fault(rule, bytes) {
        panic!("not a {rule}: {fault}\n{}", hex::encode(bytes));
    }
}

/// Holds what a node posts to `path`, and what it is answered, against their rules. `None` where
/// the body is no CBOR (a payload) or there is none.
#[track_caller]
pub fn exchange_holds(path: &str, asked: Option<&[u8]>, status: u16, body: &[u8]) {
    let request = match path {
        "/node/claim" => Some("claim-message"),
        "/node/check-in" => Some("check-in-message"),
        _ => None,
    };
    // Tests also send what must be refused; only what a server takes has to hold.
    if (200..300).contains(&status)
        && let (Some(rule), Some(asked)) = (request, asked)
    {
        holds(rule, asked);
    }
    match status {
        200 if path == "/node/check-in" => holds("reply-message", body),
        200 if path.starts_with("/node/envelope/") => holds_envelope(body),
        200..300 => {}
        _ => holds("node-error", body),
    }
}

/// Holds an envelope against what nodes take, and against what the operator's side writes for the
/// component it names.
#[track_caller]
pub fn holds_envelope(bytes: &[u8]) {
    holds("suit-envelope", bytes);
    let rule = match component(bytes).as_deref() {
        Some(b"net" | b"io") => "image-envelope",
        Some(b"conf") => "bundle-envelope",
        Some(b"keys") => "keys-envelope",
        other => panic!("component {other:?}"),
    };
    holds(rule, bytes);
}

/// The first component that a manifest names.
fn component(envelope: &[u8]) -> Option<Vec<u8>> {
    let manifest = member(envelope, 3, true)?;
    let common = member(&manifest, 3, false)?;
    let mut d = Decoder::new(&common);
    d.map().ok()?;
    d.u8().ok()?;
    d.array().ok()?;
    d.array().ok()?;
    d.bytes().ok().map(<[u8]>::to_vec)
}

/// A member of a map, as the content of its byte string.
fn member(map: &[u8], wanted: u8, tagged: bool) -> Option<Vec<u8>> {
    let mut d = Decoder::new(map);
    if tagged {
        d.tag().ok()?;
    }
    for _ in 0..d.map().ok()?? {
        if d.u8().ok()? == wanted {
            return d.bytes().ok().map(<[u8]>::to_vec);
        }
        d.skip().ok()?;
    }
    None
}
