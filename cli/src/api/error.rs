//! Why the server could not be asked, or did not do it.

use pintle_protocol::id::PublicKey;
use thiserror::Error;

/// Why the server could not be asked, or did not do it.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ApiError {
    /// It does not answer.
    #[error("the server at {address} does not answer")]
    Down {
        /// Its address.
        address: String,
        /// What happened.
        cause: String,
    },
    /// It shows a certificate of another authority, or one that has ended.
    #[error("the server at {address} shows a certificate that the yard does not trust")]
    Certificate {
        /// Its address.
        address: String,
        /// What is wrong with it.
        cause: String,
    },
    /// Something else answers there.
    #[error("what answers at {address} is no Pintle server")]
    NotOurs {
        /// The address.
        address: String,
    },
    /// It speaks another version.
    #[error(
        "the server at {address} speaks version {theirs} of the node messages, this program speaks {ours}"
    )]
    OtherVersion {
        /// Its address.
        address: String,
        /// Our version.
        ours: u8,
        /// Its version.
        theirs: u8,
        /// Version of the server program.
        version: String,
    },
    /// It has another key than the one that was pinned.
    #[error("the server at {address} has another key than the one in yard.toml")]
    OtherKey {
        /// Its address.
        address: String,
        /// The pinned key.
        ours: PublicKey,
        /// Its key.
        theirs: PublicKey,
    },
    /// What it shows as a node's check-in is not signed by the node.
    #[error("what the server shows as the last check-in of {node} is not signed by it: {why}")]
    Forged {
        /// The node.
        node: String,
        /// What is wrong with it.
        why: String,
    },
    /// It does not take the token.
    #[error("the server at {address} does not take the yard's token: {message}")]
    Token {
        /// Its address.
        address: String,
        /// What it says.
        message: String,
    },
    /// It refuses what was asked.
    #[error("the server refuses: {message}")]
    Refused {
        /// Its address.
        address: String,
        /// HTTP status.
        status: u16,
        /// Stable word.
        code: String,
        /// Its sentence.
        message: String,
        /// What it advises.
        hint: Option<String>,
    },
    /// Its answer is not understood.
    #[error("the server at {address}: {what}")]
    Unreadable {
        /// Its address.
        address: String,
        /// What is wrong.
        what: String,
    },
    /// The address or the certificate in the yard cannot be used.
    #[error("{what}")]
    Setting {
        /// What is wrong.
        what: String,
    },
    /// The yard has joined no server.
    #[error("this yard has joined no server")]
    NotJoined,
}

impl ApiError {
    /// What lies behind it.
    pub fn cause(&self) -> Option<String> {
        match self {
            Self::Down { cause, .. } | Self::Certificate { cause, .. } => Some(cause.clone()),
            Self::OtherKey { ours, theirs, .. } => Some(format!("expected {ours}, it has {theirs}")),
            Self::OtherVersion { version, .. } => Some(format!("it is server version {version}")),
            Self::Refused { status, code, .. } => Some(format!("status {status}, {code}")),
            _ => None,
        }
    }

    /// What to do about it.
    pub fn hint(&self) -> Option<String> {
        Some(match self {
            Self::Down { .. } => "see that it runs and that this machine is on the same network".to_owned(),
            Self::Certificate { .. } => {
                "if the server was set up anew, join it again with its new CA file; otherwise somebody may be in between"
                    .to_owned()
            }
            Self::NotOurs { .. } | Self::NotJoined => "`pintle server join URL` sets the address".to_owned(),
            Self::OtherVersion { ours, theirs, .. } if ours < theirs => "update this program".to_owned(),
            Self::OtherVersion { .. } => "update the server".to_owned(),
            Self::OtherKey { .. } => {
                "nodes take replies from the pinned key only; restore the server from its backup, or send new trust anchors"
                    .to_owned()
            }
            Self::Forged { .. } => {
                "switch nothing off on this server's word: it may be in the wrong hands; look at the node itself".to_owned()
            }
            Self::Token { .. } => "join again with a new token: `pintle server join URL --token-file FILE`".to_owned(),
            Self::Refused { hint, .. } => return hint.clone(),
            Self::Unreadable { .. } | Self::Setting { .. } => return None,
        })
    }
}
