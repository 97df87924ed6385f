//! The real node core on a virtual board, reaching a real server over loopback. The server's clock
//! is moved by hand, a second for each second of the node's. All that the two say to each other, and
//! all that the node keeps, is held against `docs/pintle.cddl`.
#![allow(dead_code, unreachable_pub, reason = "each test binary uses a part")]

#[path = "../../../tests/tests/schema/mod.rs"]
mod schema;

use pintle_protocol::agent::Node;
use pintle_protocol::board::Event;
use pintle_protocol::checkin::Outcome;
use pintle_protocol::sim::{AccessPoint, Air, Chance, Door, OwnedRequest, Pending, VirtualBoard};
use pintle_protocol::suit::TrustAnchors;
use pintle_server::Running;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};

/// A node, with or without power.
pub struct Screwed {
    node: Option<Node<VirtualBoard>>,
    dark: Option<VirtualBoard>,
    started_at: u64,
    air: Air,
    now: u64,
}

impl Screwed {
    /// With these images burnt in, and this starter card.
    pub fn new(name: &str, net: &[u8], io: &[u8], card: &[u8], network: (&str, &str)) -> Self {
        schema::holds("starter-card", card);
        let board = VirtualBoard::new(name, net, io, card, Door::at_rest(false), Chance::new(1, name));
        let air = Air { points: vec![AccessPoint::new(network.0, network.1)] };
        Self { node: None, dark: Some(board), started_at: 0, air, now: 0 }
    }

    /// Lets another network be on the air here.
    pub fn hears(&mut self, ssid: &str, passphrase: &str) {
        self.air.points.push(AccessPoint::new(ssid, passphrase));
    }

    /// Takes a network off the air here.
    pub fn loses(&mut self, ssid: &str) {
        self.air.points.retain(|point| point.ssid != ssid.as_bytes());
    }

    /// SSIDs of the bundle in force, in order.
    pub fn networks(&self) -> Vec<Vec<u8>> {
        let bundle = self.node.as_ref().unwrap().agent().bundle();
        bundle.unwrap().networks.iter().map(|n| n.ssid.to_vec()).collect()
    }

    /// The trust anchors in force.
    pub fn anchors(&self) -> TrustAnchors {
        self.node.as_ref().unwrap().agent().anchors().clone()
    }

    /// How its last update ended.
    pub fn outcome(&self) -> Option<Outcome> {
        self.node.as_ref()?.agent().record().outcome
    }

    fn second(&mut self, addr: SocketAddr) {
        self.now += 1;
        let mut node = match self.node.take() {
            Some(node) => node,
            None => {
                self.started_at = self.now;
                let Ok(node) = self.dark.take().unwrap().start() else { panic!("the node does not start") };
                node
            }
        };
        let at = (self.now - self.started_at) * 1000;
        node.board.second(&self.air);
        let outcome = match node.board.take_pending() {
            None => node.poll(at, Event::Nothing),
            Some(Pending::Request { request, .. }) => match carry(addr, &request) {
                None => node.poll(at, Event::NoResponse),
                Some((status, body)) => node.poll(at, Event::Response { status, body: &body }),
            },
            Some(other) => node.poll(at, other.event()),
        };
        schema::kept(node.agent());
        match outcome {
            Ok(()) if !node.board.wants_restart() => self.node = Some(node),
            Ok(()) => {
                node.board.reset();
                self.dark = Some(node.board);
            }
            Err(_) => {
                node.board.power_cycle();
                self.dark = Some(node.board);
            }
        }
    }
}

/// Lets time go on for all of these until `done`; fails after `seconds`.
#[track_caller]
pub fn until(
    running: &Running,
    nodes: &mut [&mut Screwed],
    seconds: u32,
    what: &str,
    mut done: impl FnMut(&[&mut Screwed]) -> bool,
) {
    for n in 0..seconds {
        if done(nodes) {
            return;
        }
        running.clock.advance(1);
        for node in nodes.iter_mut() {
            node.second(running.addr);
        }
        if n % 5 == 0 {
            running.tick().unwrap();
        }
    }
    let outcomes: Vec<_> = nodes.iter().map(|n| n.outcome()).collect();
    panic!("waited {seconds} s for {what}: {outcomes:?}");
}

fn carry(addr: SocketAddr, request: &OwnedRequest) -> Option<(u16, Vec<u8>)> {
    let none: &[u8] = &[];
    let (method, path, range, body) = match request {
        OwnedRequest::Claim(body) => ("POST", "/node/claim".to_owned(), String::new(), &body[..]),
        OwnedRequest::CheckIn(body) => ("POST", "/node/check-in".to_owned(), String::new(), &body[..]),
        OwnedRequest::Envelope(digest) => ("GET", format!("/node/envelope/{digest}"), String::new(), none),
        OwnedRequest::Payload { digest, offset, len } => {
            let range = format!("Range: bytes={offset}-{}\r\n", u64::from(*offset) + u64::from(*len) - 1);
            ("GET", format!("/node/payload/{digest}"), range, none)
        }
    };
    let (status, answer) = http(addr, method, &path, &range, body)?;
    schema::exchange_holds(&path, Some(body), status, &answer);
    Some((status, answer))
}

/// One request; status and body, or `None` if no answer came.
pub fn http(addr: SocketAddr, method: &str, path: &str, more: &str, body: &[u8]) -> Option<(u16, Vec<u8>)> {
    let mut stream = TcpStream::connect(addr).ok()?;
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{more}Content-Length: {}\r\n\r\n",
        body.len()
    );
    stream.write_all(head.as_bytes()).ok()?;
    stream.write_all(body).ok()?;
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).ok()?;
    let split = answer.windows(4).position(|w| w == b"\r\n\r\n")?;
    let head = std::str::from_utf8(answer.get(..split)?).ok()?;
    let status = head.split(' ').nth(1)?.parse().ok()?;
    let body = answer.get(split + 4..)?;
    if !head.to_ascii_lowercase().contains("transfer-encoding: chunked") {
        return Some((status, body.to_vec()));
    }
    let (mut rest, mut whole) = (body, Vec::new());
    loop {
        let line = rest.windows(2).position(|w| w == b"\r\n")?;
        let size = usize::from_str_radix(std::str::from_utf8(rest.get(..line)?).ok()?.trim(), 16).ok()?;
        if size == 0 {
            return Some((status, whole));
        }
        whole.extend_from_slice(rest.get(line + 2..line + 2 + size)?);
        rest = rest.get(line + 2 + size + 2..)?;
    }
}
