//! The messages between a node and the server, as values. Each travels as the payload of a
//! COSE_Sign1 (alg -19): claim and check-in signed by the node, the reply by the server.

use crate::cbor::{codes, fields};
use crate::id::{Digest, NodeId, Nonce, PublicKey, Uuid16};
use crate::version::{ActuationProfile, LinkRange, Version};
use heapless::Vec;
use minicbor::{Decode, Encode};

/// The version of these messages; a server that speaks another one refuses with words.
pub const PROTOCOL: u8 = 1;

/// A new node's first message: its own public keys, tied to the starter card by an HMAC.
#[derive(Clone, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct Claim {
    /// [`PROTOCOL`].
    #[n(0)]
    pub protocol: u8,
    /// The node.
    #[n(1)]
    pub node: NodeId,
    /// Its Ed25519 key, which signs this message and every check-in.
    #[n(2)]
    pub signing_key: PublicKey,
    /// Its X25519 key, to which bundles are sealed.
    #[n(3)]
    pub sealing_key: PublicKey,
    /// The class of its board.
    #[n(4)]
    pub class: Uuid16,
    /// SHA-256 of the claim code, by which the server knows the claim as expected.
    #[n(5)]
    pub code_digest: Digest,
    /// HMAC-SHA-256 keyed by the claim code over `node || signing key || sealing key || class`.
    #[n(6)]
    pub proof: Digest,
}

fields!(Claim, Map: protocol, node, signing_key, sealing_key, class, code_digest, proof);

/// What runs on one chip.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct Running {
    /// Version from the image's own note.
    #[n(0)]
    pub version: Version,
    /// Digest of the image.
    #[n(1)]
    pub digest: Digest,
    /// Link versions it speaks.
    #[n(2)]
    pub link: LinkRange,
    /// Actuation profile it implements.
    #[n(3)]
    pub profile: ActuationProfile,
    /// Slot it runs from.
    #[n(4)]
    pub slot: u8,
}

fields!(Running, Map: version, digest, link, profile, slot);

/// Where the door is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Encode, Decode)]
#[cbor(index_only)]
pub enum Position {
    /// Not known.
    #[n(0)]
    Unknown,
    /// Fully open.
    #[n(1)]
    Open,
    /// Neither open nor closed.
    #[n(2)]
    PartlyOpen,
    /// Closed.
    #[n(3)]
    Closed,
}

codes!(Position: Unknown, Open, PartlyOpen, Closed);

/// What a node is doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Encode, Decode)]
#[cbor(index_only)]
pub enum Phase {
    /// Nothing under way.
    #[n(0)]
    Idle,
    /// Reading an envelope or its payload.
    #[n(1)]
    Fetching,
    /// Ready to apply, waiting for clearance.
    #[n(2)]
    Waiting,
    /// Something new is on trial.
    #[n(3)]
    Trial,
}

codes!(Phase: Idle, Fetching, Waiting, Trial);

/// How an update ended on a node.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Encode, Decode)]
#[cbor(index_only)]
pub enum Ending {
    /// It proved itself.
    #[n(0)]
    Kept,
    /// It did not; the node runs what it ran before.
    #[n(1)]
    WentBack,
    /// It was not applied at all.
    #[n(2)]
    Refused,
}

codes!(Ending: Kept, WentBack, Refused);

/// The last update that ended on a node.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct Outcome {
    /// Manifest digest of its envelope.
    #[n(0)]
    pub envelope: Digest,
    /// How it ended.
    #[n(1)]
    pub ending: Ending,
    /// Why; a code of [`crate::reason::Reason`], 0 when kept.
    #[n(2)]
    pub reason: u16,
    /// More about the reason: a byte offset, a size or an index, as the code says.
    #[n(3)]
    pub detail: u32,
}

fields!(Outcome, Map: envelope, ending, reason, detail);

/// Where the Wi-Fi stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct Wifi {
    /// Index of the network in use, in the bundle's list.
    #[n(0)]
    pub index: u8,
    /// Signal, in dBm.
    #[n(1)]
    pub rssi_dbm: i8,
    /// Where a candidate stands, while the Wi-Fi is being changed.
    #[n(2)]
    pub candidate: Option<Candidate>,
}

fields!(Wifi, Map: index, rssi_dbm, candidate);

/// Where a candidate network stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Encode, Decode)]
#[cbor(index_only)]
pub enum Candidate {
    /// Not tried yet.
    #[n(0)]
    Untried,
    /// An authenticated check-in went through it.
    #[n(1)]
    Proved,
    /// It waits for the old network to go.
    #[n(2)]
    WaitsForLoss,
    /// It is not on the air here.
    #[n(3)]
    NotFound,
    /// The passphrase is wrong.
    #[n(4)]
    WrongPassphrase,
    /// No address was given.
    #[n(5)]
    NoAddress,
    /// No authenticated reply came through it.
    #[n(6)]
    NoServer,
}

codes!(Candidate: Untried, Proved, WaitsForLoss, NotFound, WrongPassphrase, NoAddress, NoServer);

/// A node's report, and its question what to do next.
#[derive(Clone, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct CheckIn {
    /// [`PROTOCOL`].
    #[n(0)]
    pub protocol: u8,
    /// The node.
    #[n(1)]
    pub node: NodeId,
    /// Higher than in every check-in before, across power cuts.
    #[n(2)]
    pub counter: u64,
    /// Fresh; the reply must repeat it.
    #[n(3)]
    pub nonce: Nonce,
    /// Seconds since the start.
    #[n(4)]
    pub uptime_seconds: u32,
    /// Starts so far.
    #[n(5)]
    pub starts: u32,
    /// What runs on the net chip.
    #[n(6)]
    pub net: Running,
    /// What runs on the io chip; absent while it does not answer.
    #[n(7)]
    pub io: Option<Running>,
    /// Sequence numbers kept so far, by [`crate::id::Role::index`].
    #[n(8)]
    pub sequences: [u64; 3],
    /// Manifest digest of the bundle in force; absent before the first.
    #[n(9)]
    pub bundle: Option<Digest>,
    /// Where the door is.
    #[n(10)]
    pub position: Position,
    /// What the node is doing.
    #[n(11)]
    pub phase: Phase,
    /// Manifest digest of the envelope that `phase` is about.
    #[n(12)]
    pub subject: Option<Digest>,
    /// While waiting: every reason, as bits of [`crate::interlock::Holds`].
    #[n(13)]
    pub holds: u32,
    /// The last update that ended.
    #[n(14)]
    pub outcome: Option<Outcome>,
    /// Where the Wi-Fi stands.
    #[n(15)]
    pub wifi: Wifi,
    /// The last SUIT_Report, if it has not been acknowledged.
    #[cbor(n(16), with = "crate::cbor::blob")]
    pub report: Vec<u8, MAX_REPORT>,
    /// Lowest supply voltage since the last check-in, in millivolts.
    #[n(17)]
    pub supply_mv: u16,
    /// Pulses that the relay has given since the board was made.
    #[n(18)]
    pub relay_pulses: u32,
}

fields!(CheckIn, Map:
    protocol, node, counter, nonce, uptime_seconds, starts, net, io, sequences, bundle, position, phase,
    subject, holds, outcome, wifi, report, supply_mv, relay_pulses
);

/// Longest SUIT_Report carried in a check-in, in bytes.
pub const MAX_REPORT: usize = 256;

/// The server's answer to a check-in.
#[derive(Clone, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct Reply {
    /// [`PROTOCOL`].
    #[n(0)]
    pub protocol: u8,
    /// The node's nonce.
    #[n(1)]
    pub nonce: Nonce,
    /// The node it is for.
    #[n(2)]
    pub node: NodeId,
    /// The server's time, in seconds since 1970-01-01 UTC.
    #[n(3)]
    pub time: u64,
    /// When to check in again at the latest, in seconds; sooner if the bundle says so.
    #[n(4)]
    pub next_seconds: u32,
    /// What to take up, if anything.
    #[n(5)]
    pub offer: Option<Offer>,
}

fields!(Reply, Map: protocol, nonce, node, time, next_seconds, offer);

/// An envelope for the node to take up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct Offer {
    /// Manifest digest; the envelope is read from `/node/envelope/<hex>`.
    #[n(0)]
    pub envelope: Digest,
    /// Bytes in the envelope.
    #[n(1)]
    pub size: u32,
}

fields!(Offer, Map: envelope, size);
