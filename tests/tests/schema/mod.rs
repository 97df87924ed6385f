//! Holds messages against `docs/pintle.cddl`.
#![allow(dead_code, unreachable_pub, reason = "each test binary uses a part")]

use cddl::ast::CDDL;
use cddl::validator::Validator;
use cddl::validator::cbor::CBORValidator;
use cddl::validator::cbor_value::decode_cbor;
use minicbor::Decoder;
use pintle_protocol::agent::Agent;
use pintle_protocol::cbor::{Item, Limits, check, encode_message};
// One of the test programs has no prelude of its own.
use std::borrow::ToOwned;
use std::boxed::Box;
use std::cell::RefCell;
use std::collections::{BTreeSet, HashMap};
use std::string::{String, ToString};
use std::sync::{Mutex, PoisonError};
use std::vec::Vec;

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
        panic!(
            "not a {rule}: {fault}\n{}",
            bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>()
        );
    }
}

/// What was held already: rules and shapes.
static HELD: Mutex<BTreeSet<(String, Vec<u8>)>> = Mutex::new(BTreeSet::new());

/// [`holds`], but for messages of a shape that was held before in this process: whatever a virtual board says can be
/// held, however often it says it.
#[track_caller]
pub fn holds_each_shape(rule: &str, bytes: &[u8]) {
    let key = (rule.to_owned(), shape(bytes));
    let held = HELD.lock().unwrap_or_else(PoisonError::into_inner).contains(&key);
    if !held {
        holds(rule, bytes);
        HELD.lock().unwrap_or_else(PoisonError::into_inner).insert(key);
    }
}

/// A message without what a rule can hardly ask about: what strings say, and numbers of more than two bytes but for their
/// length. A string that is CBOR itself keeps its shape.
fn shape(bytes: &[u8]) -> Vec<u8> {
    let mut shape = Vec::new();
    let mut rest = bytes;
    while let [head, after @ ..] = rest {
        shape.push(*head);
        let more = match head & 0x1f {
            24 => 1,
            25 => 2,
            26 => 4,
            27 => 8,
            _ => 0,
        };
        let number = after.get(..more).unwrap_or_default();
        // Codes and lengths have up to two bytes, counters and times more.
        if number.len() <= 2 {
            shape.extend(number);
        }
        let value =
            number.iter().fold(u64::from(head & 0x1f) * u64::from(more == 0), |v, b| v << 8 | u64::from(*b));
        rest = after.get(more..).unwrap_or_default();
        if matches!(head >> 5, 2 | 3) {
            shape.extend(value.to_be_bytes());
            let (string, behind) =
                rest.split_at(rest.len().min(usize::try_from(value).unwrap_or(usize::MAX)));
            // Maps, arrays and tags; a lone number is as likely a part of a key.
            if string.first().is_some_and(|head| matches!(head >> 5, 4..=6))
                && check(string, Limits::COSE).is_ok()
            {
                shape.extend(self::shape(string));
            }
            rest = behind;
        }
    }
    shape
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
        holds_each_shape(rule, asked);
    }
    match status {
        200 if path == "/node/check-in" => holds_each_shape("reply-message", body),
        200 if path.starts_with("/node/envelope/") => holds_envelope(body),
        200..300 => {}
        _ => holds_each_shape("node-error", body),
    }
}

/// Holds what a node keeps against its rules.
#[track_caller]
pub fn kept(agent: &Agent) {
    written("boot-record", agent.record());
    written("trust-anchors", agent.anchors());
    if let Some(bundle) = agent.bundle() {
        written("bundle", bundle);
    }
}

/// Holds a message, as it is written, against its rule.
#[track_caller]
pub fn written(rule: &str, message: &dyn Item) {
    let mut bytes = [0; 4096];
    let len = encode_message(message, &mut bytes).expect("what is kept can be written");
    holds_each_shape(rule, &bytes[..len]);
}

/// Holds an envelope against what nodes take, and against what the operator's side writes for the
/// component it names.
#[track_caller]
pub fn holds_envelope(bytes: &[u8]) {
    holds_each_shape("suit-envelope", bytes);
    let rule = match component(bytes).as_deref() {
        Some(b"net" | b"io") => "image-envelope",
        Some(b"conf") => "bundle-envelope",
        Some(b"keys") => "keys-envelope",
        other => panic!("component {other:?}"),
    };
    holds_each_shape(rule, bytes);
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
