//! Messages that a server refuses, and replies that a node passes over.

use super::super::samples as s;
use super::envelopes::replaced;
use crate::server_common::Server;
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{CheckIn, Claim, Reply};
use pintle_protocol::cose::{AAD_CHECK_IN, AAD_CLAIM, AAD_REPLY, sign1};
use pintle_protocol::id::{Digest, NodeId, Nonce};
use serde_json::{Value, json};

/// A message that a server refuses, or takes where the number is `None`.
struct Sent {
    name: &'static str,
    path: &'static str,
    bytes: Vec<u8>,
    status: u16,
    number: Option<u8>,
}

/// Sent one after the other to a server that has admitted the node of the vectors and has taken
/// its first check-in, with counter 1024.
fn sent() -> Vec<Sent> {
    let key = s::signing(s::NODE);
    let first = s::first_check_in();
    let check_in = |change: &dyn Fn(&mut CheckIn)| {
        let mut message = CheckIn { counter: 2000, ..first.clone() };
        change(&mut message);
        s::plain(&message)
    };
    let claim = |change: &dyn Fn(&mut Claim)| {
        let mut message = s::claim();
        change(&mut message);
        s::plain(&message)
    };
    let as_check_in = |payload: &[u8]| s::signed(&key, payload, AAD_CHECK_IN);
    let next = as_check_in(&check_in(&|_| ()));
    let mut damaged = next.clone();
    *damaged.last_mut().unwrap() ^= 1;
    let mut detached = vec![0; 256];
    let len = sign1::sign_detached(&key, None, &check_in(&|_| ()), AAD_CHECK_IN, &mut detached).unwrap();
    detached.truncate(len);
    // One field more, 99: 0.
    let newer = [replaced(&check_in(&|_| ()), "af000101", "b0000101"), vec![0x18, 0x63, 0x00]].concat();
    let to_check_in =
        |name, status, number, bytes| Sent { name, path: "/node/check-in", bytes, status, number };
    let to_claim = |name, status, number, bytes| Sent { name, path: "/node/claim", bytes, status, number };
    vec![
        to_check_in("a check-in that was taken already", 409, Some(4), as_check_in(&s::plain(&first))),
        to_check_in("a lower counter", 409, Some(4), as_check_in(&check_in(&|m| m.counter = 1000))),
        to_check_in(
            "a counter beyond 63 bits",
            400,
            Some(7),
            as_check_in(&check_in(&|m| m.counter = u64::MAX)),
        ),
        to_check_in(
            "a node that is not announced",
            404,
            Some(1),
            as_check_in(&check_in(&|m| m.node = NodeId([9; 16]))),
        ),
        to_check_in("another protocol version", 426, Some(5), as_check_in(&check_in(&|m| m.protocol = 2))),
        to_check_in("signature damaged", 401, Some(3), damaged),
        to_check_in(
            "signed by another key",
            401,
            Some(3),
            s::signed(&s::signing(s::ROOT), &check_in(&|_| ()), AAD_CHECK_IN),
        ),
        to_check_in(
            "signed with the external data of a claim",
            401,
            Some(3),
            s::signed(&key, &check_in(&|_| ()), AAD_CLAIM),
        ),
        to_check_in("algorithm -8", 400, Some(7), replaced(&next, "d28443a10132", "d28443a10127")),
        to_check_in(
            "an unknown header parameter",
            400,
            Some(7),
            replaced(&next, "d28443a10132a0", "d28443a10132a1054100"),
        ),
        to_check_in("payload left out", 400, Some(7), detached),
        to_check_in("a byte too much", 400, Some(7), [&next[..], &[0]].concat()),
        to_check_in(
            "counter not in its shortest form",
            400,
            Some(7),
            as_check_in(&replaced(&check_in(&|_| ()), "021907d0", "021a000007d0")),
        ),
        to_check_in("a field of a newer writer is passed over", 200, None, as_check_in(&newer)),
        to_claim(
            "a claim of an admitted node with its own keys",
            200,
            None,
            s::signed(&key, &claim(&|_| ()), AAD_CLAIM),
        ),
        to_claim(
            "a claim of an admitted node with another key",
            403,
            Some(8),
            s::signed(&key, &claim(&|m| m.sealing_key = s::public(s::EPHEMERAL)), AAD_CLAIM),
        ),
        to_claim(
            "a claim signed by another key than the one inside",
            401,
            Some(3),
            s::signed(&s::signing(s::ROOT), &claim(&|_| ()), AAD_CLAIM),
        ),
        to_claim(
            "a claim signed with the external data of a check-in",
            401,
            Some(3),
            s::signed(&key, &claim(&|_| ()), AAD_CHECK_IN),
        ),
        to_claim(
            "a claim of another protocol version",
            426,
            Some(5),
            s::signed(&key, &claim(&|m| m.protocol = 2), AAD_CLAIM),
        ),
        to_claim("no CBOR", 400, Some(7), b"rubbish".to_vec()),
    ]
}

/// Replies that the node of the vectors must pass over; it waits for one to its first check-in.
fn replies() -> Vec<(&'static str, Vec<u8>)> {
    let server = s::signing(s::SERVER);
    let with = |change: &dyn Fn(&mut Reply)| {
        let mut reply = s::reply(None);
        change(&mut reply);
        s::plain(&reply)
    };
    let good = with(&|_| ());
    let mut damaged = s::signed(&server, &good, AAD_REPLY);
    damaged[20] ^= 1;
    vec![
        ("another nonce", s::signed(&server, &with(&|r| r.nonce = Nonce([0; 16])), AAD_REPLY)),
        ("for another node", s::signed(&server, &with(&|r| r.node = NodeId([9; 16])), AAD_REPLY)),
        ("another protocol version", s::signed(&server, &with(&|r| r.protocol = 2), AAD_REPLY)),
        ("signed by the image key", s::signed(&s::signing(s::IMAGE), &good, AAD_REPLY)),
        ("signed with the external data of a check-in", s::signed(&server, &good, AAD_CHECK_IN)),
        ("damaged", damaged),
    ]
}

/// Whether the node of the vectors believes a reply to its first check-in.
pub(crate) fn believes(bytes: &[u8]) -> bool {
    let Ok(payload) = sign1::open(bytes, &s::public(s::SERVER), AAD_REPLY) else { return false };
    let asked = s::first_check_in();
    decode_message::<Reply>(payload)
        .is_ok_and(|r| (r.protocol, r.nonce, r.node) == (asked.protocol, asked.nonce, asked.node))
}

/// What is sent in turn, and the replies.
pub(super) fn file() -> (Vec<Value>, Vec<Value>) {
    let sent = sent().into_iter().map(|m| {
        json!({"name": m.name, "path": m.path, "message": hex::encode(m.bytes), "status": m.status,
            "number": m.number})
    });
    let replies =
        replies().into_iter().map(|(name, bytes)| json!({"name": name, "message": hex::encode(bytes)}));
    (sent.collect(), replies.collect())
}

#[test]
fn a_server_answers_each_message_as_the_vectors_say() {
    let server = Server::start();
    let path = format!("/api/v1/nodes/{}", s::node());
    let wish = json!({"name": "Cart shed", "class": s::net_class().to_string(),
        "code_digest": Digest::of(&s::CLAIM_CODE).to_string()});
    server.good("PUT", &path, &wish);
    let claim = s::signed(&s::signing(s::NODE), &s::plain(&s::claim()), AAD_CLAIM);
    assert_eq!(server.send("POST", "/node/claim", &[], &claim).status, 202);
    let first = s::signed(&s::signing(s::NODE), &s::plain(&s::first_check_in()), AAD_CHECK_IN);
    assert_eq!(server.send("POST", "/node/check-in", &[], &first).node_error(), (403, 2));
    server.good(
        "POST",
        &format!("{path}/admit"),
        &json!({"signing_key": s::NODE.2, "sealing_key": s::SEALING.2}),
    );
    assert_eq!(server.send("POST", "/node/check-in", &[], &first).status, 200);
    for m in sent() {
        let answer = server.send_anything("POST", m.path, &[], &m.bytes);
        assert_eq!(answer.status, m.status, "{}: {}", m.name, answer.text());
        if let Some(number) = m.number {
            assert_eq!(answer.node_error(), (m.status, number), "{}", m.name);
        }
    }
    let full = s::signed(&s::signing(s::NODE), &s::plain(&s::full_check_in()), AAD_CHECK_IN);
    assert_eq!(server.send("POST", "/node/check-in", &[], &full).status, 200);
}

#[test]
fn foreign_replies_are_passed_over() {
    assert!(believes(&s::signed_reply(None)));
    for (name, bytes) in replies() {
        assert!(!believes(&bytes), "{name}");
    }
}
