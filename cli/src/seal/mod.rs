//! From plans to signed envelopes.
//!
//! Nothing is sealed that breaks a rule; nothing is sealed to keys whose claim was not checked.

mod bundles;
#[cfg(test)]
mod tests;

pub use bundles::{KeptBundle, SealedNode, allowed, fill, kept, latest, open_kept, seal_node};

use crate::image::Packed;
use crate::rules::Finding;
use crate::yard::YardError;
use crate::yard::files::FileError;
use crate::yard::sequences::SequenceError;
use crate::yard::strict::{ReadError, Unreadable};
use ed25519_dalek::SigningKey;
use pintle_protocol::author::{AuthorFault, ImageManifest, SealRandom, payload_uri};
use pintle_protocol::bundle::BadNetwork;
use pintle_protocol::id::{Digest, Uuid16};
use pintle_protocol::suit::{Refusal, peek};
use rand_core::CryptoRng;
use std::path::PathBuf;
use thiserror::Error;

/// A signed envelope.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Envelope {
    /// Its manifest digest, by which the server and the nodes know it.
    pub digest: Digest,
    /// Its sequence number.
    pub sequence: u64,
    /// The envelope.
    pub bytes: Vec<u8>,
}

impl Envelope {
    /// Takes a signed envelope and reads digest and number back from it.
    pub(crate) fn of(bytes: Vec<u8>) -> Result<Self, SealError> {
        let (digest, sequence) =
            peek(&bytes).map(|p| (p.digest, p.sequence)).map_err(SealError::Unreadable)?;
        Ok(Self { digest, sequence, bytes })
    }
}

/// Why nothing was sealed.
#[derive(Debug, Error)]
pub enum SealError {
    /// Rules are broken.
    #[error("node {node} breaks {} of the safety rules, first {}: {}", findings.len(), first(findings).0, first(findings).1)]
    Rules {
        /// The node.
        node: String,
        /// What blocks, errors first; never empty.
        findings: Vec<Finding>,
    },
    /// The node is not admitted: its keys are not known.
    #[error("node {0} is not admitted: there is no key to seal its bundle to")]
    NotAdmitted(String),
    /// A network of the node cannot be used.
    #[error("node {node}, network `{network}`: {fault}")]
    Network {
        /// The node.
        node: String,
        /// The network.
        network: String,
        /// What is wrong.
        fault: BadNetwork,
    },
    /// The node itself would refuse the bundle.
    #[error("node {node} would refuse its bundle by its own rule {rule}")]
    NodeRefuses {
        /// The node.
        node: String,
        /// Number of the node's rule.
        rule: u32,
    },
    /// The envelope cannot be made.
    #[error("the envelope for {what} cannot be made: {fault}")]
    Author {
        /// What it is for.
        what: String,
        /// What is wrong.
        fault: AuthorFault,
    },
    /// An envelope that was just made does not read back.
    #[error("the envelope does not read back: {0}")]
    Unreadable(Refusal),
    /// A kept bundle that cannot be read.
    #[error("{}: this copy of a bundle cannot be read", .0.display())]
    Kept(PathBuf),
    /// Keys or files of the yard.
    #[error(transparent)]
    Yard(#[from] YardError),
    /// No sequence number can be had.
    #[error(transparent)]
    Sequence(#[from] SequenceError),
    /// A file cannot be read or written.
    #[error(transparent)]
    File(#[from] FileError),
    /// A record of a bundle is not what it should be.
    #[error(transparent)]
    Record(#[from] Unreadable),
}

impl From<ReadError> for SealError {
    fn from(error: ReadError) -> Self {
        match error {
            ReadError::File(e) => Self::File(e),
            ReadError::Unreadable(e) => Self::Record(e),
        }
    }
}

fn first(findings: &[Finding]) -> (&str, &str) {
    findings.first().map_or(("", ""), |f| (f.rule, f.message.as_str()))
}

/// Signs an envelope for a packed image.
///
/// # Errors
/// [`SealError::Author`] if no node would take it.
pub fn image_envelope(
    vendor: Uuid16,
    image: &Packed,
    sequence: u64,
    key: &SigningKey,
) -> Result<Envelope, SealError> {
    let manifest = ImageManifest {
        vendor,
        class: image.class,
        chip: image.chip,
        sequence,
        version: image.version,
        digest: image.digest,
        size: image.size,
        uri: &payload_uri(&image.digest),
        link: image.link,
        profile: image.profile,
        reference_uri: &format!("image/{}/{sequence}", image.name),
    };
    let bytes =
        manifest.envelope(key).map_err(|fault| SealError::Author { what: image.name.clone(), fault })?;
    Envelope::of(bytes)
}

/// The random values of one sealing.
fn seal_random(rng: &mut dyn CryptoRng) -> SealRandom {
    let mut random = SealRandom { ephemeral: [0; 32], content_key: [0; 32], nonce: [0; 12] };
    rng.fill_bytes(&mut random.ephemeral);
    rng.fill_bytes(&mut random.content_key);
    rng.fill_bytes(&mut random.nonce);
    random
}
