//! Changing keys, and telling refusals: the program, a real server, and the real node core on
//! virtual boards.

mod bin_common;
#[path = "bin_common/board.rs"]
mod board;
#[path = "bin_common/stage.rs"]
mod stage;

use bin_common::Place;
use board::{Screwed, until};
use pintle::api::{Action, Client};
use pintle::image::Library;
use pintle::seal::{Envelope, image_envelope};
use pintle_protocol::checkin::Ending;
use pintle_protocol::id::{Digest, PublicKey, Role, Uuid16};
use pintle_protocol::reason::Reason;
use pintle_server::Running;
use pintle_server::contract::{Evidence, Gate, Kind, NewRollout, NewStep, NewTarget, NewWave, OnFailure};
use stage::{all, client, done, serve, stage, unlocked, yard};
use std::fs;

/// The number in `--json` output of a command that starts a rollout.
fn rollout(place: &Place, args: &[&str]) -> i64 {
    let mut full = vec!["--json"];
    full.extend(args);
    full.extend(["--soak", "1m", "--wave", "rest"]);
    place.run(&full).ends(0).json()["id"].as_i64().unwrap()
}

/// Until the server has heard that this set was kept.
fn heard_to_keep(
    running: &Running,
    node: &mut Screwed,
    client: &Client,
    place: &Place,
    name: &str,
    sequence: u64,
) {
    let id = yard(place).node_id(name);
    until(running, &mut [node], 1500, "the set to be kept", |_| {
        client.node(&id).unwrap().report.is_some_and(|r| r.sequences[Role::Root.index()] == sequence)
    });
}

/// Offers an envelope for the net chip to one node, past all that the program checks.
fn force(client: &Client, place: &Place, name: &str, payload: Vec<u8>, envelope: &Envelope) -> i64 {
    client.put_payload(payload).unwrap();
    client.put_envelope(&envelope.digest, envelope.bytes.clone()).unwrap();
    let steps = vec![NewStep { envelope: envelope.digest, way_back: None }];
    let targets = vec![NewTarget { node: yard(place).node_id(name), steps }];
    let (evidence, gate) = (Evidence::default(), Gate::STRICT);
    let waves = vec![NewWave { targets, soak_seconds: 0, evidence, approval: false, gate }];
    let on_failure = OnFailure::Hold;
    let new = NewRollout { title: "forced".into(), kind: Kind::Image, waves, on_failure, windows: None };
    let id = client.new_rollout(&new).unwrap().id;
    client.act(id, Action::Start, None).unwrap();
    id
}

fn refused(running: &Running, node: &mut Screwed, envelope: Digest, reason: Reason) {
    until(running, &mut [node], 900, "a refusal", |n| n[0].outcome().is_some_and(|o| o.envelope == envelope));
    let outcome = node.outcome().unwrap();
    assert_eq!((outcome.ending, outcome.reason), (Ending::Refused, reason.code()), "{outcome:?}");
    // Until the server has heard of it.
    for _ in 0..2 {
        let before = node.outcome();
        until(running, &mut [node], 200, "a check-in", {
            let mut left = 100;
            move |_| {
                left -= 1;
                left == 0
            }
        });
        assert_eq!(node.outcome(), before);
    }
}

#[test]
fn an_image_key_is_renewed_without_losing_a_node() {
    let (place, running, mut nodes) = stage(&["barn", "gate"]);
    let client = client(&place);
    let old = yard(&place).public_key(Role::Image);
    let before = place.files();

    // Nothing is under way yet.
    place.run(&["keys", "tally"]).ends(0);
    place.run(&["keys", "finish"]).ends(1);
    place.run(&["keys", "give-up"]).ends(1);
    place.run(&["keys", "renew", "server"]).ends(2).says(&["makes its own key", "new-key"]);

    // The gate is without power while the barn takes the set with both keys.
    let id = rollout(&place, &["keys", "renew", "image"]);
    assert!(yard(&place).next.any());
    place.run(&["keys", "renew", "bundle"]).ends(1).says(&["under way already", "image key"]);
    let new = yard(&place).next.of(Role::Image).unwrap();
    let [barn, gate] = &mut nodes[..] else { panic!() };
    until(&running, &mut [&mut *barn], 1500, "the barn", |n| n[0].anchors().image.len() == 2);
    heard_to_keep(&running, barn, &client, &place, "barn", 1);
    assert_eq!(barn.anchors().image.as_slice(), [old, new]);
    assert_eq!(gate.anchors().image.as_slice(), [old]);
    let told = place.run(&["--json", "keys", "tally"]).ends(1).json();
    assert_eq!(told["lacking"], serde_json::json!(["gate"]));
    place.run(&["keys", "finish"]).ends(6).says(&["gate", "1 node does not have the set"]);
    place.run(&["keys", "give-up"]).ends(6).says(&["rollout"]);

    // Then it comes back.
    done(&running, &mut [&mut *barn, &mut *gate], &client, id);
    place.run(&["keys", "tally"]).ends(0);
    let id = rollout(&place, &["keys", "finish"]);
    done(&running, &mut [&mut *barn, &mut *gate], &client, id);
    for node in [&*barn, &*gate] {
        assert_eq!(node.anchors().image.as_slice(), [new]);
    }
    place.run(&["keys", "tally"]).ends(0);
    assert_eq!((yard(&place).public_key(Role::Image), yard(&place).next.any()), (new, false));

    // No private key was lost: every box of before still lies somewhere, and opens.
    let after = place.files();
    let boxes = before.iter().filter(|(path, _)| path.extension().is_some_and(|e| e == "box"));
    for (path, bytes) in boxes {
        assert!(after.values().any(|b| b == bytes), "{} is gone", path.display());
    }
    let keys = unlocked(&place);
    assert_eq!(public(&keys.signing_key(Role::Image).unwrap()), new);
    let old_key = keys.signing_key_of(Role::Image, &old).unwrap().unwrap();
    let listed = place.run(&["--json", "keys", "show"]).ends(0).json();
    let listed = listed["keys"].as_array().unwrap().clone();
    assert!(listed.iter().any(|k| k["stands"] == "old" && k["public"] == old.to_string()));

    // The old key is refused, and the refusal told in one sentence.
    let library = Library::read(&yard(&place)).unwrap();
    let image = library.named("net-1.1.0").unwrap()[0].clone();
    let payload = image.payload().unwrap();
    let number = yard(&place).sequences().unwrap().take(Role::Image, 2).unwrap().start;
    let stale = image_envelope(yard(&place).vendor(), &image, number, &old_key).unwrap();
    let id = force(&client, &place, "gate", payload.clone(), &stale);
    refused(&running, gate, stale.digest, Reason::SignatureWrong);
    let told = place.run(&["node", "report", "gate"]).ends(1);
    assert!(
        told.out.starts_with("gate: manifest ") && told.out.contains("no known key has signed it"),
        "{told:?}"
    );
    assert_eq!(told.out.lines().count(), 1);
    client.act(id, Action::TurnBack, None).unwrap();

    // An image for another class of board, with the right key: the node's own report tells where.
    let mut other = image;
    other.class = Uuid16([7; 16]);
    let key = keys.signing_key(Role::Image).unwrap();
    let wrong = image_envelope(yard(&place).vendor(), &other, number + 1, &key).unwrap();
    let id = force(&client, &place, "gate", payload, &wrong);
    refused(&running, gate, wrong.digest, Reason::ClassOther);
    let told = place.run(&["--json", "node", "report", "gate"]).ends(1).json();
    assert_eq!(
        (&told["section"], &told["command"]),
        (&"shared".into(), &"condition-class-identifier".into())
    );
    assert_eq!((&told["component"], &told["passed"]), (&"net".into(), &false.into()));
    let sentence = told["sentence"].as_str().unwrap();
    for part in ["gate stopped", "another class of board", "byte", "07070707", "chip of board latchboard"] {
        assert!(sentence.contains(part), "`{part}` is not in: {sentence}");
    }
    // The byte that it names is the command's, in the manifest.
    let seen = pintle_protocol::suit::envelope::open(&wrong.bytes, &gate.anchors()).unwrap();
    let byte = told["byte_in_manifest"].as_u64().unwrap() as usize;
    assert_eq!(seen.manifest_bytes()[byte], 2);
    // The same from files.
    let (_, report) = client.suit_report(&yard(&place).node_id("gate")).unwrap().unwrap();
    fs::write(place.path("report"), hex::encode(&report)).unwrap();
    fs::write(place.path("envelope.suit"), &wrong.bytes).unwrap();
    fs::write(place.path("other.suit"), &stale.bytes).unwrap();
    let (file, from) = (place.path("envelope.suit"), place.path("report"));
    let looked = place.run(&["look", file.to_str().unwrap(), "--report", from.to_str().unwrap()]).ends(1);
    assert_eq!(looked.out.trim_end(), sentence.replacen("gate", "the node", 1));
    let file = place.path("other.suit");
    place
        .run(&["look", file.to_str().unwrap(), "--report", from.to_str().unwrap()])
        .ends(3)
        .says(&["the report is about manifest"]);
    client.act(id, Action::TurnBack, None).unwrap();

    // A number that is not higher than what it kept: no command is to blame, so the outcome is told.
    let again = &library.named("net-1.1.0").unwrap()[0];
    let replayed = image_envelope(yard(&place).vendor(), again, 0, &key).unwrap();
    let id = force(&client, &place, "gate", again.payload().unwrap(), &replayed);
    refused(&running, gate, replayed.digest, Reason::SequenceOld);
    let (_, report) = client.suit_report(&yard(&place).node_id("gate")).unwrap().unwrap();
    assert_eq!(pintle::look::subject(&report).unwrap(), replayed.digest);
    let told = place.run(&["node", "report", "gate"]).ends(1);
    let sentence = Reason::SequenceOld.sentence();
    assert!(told.out.contains(&format!("refused: {sentence}, it has 0")), "{told:?}");
    client.act(id, Action::TurnBack, None).unwrap();

    // The new key is taken, and everything stands in the journal.
    let id = rollout(&place, &["rollout", "start", "--image", "net-1.1.0"]);
    done(&running, &mut [&mut *barn, &mut *gate], &client, id);
    place.run(&["node", "report", "barn"]).ends(0);
    place.run(&["server", "journal"]).ends(0);
    let (status, body) = board::http(
        running.addr,
        "GET",
        "/api/v1/journal?limit=500",
        &format!("Authorization: Bearer {}\r\n", running.operator_token.as_deref().unwrap()),
        &[],
    )
    .unwrap();
    let body = String::from_utf8(body).unwrap();
    assert!(
        status == 200 && body.contains("keys: image key") && body.contains("no longer trusted"),
        "{body}"
    );
    running.stop().unwrap();
}

fn public(key: &ed25519_dalek::SigningKey) -> PublicKey {
    PublicKey(key.verifying_key().to_bytes())
}

#[test]
fn a_node_that_missed_a_new_root_key_is_reached_with_the_old_one() {
    let (place, running, mut nodes) = stage(&["barn", "gate"]);
    let client = client(&place);
    let [barn, gate] = &mut nodes[..] else { panic!() };
    let id = rollout(&place, &["keys", "renew", "root"]);
    let new = yard(&place).next.of(Role::Root).unwrap();
    heard_to_keep(&running, barn, &client, &place, "barn", 1);
    assert_eq!(barn.anchors().root, new);
    // The gate has been away. Turning back brings no root key back that is to go: whoever has that key
    // and the server could have all nodes with it.
    client.act(id, Action::TurnBack, None).unwrap();
    until(&running, &mut [&mut *barn], 600, "the end", |_| client.rollout(id).unwrap().ended_at.is_some());
    heard_to_keep(&running, barn, &client, &place, "barn", 1);
    assert_eq!(barn.anchors().root, new);
    place.run(&["keys", "finish"]).ends(6).says(&["gate"]);
    // The gate is not waited for, and gets the set all the same, signed with the old root key.
    let id = rollout(&place, &["keys", "finish", "--without", "gate"]);
    assert_eq!((yard(&place).public_key(Role::Root), yard(&place).next.any()), (new, false));
    place.run(&["keys", "tally"]).ends(1);
    done(&running, &mut [&mut *gate], &client, id);
    assert_eq!(gate.anchors(), barn.anchors());
    place.run(&["keys", "tally"]).ends(0);
    // The new root key is good for the next change.
    let id = rollout(&place, &["keys", "renew", "bundle"]);
    done(&running, &mut [&mut *barn, &mut *gate], &client, id);
    assert_eq!(barn.anchors().bundle.len(), 2);
    // Given up: both go back to the set without it, and the new key is put aside.
    let aside = yard(&place).next.of(Role::Bundle).unwrap();
    let id = rollout(&place, &["keys", "give-up"]);
    done(&running, &mut [&mut *barn, &mut *gate], &client, id);
    assert_eq!(barn.anchors().bundle.as_slice(), [yard(&place).public_key(Role::Bundle)]);
    assert!(unlocked(&place).signing_key_of(Role::Bundle, &aside).unwrap().is_some());
    assert!(client.check_journal().unwrap().bad.is_none());
    running.stop().unwrap();
}

#[test]
fn the_servers_key_is_renewed_while_nodes_take_both() {
    let (place, running, mut nodes) = stage(&["barn"]);
    let clock = running.clock.clone();
    let old = running.server_key;
    let new = pintle_server::new_key(&place.path("data"), &clock).unwrap();
    assert_eq!(pintle_server::new_key(&place.path("data"), &clock).unwrap(), new, "it is made once");
    assert!(pintle_server::switch_key(&place.path("data"), &clock).is_err(), "it runs");
    place.run(&["keys", "renew", "server", "--server-key", &old.to_string()]).ends(3).says(&["are the same"]);
    assert!(!yard(&place).next.any());
    let first = client(&place);
    let id = rollout(&place, &["keys", "renew", "server", "--server-key", &new.to_string()]);
    done(&running, &mut all(&mut nodes), &first, id);
    place.run(&["keys", "finish"]).ends(6).says(&["still signs its replies with its old key", "switch-key"]);
    running.stop().unwrap();

    assert_eq!(pintle_server::switch_key(&place.path("data"), &clock).unwrap(), new);
    let kept = fs::read_dir(place.path("data")).unwrap().map(|e| e.unwrap().file_name());
    assert!(kept.into_iter().any(|n| n.to_str().unwrap().starts_with("online-")), "the old key is kept");
    let old_address = yard(&place).file.server.unwrap().addresses[0].clone();
    let running = serve(&place, &clock);
    assert_eq!(running.server_key, new);
    place.edit("yard/yard.toml", &old_address, &running.base_url);
    place.run(&["keys", "give-up"]).ends(6).says(&["new key already"]);
    let second = client(&place);
    let id = rollout(&place, &["keys", "finish"]);
    done(&running, &mut all(&mut nodes), &second, id);
    let anchors = nodes[0].anchors();
    assert_eq!((anchors.server, anchors.server_next), (new, None));
    assert_eq!(yard(&place).file.server.unwrap().key, new.to_string());
    place.run(&["server", "about"]).ends(0);
    running.stop().unwrap();
}
