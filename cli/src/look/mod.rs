//! Looking into an envelope: what it is, who signed it, which node would take it, and where it
//! is damaged if it is.

mod capable;
#[cfg(test)]
mod tests;
mod told;

pub use capable::{Lacks, lacks};
pub use told::{TellError, Told, subject, tell, tell_outcome};

use crate::yard::{NodePlan, Yard};
use pintle_protocol::cose::CoseFault;
use pintle_protocol::cose::{key, sign1};
use pintle_protocol::id::{Chip, Component, NodeId, PublicKey, Role, Uuid16};
use pintle_protocol::suit::envelope::open_with;
use pintle_protocol::suit::{Device, Peek, Verifier, node_components, peek};
use serde::Serialize;

/// What was seen.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Sight {
    /// Bytes in the envelope.
    pub size: usize,
    /// The role of this yard's key that signed it; `None` if none did, or it is damaged.
    pub signed_by: Option<String>,
    /// Why it is not authentic, or what is damaged and where.
    pub fault: Option<String>,
    /// What it says about itself; `None` if it is too damaged to tell.
    pub says: Option<Says>,
    /// Nodes of this yard that would take it.
    pub taken_by: Vec<String>,
    /// Why nodes of this yard would not, each with the node's name.
    pub refused_by: Vec<(String, String)>,
}

/// What an envelope says about itself.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Says {
    /// Manifest digest.
    pub digest: String,
    /// Sequence number.
    pub sequence: u64,
    /// What reports name it by.
    pub reference: Option<String>,
    /// The version that it installs.
    pub version: Option<String>,
    /// The parts that it changes: `net`, `io`, `conf`, `keys`, or what stands there in hexadecimal.
    pub components: Vec<String>,
    /// SHA-256 of what is there afterwards.
    pub digests: Vec<String>,
    /// Bytes of it.
    pub sizes: Vec<u64>,
    /// Link versions.
    pub link: Option<String>,
    /// Actuation profile.
    pub profile: Option<String>,
    /// The vendor: this yard's domain, or the identifier.
    pub vendor: Option<String>,
    /// The board of this yard that it is for, or its class identifier.
    pub class: Option<String>,
    /// The node of this yard that it is for, or its identifier.
    pub node: Option<String>,
    /// Whether its content is encrypted.
    pub encrypted: bool,
    /// Where payloads are fetched from.
    pub fetched_from: Vec<String>,
}

/// Trusts this yard's three keys, each in its role, and those that are to take their place.
struct YardKeys<'a>(&'a Yard);

impl Verifier for YardKeys<'_> {
    fn judge(&self, block: &[u8], digest: &[u8]) -> Result<Option<Role>, CoseFault> {
        let message = sign1::parse(block)?;
        let keys = |role| [Some(self.0.public_key(role)), self.0.next.of(role)].into_iter().flatten();
        // As a node does it: the key identifier is not signed, but a key that it does not name is
        // not tried.
        let named = |key: &PublicKey| {
            message.kid().is_none_or(|kid| kid.len() >= key::KID_LEN && key::thumbprint(key).starts_with(kid))
        };
        for (role, public) in Role::ALL.into_iter().flat_map(|role| keys(role).map(move |key| (role, key))) {
            if !named(&public) {
                continue;
            }
            match message.verify(&public, &[], Some(digest)) {
                Ok(()) => return Ok(Some(role)),
                // Without a key identifier this only says that it was not this key.
                Err(CoseFault::Signature) if message.kid().is_none() => {}
                Err(fault) => return Err(fault),
            }
        }
        Ok(None)
    }
}

/// Looks into an envelope.
pub fn look(yard: &Yard, envelope: &[u8]) -> Sight {
    let seen = peek(envelope);
    let opened = open_with(envelope, &YardKeys(yard));
    let mut sight = Sight {
        size: envelope.len(),
        signed_by: opened.as_ref().ok().map(|a| a.role().word().to_owned()),
        fault: None,
        says: seen.as_ref().ok().map(|p| says(yard, p)),
        taken_by: Vec::new(),
        refused_by: Vec::new(),
    };
    let (authentic, seen) = match (opened, seen) {
        (Err(fault), _) | (Ok(_), Err(fault)) => {
            sight.fault = Some(fault.to_string());
            return sight;
        }
        (Ok(authentic), Ok(seen)) => (authentic, seen),
    };
    for name in yard.nodes.keys() {
        let plan = match yard.plan_for_card(name) {
            Ok(plan) => plan,
            Err(e) => {
                sight.refused_by.push((name.clone(), e.to_string()));
                continue;
            }
        };
        let components = node_components(plan.classes[0], plan.classes[1]);
        let device = Device { vendor: plan.vendor, device: plan.id, components: &components };
        match authentic.manifest(&device).map(|_| ()) {
            // Identifiers are conditions, tested when it is carried out; foreseen here.
            Ok(()) => match unmet(&seen, &plan) {
                None => sight.taken_by.push(name.clone()),
                Some(why) => sight.refused_by.push((name.clone(), why.to_owned())),
            },
            Err(refusal) => sight.refused_by.push((name.clone(), refusal.to_string())),
        }
    }
    sight
}

/// The condition on identifiers that a node would not meet.
fn unmet(peek: &Peek<'_>, plan: &NodePlan) -> Option<&'static str> {
    let other = |named: Option<[u8; 16]>, ours: [u8; 16]| named.is_some_and(|n| n != ours);
    let chip = if peek.components.contains(&&b"io"[..]) { Chip::Io } else { Chip::Net };
    if other(peek.vendor, plan.vendor.0) {
        Some("it is for another yard")
    } else if other(peek.class, plan.classes[chip.index()].0) {
        Some("it is for another class of board")
    } else if other(peek.device, plan.id.0) {
        Some("it is for another node")
    } else {
        None
    }
}

fn says(yard: &Yard, peek: &Peek<'_>) -> Says {
    let vendor = peek.vendor.map(Uuid16);
    let board = |class: Uuid16| {
        let of = |board| Chip::ALL.map(|chip| yard.class_of(board, chip)).contains(&class);
        yard.boards.iter().find(|(_, b)| of(b)).map_or_else(|| class.to_string(), |(name, _)| name.clone())
    };
    let component =
        |word: &&[u8]| Component::from_word(word).map_or_else(|| hex::encode(word), |c| c.word().to_owned());
    Says {
        digest: peek.digest.to_string(),
        sequence: peek.sequence,
        reference: peek.reference_uri.map(printable),
        version: peek.version.map(|v| v.to_string()),
        components: peek.components.iter().map(component).collect(),
        digests: peek.digests.iter().map(ToString::to_string).collect(),
        sizes: peek.sizes.to_vec(),
        link: peek.link.map(|l| l.to_string()),
        profile: peek.profile.map(|p| p.to_string()),
        vendor: vendor.map(|v| if v == yard.vendor() { yard.file.domain.clone() } else { v.to_string() }),
        class: peek.class.map(Uuid16).map(board),
        node: peek
            .device
            .map(NodeId)
            .map(|id| yard.name_of(id).map_or_else(|| id.to_string(), str::to_owned)),
        encrypted: peek.sealed,
        fetched_from: peek.uris.iter().map(|u| printable(u)).collect(),
    }
}

/// Text from an envelope, without anything that could steer a terminal.
fn printable(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '\u{fffd}' } else { c }).take(200).collect()
}
