//! The second implementation, in Python: it opens what the library writes, and the library opens
//! what it writes.

use super::node::take;
use super::refused::believes;
use super::samples as s;
use super::schema::{holds, holds_envelope};
use super::vectors::folder;
use crate::server_common::Server;
use pintle_protocol::bundle::Bundle;
use pintle_protocol::card::StarterCard;
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{CheckIn, Claim, claim_is_genuine};
use pintle_protocol::cose::{AAD_CHECK_IN, AAD_CLAIM, AAD_REPORT, sign1};
use pintle_protocol::id::Digest;
use pintle_protocol::image::ImageNote;
use pintle_protocol::link::{Answer, Ask, decode_frame};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use serde_json::{Value, json};
use std::path::Path;
use std::process::Command;

/// Debian's interpreter where there is one, since its packages are installed for that one.
fn interpreter() -> &'static str {
    if Path::new("/usr/bin/python3").exists() { "/usr/bin/python3" } else { "python3" }
}

fn run(verb: &str) -> String {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("python/wire.py");
    let output = Command::new(interpreter())
        .arg("-B")
        .arg(script)
        .arg(verb)
        .arg(folder())
        .output()
        .unwrap_or_else(|e| panic!("{}: {e}; install Debian's python3", interpreter()));
    let words = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success(),
        "wire.py {verb} failed; if a module is missing, install Debian's python3-cbor2 and \
         python3-cryptography\n{words}"
    );
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn the_second_implementation_opens_every_vector() {
    let held: u32 = run("check").trim().parse().unwrap();
    assert_eq!(held, 133, "facts that held");
}

#[test]
fn the_library_takes_what_the_second_implementation_writes() {
    let made: Value = serde_json::from_str(&run("make")).unwrap();
    let get = |name: &str| hex::decode(made[name].as_str().unwrap_or_else(|| panic!("{name}"))).unwrap();

    holds("claim-message", &get("claim"));
    let claim = get("claim");
    let claim: Claim = decode_message(sign1::open(&claim, &s::public(s::NODE), AAD_CLAIM).unwrap()).unwrap();
    assert!(claim_is_genuine(&s::CLAIM_CODE, &claim));
    assert_eq!(claim, s::claim());

    holds("check-in-message", &get("check_in"));
    let check_in = get("check_in");
    let check_in: CheckIn =
        decode_message(sign1::open(&check_in, &s::public(s::NODE), AAD_CHECK_IN).unwrap()).unwrap();
    assert_eq!((check_in.counter, check_in.relay_pulses), (5000, 4));

    holds("reply-message", &get("reply"));
    assert!(believes(&get("reply")));
    holds("report-message", &get("report"));
    assert!(sign1::open(&get("report"), &s::public(s::NODE), AAD_REPORT).is_ok());

    let image = get("image");
    let note = ImageNote::find(&image).unwrap();
    assert_eq!(note.version, Version::new(2, 0, 1));
    for name in ["image_envelope", "bundle_envelope", "bundle_envelope_salted", "keys_envelope"] {
        holds_envelope(&get(name));
        assert_eq!(take(&get(name), &image, [0; 3]), Ok(()), "{name}");
    }
    holds("bundle", &get("bundle"));
    let bundle: Bundle = decode_message(&get("bundle")).unwrap();
    assert_eq!(s::plain(&bundle), get("bundle"), "read and written again it is the same");
    holds("starter-card", &get("card"));
    let card: StarterCard = decode_message(&get("card")).unwrap();
    assert_eq!((card.node, card.code), (s::node(), s::CLAIM_CODE));

    let frame = get("frame_hello");
    let (kind, sequence, payload) = decode_frame(&frame).unwrap();
    let hello = Ask::Hello {
        link: LinkRange { oldest: 1, newest: 3 },
        profile: ActuationProfile { id: 1, version: 2 },
    };
    assert_eq!((sequence, Ask::decode(kind, payload)), (9, Some(hello)));
    let frame = get("frame_done");
    let (kind, _, payload) = decode_frame(&frame).unwrap();
    assert_eq!(Answer::decode(kind, payload), Some(Answer::Done { next: 70_000 }));
}

/// A node whose every byte comes from the second implementation, at the real server.
#[test]
fn the_server_takes_a_node_of_the_second_implementation() {
    let made: Value = serde_json::from_str(&run("make")).unwrap();
    let get = |name: &str| hex::decode(made[name].as_str().unwrap()).unwrap();
    let server = Server::start();
    let path = format!("/api/v1/nodes/{}", s::node());
    let wish = json!({"name": "Cart shed", "class": s::net_class().to_string(),
        "code_digest": Digest::of(&s::CLAIM_CODE).to_string()});
    server.good("PUT", &path, &wish);
    assert_eq!(server.send("POST", "/node/claim", &[], &get("claim")).status, 202);
    let keys = json!({"signing_key": s::NODE.2, "sealing_key": s::SEALING.2});
    server.good("POST", &format!("{path}/admit"), &keys);
    let answer = server.send("POST", "/node/check-in", &[], &get("check_in"));
    assert_eq!(answer.status, 200, "{}", answer.text());
    let image = get("image");
    let stored = server.operator("PUT", &format!("/api/v1/payloads/{}", Digest::of(&image)), &image);
    assert_eq!(stored.status, 200, "{}", stored.text());
    for name in ["image_envelope", "bundle_envelope", "keys_envelope"] {
        let digest = pintle_protocol::suit::peek(&get(name)).unwrap().digest;
        let stored = server.operator("PUT", &format!("/api/v1/envelopes/{digest}"), &get(name));
        assert_eq!(stored.status, 200, "{name}: {}", stored.text());
        assert_eq!(server.send("GET", &format!("/node/envelope/{digest}"), &[], b"").body, get(name));
    }
}
