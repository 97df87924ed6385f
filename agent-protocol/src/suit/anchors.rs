//! The keys that a node trusts.

use crate::cbor::{fields, list};
use crate::cose::key::{self, KeyFault};
use crate::id::{PublicKey, Role};
use core::fmt;
use heapless::Vec;
use minicbor::{Decode, Encode};

/// Most keys of one role.
pub const MAX_KEYS: usize = 4;

/// The set of public keys that a node trusts: the payload of the component `["keys"]`, a CBOR map.
#[derive(Clone, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct TrustAnchors {
    /// Signs the next set of trust anchors.
    #[n(0)]
    pub root: PublicKey,
    /// Sign images. At least one; a second one while keys change.
    #[cbor(n(1), with = "crate::cbor::list")]
    pub image: Vec<PublicKey, MAX_KEYS>,
    /// Sign bundles. At least one; a second one while keys change.
    #[cbor(n(2), with = "crate::cbor::list")]
    pub bundle: Vec<PublicKey, MAX_KEYS>,
    /// The server's online key. Signs replies, nothing else.
    #[n(3)]
    pub server: PublicKey,
    /// A second online key while the server's changes: replies signed with either are taken.
    #[n(4)]
    pub server_next: Option<PublicKey>,
}

fields!(TrustAnchors, Map: root, image, bundle, server, server_next);
list!(PublicKey, MAX_KEYS);

/// Why a set of trust anchors cannot be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum AnchorFault {
    /// A key that is not usable.
    Key {
        /// Its place: 0 root, then image keys, bundle keys, server's keys, counted through.
        index: usize,
        /// What is wrong with it.
        fault: KeyFault,
    },
    /// A key that occurs twice. One key must never have two roles.
    Twice {
        /// Its first place.
        first: usize,
        /// Its second place.
        second: usize,
    },
    /// A role without a key: nothing could be signed for it again.
    Missing(Role),
}

impl fmt::Display for AnchorFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Key { index, fault } => write!(f, "key {index} of the trust anchors: {fault}"),
            Self::Twice { first, second } => {
                write!(
                    f,
                    "keys {first} and {second} of the trust anchors are the same; each role needs its own"
                )
            }
            Self::Missing(role) => write!(f, "the trust anchors hold no {role} key"),
        }
    }
}

impl core::error::Error for AnchorFault {}

impl TrustAnchors {
    /// Every key in order: root, image, bundle, server's. The role is `None` for the server's keys.
    pub fn keys(&self) -> impl Iterator<Item = (Option<Role>, &PublicKey)> {
        core::iter::once((Some(Role::Root), &self.root))
            .chain(self.image.iter().map(|k| (Some(Role::Image), k)))
            .chain(self.bundle.iter().map(|k| (Some(Role::Bundle), k)))
            .chain(self.server_keys().map(|k| (None, k)))
    }

    /// The keys with which the server may sign its replies.
    pub fn server_keys(&self) -> impl Iterator<Item = &PublicKey> {
        core::iter::once(&self.server).chain(self.server_next.as_ref())
    }

    /// Checks that every key is usable, none occurs twice and no role is without one.
    ///
    /// # Errors
    /// [`AnchorFault`], the first thing wrong.
    pub fn check(&self) -> Result<(), AnchorFault> {
        if self.image.is_empty() {
            return Err(AnchorFault::Missing(Role::Image));
        }
        if self.bundle.is_empty() {
            return Err(AnchorFault::Missing(Role::Bundle));
        }
        for (second, (_, key)) in self.keys().enumerate() {
            key::verifying_key(key).map_err(|fault| AnchorFault::Key { index: second, fault })?;
            if let Some(first) = self.keys().take(second).position(|(_, other)| other == key) {
                return Err(AnchorFault::Twice { first, second });
            }
        }
        Ok(())
    }
}
