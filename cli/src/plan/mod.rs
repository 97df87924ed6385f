//! Planning rollouts: which node gets what, in which order, and how it would come back.
//!
//! Planning is pure: the yard, the packed images and what the nodes last reported go in; steps
//! come out. [`rollout`] then signs, uploads and starts.

pub mod bundles;
pub mod care;
pub mod images;
pub mod preview;
pub mod rollout;
pub mod waves;
pub mod wifi;
pub mod windows;

#[cfg(test)]
mod tests;

use crate::api::ApiError;
use crate::image::LibraryError;
use crate::seal::SealError;
use crate::yard::sequences::SequenceError;
use crate::yard::{PlanError, YardError};
use pintle_protocol::id::{Chip, Digest};
use pintle_protocol::order::NoRoute;
use thiserror::Error;
use waves::WaveError;

/// Why there is no rollout. Nothing is started then.
#[derive(Debug, Error)]
pub enum RolloutError {
    /// The waves are wrong.
    #[error(transparent)]
    Waves(#[from] WaveError),
    /// The windows are wrong.
    #[error(transparent)]
    Windows(#[from] windows::WindowError),
    /// The server does not know a node.
    #[error("the server does not know node {0}")]
    Unknown(String),
    /// The server has other keys of a node than those that were admitted here.
    #[error(
        "the server says that node {node} has the {which} key {theirs}, in nodes/{node}.toml stands {ours}"
    )]
    OtherKeys {
        /// The node.
        node: String,
        /// `signing` or `sealing`.
        which: &'static str,
        /// The key in the node's file.
        ours: String,
        /// What the server says.
        theirs: String,
    },
    /// A node is not admitted.
    #[error("node {0} is not admitted")]
    NotAdmitted(String),
    /// A node has never checked in, so that it is not known what it runs.
    #[error("node {0} has never checked in: it is not known what it runs")]
    NeverSeen(String),
    /// The io chip of a node does not answer, so that no order is safe.
    #[error("node {0}: its io chip does not answer; it is not known what it runs")]
    IoSilent(String),
    /// None of the images is for a node's board.
    #[error("node {node}: none of the images is for its board `{board}`")]
    NoImage {
        /// The node.
        node: String,
        /// Its board.
        board: String,
    },
    /// Two images for the same chip of the same board.
    #[error("{first} and {second} are both for the {chip} chip of board `{board}`; give one of them")]
    TwoImages {
        /// The chip.
        chip: Chip,
        /// The board.
        board: String,
        /// The first.
        first: String,
        /// The second.
        second: String,
    },
    /// No order of updates is safe.
    #[error("node {node}: {fault}")]
    Order {
        /// The node.
        node: String,
        /// Why.
        fault: NoRoute,
    },
    /// What a node runs is not at hand, so that there is no way back.
    #[error("node {node}: its {chip} chip runs {version} ({}), which is not packed here: there would be no way back", digest.short())]
    NoWayBack {
        /// The node.
        node: String,
        /// The chip.
        chip: Chip,
        /// Version that it runs.
        version: String,
        /// Digest of the image that it runs.
        digest: Digest,
    },
    /// The bundle in force on a node was not sealed here, so that there is no way back.
    #[error("node {node}: the bundle in force ({}) was not sealed in this yard: there would be no way back", digest.short())]
    ForeignBundle {
        /// The node.
        node: String,
        /// Its manifest digest.
        digest: Digest,
    },
    /// An image misbehaves on purpose.
    #[error("image {0} misbehaves on purpose; it is for rehearsals only")]
    Misbehaves(String),
    /// Every node has it already.
    #[error("there is nothing to do: every node has it already")]
    NothingToDo,
    /// The server kept an upload under another digest.
    #[error("the server stored {what} as {found}, not as {expected}")]
    Stored {
        /// What was uploaded.
        what: String,
        /// Our digest.
        expected: Digest,
        /// The server's.
        found: Digest,
    },
    /// A node's files give no bundle.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// Packed images cannot be read.
    #[error(transparent)]
    Library(#[from] LibraryError),
    /// Something cannot be sealed.
    #[error(transparent)]
    Seal(#[from] SealError),
    /// The yard.
    #[error(transparent)]
    Yard(#[from] YardError),
    /// No sequence number can be had.
    #[error(transparent)]
    Sequence(#[from] SequenceError),
    /// The server.
    #[error(transparent)]
    Api(#[from] ApiError),
}
