//! What nodes call, over real sockets: claims, check-ins, downloads, and every way to be refused.

mod server_common;

use pintle_protocol::checkin::{Ending, Phase, Position};
use pintle_protocol::cose::{AAD_CHECK_IN, AAD_CLAIM, SigningKey, sign1};
use pintle_protocol::id::{Chip, Digest, Uuid16};
use pintle_protocol::interlock::Hold;
use pintle_protocol::reason::Reason;
use serde_json::{Value, json};
use server_common::{Node, Server, plan};

#[test]
fn a_node_is_announced_claims_is_admitted_and_checks_in() {
    let server = Server::start();
    let mut node = Node::new(1);
    assert_eq!(node.send_claim(&server).node_error(), (404, 1), "not announced");
    assert_eq!(server.good("PUT", &node.path(), &node.wish())["status"], "expected");
    assert_eq!(node.send_claim(&server).status, 202);
    assert_eq!(node.send_claim(&server).status, 202, "it repeats it until it is admitted");
    let claims = server.good("GET", "/api/v1/claims", &Value::Null);
    assert_eq!(claims.as_array().unwrap().len(), 1);
    assert_eq!(claims[0]["body"], hex::encode(node.signed(&node.claim(), AAD_CLAIM)));
    assert_eq!(server.good("GET", &node.path(), &Value::Null)["status"], "claimed");
    node.state.counter = 1;
    assert_eq!(node.send_check_in(&server).node_error(), (403, 2), "claimed is not admitted");

    server.good("POST", &format!("{}/admit", node.path()), &node.keys());
    assert_eq!(node.send_claim(&server).status, 200, "admitted with these keys already");
    assert_eq!(server.good("GET", "/api/v1/claims", &Value::Null), json!([]));
    let reply = node.check_in(&server);
    assert_eq!((reply.next_seconds, reply.offer), (300, None));
    assert_eq!(reply.time, server_common::NOW as u64);
    let view = server.good("GET", &node.path(), &Value::Null);
    assert_eq!(view["status"], "up to date");
    assert_eq!(view["report"]["position"], "closed");
    assert_eq!(view["report"]["net"]["version"], "1.0.0");
}

#[test]
fn claims_that_do_not_fit_are_refused() {
    let server = Server::start();
    let node = Node::new(1);
    server.good("PUT", &node.path(), &node.wish());
    let send = |claim: &pintle_protocol::checkin::Claim| {
        server.send("POST", "/node/claim", &[], &node.signed(claim, AAD_CLAIM))
    };
    let mut claim = node.claim();
    claim.code_digest = Digest([1; 32]);
    assert_eq!(send(&claim).node_error(), (403, 8));
    claim = node.claim();
    claim.class = Uuid16([2; 16]);
    assert_eq!(send(&claim).node_error(), (403, 8));
    claim = node.claim();
    claim.signing_key = Node::new(2).signing_key();
    assert_eq!(send(&claim).node_error(), (401, 3), "it must be signed by the key inside");
    claim = node.claim();
    claim.protocol = 2;
    let answer = send(&claim);
    assert_eq!(answer.node_error(), (426, 5));
    assert_eq!(answer.field("Upgrade"), Some("pintle-node/1"));
    let as_check_in = node.signed(&node.claim(), AAD_CHECK_IN);
    assert_eq!(server.send("POST", "/node/claim", &[], &as_check_in).node_error(), (401, 3));
    assert_eq!(server.good("GET", "/api/v1/claims", &Value::Null), json!([]));
}

/// Whoever knows the code's digest can make up claims; they must neither push the true one out
/// for good nor grow without bound.
#[test]
fn made_up_claims_are_bounded_and_the_true_one_comes_back() {
    let server = Server::start();
    let node = Node::new(1);
    server.good("PUT", &node.path(), &node.wish());
    node.send_claim(&server);
    for n in 0..10 {
        server.wait(1);
        let forger = Node { key: SigningKey::from_bytes(&[100 + n; 32]), ..node.clone() };
        assert_eq!(forger.send_claim(&server).status, 202);
    }
    server.wait(1);
    node.send_claim(&server);
    let claims = server.good("GET", "/api/v1/claims", &Value::Null);
    let claims = claims.as_array().unwrap();
    assert_eq!(claims.len(), 4);
    let own = hex::encode(node.signed(&node.claim(), AAD_CLAIM));
    assert!(claims.iter().any(|c| c["body"] == own));
}

#[test]
fn check_ins_that_do_not_fit_are_refused() {
    let server = Server::start();
    let mut node = Node::new(1).admitted(&server);
    assert_eq!(Node::new(9).send_check_in(&server).node_error(), (404, 1));
    node.check_in(&server);
    node.check_in(&server);
    assert_eq!(node.send_check_in(&server).node_error(), (409, 4), "the same once more");
    node.state.counter = 1;
    assert_eq!(node.send_check_in(&server).node_error(), (409, 4), "an older one");
    node.state.counter = 10;
    let forged = Node { key: SigningKey::from_bytes(&[0x66; 32]), ..node.clone() };
    assert_eq!(forged.send_check_in(&server).node_error(), (401, 3));
    let as_claim = node.signed(&node.state, AAD_CLAIM);
    assert_eq!(server.send("POST", "/node/check-in", &[], &as_claim).node_error(), (401, 3));
    let mut flipped = node.signed(&node.state, AAD_CHECK_IN);
    let last = flipped.len() - 1;
    flipped[last] ^= 1;
    assert_eq!(server.send("POST", "/node/check-in", &[], &flipped).node_error(), (401, 3));
    let other = Node {
        state: pintle_protocol::checkin::CheckIn { protocol: 9, ..node.state.clone() },
        ..node.clone()
    };
    assert_eq!(other.send_check_in(&server).node_error(), (426, 5));
    assert_eq!(server.send("POST", "/node/check-in", &[], b"rubbish").node_error(), (400, 7));
    assert_eq!(server.send("POST", "/node/check-in", &[], b"").node_error(), (400, 7));
    assert_eq!(server.send("POST", "/node/check-in", &[], &[0; 5000]).node_error(), (413, 6));
    assert_eq!(server.send("GET", "/node/check-in", &[], b"").node_error(), (404, 10));
    assert_eq!(server.send("GET", "/node/elsewhere", &[], b"").node_error(), (404, 10));
    server.good("POST", &format!("{}/retire", node.path()), &Value::Null);
    assert_eq!(node.send_check_in(&server).node_error(), (410, 9));
    assert_eq!(node.send_claim(&server).node_error(), (410, 9));
}

#[test]
fn downloads_resume() {
    let server = Server::start();
    let image: Vec<u8> = (0..100_000u32).map(|n| (n * 7 % 251) as u8).collect();
    let envelope = server.store(Chip::Net, 3, &image);
    let path = format!("/node/payload/{}", Digest::of(&image));
    let get = |range: &str| server.send("GET", &path, &[("Range", range)], b"");
    let whole = server.send("GET", &path, &[], b"");
    assert_eq!((whole.status, whole.body.len()), (200, image.len()));
    assert!(whole.body == image);
    let part = get("bytes=40000-49999");
    assert_eq!((part.status, part.field("Content-Range")), (206, Some("bytes 40000-49999/100000")));
    assert!(part.body == image[40_000..50_000]);
    let rest = get("bytes=99990-");
    assert!(rest.status == 206 && rest.body == image[99_990..]);
    let last = get("bytes=-5");
    assert!(last.status == 206 && last.body == image[99_995..]);
    let beyond = get("bytes=100000-");
    assert_eq!((beyond.node_error(), beyond.field("Content-Range")), ((416, 11), Some("bytes */100000")));
    assert_eq!(get("bytes=0-1,5-6").status, 200, "several ranges are not served; all of it is");
    let nothing = format!("/node/payload/{}", "0".repeat(64));
    assert_eq!(server.send("GET", &nothing, &[], b"").node_error(), (404, 10));
    assert_eq!(server.send("GET", "/node/payload/xyz", &[], b"").node_error(), (404, 10));

    let read = server.send("GET", &format!("/node/envelope/{envelope}"), &[], b"");
    assert_eq!(read.field("Content-Type"), Some("application/cbor"));
    assert_eq!(pintle_protocol::suit::peek(&read.body).unwrap().digest, envelope);
    let nothing = format!("/node/envelope/{}", "0".repeat(64));
    assert_eq!(server.send("GET", &nothing, &[], b"").node_error(), (404, 10));
}

/// A rollout from its start to a failure in the second wave, and back again.
#[test]
fn a_rollout_goes_wave_by_wave_and_turns_back_on_failure() {
    let server = Server::start();
    let mut first = Node::new(1).admitted(&server);
    let mut second = Node::new(2).admitted(&server);
    let forward = server.store(Chip::Io, 10, b"io new");
    let back = server.store(Chip::Io, 11, b"io before");
    server.good("POST", "/api/v1/rollouts", &plan(&[&first, &second], forward, back, "turn_back"));
    assert_eq!(first.check_in(&server).offer, None, "not started");
    server.good("POST", "/api/v1/rollouts/1/start", &Value::Null);
    let show = || server.good("GET", "/api/v1/rollouts/1", &Value::Null);
    let progress = |n: usize| show()["waves"][n]["targets"][0]["progress"].as_str().unwrap().to_owned();

    let reply = first.check_in(&server);
    assert_eq!((reply.offer.unwrap().envelope, reply.next_seconds), (forward, 30));
    assert_eq!(second.check_in(&server).offer, None);
    assert_eq!((progress(0), progress(1)), ("fetching".to_owned(), "waiting for its turn".to_owned()));
    first.state.phase = Phase::Waiting;
    first.state.holds = Hold::DoorMoving as u32 | Hold::ButtonInUse as u32;
    first.check_in(&server);
    assert_eq!(progress(0), "waiting for the door");
    assert_eq!(
        show()["waves"][0]["targets"][0]["holds"],
        json!(["the door moves", "somebody is at the button"])
    );
    first.state.phase = Phase::Trial;
    first.state.holds = 0;
    first.check_in(&server);
    assert_eq!(progress(0), "on trial");
    first.state.io = Some(server_common::running(b"io new"));
    first.end(Ending::Kept, 0);
    first.check_in(&server);
    assert_eq!(progress(0), "kept");
    assert_eq!(show()["waves"][0]["state"], "soaking");
    assert_eq!(show()["waves"][0]["soak_until"], server_common::NOW + 600);
    assert_eq!(second.check_in(&server).offer, None, "the first wave soaks");
    server.wait(600);
    first.check_in(&server);
    assert_eq!(show()["waves"][0]["state"], "passed");
    assert_eq!(second.check_in(&server).offer.unwrap().envelope, forward);

    second.end(Ending::WentBack, Reason::NoHandshake.code());
    second.check_in(&server);
    let view = show();
    assert_eq!(view["state"], "turned back");
    assert_eq!(view["held_because"], "wave 2: Hatch 2 went back or refused; 0 tolerated");
    assert_eq!(view["waves"][1]["targets"][0]["reason"], Reason::NoHandshake.sentence());
    assert_eq!(
        view["proves"],
        "1 of 2 kept it and did well: with 95 % confidence fewer than 97.5 % of such nodes would fail"
    );
    assert_eq!(second.check_in(&server).offer, None, "it runs what it ran before");
    assert_eq!(first.check_in(&server).offer.unwrap().envelope, back);
    first.state.io = Some(server_common::running(b"io before"));
    first.end(Ending::Kept, 0);
    first.check_in(&server);
    let view = show();
    assert!(view["ended_at"].is_i64());
    assert_eq!(progress(0), "went back");

    let journal = server.good("GET", "/api/v1/journal?limit=500", &Value::Null);
    let events: Vec<&str> =
        journal["entries"].as_array().unwrap().iter().map(|e| e["event"].as_str().unwrap()).collect();
    for event in [
        "rollout_planned",
        "rollout_started",
        "wave_opened",
        "offered",
        "kept",
        "wave_soaking",
        "wave_passed",
        "went_back",
        "wave_failed",
        "rollout_turned_back",
        "returned",
        "return_ended",
    ] {
        assert!(events.contains(&event), "{event} is missing in {events:?}");
    }
}

#[test]
fn a_silent_node_holds_the_rollout_and_shows_as_silent() {
    let server = Server::start();
    let mut node = Node::new(1).admitted(&server);
    let forward = server.store(Chip::Io, 10, b"io new");
    let back = server.store(Chip::Io, 11, b"io before");
    server.good("POST", "/api/v1/rollouts", &plan(&[&node], forward, back, "hold"));
    server.good("POST", "/api/v1/rollouts/1/start", &Value::Null);
    node.check_in(&server);
    // The server is there all the time: it notes so at least every three minutes.
    for _ in 0..31 {
        server.wait(120);
    }
    let view = server.good("GET", "/api/v1/rollouts/1", &Value::Null);
    assert_eq!(view["state"], "held");
    assert_eq!(view["waves"][0]["targets"][0]["progress"], "silent");
    assert_eq!(server.good("GET", &node.path(), &Value::Null)["status"], "silent");
    node.state.io = Some(server_common::running(b"io new"));
    node.end(Ending::Kept, 0);
    node.check_in(&server);
    assert_eq!(server.good("GET", &node.path(), &Value::Null)["status"], "kept");
    assert_eq!(server.good("POST", "/api/v1/rollouts/1/resume", &Value::Null)["state"], "under way");
}

#[test]
fn what_a_node_signed_last_is_shown_as_it_came() {
    let server = Server::start();
    let mut node = Node::new(1).admitted(&server);
    let path = format!("{}/check-in", node.path());
    assert_eq!(server.ask("GET", &path, &Value::Null).error(), (404, "no_check_in".to_owned()));
    for position in [Position::Open, Position::Closed] {
        node.state.position = position;
        node.check_in(&server);
        let shown = server.good("GET", &path, &Value::Null);
        assert_eq!(shown["at"], server_common::NOW);
        assert_eq!(shown["message"], hex::encode(node.signed(&node.state, AAD_CHECK_IN)));
        // What was refused is not shown: here, the same once more.
        assert_eq!(node.send_check_in(&server).status, 409);
        assert_eq!(server.good("GET", &path, &Value::Null), shown);
    }
    // A key identifier is no part of what is signed, and is left out.
    node.state.counter += 1;
    let plain = minicbor::to_vec(&node.state).unwrap();
    let mut with_kid = [0; 1024];
    let len = sign1::sign_attached(&node.key, Some(b"kid"), &plain, AAD_CHECK_IN, &mut with_kid).unwrap();
    assert_eq!(server.send("POST", "/node/check-in", &[], &with_kid[..len]).status, 200);
    let shown = server.good("GET", &path, &Value::Null);
    assert_eq!(shown["message"], hex::encode(node.signed(&node.state, AAD_CHECK_IN)));
    // A new board has said nothing yet.
    let mut wish = node.wish();
    wish["replace"] = true.into();
    wish["code_digest"] = Digest([0x77; 32]).to_string().into();
    server.good("PUT", &node.path(), &wish);
    let keys = json!({"signing_key": Node::new(2).signing_key().to_string(), "sealing_key": "09".repeat(32)});
    server.good("POST", &format!("{}/admit", node.path()), &keys);
    assert_eq!(server.ask("GET", &path, &Value::Null).error(), (404, "no_check_in".to_owned()));
}
