//! The program and a real server on loopback: joining, commissioning, rollouts, and every way in
//! which the server can be the wrong one.

mod bin_common;

use bin_common::Place;
use pintle::api::http::Http;
use pintle::api::{Client, Trust};
use pintle::yard::Yard;
use pintle_protocol::card::StarterCard;
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{Claim, PROTOCOL, claim_proof};
use pintle_protocol::cose::{AAD_CLAIM, SigningKey, sign1};
use pintle_protocol::id::{Digest, NodeId, PublicKey, Uuid16};
use pintle_server::Running;
use pintle_server::clock::Clock;
use pintle_server::config::{Config, Tls};
use pintle_server::contract::{ExpectNode, JournalEntry};
use pintle_server::journal::START;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};

fn plain(place: &Place, name: &str) -> Running {
    let mut config = Config::new(place.path(name), ([127, 0, 0, 1], 0).into());
    config.tls = Tls::Plain;
    config.clock = Clock::manual(1_800_000_000);
    pintle_server::start(config).unwrap()
}

/// By the machine's clock, since the program holds the certificate against it.
fn encrypted(place: &Place, name: &str) -> Running {
    let mut config = Config::new(place.path(name), ([127, 0, 0, 1], 0).into());
    config.tls = Tls::Names(vec!["127.0.0.1".to_owned()]);
    pintle_server::start(config).unwrap()
}

/// Arguments that join a server, with its certificate and token in files.
fn join(place: &Place, running: &Running) -> Vec<String> {
    let mut args = vec!["server".to_owned(), "join".to_owned(), running.base_url.clone()];
    if let Some(pem) = &running.ca_pem {
        place.write("ca.pem", pem);
        args.extend(["--ca".to_owned(), place.path("ca.pem").display().to_string()]);
    }
    place.write("token", running.operator_token.as_deref().unwrap());
    args.extend(["--token-file".to_owned(), place.path("token").display().to_string()]);
    args
}

fn strs(args: &[String]) -> Vec<&str> {
    args.iter().map(String::as_str).collect()
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

/// Changes the server's journal as somebody does who has its machine.
fn tamper(data: &std::path::Path, sql: &str) {
    let database = rusqlite::Connection::open(data.join("pintle.db")).unwrap();
    database
        .execute_batch(
            "DROP TRIGGER IF EXISTS journal_is_not_changed; DROP TRIGGER IF EXISTS journal_is_not_cut",
        )
        .unwrap();
    database.execute_batch(sql).unwrap();
}

/// The chain of hashes made anew, so that the journal holds by itself.
fn rechain(data: &std::path::Path) {
    let database = rusqlite::Connection::open(data.join("pintle.db")).unwrap();
    let mut all = database.prepare("SELECT number, at, event, sentence, node, rollout FROM journal").unwrap();
    let mut entries: Vec<JournalEntry> = all
        .query_map([], |row| {
            let node: Option<[u8; 16]> = row.get(4)?;
            Ok(JournalEntry {
                number: row.get(0)?,
                at: row.get(1)?,
                event: row.get(2)?,
                sentence: row.get(3)?,
                node: node.map(NodeId),
                rollout: row.get(5)?,
                hash: START,
            })
        })
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    let mut head = START;
    for entry in &mut entries {
        head = pintle_server::journal::hash(head, entry);
        let sql = "UPDATE journal SET hash = ?2 WHERE number = ?1";
        database.execute(sql, (entry.number, head.0)).unwrap();
    }
}

#[test]
fn a_journal_that_was_tampered_with_is_told_and_how() {
    let place = Place::with_yard();
    let running = plain(&place, "data");
    place.run(&strs(&join(&place, &running))).ends(0);
    let token = running.operator_token.clone().unwrap();
    let http = Http::new(&running.base_url, Trust::Plain, token.into()).unwrap();
    let client = Client::over(http);
    for n in 1..=4 {
        let expect = ExpectNode {
            name: format!("Hatch {n}"),
            class: Uuid16([7; 16]),
            code_digest: Digest([n; 32]),
            replace: false,
        };
        client.expect_node(&NodeId([n; 16]), &expect).unwrap();
    }
    let first = place.run(&["--json", "server", "journal"]).ends(0).json();
    assert_eq!((&first["entries"], &first["new"]), (&5.into(), &serde_json::Value::Null), "{first}");
    let kept = std::fs::read(place.path("yard/state/journal.toml")).unwrap();
    let again = place.run(&["--json", "server", "journal", "--all"]).ends(0).json();
    assert_eq!((&again["head"], &again["new"]), (&first["head"], &0.into()));

    let exported = place.path("journal.jsonl");
    place.run(&["server", "journal", "--export", exported.to_str().unwrap()]).ends(0);
    let check_file = || place.run(&["--json", "server", "journal", "--file", exported.to_str().unwrap()]);
    assert_eq!(check_file().ends(0).json()["entries"], 5);
    let text = std::fs::read_to_string(&exported).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    let broken_file = |lines: &[&str], words: &[&str]| {
        std::fs::write(&exported, lines.join("\n")).unwrap();
        let broken = check_file().ends(1).json()["broken"].as_str().unwrap().to_owned();
        assert!(words.iter().all(|word| broken.contains(word)), "{broken}");
    };
    broken_file(&[lines[0], lines[1], lines[3], lines[4]], &["entry 3", "missing"]);
    broken_file(&[lines[0], lines[2], lines[1], lines[3], lines[4]], &["entry 2"]);
    broken_file(&lines[..3], &["cut short", "entry 3", "entry 5"]);
    let edited = lines[3].replacen("at\":18", "at\":19", 1);
    broken_file(&[lines[0], lines[1], lines[2], &edited, lines[4]], &["entry 4", "hash"]);
    std::fs::write(&exported, "{}").unwrap();
    check_file().ends(3).says(&["journal.jsonl, line 1"]);

    // The same on the server itself: it runs on, and somebody edits its file.
    let data = place.path("data");
    let database = rusqlite::Connection::open(data.join("pintle.db")).unwrap();
    database.execute("VACUUM INTO ?1", [place.path("aside.db").to_str().unwrap()]).unwrap();
    drop(database);
    let tampered = |sql: &str, rechained: bool, words: &[&str]| {
        tamper(&data, sql);
        if rechained {
            rechain(&data);
        }
        let answer = place.run(&["--json", "server", "journal"]).ends(1).says(&["--after-restore"]);
        let broken = answer.json()["broken"].as_str().unwrap().to_owned();
        assert!(words.iter().all(|word| broken.contains(word)), "{broken}");
        assert_eq!(std::fs::read(place.path("yard/state/journal.toml")).unwrap(), kept, "{broken}");
        let aside = place.path("aside.db");
        tamper(
            &data,
            &format!(
                "ATTACH '{}' AS aside; DELETE FROM journal; INSERT INTO journal SELECT * FROM aside.journal",
                aside.display()
            ),
        );
        place.run(&["server", "journal"]).ends(0);
    };
    tampered(
        "UPDATE journal SET sentence = 'Nothing happened' WHERE number = 3",
        false,
        &["entry 3", "hash"],
    );
    tampered("DELETE FROM journal WHERE number = 3", false, &["entry 3", "missing"]);
    tampered("DELETE FROM journal WHERE number > 3", false, &["cut short", "entry 3", "entry 5"]);
    let swap =
        "UPDATE journal SET number = -2 WHERE number = 2; UPDATE journal SET number = 2 WHERE number = 3;
         UPDATE journal SET number = 3 WHERE number = -2";
    tampered(swap, false, &["entry 2", "hash"]);
    let anew = "UPDATE journal SET sentence = 'Nothing happened' WHERE number = 3";
    tampered(anew, true, &["another history", "entry 5"]);

    // After a restore the operator says so, and it goes on from there.
    tamper(&data, "DELETE FROM journal WHERE number > 3");
    place.run(&["server", "journal"]).ends(1);
    place.run(&["server", "journal", "--after-restore"]).ends(0);
    place.run(&["server", "journal"]).ends(0);

    // A backup is verified without the server.
    let backup = place.path("backup");
    let made = pintle_server::backup::make(&data, &backup, 1_800_000_000).unwrap();
    let checked =
        place.run(&["--json", "server", "journal", "--backup", backup.to_str().unwrap()]).ends(0).json();
    assert_eq!(checked["head"], made.journal_head.to_string());
    std::fs::write(backup.join("online.key"), [1; 32]).unwrap();
    place.run(&["server", "journal", "--backup", backup.to_str().unwrap()]).ends(3).says(&["online.key"]);
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
