//! Sealing bundles, and keeping what was sealed.

use super::{Envelope, SealError, seal_random};
use crate::rules::{self, Finding};
use crate::yard::files::{self, FileError, Readers};
use crate::yard::sequences::{SequenceError, Sequences};
use crate::yard::strict;
use crate::yard::{NodePlan, Unlocked, Yard};
use ed25519_dalek::SigningKey;
use pintle_protocol::author::{BundleManifest, encode_bundle};
use pintle_protocol::bundle::{Bundle, check_network, node_refuses};
use pintle_protocol::cbor::decode_message;
use pintle_protocol::id::{Digest, Role};
use rand_core::CryptoRng;
use serde::{Deserialize, Serialize};

/// A bundle that was sealed for a node: `bundles/NODE/<sequence>.toml`, with the envelope beside
/// it as `.suit` and the bundle itself, encrypted for the yard, as `.box`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct KeptBundle {
    /// Its sequence number.
    pub sequence: u64,
    /// Manifest digest of its envelope.
    pub digest: Digest,
    /// For a way back: the sequence number of the bundle that it repeats.
    pub repeats: Option<u64>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Record {
    digest: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    repeats: Option<u64>,
}

/// What was sealed for one node.
#[derive(Clone, Debug)]
pub struct SealedNode {
    /// The node.
    pub node: String,
    /// The new bundle.
    pub forward: Envelope,
    /// Returns the node to the bundle before; `None` if there was none.
    pub way_back: Option<Envelope>,
    /// Warnings that were accepted.
    pub accepted: Vec<Finding>,
}

/// Completes a plan's draft: a fresh salt, and passphrases, each checked once more.
///
/// # Errors
/// [`SealError`] if a passphrase is missing or cannot be used, or the node itself would refuse
/// the bundle.
pub fn fill(plan: &NodePlan, unlocked: &Unlocked, rng: &mut dyn CryptoRng) -> Result<Bundle, SealError> {
    let mut bundle = plan.draft.clone();
    rng.fill_bytes(&mut bundle.salt);
    for (network, name) in bundle.networks.iter_mut().zip(&plan.networks) {
        let passphrase = unlocked.passphrase(name)?;
        let wrong = |fault| SealError::Network { node: plan.name.clone(), network: name.clone(), fault };
        check_network(&network.ssid, passphrase.as_bytes()).map_err(wrong)?;
        // Checked above: at most 64 bytes.
        network.passphrase = heapless::String::try_from(passphrase.as_str()).unwrap_or_default();
    }
    match node_refuses(&bundle) {
        Some(rule) => Err(SealError::NodeRefuses { node: plan.name.clone(), rule }),
        None => Ok(bundle),
    }
}

/// Seals a node's bundle, and the way back to the bundle `before`, sealed again with the next
/// number. Both are kept in `bundles/NODE/`.
///
/// # Errors
/// [`SealError`]; nothing is sealed if a rule is broken.
pub fn seal_node(
    yard: &Yard,
    unlocked: &Unlocked,
    plan: &NodePlan,
    before: Option<&KeptBundle>,
    rng: &mut dyn CryptoRng,
) -> Result<SealedNode, SealError> {
    let (old, accepted) = allowed(unlocked, plan, before)?;
    let bundle = fill(plan, unlocked, rng)?;
    let key = unlocked.signing_key(Role::Bundle)?;
    let mut sequences = yard.sequences()?;
    let mut author = Author { yard, unlocked, plan, key: &key, sequences: &mut sequences };
    let forward = author.seal(&bundle, None, rng)?;
    let way_back = match (old, before) {
        (Some(mut old), Some(kept)) => {
            rng.fill_bytes(&mut old.salt);
            Some(author.seal(&old, Some(kept.repeats.unwrap_or(kept.sequence)), rng)?)
        }
        _ => None,
    };
    Ok(SealedNode { node: plan.name.clone(), forward, way_back, accepted })
}

/// Whether a node's bundle may be sealed: it is admitted, and no rule stands against it.
///
/// Returns the bundle before, and the warnings that were accepted.
///
/// # Errors
/// [`SealError::Rules`] with everything that blocks, or [`SealError::NotAdmitted`].
pub fn allowed(
    unlocked: &Unlocked,
    plan: &NodePlan,
    before: Option<&KeptBundle>,
) -> Result<(Option<Bundle>, Vec<Finding>), SealError> {
    let old = before.map(|kept| open_kept(unlocked, &plan.name, kept)).transpose()?;
    let findings = rules::check(plan, old.as_ref());
    let (blocking, accepted): (Vec<_>, Vec<_>) = findings.into_iter().partition(Finding::blocks);
    if !blocking.is_empty() {
        return Err(SealError::Rules { node: plan.name.clone(), findings: blocking });
    }
    if plan.keys.is_none() {
        return Err(SealError::NotAdmitted(plan.name.clone()));
    }
    Ok((old, accepted))
}

struct Author<'a> {
    yard: &'a Yard,
    unlocked: &'a Unlocked,
    plan: &'a NodePlan,
    key: &'a SigningKey,
    sequences: &'a mut Sequences,
}

impl Author<'_> {
    fn seal(
        &mut self,
        bundle: &Bundle,
        repeats: Option<u64>,
        rng: &mut dyn CryptoRng,
    ) -> Result<Envelope, SealError> {
        let node = &self.plan.name;
        let keys = self.plan.keys.ok_or_else(|| SealError::NotAdmitted(node.clone()))?;
        let sequence =
            self.sequences.take(Role::Bundle, 1)?.next().ok_or(SequenceError::UsedUp(Role::Bundle))?;
        let manifest = BundleManifest {
            vendor: self.plan.vendor,
            class: self.plan.classes[0],
            sequence,
            sealing_key: keys.sealing,
            reference_uri: &format!("bundle/{node}/{sequence}"),
        };
        let wrong = |fault| SealError::Author { what: format!("the bundle of {node}"), fault };
        let bytes = manifest.envelope(bundle, &seal_random(rng), self.key).map_err(wrong)?;
        let envelope = Envelope::of(bytes)?;
        let plain = zeroize::Zeroizing::new(encode_bundle(bundle).map_err(wrong)?);
        self.unlocked.keep_bundle(node, sequence, &plain, rng)?;
        let put = |extension: &str, bytes: &[u8]| {
            let path = self.yard.path(format!("bundles/{node}/{sequence}.{extension}"));
            files::replace(&path, bytes, Readers::Usual)
        };
        put("suit", &envelope.bytes)?;
        // The record comes last: with it, the bundle counts.
        let record = Record { digest: envelope.digest.to_string(), repeats };
        put("toml", toml::to_string(&record).unwrap_or_default().as_bytes())?;
        Ok(envelope)
    }
}

/// Every bundle that was sealed for a node, oldest first.
///
/// # Errors
/// [`SealError`] if a record is not what it should be.
pub fn kept(yard: &Yard, node: &str) -> Result<Vec<KeptBundle>, SealError> {
    let mut all = Vec::new();
    for (name, path) in files::list(&yard.path(format!("bundles/{node}")), "toml")? {
        let record: Record = strict::read(&path)?;
        let (Ok(sequence), Ok(digest)) = (name.parse(), Digest::parse(&record.digest)) else {
            return Err(SealError::Kept(path));
        };
        all.push(KeptBundle { sequence, digest, repeats: record.repeats });
    }
    all.sort_by_key(|k| k.sequence);
    Ok(all)
}

/// The newest bundle of a node that is no way back.
///
/// # Errors
/// As [`kept`].
pub fn latest(yard: &Yard, node: &str) -> Result<Option<KeptBundle>, SealError> {
    Ok(kept(yard, node)?.into_iter().rfind(|k| k.repeats.is_none()))
}

/// Reads a kept bundle.
///
/// # Errors
/// [`SealError`] if its box is missing or damaged.
pub fn open_kept(unlocked: &Unlocked, node: &str, kept: &KeptBundle) -> Result<Bundle, SealError> {
    let plain = match unlocked.kept_bundle(node, kept.sequence) {
        Ok(plain) => plain,
        Err(crate::yard::YardError::File(FileError::Read { path, .. })) => return Err(SealError::Kept(path)),
        Err(e) => return Err(e.into()),
    };
    decode_message(&plain)
        .map_err(|_| SealError::Kept(format!("bundles/{node}/{}.box", kept.sequence).into()))
}
