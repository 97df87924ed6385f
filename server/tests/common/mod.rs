//! A bare HTTP client, and a node that checks in.
#![allow(dead_code, unreachable_pub, reason = "each test binary uses a part")]

#[path = "../../../tests/tests/schema/mod.rs"]
pub mod schema;

use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{CheckIn, PROTOCOL, Phase, Position, Reply, Running, Wifi};
use pintle_protocol::cose::{AAD_CHECK_IN, AAD_REPLY, SigningKey, sign1};
use pintle_protocol::id::{Digest, NodeId, Nonce, PublicKey};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;

/// What came back.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub head: String,
    pub body: Vec<u8>,
}

impl Answer {
    pub fn text(&self) -> String {
        format!("{} {}", self.status, String::from_utf8_lossy(&self.body))
    }

    pub fn json(&self) -> serde_json::Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|e| panic!("{e}: {}", self.text()))
    }
}

/// One request over a connection of its own; `field` is a further line of its head.
pub fn ask(addr: SocketAddr, method: &str, path: &str, field: &str, body: &[u8]) -> Answer {
    let mut stream = TcpStream::connect(addr).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{field}\r\nContent-Length: {}\r\n\r\n",
        body.len()
    );
    stream.write_all(head.as_bytes()).unwrap();
    stream.write_all(body).unwrap();
    let mut bytes = Vec::new();
    stream.read_to_end(&mut bytes).unwrap();
    let end = bytes.windows(4).position(|w| w == b"\r\n\r\n").expect("no end of the head");
    let head = String::from_utf8(bytes[..end].to_vec()).unwrap();
    let status = head.split(' ').nth(1).unwrap().parse().unwrap();
    Answer { status, head, body: bytes[end + 4..].to_vec() }
}

/// A request of the operator.
pub fn operator(addr: SocketAddr, token: &str, method: &str, path: &str, body: &str) -> Answer {
    ask(addr, method, path, &format!("Authorization: Bearer {token}"), body.as_bytes())
}

/// A node with an identity made from one number.
pub struct Node {
    pub key: SigningKey,
    pub state: CheckIn,
}

impl Node {
    pub fn new(n: u8) -> Self {
        let running = |image: &[u8]| Running {
            version: Version::new(1, 0, 0),
            digest: Digest::of(image),
            link: LinkRange { oldest: 1, newest: 2 },
            profile: ActuationProfile { id: 1, version: 1 },
            slot: 0,
        };
        let state = CheckIn {
            protocol: PROTOCOL,
            node: NodeId([n; 16]),
            counter: 0,
            nonce: Nonce([n; 16]),
            uptime_seconds: 120,
            starts: 2,
            net: running(b"net"),
            io: Some(running(b"io")),
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
        Self { key: SigningKey::from_bytes(&[n; 32]), state }
    }

    pub fn path(&self) -> String {
        format!("/api/v1/nodes/{}", self.state.node)
    }

    /// Announces and admits it.
    pub fn admitted(self, addr: SocketAddr, token: &str) -> Self {
        let wish = format!(
            r#"{{"name":"Hatch {}","class":"{}","code_digest":"{}"}}"#,
            self.state.nonce.0[0],
            pintle_protocol::id::Uuid16([0xc1; 16]),
            Digest([1; 32])
        );
        let announced = operator(addr, token, "PUT", &self.path(), &wish);
        assert_eq!(announced.status, 200, "{}", announced.text());
        let key = PublicKey(self.key.verifying_key().to_bytes());
        let keys = format!(r#"{{"signing_key":"{key}","sealing_key":"{}"}}"#, PublicKey([9; 32]));
        let admitted = operator(addr, token, "POST", &format!("{}/admit", self.path()), &keys);
        assert_eq!(admitted.status, 200, "{}", admitted.text());
        self
    }

    /// Checks in once with the next counter.
    pub fn check_in(&mut self, addr: SocketAddr) -> Answer {
        ask(addr, "POST", "/node/check-in", "Accept: */*", &self.next_check_in())
    }

    /// A signed check-in with the next counter.
    pub fn next_check_in(&mut self) -> Vec<u8> {
        self.state.counter += 1;
        let plain = minicbor::to_vec(&self.state).unwrap();
        let mut out = vec![0; plain.len() + 128];
        let len = sign1::sign_attached(&self.key, None, &plain, AAD_CHECK_IN, &mut out).unwrap();
        out.truncate(len);
        schema::holds_each_shape("check-in-message", &out);
        out
    }
}

/// A reply that this server signed.
pub fn reply(answer: &Answer, server_key: &PublicKey) -> Reply {
    assert_eq!(answer.status, 200, "{}", answer.text());
    schema::holds_each_shape("reply-message", &answer.body);
    decode_message(sign1::open(&answer.body, server_key, AAD_REPLY).unwrap()).unwrap()
}
