//! The program and a real server on loopback: joining, commissioning, rollouts, and every way in
//! which the server can be the wrong one.

mod bin_common;
#[path = "bin_common/joining.rs"]
mod joining;

use bin_common::Place;
use joining::{join, plain, strs};
use pintle::yard::Yard;
use pintle_protocol::card::StarterCard;
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{Claim, PROTOCOL, claim_proof};
use pintle_protocol::cose::{AAD_CLAIM, SigningKey, sign1};
use pintle_protocol::id::{Digest, PublicKey};
use pintle_server::Running;
use pintle_server::config::{Config, Tls};
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};

/// By the machine's clock, since the program holds the certificate against it.
fn encrypted(place: &Place, name: &str) -> Running {
    let mut config = Config::new(place.path(name), ([127, 0, 0, 1], 0).into());
    config.tls = Tls::Names(vec!["127.0.0.1".to_owned()]);
    pintle_server::start(config).unwrap()
}

/// Sends what a node with this card would send.
fn claim(running: &Running, card: &StarterCard) {
    let key = SigningKey::from_bytes(&[3; 32]);
    let signing_key = PublicKey(key.verifying_key().to_bytes());
    let secret = x25519_dalek::StaticSecret::from([9; 32]);
    let sealing_key = PublicKey(x25519_dalek::PublicKey::from(&secret).to_bytes());
    let claim = Claim {
        protocol: PROTOCOL,
        node: card.node,
        signing_key,
        sealing_key,
        class: card.net_class,
        code_digest: Digest::of(&card.code),
        proof: claim_proof(&card.code, &card.node, &signing_key, &sealing_key, &card.net_class),
    };
    let plain = minicbor::to_vec(&claim).unwrap();
    let mut body = vec![0; plain.len() + 128];
    let len = sign1::sign_attached(&key, None, &plain, AAD_CLAIM, &mut body).unwrap();
    let mut stream = TcpStream::connect(running.addr).unwrap();
    let head = format!(
        "POST /node/claim HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nContent-Length: {len}\r\n\r\n"
    );
    stream.write_all(head.as_bytes()).unwrap();
    stream.write_all(&body[..len]).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 2"), "{answer}");
}

#[test]
fn a_node_is_commissioned_through_the_server() {
    let place = Place::with_yard();
    let running = plain(&place, "data");
    place.run(&strs(&join(&place, &running))).ends(0).says(&["plain HTTP"]);
    place.run(&["check", "barn"]).ends(0);
    let about = place.run(&["--json", "server", "about"]).ends(0).json();
    assert_eq!(about["server_key"], running.server_key.to_string());

    place.run(&["node", "admit", "barn"]).ends(5).says(&["no claim of node barn"]);
    let out = place.path("card");
    let card = ["node", "card", "barn", "--out", out.to_str().unwrap()];
    place.run(&card).ends(0).says(&["wipe it once the node is admitted"]);
    let bytes = std::fs::read(out.join("card.cbor")).unwrap();
    place.run(&card).ends(3).says(&["card.cbor is there already"]);
    assert_eq!(std::fs::read(out.join("card.cbor")).unwrap(), bytes);
    let read: StarterCard = decode_message(&bytes).unwrap();
    assert_eq!(read.anchors.server, running.server_key);

    claim(&running, &read);
    let admitted = place.run(&["--json", "node", "admit", "barn"]).ends(0).json();
    let plan = Yard::open(&place.path("yard")).unwrap().plan("barn").unwrap();
    assert_eq!(admitted["signing_key"], plan.keys.unwrap().signing.to_string());
    assert_eq!(place.run(&["--json", "node", "show", "barn"]).ends(0).json()["admitted"], true);
    place.run(&card).ends(3).says(&["admitted already"]);

    let sealed = place.run(&["--json", "bundle", "seal", "barn"]).ends(0).json();
    let sequence = sealed[0]["sequence"].as_u64().unwrap();
    let look = place.run(&["--json", "look", &format!("bundles/barn/{sequence}.suit")]).ends(0).json();
    assert_eq!((&look["signed_by"], &look["taken_by"][0]), (&"bundle".into(), &"barn".into()));
    assert_eq!(look["says"]["encrypted"], true);

    // It has never checked in, so nothing is offered to it yet.
    place.run(&["rollout", "start", "--bundles", "--nodes", "barn"]).ends(6).says(&["never checked in"]);
    place.run(&["rollout", "show"]).ends(1);
    assert_eq!(place.run(&["--json", "rollout", "list"]).ends(0).json(), serde_json::json!([]));
    let link = place.run(&["server", "link"]).ends(0);
    assert!(link.out.starts_with(&running.base_url), "{link:?}");
    place.run(&["server", "journal"]).ends(0);

    // A node that was taken out of service does not stand in the way of the others.
    place.run(&["rollout", "start", "--bundles"]).ends(6).says(&["never checked in"]);
    place.run(&["node", "retire", "barn"]).ends(0);
    place.run(&["rollout", "start", "--bundles"]).ends(3).says(&["no nodes to roll out to"]);
    running.stop().unwrap();
}

#[test]
fn a_server_that_is_down_or_another_one_is_told() {
    let place = Place::with_yard();
    let first = encrypted(&place, "first");
    let args = join(&place, &first);
    place.run(&strs(&args)).ends(0);
    let other = encrypted(&place, "other");

    // Another authority's certificate, at the same kind of address.
    let before = place.files();
    let mut wrong = args.clone();
    wrong[2].clone_from(&other.base_url);
    place.run(&strs(&wrong)).ends(5).says(&["certificate that the yard does not trust", "cause: "]);
    let mut token = args.clone();
    place.write("bad-token", "0123456789abcdef0123456789abcdef\n");
    *token.last_mut().unwrap() = place.path("bad-token").display().to_string();
    place.run(&strs(&token)).ends(5).says(&["token"]);
    let mut key = args.clone();
    key.extend(["--key".to_owned(), "11".repeat(32)]);
    place.run(&strs(&key)).ends(5).says(&["the server's key is"]);
    assert!(before == place.files(), "a refused server changed a file");

    // The same certificate, but another key is pinned.
    place.edit("yard/yard.toml", &first.server_key.to_string(), &other.server_key.to_string());
    place.run(&["server", "about"]).ends(5).says(&["has another key"]);
    place.edit("yard/yard.toml", &other.server_key.to_string(), &first.server_key.to_string());

    first.stop().unwrap();
    place.run(&["server", "about"]).ends(5).says(&["does not answer", "cause: "]);
    other.stop().unwrap();
}

#[test]
fn a_change_of_wifi_that_cannot_be_offered_leaves_the_yard_as_it_was() {
    let place = Place::with_yard();
    let running = plain(&place, "data");
    place.run(&strs(&join(&place, &running))).ends(0);
    let before = place.files();
    let wifi = place.path("wifi-passphrase");
    let change = |replaces: &str| {
        let file = wifi.to_str().unwrap();
        place.run(&[
            "wifi",
            "change",
            "new",
            "--ssid",
            "Larkfield 2",
            "--replaces",
            replaces,
            "--nodes",
            "barn",
            "--wifi-passphrase-file",
            file,
        ])
    };
    change("hose").ends(3).says(&["no network `hose`", "did you mean `house`?"]);
    change("house").ends(5).says(&["does not know node barn"]);
    let names = |files: &std::collections::BTreeMap<_, Vec<u8>>| files.keys().cloned().collect::<Vec<_>>();
    assert_eq!(names(&before), names(&place.files()));
    assert_eq!(Yard::open(&place.path("yard")).unwrap().networks.networks.len(), 1);
    place.run(&["wifi", "tally"]).ends(1);
    place.run(&["wifi", "give-up"]).ends(1);
    running.stop().unwrap();
}

#[test]
fn a_server_of_another_version_is_told_with_both_numbers() {
    let place = Place::with_yard();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("http://{}", listener.local_addr().unwrap());
    let answers = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        let mut asked = [0; 4096];
        let _ = stream.read(&mut asked).unwrap();
        let key = "07".repeat(32);
        let body = format!(
            r#"{{"name":"pintle-server","protocol":{},"version":"9.0.0","time":1,"server_key":"{key}"}}"#,
            PROTOCOL + 1
        );
        let head = format!("HTTP/1.1 200 OK\r\nContent-Length: {}\r\nConnection: close\r\n\r\n", body.len());
        stream.write_all((head + &body).as_bytes()).unwrap();
    });
    place.write("token", "0123456789abcdef0123456789abcdef\n");
    let token = place.path("token");
    let before = place.files();
    place.run(&["server", "join", &address, "--token-file", token.to_str().unwrap()]).ends(5).says(&[
        &format!("version {}", PROTOCOL + 1),
        &format!("speaks {PROTOCOL}"),
        "update this program",
    ]);
    assert!(before == place.files());
    answers.join().unwrap();
}
