//! Somebody has the whole server and answers the operator's command with whatever serves him: claims of
//! others, keys of his own, another history, another state. Each is refused, with what is wrong
//! with it, and nothing in the yard changes. The node's half of this is in `tests/tests/stolen_server.rs`.

mod bin_common;
#[path = "../../tests/tests/schema/mod.rs"]
mod schema;

use bin_common::Place;
use pintle::yard::Yard;
use pintle_protocol::author::{ImageManifest, payload_uri};
use pintle_protocol::card::StarterCard;
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{CheckIn, Claim, PROTOCOL, Phase, Position, Running, Wifi, claim_proof};
use pintle_protocol::cose::{AAD_CHECK_IN, AAD_CLAIM, SigningKey, sign1};
use pintle_protocol::id::{Chip, Digest, NodeId, Nonce, PublicKey, Uuid16};
use pintle_protocol::suit::peek;
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use pintle_server::contract::{
    About, CheckInView, ClaimView, JournalEntry, JournalHead, JournalPage, NodeView, OutcomeView, ReportView,
    RunningView, Status, WifiView,
};
use pintle_server::journal::{Line, START, head};
use serde::Serialize;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering::SeqCst};
use std::sync::{Arc, Mutex};

const NOW: i64 = 1_800_000_000;

/// What the thief answers to each request, by method and path without its query.
type Answers = BTreeMap<String, (u16, Vec<u8>)>;

/// The server in a thief's hands. He has its key, so that everything he signs is signed well.
struct Thief {
    addr: SocketAddr,
    key: SigningKey,
    answers: Arc<Mutex<Answers>>,
    asked: Arc<Mutex<Vec<String>>>,
    over: Arc<AtomicBool>,
    thread: Option<std::thread::JoinHandle<()>>,
}

fn public(key: &SigningKey) -> PublicKey {
    PublicKey(key.verifying_key().to_bytes())
}

/// One request; method and path without its query.
fn read_request(stream: &mut TcpStream) -> Option<String> {
    let mut bytes = Vec::new();
    let mut piece = [0; 4096];
    let end = loop {
        if let Some(end) = bytes.windows(4).position(|w| w == b"\r\n\r\n") {
            break end;
        }
        match stream.read(&mut piece) {
            Ok(n @ 1..) => bytes.extend_from_slice(&piece[..n]),
            _ => return None,
        }
    };
    let head = String::from_utf8_lossy(&bytes[..end]).into_owned();
    let lower = head.to_ascii_lowercase();
    let len: usize =
        lower.lines().find_map(|l| l.strip_prefix("content-length: ")?.parse().ok()).unwrap_or(0);
    while bytes.len() < end + 4 + len {
        match stream.read(&mut piece) {
            Ok(n @ 1..) => bytes.extend_from_slice(&piece[..n]),
            _ => return None,
        }
    }
    let mut words = head.split(' ');
    let (method, target) = (words.next()?, words.next()?);
    Some(format!("{method} {}", target.split('?').next()?))
}

impl Thief {
    fn new() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let addr = listener.local_addr().unwrap();
        let (answers, asked, over) = (
            Arc::<Mutex<Answers>>::default(),
            Arc::<Mutex<Vec<String>>>::default(),
            Arc::<AtomicBool>::default(),
        );
        let (told, heard, ended) = (answers.clone(), asked.clone(), over.clone());
        let thread = std::thread::spawn(move || {
            for stream in listener.incoming() {
                if ended.load(SeqCst) {
                    return;
                }
                let mut stream = stream.unwrap();
                let Some(wanted) = read_request(&mut stream) else { continue };
                let known = told.lock().unwrap().get(&wanted).cloned();
                heard.lock().unwrap().push(wanted);
                let (status, body) = known.unwrap_or_else(|| {
                    (404, br#"{"error":{"code":"no_such_route","message":"not here"}}"#.to_vec())
                });
                let head = format!(
                    "HTTP/1.1 {status} X\r\nContent-Length: {}\r\nConnection: close\r\n\r\n",
                    body.len()
                );
                let _ = stream.write_all(head.as_bytes()).and_then(|()| stream.write_all(&body));
            }
        });
        let thief = Self {
            addr,
            key: SigningKey::from_bytes(&[0x61; 32]),
            answers,
            asked,
            over,
            thread: Some(thread),
        };
        let about = About {
            name: "pintle-server".to_owned(),
            protocol: PROTOCOL,
            version: "1.0.0".to_owned(),
            time: NOW,
            server_key: public(&thief.key),
            trouble: None,
        };
        thief.says("GET /api/v1/about", &about);
        thief.says("GET /api/v1/nodes", &json!([]));
        thief
    }

    fn says(&self, wanted: &str, answer: &impl Serialize) {
        self.sends(wanted, serde_json::to_vec(answer).unwrap());
    }

    fn sends(&self, wanted: &str, body: Vec<u8>) {
        self.answers.lock().unwrap().insert(wanted.to_owned(), (200, body));
    }

    /// Whether he was asked this since the last time.
    fn was_asked(&self, what: &str) -> bool {
        std::mem::take(&mut *self.asked.lock().unwrap()).iter().any(|asked| asked.starts_with(what))
    }

    /// A yard that has joined him while he was still honest, with an announced node and its card.
    fn joined(&self) -> (Place, StarterCard) {
        let place = Place::with_yard();
        place.write("token", "0123456789abcdef0123456789abcdef\n");
        let (token, url) = (place.path("token"), format!("http://{}", self.addr));
        place.run(&["server", "join", &url, "--token-file", token.to_str().unwrap()]).ends(0);
        let id = Yard::open(&place.path("yard")).unwrap().node_id("barn");
        self.says(&format!("PUT /api/v1/nodes/{id}"), &view(id, None, None));
        let card = card(&place, "card", &[]);
        (place, card)
    }
}

impl Drop for Thief {
    fn drop(&mut self) {
        self.over.store(true, SeqCst);
        let _ = TcpStream::connect(self.addr);
        let _ = self.thread.take().unwrap().join();
    }
}

fn card(place: &Place, folder: &str, more: &[&str]) -> StarterCard {
    let out = place.path(folder);
    let mut args = vec!["node", "card", "barn", "--out", out.to_str().unwrap()];
    args.extend(more);
    place.run(&args).ends(0);
    decode_message(&std::fs::read(out.join("card.cbor")).unwrap()).unwrap()
}

fn view(id: NodeId, keys: Option<[PublicKey; 2]>, report: Option<ReportView>) -> NodeView {
    NodeView {
        id,
        name: "Barn door".to_owned(),
        class: Uuid16([7; 16]),
        status: if keys.is_some() { Status::UpToDate } else { Status::Expected },
        admitted: keys.is_some(),
        signing_key: keys.map(|[signing, _]| signing),
        sealing_key: keys.map(|[_, sealing]| sealing),
        last_seen: report.as_ref().map(|_| NOW),
        silent: false,
        report,
        waits_for: Vec::new(),
        left_behind: Vec::new(),
    }
}

/// A board with keys from a seed.
struct Board {
    key: SigningKey,
    sealing: PublicKey,
}

impl Board {
    fn new(seed: u8) -> Self {
        let secret = x25519_dalek::StaticSecret::from([seed; 32]);
        let sealing = PublicKey(x25519_dalek::PublicKey::from(&secret).to_bytes());
        Self { key: SigningKey::from_bytes(&[seed; 32]), sealing }
    }

    /// The claim that this board makes with this card.
    fn claim(&self, card: &StarterCard) -> Claim {
        let signing_key = public(&self.key);
        let proof = claim_proof(&card.code, &card.node, &signing_key, &self.sealing, &card.net_class);
        Claim {
            protocol: PROTOCOL,
            node: card.node,
            signing_key,
            sealing_key: self.sealing,
            class: card.net_class,
            code_digest: Digest::of(&card.code),
            proof,
        }
    }

    fn signed(&self, claim: &Claim) -> Vec<u8> {
        let plain = minicbor::to_vec(claim).unwrap();
        let mut body = vec![0; plain.len() + 128];
        let len = sign1::sign_attached(&self.key, None, &plain, AAD_CLAIM, &mut body).unwrap();
        body.truncate(len);
        // One of them is of another version, and has to be refused.
        if claim.protocol == PROTOCOL {
            schema::holds_each_shape("claim-message", &body);
        }
        body
    }
}

fn shown(node: NodeId, body: &[u8]) -> ClaimView {
    ClaimView { node, body: hex::encode(body), at: NOW }
}

const ADMIT: &[&str] = &["node", "admit", "barn"];
const ROLL_OUT: &[&str] = &["rollout", "start", "--bundles", "--nodes", "barn"];

/// A command that must be refused, say why, and change nothing.
#[track_caller]
fn refused(place: &Place, what: &str, args: &[&str], words: &[&str]) {
    // An empty file that keeps other runs out says nothing.
    let files = || place.files().into_iter().filter(|(path, _)| path.extension() != Some("lock".as_ref()));
    let before: BTreeMap<_, _> = files().collect();
    let ran = place.run(args);
    assert!(ran.code >= 1 && ran.code != 101, "{what} was taken: {ran:#?}");
    let said = format!("{}{}", ran.out, ran.err);
    for word in words {
        assert!(said.contains(word), "{what}: `{word}` is not in {said}");
    }
    assert!(files().collect::<BTreeMap<_, _>>() == before, "{what} changed the yard");
}

#[test]
fn no_claim_but_the_one_made_with_the_card_is_taken() {
    let thief = Thief::new();
    let (place, card) = thief.joined();
    let (honest, his) = (Board::new(3), Board::new(0x66));
    let genuine = honest.claim(&card);
    let code = "was not made with the code on its starter card";

    let guessed = StarterCard { code: [0x55; 16], ..card.clone() };
    let other_node = StarterCard { node: NodeId([0x44; 16]), ..card.clone() };
    let other_class = StarterCard { net_class: Uuid16([0x33; 16]), ..card.clone() };
    // His keys with the genuine proof, which covers the keys.
    let slipped_in = Claim { signing_key: public(&his.key), sealing_key: his.sealing, ..genuine.clone() };
    let sealing_only = Claim { sealing_key: his.sealing, ..genuine.clone() };
    let relabelled = Claim { node: card.node, ..honest.claim(&other_node) };
    let mut flipped = honest.signed(&genuine);
    *flipped.last_mut().unwrap() ^= 1;
    let later = Claim { protocol: PROTOCOL + 1, ..genuine.clone() };
    let cases: [(&str, Vec<u8>, &str); 10] = [
        ("a claim with a guessed code", his.signed(&his.claim(&guessed)), code),
        ("his keys under the genuine proof", his.signed(&slipped_in), code),
        ("his sealing key under the genuine proof", honest.signed(&sealing_only), code),
        ("another node's claim", honest.signed(&honest.claim(&other_node)), code),
        ("another node's claim with this one's name", honest.signed(&relabelled), code),
        ("the genuine claim signed by him", his.signed(&genuine), "not signed by the key that it brings"),
        ("a flipped bit", flipped, "not signed by the key that it brings"),
        ("another class of board", honest.signed(&honest.claim(&other_class)), "class"),
        ("another version", honest.signed(&later), "speaks version"),
        ("noise", vec![0xa5; 200], "damaged"),
    ];
    let id = card.node;
    for (what, body, why) in &cases {
        thief.says("GET /api/v1/claims", &[shown(id, body)]);
        refused(&place, what, ADMIT, &["barn", why]);
        assert!(!thief.was_asked("POST"), "{what} was passed on");
    }
    let no_hex = ClaimView { body: "seven hinges".to_owned(), ..shown(id, b"") };
    thief.says("GET /api/v1/claims", &[no_hex]);
    refused(&place, "text that is not hexadecimal", ADMIT, &["barn", "hexadecimal"]);
    thief.says("GET /api/v1/claims", &json!([]));
    refused(&place, "no claim", ADMIT, &["no claim of node barn"]);

    // The board was replaced and has a new card: what was claimed with the old one is no good.
    let new = self::card(&place, "new-card", &["--replace"]);
    assert_ne!(new.code, card.code);
    thief.says("GET /api/v1/claims", &[shown(id, &honest.signed(&genuine))]);
    refused(&place, "a claim with the card before", ADMIT, &[code]);

    // Among all of them the genuine one is found, and nothing else.
    let mut all: Vec<ClaimView> = cases.iter().map(|(_, body, _)| shown(id, body)).collect();
    all.push(shown(id, &honest.signed(&honest.claim(&new))));
    thief.says("GET /api/v1/claims", &all);
    let keys = [public(&honest.key), honest.sealing];
    thief.says(&format!("POST /api/v1/nodes/{id}/admit"), &view(id, Some(keys), None));
    place.run(ADMIT).ends(0);
    let admitted = Yard::open(&place.path("yard")).unwrap().plan_for_card("barn").unwrap().keys.unwrap();
    assert_eq!([admitted.signing, admitted.sealing], keys);
    // From then on no claim counts at all, not even a good one.
    thief.says("GET /api/v1/claims", &[shown(id, &his.signed(&his.claim(&new)))]);
    refused(&place, "a claim with the code of an admitted node", ADMIT, &["barn"]);
}

fn running(image: &[u8]) -> RunningView {
    RunningView {
        version: "1.0.0".to_owned(),
        digest: Digest::of(image),
        link_oldest: 1,
        link_newest: 1,
        profile_id: 1,
        profile_version: 1,
        slot: 0,
    }
}

fn report(sequences: [u64; 3], bundle: Option<Digest>, outcome: Option<OutcomeView>) -> ReportView {
    ReportView {
        counter: 9,
        uptime_seconds: 60,
        starts: 2,
        net: running(b"net"),
        io: Some(running(b"io")),
        sequences,
        bundle,
        position: "closed".to_owned(),
        phase: "idle".to_owned(),
        subject: None,
        holds: Vec::new(),
        outcome,
        wifi: WifiView { index: 0, rssi_dbm: -60, candidate: None },
        supply_mv: 5000,
        relay_pulses: 1,
    }
}

/// With the node admitted; its identifier and keys.
fn admitted(thief: &Thief) -> (Place, NodeId, [PublicKey; 2]) {
    let (place, card) = thief.joined();
    let board = Board::new(3);
    let keys = [public(&board.key), board.sealing];
    thief.says("GET /api/v1/claims", &[shown(card.node, &board.signed(&board.claim(&card)))]);
    thief.says(&format!("POST /api/v1/nodes/{}/admit", card.node), &view(card.node, Some(keys), None));
    place.run(ADMIT).ends(0);
    thief.was_asked("");
    (place, card.node, keys)
}

#[test]
fn keys_that_are_replaced_after_admission_and_made_up_reports_start_nothing() {
    let thief = Thief::new();
    let (place, id, keys) = admitted(&thief);
    let his = Board::new(0x66);
    let first = || Some(report([0, 0, 0], None, None));
    let with = |keys: [PublicKey; 2], report: Option<ReportView>| {
        thief.says("GET /api/v1/nodes", &[view(id, Some(keys), report)]);
    };
    for (what, other, which) in [
        ("another signing key", [public(&his.key), keys[1]], "signing key"),
        ("another sealing key", [keys[0], his.sealing], "sealing key"),
    ] {
        with(other, first());
        refused(&place, what, ROLL_OUT, &["barn", which, "nodes/barn.toml", "server journal"]);
        assert!(!thief.was_asked("PUT"), "something was sealed and uploaded for {what}");
    }
    let plain = NodeView { signing_key: None, sealing_key: None, ..view(id, Some(keys), first()) };
    thief.says("GET /api/v1/nodes", &[plain]);
    refused(&place, "no keys at all", ROLL_OUT, &["signing key none"]);
    with(keys, Some(report([0, 0, u64::MAX - 1], None, None)));
    refused(&place, "a number near the end of all numbers", ROLL_OUT, &["too far ahead"]);
    with(keys, Some(report([0, 0, 0], Some(Digest([0x5a; 32])), None)));
    refused(&place, "a bundle that this yard never sealed", ROLL_OUT, &["was not sealed in this yard"]);
    with(keys, None);
    refused(&place, "a node that was never heard", ROLL_OUT, &["never checked in"]);
    assert!(!thief.was_asked("PUT"), "something was sealed and uploaded");

    // What he says he stored is not what was sent: nothing is started.
    with(keys, first());
    let sealing = place.run(ROLL_OUT);
    assert_eq!(sealing.code, 5, "{sealing:#?}");
    let sealed = std::fs::read_dir(place.path("yard/bundles/barn")).unwrap().count();
    assert!(sealed > 0 && thief.was_asked("PUT /api/v1/envelopes/"), "the control does not get that far");
    // An older state: the node has kept less than it had. Numbers that were used are not used again.
    let highest = |place: &Place| {
        let text = std::fs::read_to_string(place.path("yard/state/sequences.toml")).unwrap();
        let line = text.lines().find(|line| line.starts_with("bundle = ")).unwrap();
        line.trim_start_matches("bundle = ").parse::<u64>().unwrap()
    };
    let before = highest(&place);
    assert!(before > 0);
    place.run(ROLL_OUT);
    assert!(highest(&place) > before, "a number was used twice");
    let asked = std::mem::take(&mut *thief.asked.lock().unwrap());
    assert!(!asked.iter().any(|a| a.starts_with("POST /api/v1/rollouts")), "{asked:?}");
}

/// What a board says in a check-in: it has kept these numbers.
fn check_in(node: NodeId, sequences: [u64; 3]) -> CheckIn {
    let runs = Running {
        version: Version::new(1, 0, 0),
        digest: Digest::of(b"net"),
        link: LinkRange { oldest: 1, newest: 1 },
        profile: ActuationProfile { id: 1, version: 1 },
        slot: 0,
    };
    CheckIn {
        protocol: PROTOCOL,
        node,
        counter: 9,
        nonce: Nonce([8; 16]),
        uptime_seconds: 60,
        starts: 2,
        net: runs,
        io: Some(runs),
        sequences,
        bundle: None,
        position: Position::Closed,
        phase: Phase::Idle,
        subject: None,
        holds: 0,
        outcome: None,
        wifi: Wifi { index: 0, rssi_dbm: -60, candidate: None },
        report: Default::default(),
        supply_mv: 5000,
        relay_pulses: 1,
    }
}

fn sealed(said: &CheckIn, key: &SigningKey) -> CheckInView {
    let mut message = vec![0; 1024];
    let plain = minicbor::to_vec(said).unwrap();
    let len = sign1::sign_attached(key, None, &plain, AAD_CHECK_IN, &mut message).unwrap();
    schema::holds_each_shape("check-in-message", &message[..len]);
    CheckInView { at: NOW, message: hex::encode(&message[..len]) }
}

#[test]
fn a_tally_goes_by_what_nodes_signed_and_by_nothing_that_he_says() {
    const TALLY: &[&str] = &["keys", "tally"];
    let thief = Thief::new();
    let (place, id, keys) = admitted(&thief);
    let (board, his) = (Board::new(3), Board::new(0x66));
    let route = format!("GET /api/v1/nodes/{id}/check-in");
    // He says that it has all that is wanted, whatever it says itself.
    thief.says("GET /api/v1/nodes", &[view(id, Some(keys), Some(report([0, 0, 0], None, None)))]);
    thief.says(&route, &sealed(&check_in(id, [0, 0, 0]), &board.key));
    place.run(TALLY).ends(0);
    thief.says(&route, &sealed(&check_in(id, [7, 7, 7]), &board.key));
    let other = place.run(TALLY).ends(1);
    assert!(other.out.contains("not known here") && other.out.contains("not yet: barn"), "{}", other.out);
    for (what, message) in [
        ("a check-in signed by his own key", sealed(&check_in(id, [0, 0, 0]), &his.key)),
        ("one signed by the server's key", sealed(&check_in(id, [0, 0, 0]), &thief.key)),
        ("one that speaks of another node", sealed(&check_in(NodeId([1; 16]), [0, 0, 0]), &board.key)),
        ("no check-in", CheckInView { at: NOW, message: hex::encode(b"noise") }),
    ] {
        thief.says(&route, &message);
        refused(&place, what, TALLY, &["barn", "is not signed by it", "look at the node itself"]);
    }
    thief.says(&route, &CheckInView { at: NOW, message: "zz".to_owned() });
    refused(&place, "no hexadecimal text", TALLY, &["no hexadecimal text"]);
}

/// Entries of a journal that holds by itself.
fn history(sentences: &[&str]) -> Vec<JournalEntry> {
    let mut last = START;
    let entry = |(n, sentence): (usize, &&str)| {
        let entry = Line::new("kept", *sentence).chained(n as i64 + 1, NOW + n as i64, last);
        last = entry.hash;
        entry
    };
    sentences.iter().enumerate().map(entry).collect()
}

#[test]
fn a_journal_with_another_history_or_an_older_state_is_told() {
    let thief = Thief::new();
    let (place, _) = thief.joined();
    let look = ["--json", "server", "journal"];
    let tells = |entries: &[JournalEntry], signed: &JournalHead| {
        let last = entries.last().map_or(0, |entry| entry.number);
        thief.says("GET /api/v1/journal", &JournalPage { entries: entries.to_vec(), last });
        thief.says("GET /api/v1/journal/head", signed);
    };
    let head_of = |entries: &[JournalEntry], key: &SigningKey| {
        let (number, hash) = entries.last().map_or((0, START), |last| (last.number, last.hash));
        head::sign(key, number, hash, NOW).unwrap()
    };
    let true_one =
        history(&["Barn door is admitted", "Firmware was planned", "Barn door refused step 1", "It is held"]);
    tells(&true_one, &head_of(&true_one, &thief.key));
    place.run(&look).ends(0);

    let older = &true_one[..2];
    tells(older, &head_of(older, &thief.key));
    refused(&place, "the state of last week", &look, &["cut short"]);
    // Another history, chained and signed well: he has the server's key.
    let other =
        history(&["Barn door is admitted", "Firmware was planned", "Barn door kept step 1", "It is done"]);
    tells(&other, &head_of(&other, &thief.key));
    refused(&place, "another history", &look, &["another history"]);
    let longer =
        history(&["Barn door is admitted", "Firmware was planned", "All is well", "It is done", "And more"]);
    tells(&longer, &head_of(&longer, &thief.key));
    refused(&place, "another history that goes on", &look, &["another history"]);
    let stranger = SigningKey::from_bytes(&[0x77; 32]);
    tells(&true_one, &head_of(&true_one, &stranger));
    refused(&place, "a head by another key", &look, &["not by the server's key"]);
    let shown = JournalHead { number: 3, hash: true_one[2].hash, ..head_of(&true_one, &thief.key) };
    tells(&true_one, &shown);
    refused(&place, "another head than was signed", &look, &["another head"]);
    let mut gap = true_one.clone();
    gap.remove(1);
    tells(&gap, &head_of(&true_one, &thief.key));
    refused(&place, "a journal with a gap", &look, &["entry 2"]);
    tells(&[], &head_of(&true_one, &thief.key));
    refused(&place, "entries that are held back", &look, &["cut short"]);

    // What was seen once and goes on is good.
    tells(&true_one, &head_of(&true_one, &thief.key));
    place.run(&look).ends(0);
}

/// An image for the node's board, signed by somebody.
fn envelope(key: &SigningKey, sequence: u64) -> (Digest, Vec<u8>) {
    let digest = Digest::of(b"image");
    let manifest = ImageManifest {
        vendor: Uuid16([0xaa; 16]),
        class: Uuid16([0xc1; 16]),
        chip: Chip::Io,
        sequence,
        version: Version::new(1, 1, 0),
        digest,
        size: 5,
        uri: &payload_uri(&digest),
        link: LinkRange { oldest: 1, newest: 1 },
        profile: ActuationProfile { id: 1, version: 1 },
        reference_uri: "image",
    };
    let bytes = manifest.envelope(key).unwrap();
    let digest = peek(&bytes).unwrap().digest;
    (digest, bytes)
}

#[test]
fn an_envelope_that_is_not_the_one_or_not_the_yards_is_told() {
    let thief = Thief::new();
    let (place, id, keys) = admitted(&thief);
    let (wanted, bytes) = envelope(&SigningKey::from_bytes(&[0x51; 32]), 4);
    let (_, other) = envelope(&SigningKey::from_bytes(&[0x51; 32]), 5);
    let outcome = OutcomeView {
        envelope: wanted,
        ending: "refused".to_owned(),
        reason: 101,
        sentence: None,
        detail: 0,
    };
    let told = report([0; 3], None, Some(outcome));
    thief.says(&format!("GET /api/v1/nodes/{id}"), &view(id, Some(keys), Some(told)));
    let error = json!({"error": {"code": "no_suit_report", "message": "none"}});
    let missing = (404, serde_json::to_vec(&error).unwrap());
    thief.answers.lock().unwrap().insert(format!("GET /api/v1/nodes/{id}/suit-report"), missing);
    let path = format!("GET /node/envelope/{wanted}");
    let mut flipped = bytes.clone();
    *flipped.last_mut().unwrap() ^= 1;
    for (what, body) in [("another envelope", other), ("noise", vec![0xa5; 64]), ("a changed one", flipped)] {
        thief.sends(&path, body);
        refused(
            &place,
            what,
            &["node", "report", "barn"],
            &[&wanted.to_string(), "another or a damaged one"],
        );
    }
    // The right one, which this yard did not sign: nothing else is said of it, and nobody takes it.
    thief.sends(&path, bytes.clone());
    refused(&place, "a foreign envelope", &["node", "report", "barn"], &["refused"]);
    std::fs::write(place.path("foreign.suit"), &bytes).unwrap();
    let look = place.run(&["--json", "look", place.path("foreign.suit").to_str().unwrap()]).json();
    assert_eq!((&look["signed_by"], &look["taken_by"]), (&Value::Null, &json!([])), "{look}");
}

#[test]
fn a_link_leads_to_the_server_and_words_do_not_steer_a_terminal() {
    let thief = Thief::new();
    let (place, id, keys) = admitted(&thief);
    for path in [
        "@larkfield.example/sign-in/00",
        "https://larkfield.example/sign-in/00",
        "//larkfield.example/sign-in/00",
        "/sign-in/../elsewhere",
        "/sign-in/00\u{1b}[2J",
        "/sign-in/",
        "/",
        "",
    ] {
        thief.says("POST /api/v1/sign-in-links", &json!({"path": path, "expires_at": NOW}));
        let ran = place.run(&["server", "link"]);
        assert_eq!((ran.code, ran.out.as_str()), (5, ""), "`{path}` was taken: {ran:#?}");
        refused(&place, path, &["server", "link"], &["sign-in link is no path"]);
    }
    thief.says("POST /api/v1/sign-in-links", &json!({"path": "/sign-in/0a1b", "expires_at": NOW}));
    assert!(place.run(&["server", "link"]).ends(0).out.ends_with("/sign-in/0a1b\n"));

    let mut shown = view(id, Some(keys), Some(report([0; 3], None, None)));
    shown.waits_for = vec!["all is well\u{1b}[2J\u{1b}]0;title\u{7}\r\u{202e}".to_owned()];
    thief.says(&format!("GET /api/v1/nodes/{id}"), &shown);
    let ran = place.run(&["node", "show", "barn"]).ends(0);
    assert!(ran.out.contains("all is well"), "{ran:#?}");
    let error = json!({"error": {"code": "x", "message": "no\u{1b}[31m\u{7}"}});
    let refusal = (409, serde_json::to_vec(&error).unwrap());
    thief.answers.lock().unwrap().insert("GET /api/v1/rollouts".to_owned(), refusal);
    let failed = place.run(&["rollout", "list"]).ends(5);
    assert!(failed.err.contains("no\u{fffd}[31m"), "{failed:#?}");
    for text in [&ran.out, &ran.err, &failed.out, &failed.err] {
        let steers = text.chars().any(|c| c.is_control() && c != '\n' || c == '\u{202e}');
        assert!(!steers, "{text:?}");
    }
}
