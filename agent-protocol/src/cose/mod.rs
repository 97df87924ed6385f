//! COSE (RFC 9052): signed messages and sealed payloads, in the one form that this project takes.
//!
//! - [`sign1`]: COSE_Sign1, Ed25519 as algorithm -19 only, verified strictly.
//! - [`encrypt`]: COSE_Encrypt for one recipient, X25519 with HKDF-SHA-256 and AES-128 key wrap
//!   (-29), ChaCha20/Poly1305 (24).
//! - [`key`]: loading keys, verifying under them, and their short names.
//! - [`NodeKey`]: the key with which a node signs.
//!
//! Every kind of message is signed with its own external data, so that one can never stand in
//! for another: [`AAD_CLAIM`], [`AAD_CHECK_IN`], [`AAD_REPLY`], [`AAD_REPORT`]. Envelopes are signed with none,
//! as SUIT asks; they cannot be taken for a message, because what is signed there is a SUIT_Digest
//! and the external data is empty.

pub mod encrypt;
mod fault;
pub mod key;
mod node_key;
pub mod sign1;

pub use ed25519_dalek::{SigningKey, VerifyingKey};
pub use fault::{CoseFault, SealFault};
pub use key::{KeyFault, thumbprint};
pub use node_key::NodeKey;
pub use x25519_dalek::StaticSecret;

/// External data of a node's claim, signed by the node.
pub const AAD_CLAIM: &[u8] = b"pintle claim";
/// External data of a check-in, signed by the node.
pub const AAD_CHECK_IN: &[u8] = b"pintle check-in";
/// External data of a reply, signed by the server.
pub const AAD_REPLY: &[u8] = b"pintle reply";
/// External data of a SUIT_Report that travels alone, signed by the node.
pub const AAD_REPORT: &[u8] = b"pintle report";

/// Ed25519 (RFC 9864).
pub const ED25519: i64 = -19;
/// SHA-256 (RFC 9054).
pub const SHA_256: i64 = -16;
/// ChaCha20/Poly1305 (RFC 9053 section 4.3).
pub const CHACHA20_POLY1305: i64 = 24;
/// ECDH-ES with HKDF-SHA-256 and AES-128 key wrap (RFC 9053 section 6.4); here with X25519 only.
pub const ECDH_ES_A128KW: i64 = -29;

#[cfg(test)]
mod tests;
