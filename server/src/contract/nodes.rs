//! Nodes: expected, claimed, admitted, seen, retired.

use super::{Seconds, text};
use pintle_protocol::id::{Digest, NodeId, PublicKey, Uuid16};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Most nodes in one answer, and as many as there are in one that does not ask for fewer.
pub const MOST_LISTED: u32 = 1000;

/// Characters of a name, at most.
pub const MOST_NAME: usize = 40;
/// Characters of a note for the journal, at most.
pub const MOST_NOTE: usize = 200;

/// Announces a new node, so that its claim is known as expected: `PUT /api/v1/nodes/{id}`.
///
/// Repeating it changes nothing. The claim code of an admitted node is changed only with
/// `replace`: the admitted keys stay in force until new ones are admitted.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ExpectNode {
    /// What people call it; 1 to 40 characters, no control characters.
    #[schemars(length(min = 1, max = MOST_NAME))]
    pub name: String,
    /// Class of its board.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<16>")]
    pub class: Uuid16,
    /// SHA-256 of the claim code on its starter card.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<32>")]
    pub code_digest: Digest,
    /// Whether an admitted node may be claimed anew, with another code.
    #[serde(default)]
    pub replace: bool,
}

/// Accepts a node's own keys: `POST /api/v1/nodes/{id}/admit`. Whoever sends it has checked the
/// proof in the claim. Other keys than those admitted before are taken only after the node was
/// announced again with `replace`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Admit {
    /// Its Ed25519 key.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<32>")]
    pub signing_key: PublicKey,
    /// Its X25519 key.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<32>")]
    pub sealing_key: PublicKey,
}

/// Takes a node out of service: `POST /api/v1/nodes/{id}/retire`. Its check-ins are refused from
/// then on, and rollouts go on without it. Announcing it again brings it back.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Retire {
    /// Why, for the journal; up to 200 characters.
    #[serde(default)]
    #[schemars(length(min = 1, max = MOST_NOTE))]
    pub note: Option<String>,
}

/// A claim that waits to be checked and admitted: `GET /api/v1/claims`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ClaimView {
    /// The node that it says it is.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<16>")]
    pub node: NodeId,
    /// The COSE_Sign1 as received, in hexadecimal.
    pub body: String,
    /// When it came.
    pub at: Seconds,
}

/// What a node said last, as it signed it: `GET /api/v1/nodes/{id}/check-in`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct CheckInView {
    /// When it came.
    pub at: Seconds,
    /// The check-in as a COSE_Sign1 by the node's key, in hexadecimal.
    pub message: String,
}

/// What a node reported of the last manifest that it carried out or stopped at:
/// `GET /api/v1/nodes/{id}/suit-report`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SuitReportView {
    /// When it came.
    pub at: Seconds,
    /// The SUIT_Report as received inside the signed check-in, in hexadecimal.
    pub report: String,
}

/// Where a node stands, in one phrase.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub enum Status {
    /// Announced; its claim has not come.
    #[serde(rename = "expected")]
    Expected,
    /// Its claim has come and waits to be admitted.
    #[serde(rename = "claimed")]
    Claimed,
    /// It runs all that it was offered.
    #[serde(rename = "up to date")]
    UpToDate,
    /// It was offered something and fetches it.
    #[serde(rename = "fetching")]
    Fetching,
    /// It has something ready and waits until the door is at rest and out of use.
    #[serde(rename = "waiting for the door")]
    WaitingForTheDoor,
    /// Something new has to prove itself.
    #[serde(rename = "on trial")]
    OnTrial,
    /// What a rollout under way brought has proved itself.
    #[serde(rename = "kept")]
    Kept,
    /// What was new did not prove itself; the node runs what it ran before.
    #[serde(rename = "went back")]
    WentBack,
    /// It did not apply what it was offered.
    #[serde(rename = "refused")]
    Refused,
    /// A rollout was over before this node had kept what it brings, and no later one made up for it; or it
    /// kept it, and was changed by hand since.
    #[serde(rename = "left behind")]
    LeftBehind,
    /// It has not checked in for longer than it should.
    #[serde(rename = "silent")]
    Silent,
    /// It was taken out of service.
    #[serde(rename = "retired")]
    Retired,
}

impl Status {
    /// Every status.
    pub const ALL: [Self; 12] = [
        Self::Expected,
        Self::Claimed,
        Self::UpToDate,
        Self::Fetching,
        Self::WaitingForTheDoor,
        Self::OnTrial,
        Self::Kept,
        Self::WentBack,
        Self::Refused,
        Self::LeftBehind,
        Self::Silent,
        Self::Retired,
    ];

    /// The phrase, as in the JSON.
    pub const fn phrase(self) -> &'static str {
        match self {
            Self::Expected => "expected",
            Self::Claimed => "claimed",
            Self::UpToDate => "up to date",
            Self::Fetching => "fetching",
            Self::WaitingForTheDoor => "waiting for the door",
            Self::OnTrial => "on trial",
            Self::Kept => "kept",
            Self::WentBack => "went back",
            Self::Refused => "refused",
            Self::LeftBehind => "left behind",
            Self::Silent => "silent",
            Self::Retired => "retired",
        }
    }
}

impl fmt::Display for Status {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.phrase())
    }
}

/// A node as the server knows it: `GET /api/v1/nodes`, `GET /api/v1/nodes/{id}`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct NodeView {
    /// Its device identifier.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<16>")]
    pub id: NodeId,
    /// What people call it.
    pub name: String,
    /// Class of its board.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<16>")]
    pub class: Uuid16,
    /// Where it stands.
    pub status: Status,
    /// Whether its keys are admitted.
    pub admitted: bool,
    /// Its Ed25519 key, once admitted.
    #[serde(default, with = "text::maybe")]
    #[schemars(with = "Option<text::Hex<32>>")]
    pub signing_key: Option<PublicKey>,
    /// Its X25519 key, once admitted.
    #[serde(default, with = "text::maybe")]
    #[schemars(with = "Option<text::Hex<32>>")]
    pub sealing_key: Option<PublicKey>,
    /// When its last authenticated check-in came.
    pub last_seen: Option<Seconds>,
    /// Whether it has not checked in for longer than it should.
    pub silent: bool,
    /// What it said in its last check-in; absent before the first.
    pub report: Option<ReportView>,
    /// What it waits for, each a sentence; empty when it waits for nothing.
    pub waits_for: Vec<String>,
    /// What it was left behind by, and what it runs instead, each a sentence; empty when it has all that
    /// was meant for it.
    #[serde(default)]
    pub left_behind: Vec<String>,
}

impl NodeView {
    /// Whether it is admitted, and was not taken out of service since.
    pub fn in_service(&self) -> bool {
        self.admitted && self.status != Status::Retired
    }
}

/// A node's last check-in.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ReportView {
    /// Its check-in counter.
    pub counter: u64,
    /// Seconds since its last start.
    pub uptime_seconds: u32,
    /// Starts so far.
    pub starts: u32,
    /// What runs on the net chip.
    pub net: RunningView,
    /// What runs on the io chip; absent while it does not answer.
    pub io: Option<RunningView>,
    /// Sequence numbers kept: root, image, bundle.
    pub sequences: [u64; 3],
    /// Manifest digest of the bundle in force.
    #[serde(default, with = "text::maybe")]
    #[schemars(with = "Option<text::Hex<32>>")]
    pub bundle: Option<Digest>,
    /// Where the door is: `not known`, `open`, `partly open`, `closed`.
    pub position: String,
    /// What it is doing: `idle`, `fetching`, `waiting`, `on trial`.
    pub phase: String,
    /// Manifest digest of the envelope that `phase` is about.
    #[serde(default, with = "text::maybe")]
    #[schemars(with = "Option<text::Hex<32>>")]
    pub subject: Option<Digest>,
    /// Why it waits, each a sentence, most telling first.
    pub holds: Vec<String>,
    /// The last update that ended.
    pub outcome: Option<OutcomeView>,
    /// Where the Wi-Fi stands.
    pub wifi: WifiView,
    /// Lowest supply voltage since the check-in before, in millivolts.
    pub supply_mv: u16,
    /// Pulses that the relay has given since the board was made.
    pub relay_pulses: u32,
}

/// What runs on one chip.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct RunningView {
    /// Version, `major.minor.patch`.
    pub version: String,
    /// SHA-256 of the image.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<32>")]
    pub digest: Digest,
    /// Oldest link version it speaks.
    pub link_oldest: u8,
    /// Newest link version it speaks.
    pub link_newest: u8,
    /// Identifier of its actuation profile.
    pub profile_id: u16,
    /// Version of its actuation profile.
    pub profile_version: u8,
    /// Slot it runs from.
    pub slot: u8,
}

/// The last update that ended on a node.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct OutcomeView {
    /// Manifest digest of its envelope.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<32>")]
    pub envelope: Digest,
    /// How it ended: `kept`, `went back`, `refused`.
    pub ending: String,
    /// Why, as a number; 0 when kept.
    pub reason: u16,
    /// Why, as a sentence; absent when kept.
    pub sentence: Option<String>,
    /// More about the reason, as its number says.
    pub detail: u32,
}

/// Where a node's Wi-Fi stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct WifiView {
    /// Index of the network in use, in the bundle's list.
    pub index: u8,
    /// Signal, in dBm.
    pub rssi_dbm: i8,
    /// Where a candidate stands: `not tried yet`, `proved`, `waits for the old network to go`,
    /// `not on the air`, `wrong passphrase`, `no address`, `no server`; absent without one.
    pub candidate: Option<String>,
}
