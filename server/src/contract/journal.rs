//! The journal: every decision, in order, chained by hashes.

use super::{Seconds, text};
use pintle_protocol::id::{Digest, NodeId};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Entries in one answer, at most.
pub const MOST_ENTRIES: u32 = 500;
/// Entries in one answer, if nothing is said.
pub const USUAL_ENTRIES: u32 = 100;

/// Entries in order: `GET /api/v1/journal?after=N&limit=M`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct JournalPage {
    /// The entries, oldest first.
    pub entries: Vec<JournalEntry>,
    /// Number of the last entry that there is; 0 for an empty journal.
    pub last: i64,
}

/// Something that was decided or learnt.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct JournalEntry {
    /// Number, counted from 1 without gaps.
    pub number: i64,
    /// When.
    pub at: Seconds,
    /// What kind of thing, as a stable word such as `claimed`, `offered`, `wave_passed`.
    pub event: String,
    /// The sentence for people.
    pub sentence: String,
    /// The node that it is about.
    #[serde(default, with = "text::maybe")]
    #[schemars(with = "Option<text::Hex<16>>")]
    pub node: Option<NodeId>,
    /// The rollout that it is about.
    pub rollout: Option<i64>,
    /// SHA-256 over the hash of the entry before it and this entry's bytes.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<32>")]
    pub hash: Digest,
}

/// The newest entry, signed by the server: `GET /api/v1/journal/head`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct JournalHead {
    /// Its number; 0 for an empty journal.
    pub number: i64,
    /// Its hash; 32 zero bytes for an empty journal.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<32>")]
    pub hash: Digest,
    /// When the server signed this.
    pub at: Seconds,
    /// COSE_Sign1 of it by the server's key, hexadecimal; see [`crate::journal::head`].
    pub signed: String,
}

/// What a check of the whole chain found: `GET /api/v1/journal/check`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct JournalCheck {
    /// Entries found in good order.
    pub good: i64,
    /// Hash of the last good entry; note it elsewhere to notice a journal cut short later.
    #[serde(with = "text")]
    #[schemars(with = "text::Hex<32>")]
    pub head: Digest,
    /// The first entry that does not fit; absent when all do.
    pub bad: Option<BadEntry>,
}

/// The first entry that does not fit the chain.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct BadEntry {
    /// Number of the entry.
    pub number: i64,
    /// What is wrong with it.
    pub why: String,
}
