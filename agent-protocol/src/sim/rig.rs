//! A node on a virtual board with a pretend server beside it: for tests of the node core and of
//! own firmware, without sockets and without a clock.

use super::air::{AccessPoint, Air};
use super::board::{OwnedRequest, Pending, VirtualBoard};
use super::chance::Chance;
use super::door::Door;
use crate::agent::{BootFault, Node, NodeFault};
use crate::board::{Event, FlashFault};
use crate::card::{self, StarterCard};
use crate::cbor::{decode_message, encode_message};
use crate::checkin::{CheckIn, Claim, Ending, Offer, PROTOCOL, Reply, claim_is_genuine};
use crate::cose::{self, SigningKey, sign1};
use crate::id::{Digest, NodeId, PublicKey, Uuid16};
use crate::slots::BootRecord;
use crate::suit::{TrustAnchors, peek};
use std::collections::{BTreeMap, VecDeque};
use std::string::String;
use std::vec::Vec;

/// Identifiers and keys of the pretend yard.
#[derive(Clone)]
pub struct Yard {
    /// Signs trust anchors.
    pub root: SigningKey,
    /// Signs images.
    pub image: SigningKey,
    /// Signs bundles.
    pub bundle: SigningKey,
    /// Signs replies.
    pub server: SigningKey,
}

/// The pretend yard's vendor.
pub const VENDOR: Uuid16 = Uuid16([1; 16]);
/// The class of its net chips.
pub const NET: Uuid16 = Uuid16([2; 16]);
/// The class of its io chips.
pub const IO: Uuid16 = Uuid16([3; 16]);
/// The node.
pub const NODE: NodeId = NodeId([4; 16]);
/// The claim code on its card.
pub const CODE: [u8; 16] = [5; 16];

impl Default for Yard {
    fn default() -> Self {
        let key = |n: u8| SigningKey::from_bytes(&[n; 32]);
        Self { root: key(1), image: key(2), bundle: key(3), server: key(4) }
    }
}

impl Yard {
    /// The public halves.
    pub fn anchors(&self) -> TrustAnchors {
        let public = |k: &SigningKey| PublicKey(k.verifying_key().to_bytes());
        TrustAnchors {
            root: public(&self.root),
            image: [public(&self.image)].into_iter().collect(),
            bundle: [public(&self.bundle)].into_iter().collect(),
            server: public(&self.server),
            server_next: None,
        }
    }

    /// The node's starter card.
    pub fn card(&self, network: crate::bundle::Network) -> Vec<u8> {
        let address = heapless::String::try_from("https://192.0.2.7:8443").unwrap_or_default();
        let card = StarterCard {
            schema: card::SCHEMA,
            node: NODE,
            name: heapless::String::try_from("cart shed").unwrap_or_default(),
            vendor: VENDOR,
            net_class: NET,
            io_class: IO,
            code: CODE,
            anchors: self.anchors(),
            servers: [crate::bundle::Address(address)].into_iter().collect(),
            ca: heapless::Vec::new(),
            network,
        };
        let mut bytes = vec![0; 2048];
        let len = encode_message(&card, &mut bytes).unwrap_or(0);
        bytes.truncate(len);
        bytes
    }
}

/// What the pretend server knows.
#[derive(Clone)]
pub struct Server {
    /// Envelopes by manifest digest.
    pub envelopes: BTreeMap<Digest, Vec<u8>>,
    /// Payloads by SHA-256.
    pub payloads: BTreeMap<Digest, Vec<u8>>,
    /// What is offered with every reply.
    pub offer: Option<Offer>,
    /// What is offered after that one was kept, in order.
    pub then: VecDeque<Offer>,
    /// The claim, once it came.
    pub claim: Option<Claim>,
    /// The last check-in.
    pub seen: Option<CheckIn>,
    /// Whether requests reach it.
    pub down: bool,
    /// The only address at which it answers; any, if `None`.
    pub only_at: Option<String>,
    /// Where somebody else answers, with what.
    pub impostors: BTreeMap<String, (u16, Vec<u8>)>,
    /// Its clock, in seconds.
    pub time: u64,
    /// When nodes are to check in again, in seconds.
    pub next_seconds: u32,
    /// Told of each request that it answers, with status and body. Tests hold both against the contract.
    pub heard: fn(&OwnedRequest, u16, &[u8]),
}

impl Default for Server {
    fn default() -> Self {
        Self {
            envelopes: BTreeMap::new(),
            payloads: BTreeMap::new(),
            offer: None,
            then: VecDeque::new(),
            claim: None,
            seen: None,
            down: false,
            only_at: None,
            impostors: BTreeMap::new(),
            time: 0,
            next_seconds: 30,
            #[cfg(test)]
            heard: super::witness::answered,
            #[cfg(not(test))]
            heard: |_, _, _| {},
        }
    }
}

impl Server {
    /// Takes an envelope and its payload and offers it.
    pub fn offer(&mut self, envelope: Vec<u8>, payload: Option<&[u8]>) -> Digest {
        let offer = self.take(envelope, payload);
        self.offer = Some(offer);
        self.then.clear();
        offer.envelope
    }

    /// The same, to be offered after everything offered so far was kept.
    pub fn offer_then(&mut self, envelope: Vec<u8>, payload: Option<&[u8]>) -> Digest {
        let offer = self.take(envelope, payload);
        self.then.push_back(offer);
        offer.envelope
    }

    fn take(&mut self, envelope: Vec<u8>, payload: Option<&[u8]>) -> Offer {
        let digest = peek(&envelope).map_or(Digest([0; 32]), |p| p.digest);
        let size = envelope.len() as u32;
        self.envelopes.insert(digest, envelope);
        if let Some(payload) = payload {
            self.payloads.insert(Digest::of(payload), payload.to_vec());
        }
        Offer { envelope: digest, size }
    }

    /// Who answers a request at this address, if anybody: HTTP status and body.
    pub fn answer_at(&mut self, base: &str, yard: &Yard, request: &OwnedRequest) -> Option<(u16, Vec<u8>)> {
        if let Some(answer) = self.impostors.get(base) {
            return Some(answer.clone());
        }
        let here = self.only_at.as_ref().is_none_or(|only| only == base);
        let answer = here.then(|| self.answer(yard, request));
        if let Some((status, body)) = &answer {
            (self.heard)(request, *status, body);
        }
        answer
    }

    /// Answers a request: HTTP status and body.
    pub fn answer(&mut self, yard: &Yard, request: &OwnedRequest) -> (u16, Vec<u8>) {
        match request {
            OwnedRequest::Claim(body) => {
                let claim = sign1::parse(body)
                    .ok()
                    .and_then(|m| decode_message::<Claim>(m.unverified_payload()?).ok())
                    .filter(|c| sign1::open(body, &c.signing_key, cose::AAD_CLAIM).is_ok())
                    .filter(|c| claim_is_genuine(&CODE, c));
                match claim {
                    Some(claim) => {
                        self.claim = Some(claim);
                        (204, Vec::new())
                    }
                    None => (400, Vec::new()),
                }
            }
            OwnedRequest::CheckIn(body) => {
                let Some(claim) = &self.claim else { return (403, Vec::new()) };
                let Ok(payload) = sign1::open(body, &claim.signing_key, cose::AAD_CHECK_IN) else {
                    return (401, Vec::new());
                };
                let Ok(check_in) = decode_message::<CheckIn>(payload) else { return (400, Vec::new()) };
                if self.seen.as_ref().is_some_and(|s| s.counter >= check_in.counter) {
                    return (409, Vec::new());
                }
                let kept = check_in.outcome.filter(|o| o.ending == Ending::Kept).map(|o| o.envelope);
                if kept.is_some() && kept == self.offer.map(|o| o.envelope) {
                    self.offer = self.then.pop_front().or(self.offer);
                }
                let reply = Reply {
                    protocol: PROTOCOL,
                    nonce: check_in.nonce,
                    node: check_in.node,
                    time: self.time,
                    next_seconds: self.next_seconds,
                    offer: self.offer,
                };
                self.seen = Some(check_in);
                let mut plain = [0; 512];
                let len = encode_message(&reply, &mut plain).unwrap_or(0);
                let mut out = vec![0; 1024];
                let len = sign1::sign_attached(&yard.server, None, &plain[..len], cose::AAD_REPLY, &mut out)
                    .unwrap_or(0);
                out.truncate(len);
                (200, out)
            }
            OwnedRequest::Envelope(digest) => match self.envelopes.get(digest) {
                Some(envelope) => (200, envelope.clone()),
                None => (404, Vec::new()),
            },
            OwnedRequest::Payload { digest, offset, len } => match self.payloads.get(digest) {
                Some(payload) => {
                    let range = *offset as usize..(*offset + *len) as usize;
                    payload.get(range).map_or((416, Vec::new()), |p| (206, p.to_vec()))
                }
                None => (404, Vec::new()),
            },
        }
    }
}

/// A node, its board, and the server. A copy goes on by itself from the same moment.
#[derive(Clone)]
pub struct Rig {
    /// Keys.
    pub yard: Yard,
    /// The server.
    pub server: Server,
    /// The air.
    pub air: Air,
    /// The node while it has power.
    pub node: Option<Node<VirtualBoard>>,
    /// The board while the node has none.
    pub(crate) dark: Option<VirtualBoard>,
    now: u64,
    /// Starts so far.
    pub starts: u32,
    /// The highest record seen, for checks that nothing is lowered.
    pub high: BootRecord,
}

impl Rig {
    /// A new node with these images burnt in.
    pub fn new(net: &[u8], io: &[u8], door: Door, network: crate::bundle::Network) -> Self {
        let yard = Yard::default();
        let card = yard.card(network.clone());
        #[cfg(test)]
        super::witness::card(&card);
        let board = VirtualBoard::new("here", net, io, &card, door, Chance::new(1, "rig"));
        let ssid = core::str::from_utf8(&network.ssid).unwrap_or_default();
        let air = Air { points: vec![AccessPoint::new(ssid, &network.passphrase)] };
        Self {
            yard,
            server: Server::default(),
            air,
            node: None,
            dark: Some(board),
            now: 0,
            starts: 0,
            high: BootRecord::default(),
        }
    }

    /// The board, with or without power.
    pub fn board(&mut self) -> &mut VirtualBoard {
        match (&mut self.node, &mut self.dark) {
            (Some(node), _) => &mut node.board,
            (None, Some(board)) => board,
            (None, None) => unreachable!("a rig always has its board"),
        }
    }

    /// The same node and server once more, with power just back: for trying many things from one
    /// point.
    pub fn fork(&mut self) -> Self {
        self.power_cycle();
        Self {
            yard: Yard::default(),
            server: self.server.clone(),
            air: self.air.clone(),
            node: None,
            dark: self.dark.clone(),
            now: 0,
            starts: 0,
            high: self.high.clone(),
        }
    }

    /// Puts an envelope and its payload on the server and offers it.
    pub fn offer(&mut self, envelope: Vec<u8>, payload: Option<&[u8]>) -> Digest {
        self.server.offer(envelope, payload)
    }

    /// Takes power away and gives it back.
    pub fn power_cycle(&mut self) {
        if let Some(node) = self.node.take() {
            self.dark = Some(node.board);
        }
        if let Some(board) = &mut self.dark {
            board.power_cycle();
        }
    }

    /// Time goes on by one second. A node without power is started first.
    ///
    /// # Errors
    /// [`BootFault`] if it does not start: the one thing that must never be.
    pub fn second(&mut self) -> Result<(), BootFault> {
        let mut node = match self.node.take() {
            Some(node) => node,
            None => match self.start()? {
                Some(node) => node,
                None => return Ok(()),
            },
        };
        self.now += 1;
        self.server.time += 1;
        node.board.second(&self.air);
        let pending = node.board.take_pending();
        let outcome = self.deliver(&mut node, pending);
        let dark = outcome == Err(NodeFault::PowerLost) || node.board.flash.is_dark();
        let record = node.agent().record();
        #[cfg(test)]
        super::witness::runs_what_it_should(&node, dark);
        if record.generation > self.high.generation {
            self.high = record.clone();
            #[cfg(test)]
            super::witness::saved(node.agent());
        }
        if dark && node.board.supplies_apart {
            let mut board = node.board;
            board.flash.cut_after(None);
            board.reset();
            self.dark = Some(board);
        } else if dark {
            self.dark = Some(node.board);
            self.power_cycle();
        } else if node.board.wants_restart() || outcome.is_err() {
            let mut board = node.board;
            board.reset();
            self.dark = Some(board);
        } else {
            self.node = Some(node);
        }
        Ok(())
    }

    /// Time goes on without a look at anything, where nothing is to be done before.
    pub fn skip(&mut self, seconds: u32) {
        self.now += u64::from(seconds);
        self.server.time += u64::from(seconds);
    }

    fn start(&mut self) -> Result<Option<Node<VirtualBoard>>, BootFault> {
        let Some(board) = self.dark.take() else { return Ok(None) };
        self.now = 0;
        self.starts += 1;
        match board.start() {
            Ok(node) => Ok(Some(node)),
            Err((BootFault::Flash(FlashFault::PowerLost), board)) => {
                self.dark = Some(board);
                self.power_cycle();
                Ok(None)
            }
            Err((BootFault::Store(crate::slots::StoreFault::Flash(FlashFault::PowerLost)), board)) => {
                self.dark = Some(board);
                self.power_cycle();
                Ok(None)
            }
            Err((fault, board)) => {
                self.dark = Some(board);
                Err(fault)
            }
        }
    }

    fn deliver(&mut self, node: &mut Node<VirtualBoard>, pending: Option<Pending>) -> Result<(), NodeFault> {
        let now = self.now * 1000;
        match pending {
            None => node.poll(now, Event::Nothing),
            Some(Pending::Request { base, request }) if !self.server.down => {
                #[cfg(test)]
                super::witness::sent(&request);
                match self.server.answer_at(&base, &self.yard, &request) {
                    None => node.poll(now, Event::NoResponse),
                    Some((status, body)) => node.poll(now, Event::Response { status, body: &body }),
                }
            }
            Some(other) => node.poll(now, other.event()),
        }
    }

    /// Lets time go on until `done`, for at most `seconds`. Whether it came to that.
    ///
    /// # Errors
    /// As [`Rig::second`].
    pub fn until(&mut self, seconds: u32, mut done: impl FnMut(&Self) -> bool) -> Result<bool, BootFault> {
        for _ in 0..seconds {
            if done(self) {
                return Ok(true);
            }
            self.second()?;
        }
        Ok(done(self))
    }

    /// The record of a node that has power.
    pub fn record(&self) -> Option<&BootRecord> {
        self.node.as_ref().map(|n| n.agent().record())
    }
}
