//! Changing keys.
//!
//! ```text
//! renew --> nodes get a set with old and new keys --> all have it? --> finish --> a set with the
//!   |        (signed by the root key that each of them trusts)                      new keys alone
//!   '--> give-up: the new keys are put aside, nodes that took the set get the old one back
//! ```
//!
//! Until `finish`, everything is signed with the old keys, so that a node that was away misses
//! nothing. No private key is ever removed: one that is no longer in use lies in `keys/old/`, and
//! a node that still trusts an old root key is reached with it.

pub mod send;
pub mod sets;
#[cfg(test)]
mod tests;

use crate::api::{ApiError, Client};
use crate::node::NodeError;
use crate::node::card::anchors;
use crate::plan::RolloutError;
use crate::server_link::{self, JoinError};
use crate::yard::files::{self, FileError, Readers};
use crate::yard::{SERVER_NEXT, Unlocked, Yard, YardError};
use pintle_protocol::cose::key;
use pintle_protocol::id::{PublicKey, Role};
use pintle_protocol::suit::{AnchorFault, TrustAnchors};
use pintle_server::contract::{NodeView, RolloutState, RolloutView};
use rand_core::CryptoRng;
use serde::Serialize;
use sets::Sets;
use thiserror::Error;

/// Why keys are not changed.
#[derive(Debug, Error)]
pub enum KeysError {
    /// A change is under way.
    #[error("a change of keys is under way already: {0}")]
    UnderWay(String),
    /// None is under way.
    #[error("no change of keys is under way")]
    None,
    /// Nothing was named.
    #[error("no key is named that should be renewed")]
    Nothing,
    /// The server's new key is not given, or given without being asked for.
    #[error("the server makes its own key: its new public key is needed, and for nothing else")]
    ServerKey,
    /// The set would not be taken.
    #[error("{0}")]
    Anchors(#[from] AnchorFault),
    /// Nodes lack the set with the new keys.
    #[error("{} {} not have the set with the new keys yet: {}", .0.len(), if .0.len() == 1 { "node does" } else { "nodes do" }, .0.join(", "))]
    NotAll(Vec<String>),
    /// A rollout still offers what the old keys have signed.
    #[error(
        "rollout {id} \"{title}\" is {state}: what it still offers, or its ways back, is signed with the old keys"
    )]
    Rollout {
        /// Its number.
        id: i64,
        /// Its title.
        title: String,
        /// Where it stands.
        state: RolloutState,
    },
    /// The server signs with its old key.
    #[error("the server still signs its replies with its old key")]
    NotSwitched,
    /// The server signs with its new key already.
    #[error("the server signs its replies with its new key already")]
    Switched,
    /// A root key that a node trusts is not in the yard.
    #[error("node {node} trusts root key {root}, whose private half is not in this yard")]
    NoRoot {
        /// The node.
        node: String,
        /// The public key.
        root: PublicKey,
    },
    /// The trust anchors cannot be put together.
    #[error(transparent)]
    Node(#[from] NodeError),
    /// The rollout.
    #[error(transparent)]
    Send(#[from] RolloutError),
    /// The server.
    #[error(transparent)]
    Join(#[from] JoinError),
    /// The yard.
    #[error(transparent)]
    Yard(#[from] YardError),
}

impl From<ApiError> for KeysError {
    fn from(error: ApiError) -> Self {
        Self::Join(error.into())
    }
}

impl From<FileError> for KeysError {
    fn from(error: FileError) -> Self {
        Self::Yard(error.into())
    }
}

/// What a node has.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub enum Has {
    /// The set that this yard's keys make now.
    #[serde(rename = "has it")]
    This,
    /// An older one: the keys in use still, and not the new ones.
    #[serde(rename = "has an older set")]
    Older,
    /// A set that is not written down here.
    #[serde(rename = "has a set that is not known here")]
    Unknown,
    /// It has never checked in.
    #[serde(rename = "has never checked in")]
    NeverSeen,
}

impl Has {
    /// The phrase.
    pub const fn phrase(self) -> &'static str {
        match self {
            Self::This => "has it",
            Self::Older => "has an older set",
            Self::Unknown => "has a set that is not known here",
            Self::NeverSeen => "has never checked in",
        }
    }
}

/// Which nodes have which set.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Tally {
    /// The admitted nodes of this yard, with the set's sequence number as reported.
    pub nodes: Vec<(String, Has, Option<u64>)>,
}

impl Tally {
    /// Those that lack the set.
    pub fn lacking(&self) -> Vec<String> {
        self.nodes.iter().filter(|(_, has, _)| *has != Has::This).map(|(name, _, _)| name.clone()).collect()
    }
}

/// Counts which of the yard's admitted nodes have the set that its keys make now.
///
/// # Errors
/// [`KeysError`] if the set cannot be put together, or the record of sets is damaged.
pub fn tally(yard: &Yard, views: &[NodeView]) -> Result<Tally, KeysError> {
    let (wanted, sets) = (anchors(yard)?, Sets::open(yard)?);
    let mut nodes = Vec::new();
    for name in yard.nodes.keys() {
        let id = yard.node_id(name);
        let Some(view) = views.iter().find(|v| v.id == id && v.in_service()) else { continue };
        let sequence = view.report.as_ref().map(|r| r.sequences[Role::Root.index()]);
        let has = match sequence {
            None => Has::NeverSeen,
            Some(sequence) => match sets.of(name, sequence)? {
                Some(set) if set == wanted => Has::This,
                Some(_) => Has::Older,
                // Before the first change nobody had to write it down.
                None if sequence == 0 && !yard.next.any() => Has::This,
                None => Has::Unknown,
            },
        };
        nodes.push((name.clone(), has, sequence));
    }
    Ok(Tally { nodes })
}

/// Makes new keys in the yard. Nothing is signed with them before [`finish`].
///
/// `server_key`: the new public key that the server printed; given if, and only if, `server`.
///
/// # Errors
/// [`KeysError`]; the yard is as it was then, or running it again goes on.
pub fn renew(
    yard: &Yard,
    unlocked: &Unlocked,
    roles: &[Role],
    server_key: Option<PublicKey>,
    rng: &mut dyn CryptoRng,
) -> Result<Yard, KeysError> {
    if yard.next.any() {
        return Err(KeysError::UnderWay(under_way(yard)));
    }
    if roles.is_empty() && server_key.is_none() {
        return Err(KeysError::Nothing);
    }
    let now = anchors(yard)?;
    TrustAnchors { server_next: server_key, ..now.clone() }.check()?;
    Sets::open(yard)?.note_first(&now)?;
    for role in roles {
        unlocked.make_next_key(*role, rng)?;
    }
    if let Some(key) = server_key {
        files::replace(&yard.path(SERVER_NEXT), format!("{key}\n").as_bytes(), Readers::Usual)?;
    }
    Ok(Yard::open(yard.dir())?)
}

/// What is being renewed, in words.
pub fn under_way(yard: &Yard) -> String {
    let mut words: Vec<_> =
        Role::ALL.into_iter().filter(|r| yard.next.of(*r).is_some()).map(|r| format!("{r} key")).collect();
    if yard.next.server.is_some() {
        words.push("server's key".to_owned());
    }
    words.join(", ")
}

/// Puts the new keys into the place of the old ones, once every node trusts them.
///
/// # Errors
/// [`KeysError`]; the yard is as it was then, or running it again goes on.
pub fn finish(
    yard: &Yard,
    unlocked: &Unlocked,
    client: &Client,
    without: &[String],
) -> Result<Yard, KeysError> {
    if !yard.next.any() {
        return Err(KeysError::None);
    }
    let mut lacking = tally(yard, &crate::heard::nodes(yard, client)?)?.lacking();
    lacking.retain(|name| !without.contains(name));
    if !lacking.is_empty() {
        return Err(KeysError::NotAll(lacking));
    }
    nothing_under_way(&client.rollouts()?, false)?;
    if let Some(next) = yard.next.server
        && client.about()?.server_key != next
    {
        return Err(KeysError::NotSwitched);
    }
    for role in Role::ALL {
        unlocked.promote(role)?;
    }
    if let Some(next) = yard.next.server {
        server_link::pin(yard, next)?;
        remove(yard)?;
    }
    Ok(Yard::open(yard.dir())?)
}

/// Gives up a change of keys: the new keys are put aside.
///
/// # Errors
/// [`KeysError`]; the yard is as it was then, or running it again goes on.
pub fn give_up(yard: &Yard, unlocked: &Unlocked, client: &Client) -> Result<Yard, KeysError> {
    if !yard.next.any() {
        return Err(KeysError::None);
    }
    nothing_under_way(&client.rollouts()?, true)?;
    if let Some(next) = yard.next.server
        && client.about()?.server_key == next
    {
        return Err(KeysError::Switched);
    }
    for role in Role::ALL {
        unlocked.put_aside_next(role)?;
    }
    remove(yard)?;
    Ok(Yard::open(yard.dir())?)
}

fn remove(yard: &Yard) -> Result<(), KeysError> {
    let path = yard.path(SERVER_NEXT);
    match std::fs::remove_file(&path) {
        Ok(()) => Ok(()),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(FileError::Write { path, error }.into()),
    }
}

/// Refuses while a rollout may still offer something: of keys alone, or of anything.
fn nothing_under_way(rollouts: &[RolloutView], keys_alone: bool) -> Result<(), KeysError> {
    use pintle_server::contract::Kind;
    let open = |r: &&RolloutView| match r.state {
        RolloutState::UnderWay | RolloutState::Held => true,
        RolloutState::TurnedBack => r.ended_at.is_none(),
        RolloutState::Ready | RolloutState::Done => false,
    };
    match rollouts.iter().filter(open).find(|r| !keys_alone || r.kind == Kind::Keys) {
        None => Ok(()),
        Some(r) => Err(KeysError::Rollout { id: r.id, title: r.title.clone(), state: r.state }),
    }
}

/// A key as people compare it: the key identifier that stands in signatures.
pub fn short(key: &PublicKey) -> String {
    hex::encode(key::kid(key))
}
