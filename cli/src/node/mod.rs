//! Commissioning: a node's file, its starter card, its claim.

pub mod admit;
pub mod card;
mod file;
#[cfg(test)]
mod tests;

pub use file::{NewNode, add, write_keys};

use crate::api::ApiError;
use crate::yard::files::FileError;
use crate::yard::names::BadName;
use crate::yard::{PlanError, YardError};
use pintle_protocol::cose::CoseFault;
use pintle_protocol::id::{BadId, Uuid16};
use pintle_protocol::suit::AnchorFault;
use thiserror::Error;

/// Why a node cannot be commissioned. Nothing is changed then, but for what the text says.
#[derive(Debug, Error)]
pub enum NodeError {
    /// A name that cannot be used.
    #[error(transparent)]
    Name(#[from] BadName),
    /// The node is there.
    #[error("there is a node `{0}` already")]
    Exists(String),
    /// No such board.
    #[error("there is no board `{board}` in boards/")]
    NoBoard {
        /// The name.
        board: String,
        /// The one that was probably meant.
        nearest: Option<String>,
    },
    /// The yard has joined no server.
    #[error("this yard has joined no server: the card would not say where to go")]
    NoServer,
    /// The node has no network.
    #[error("node {0} has no network: the card would not say which to join")]
    NoNetwork(String),
    /// The node is admitted already.
    #[error("node {0} is admitted already; a new card is for a new board in its place")]
    Admitted(String),
    /// The certificate of the server's authority does not fit on a card.
    #[error("{file}: {what}")]
    Ca {
        /// The file.
        file: String,
        /// What is wrong.
        what: String,
    },
    /// The trust anchors cannot be used.
    #[error("{0}")]
    Anchors(AnchorFault),
    /// The server's key in `yard.toml` is no key.
    #[error("yard.toml: `server.key` is no key: {0}")]
    ServerKey(BadId),
    /// The card cannot be written as CBOR.
    #[error("the card cannot be encoded")]
    Encode,
    /// No claim of that node waits.
    #[error("no claim of node {0} waits at the server")]
    NoClaim(String),
    /// A claim that is no signed message.
    #[error("node {node}: the claim at the server is damaged: {what}")]
    Damaged {
        /// The node.
        node: String,
        /// What is wrong.
        what: String,
    },
    /// A claim whose signature is wrong.
    #[error("node {node}: the claim is not signed by the key that it brings: {fault}")]
    Signature {
        /// The node.
        node: String,
        /// What is wrong.
        fault: CoseFault,
    },
    /// A claim that nobody with the starter card made.
    #[error("node {0}: the claim was not made with the code on its starter card")]
    NotGenuine(String),
    /// A claim of another class of board.
    #[error("node {node}: the claim comes from a board of class {found}, its file says {expected}")]
    OtherClass {
        /// The node.
        node: String,
        /// Class in the claim.
        found: Uuid16,
        /// Class of the board in the node's file.
        expected: Uuid16,
    },
    /// The node's file has other keys already.
    #[error("nodes/{0}.toml has other keys already")]
    OtherKeys(String),
    /// The node's file would not read back with the keys in it.
    #[error("nodes/{node}.toml would not read back with its keys: {fault}")]
    NotWritable {
        /// The node.
        node: String,
        /// What is wrong.
        fault: crate::yard::strict::Unreadable,
    },
    /// A node's files give no plan.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// The yard.
    #[error(transparent)]
    Yard(#[from] YardError),
    /// A file.
    #[error(transparent)]
    File(#[from] FileError),
    /// The server.
    #[error(transparent)]
    Api(#[from] ApiError),
}

impl NodeError {
    /// What to do about it.
    pub fn hint(&self) -> Option<String> {
        Some(match self {
            Self::NoBoard { nearest: Some(nearest), .. } => format!("did you mean `{nearest}`?"),
            Self::NoBoard { .. } => "boards are described in boards/NAME.toml".to_owned(),
            Self::NoServer => "join one first: `pintle server join URL`".to_owned(),
            Self::NoNetwork(_) => "add one first: `pintle wifi add NAME --ssid SSID`".to_owned(),
            Self::Admitted(node) => format!("`pintle node card {node} --replace` if the board was replaced"),
            Self::NoClaim(node) => {
                format!("put the card into {node}, switch it on, and wait until it has joined the network")
            }
            Self::NotGenuine(node) => format!(
                "somebody else may have claimed {node}; do not admit it. Make a new card with `pintle node card {node} --replace`"
            ),
            Self::OtherClass { .. } => {
                "see that the right board and the right firmware are in the right place".to_owned()
            }
            Self::OtherKeys(node) => {
                format!(
                    "if its board was replaced, take the `[keys]` table out of nodes/{node}.toml and admit it again"
                )
            }
            Self::Plan(e) => e.hint(),
            Self::Api(e) => return e.hint(),
            _ => return None,
        })
    }
}
