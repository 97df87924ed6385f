//! The operator's API as JSON: every type that crosses it, and every route.
//!
//! Clients link this module and the server answers with it, so that the two cannot drift apart.
//! Identifiers, digests and keys are lower-case hexadecimal text; times are whole seconds since
//! 1970-01-01 UTC; words that people see (`up to date`, `under way`) stand in the JSON as they
//! are shown. A request with a field that is not listed here is refused.

mod journal;
mod nodes;
pub mod openapi;
mod report;
mod rollouts;
pub mod routes;
pub mod text;
mod windows;

pub use journal::{
    BadEntry, JournalCheck, JournalEntry, JournalHead, JournalPage, MOST_ENTRIES, USUAL_ENTRIES,
};
pub use nodes::{
    Admit, CheckInView, ClaimView, ExpectNode, MOST_LISTED, MOST_NAME, MOST_NOTE, NodeView, OutcomeView,
    ReportView, Retire, RunningView, Status, SuitReportView, WifiView,
};
pub use rollouts::{
    Approve, Evidence, Gate, Kind, LEAST_WAITING, MOST_IN_WAVE, MOST_NODES, MOST_NODES_LISTED, MOST_ROLLOUTS,
    MOST_SECONDS, MOST_SEEN, MOST_STEPS, MOST_TITLE, MOST_WAVES, NewRollout, NewStep, NewTarget, NewWave,
    Note, OnFailure, Progress, RolloutState, RolloutView, TargetView, WaveState, WaveView,
};
pub use windows::{Day, DaySpan, MOST_SPANS, Windows, WindowsView};

use pintle_protocol::id::{Digest, PublicKey};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Seconds since 1970-01-01 UTC.
pub type Seconds = i64;

/// Who answers: `GET /api/v1/about`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct About {
    /// Always `pintle-server`.
    pub name: String,
    /// Version of the node messages it speaks, [`pintle_protocol::checkin::PROTOCOL`].
    pub protocol: u8,
    /// Version of the server program.
    pub version: String,
    /// The server's time.
    pub time: Seconds,
    /// Ed25519 key that signs its replies to nodes; goes on the starter card.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<32>")]
    pub server_key: PublicKey,
    /// Why nothing can be written at the moment, as a sentence; absent while all is well.
    #[serde(default)]
    pub trouble: Option<String>,
}

/// What became of an uploaded payload: `PUT /api/v1/payloads/{sha256}`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PayloadStored {
    /// SHA-256 of its bytes.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<32>")]
    pub digest: Digest,
    /// Its length in bytes.
    pub size: u64,
    /// Whether it was there before.
    pub already: bool,
}

/// What became of an uploaded envelope: `PUT /api/v1/envelopes/{manifest digest}`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct EnvelopeStored {
    /// Its manifest digest.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<32>")]
    pub digest: Digest,
    /// Its length in bytes.
    pub size: u64,
    /// Its sequence number.
    pub sequence: u64,
    /// The parts it changes: `net`, `io`, `conf`, `keys`.
    pub components: Vec<String>,
    /// Whether it was there before.
    pub already: bool,
}

/// A link that signs a browser in, once: `POST /api/v1/sign-in-links`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SignInLink {
    /// Path and query on this server.
    pub path: String,
    /// After this time it no longer works.
    pub expires_at: Seconds,
}

/// The body of every answer that is not a success.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ErrorBody {
    /// The error.
    pub error: ErrorDetail,
}

/// What went wrong.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ErrorDetail {
    /// Stable word for programs; one of a fixed list.
    pub code: String,
    /// The sentence for people.
    pub message: String,
    /// What to do about it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hint: Option<String>,
}
