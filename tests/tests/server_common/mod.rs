//! A server on loopback, a bare HTTP client, and nodes that can lie.
#![allow(dead_code, unreachable_pub, reason = "each test binary uses a part")]

pub mod document;
#[path = "../schema/mod.rs"]
pub mod schema;

use pintle_protocol::author::{ImageManifest, payload_uri};
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{
    CheckIn, Claim, Ending, Outcome, PROTOCOL, Phase, Position, Reply, Running, Wifi, claim_proof,
};
use pintle_protocol::cose::{AAD_CHECK_IN, AAD_CLAIM, AAD_REPLY, SigningKey, sign1};
use pintle_protocol::id::{Chip, Digest, NodeId, Nonce, PublicKey, Uuid16};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use pintle_server::clock::Clock;
use pintle_server::config::{Config, Tls};
use pintle_server::start;
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::time::Duration;

pub const NOW: i64 = 1_800_000_000;
pub const CLASS: Uuid16 = Uuid16([0xc1; 16]);

pub struct Server {
    pub running: pintle_server::Running,
    pub folder: tempfile::TempDir,
    pub token: String,
}

pub fn config(data: &Path) -> Config {
    let mut config = Config::new(data, ([127, 0, 0, 1], 0).into());
    config.tls = Tls::Plain;
    config.clock = Clock::manual(NOW);
    config
}

impl Server {
    pub fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let running = start(config(&folder.path().join("data"))).unwrap();
        let token = running.operator_token.clone().unwrap();
        Self { running, folder, token }
    }

    pub fn restart(self) -> Self {
        let now = self.running.clock.now();
        self.running.stop().unwrap();
        let mut config = config(&self.folder.path().join("data"));
        config.clock = Clock::manual(now);
        let running = start(config).unwrap();
        assert_eq!(running.operator_token, None, "the token is shown at the first start only");
        Self { running, folder: self.folder, token: self.token }
    }

    pub fn wait(&self, seconds: i64) {
        self.running.clock.advance(seconds);
        self.running.tick().unwrap();
    }

    /// What nodes send and get is held against `docs/pintle.cddl`, and everything of the operator's
    /// API against `docs/openapi.json`.
    pub fn send(&self, method: &str, path: &str, fields: &[(&str, &str)], body: &[u8]) -> Answer {
        let answer = self.send_anything(method, path, fields, body);
        if path.starts_with("/node/") {
            let asked = (method == "POST").then_some(body);
            schema::exchange_holds(path, asked, answer.status, &answer.body);
        }
        answer
    }

    pub fn send_anything(&self, method: &str, path: &str, fields: &[(&str, &str)], body: &[u8]) -> Answer {
        let mut stream = TcpStream::connect(self.running.addr).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
        let answer = exchange(&mut stream, method, path, fields, body);
        document::exchange_holds(method, path, body, answer.status, &answer.body);
        answer
    }

    pub fn operator(&self, method: &str, path: &str, body: &[u8]) -> Answer {
        let bearer = format!("Bearer {}", self.token);
        self.send(method, path, &[("Authorization", &bearer)], body)
    }

    pub fn ask(&self, method: &str, path: &str, body: &Value) -> Answer {
        let body = if body.is_null() { Vec::new() } else { serde_json::to_vec(body).unwrap() };
        self.operator(method, path, &body)
    }

    pub fn good(&self, method: &str, path: &str, body: &Value) -> Value {
        let answer = self.ask(method, path, body);
        assert!((200..300).contains(&answer.status), "{method} {path}: {}", answer.text());
        answer.json()
    }
}

/// What came back.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub fields: Vec<(String, String)>,
    pub body: Vec<u8>,
}

impl Answer {
    pub fn field(&self, name: &str) -> Option<&str> {
        self.fields.iter().find(|(n, _)| n.eq_ignore_ascii_case(name)).map(|(_, v)| v.as_str())
    }

    pub fn text(&self) -> String {
        format!("{} {}", self.status, String::from_utf8_lossy(&self.body))
    }

    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {}", self.text()))
    }

    /// Status and code of an error of the operator's API.
    pub fn error(&self) -> (u16, String) {
        let body = self.json();
        assert!(!body["error"]["message"].as_str().unwrap().is_empty());
        (self.status, body["error"]["code"].as_str().unwrap().to_owned())
    }

    /// Status and number of an error that a node is told.
    pub fn node_error(&self) -> (u16, u8) {
        let mut d = minicbor::Decoder::new(&self.body);
        assert_eq!(d.map().unwrap(), Some(2), "{}", self.text());
        assert_eq!(d.u8().unwrap(), 0);
        let number = d.u8().unwrap();
        assert_eq!(d.u8().unwrap(), 1);
        assert!(!d.str().unwrap().is_empty());
        (self.status, number)
    }
}

/// One request and its answer over a connection that ends with it.
pub fn exchange<S: Read + Write>(
    stream: &mut S,
    method: &str,
    path: &str,
    fields: &[(&str, &str)],
    body: &[u8],
) -> Answer {
    let mut head = format!("{method} {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n");
    for (name, value) in fields {
        head.push_str(&format!("{name}: {value}\r\n"));
    }
    if !body.is_empty() || method != "GET" {
        head.push_str(&format!("Content-Length: {}\r\n", body.len()));
    }
    head.push_str("\r\n");
    stream.write_all(head.as_bytes()).unwrap();
    // A server that refuses a large body may stop reading before its end.
    let _ = stream.write_all(body);
    let mut bytes = Vec::new();
    let mut piece = [0; 4096];
    while let Ok(n @ 1..) = stream.read(&mut piece) {
        bytes.extend_from_slice(&piece[..n]);
    }
    read_answer(&bytes)
}

fn read_answer(bytes: &[u8]) -> Answer {
    let end = bytes.windows(4).position(|w| w == b"\r\n\r\n").expect("no end of the head");
    let head = std::str::from_utf8(&bytes[..end]).unwrap();
    let mut lines = head.split("\r\n");
    let status = lines.next().unwrap().split(' ').nth(1).unwrap().parse().unwrap();
    let fields: Vec<(String, String)> = lines
        .map(|line| line.split_once(": ").unwrap())
        .map(|(name, value)| (name.to_owned(), value.to_owned()))
        .collect();
    Answer { status, fields, body: bytes[end + 4..].to_vec() }
}

/// A node that is whatever the test wants.
#[derive(Clone)]
pub struct Node {
    pub id: NodeId,
    pub name: String,
    pub key: SigningKey,
    pub code: [u8; 16],
    pub state: CheckIn,
}

pub fn running(image: &[u8]) -> Running {
    Running {
        version: Version::new(1, 0, 0),
        digest: Digest::of(image),
        link: LinkRange { oldest: 1, newest: 2 },
        profile: ActuationProfile { id: 1, version: 1 },
        slot: 0,
    }
}

impl Node {
    pub fn new(n: u8) -> Self {
        let id = NodeId([n; 16]);
        let state = CheckIn {
            protocol: PROTOCOL,
            node: id,
            counter: 0,
            nonce: Nonce([n; 16]),
            uptime_seconds: 120,
            starts: 2,
            net: running(b"net before"),
            io: Some(running(b"io before")),
            sequences: [0; 3],
            bundle: None,
            position: Position::Closed,
            phase: Phase::Idle,
            subject: None,
            holds: 0,
            outcome: None,
            wifi: Wifi { index: 0, rssi_dbm: -61, candidate: None },
            report: Default::default(),
            supply_mv: 5010,
            relay_pulses: 12,
        };
        Self { id, name: format!("Hatch {n}"), key: SigningKey::from_bytes(&[n; 32]), code: [n; 16], state }
    }

    pub fn signing_key(&self) -> PublicKey {
        PublicKey(self.key.verifying_key().to_bytes())
    }

    pub fn path(&self) -> String {
        format!("/api/v1/nodes/{}", self.id)
    }

    pub fn wish(&self) -> Value {
        json!({"name": self.name, "class": CLASS.to_string(), "code_digest": Digest::of(&self.code).to_string()})
    }

    pub fn keys(&self) -> Value {
        json!({"signing_key": self.signing_key().to_string(), "sealing_key": "09".repeat(32)})
    }

    pub fn admitted(self, server: &Server) -> Self {
        server.good("PUT", &self.path(), &self.wish());
        server.good("POST", &format!("{}/admit", self.path()), &self.keys());
        self
    }

    pub fn claim(&self) -> Claim {
        let (signing_key, sealing_key) = (self.signing_key(), PublicKey([9; 32]));
        Claim {
            protocol: PROTOCOL,
            node: self.id,
            signing_key,
            sealing_key,
            class: CLASS,
            code_digest: Digest::of(&self.code),
            proof: claim_proof(&self.code, &self.id, &signing_key, &sealing_key, &CLASS),
        }
    }

    pub fn signed<T: minicbor::Encode<()>>(&self, message: &T, aad: &[u8]) -> Vec<u8> {
        let plain = minicbor::to_vec(message).unwrap();
        let mut out = vec![0; plain.len() + 128];
        let len = sign1::sign_attached(&self.key, None, &plain, aad, &mut out).unwrap();
        out.truncate(len);
        out
    }

    pub fn send_claim(&self, server: &Server) -> Answer {
        server.send("POST", "/node/claim", &[], &self.signed(&self.claim(), AAD_CLAIM))
    }

    pub fn send_check_in(&self, server: &Server) -> Answer {
        server.send("POST", "/node/check-in", &[], &self.signed(&self.state, AAD_CHECK_IN))
    }

    /// A check-in that must be taken; takes up what is offered.
    pub fn check_in(&mut self, server: &Server) -> Reply {
        self.state.counter += 1;
        let answer = self.send_check_in(server);
        assert_eq!(answer.status, 200, "{}", answer.text());
        let payload = sign1::open(&answer.body, &server.running.server_key, AAD_REPLY).unwrap();
        let reply: Reply = decode_message(payload).unwrap();
        assert_eq!((reply.nonce, reply.node), (self.state.nonce, self.id));
        if let Some(offer) = reply.offer {
            self.state.phase = Phase::Fetching;
            self.state.subject = Some(offer.envelope);
        }
        reply
    }

    pub fn end(&mut self, ending: Ending, reason: u16) {
        let envelope = self.state.subject.take().expect("nothing was taken up");
        self.state.phase = Phase::Idle;
        self.state.outcome = Some(Outcome { envelope, ending, reason, detail: 0 });
    }
}

/// An envelope for an image, signed by some key: the server does not check by whom.
pub fn envelope(chip: Chip, sequence: u64, image: &[u8]) -> (Digest, Vec<u8>) {
    let digest = Digest::of(image);
    let bytes = ImageManifest {
        vendor: Uuid16([0xaa; 16]),
        class: CLASS,
        chip,
        sequence,
        version: Version::new(1, 1, 0),
        digest,
        size: u32::try_from(image.len()).unwrap(),
        uri: &payload_uri(&digest),
        link: LinkRange { oldest: 1, newest: 2 },
        profile: ActuationProfile { id: 1, version: 1 },
        reference_uri: "https://larkfield.example/image",
    }
    .envelope(&SigningKey::from_bytes(&[0x51; 32]))
    .unwrap();
    let digest = pintle_protocol::suit::peek(&bytes).unwrap().digest;
    (digest, bytes)
}

impl Server {
    /// Stores image and envelope; the manifest digest.
    pub fn store(&self, chip: Chip, sequence: u64, image: &[u8]) -> Digest {
        let payload = self.operator("PUT", &format!("/api/v1/payloads/{}", Digest::of(image)), image);
        assert_eq!(payload.status, 200, "{}", payload.text());
        let (digest, bytes) = envelope(chip, sequence, image);
        let stored = self.operator("PUT", &format!("/api/v1/envelopes/{digest}"), &bytes);
        assert_eq!(stored.status, 200, "{}", stored.text());
        digest
    }
}

/// A rollout of one step to these nodes, one wave each.
pub fn plan(nodes: &[&Node], envelope: Digest, way_back: Digest, on_failure: &str) -> Value {
    let wave = |node: &&Node| {
        json!({
            "targets": [{"node": node.id.to_string(), "steps":
                [{"envelope": envelope.to_string(), "way_back": way_back.to_string()}]}],
            "soak_seconds": 600,
            "gate": {"max_failed": 0, "max_silent": 0, "silent_after_seconds": 3600}
        })
    };
    json!({"title": "Firmware 1.1", "kind": "image", "on_failure": on_failure,
           "waves": nodes.iter().map(wave).collect::<Vec<_>>()})
}
