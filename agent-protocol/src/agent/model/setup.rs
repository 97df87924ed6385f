//! What a search starts from: a node as it is after commissioning, and the changes on offer, all
//! built and signed as the operator's side and the server do it.

use super::world::{Content, NOTHING};
use crate::agent::tests::{bundle, image, packed, sealed};
use crate::agent::types::{CHUNK, Identity};
use crate::author::KeysManifest;
use crate::bundle::{Bundle, settings_sum};
use crate::cbor::encode_message;
use crate::checkin::{Offer, PROTOCOL, Reply};
use crate::cose::{self, SigningKey, sign1};
use crate::id::{Chip, Digest, Nonce, PublicKey};
use crate::image::{ImageNote, Quirk};
use crate::sim::Door;
use crate::sim::rig::{NODE, Rig, VENDOR};
use crate::slots::{BootRecord, Part};
use crate::suit::{TrustAnchors, peek};
use std::vec::Vec;

/// What stands for the nonce of every check-in: a reply can be signed beforehand.
pub(super) const NONCE: [u8; 16] = [9; 16];

/// An image and what it says of itself.
#[derive(Clone)]
pub(super) struct Image {
    pub(super) bytes: Vec<u8>,
    pub(super) digest: Digest,
    pub(super) note: ImageNote,
}

impl Image {
    fn new(chip: Chip, minor: u16, quirk: Quirk) -> Self {
        let mut bytes = image(chip, minor, (1, 2), quirk);
        bytes.truncate(1200);
        assert!(bytes.len() < CHUNK as usize, "one piece each");
        let note = ImageNote::find(&bytes).unwrap();
        Self { digest: Digest::of(&bytes), note, bytes }
    }
}

/// What a change brings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum What {
    Image(Chip, Quirk),
    /// Another time after which a door left open is told: touches actuation.
    Alarm,
    /// Another check-in interval: touches none.
    Interval,
    /// Another image key.
    Keys,
}

/// A change that the server may offer.
pub(super) struct Change {
    pub(super) actuation: bool,
    pub(super) offer: Offer,
    pub(super) envelope: Vec<u8>,
    /// The signed reply that offers it.
    pub(super) reply: Vec<u8>,
    pub(super) image: Option<Image>,
    pub(super) bundle: Option<Bundle>,
    pub(super) anchors: Option<TrustAnchors>,
}

/// What a search starts from.
pub(super) struct Setup {
    pub(super) identity: Identity,
    pub(super) record: BootRecord,
    pub(super) anchors: TrustAnchors,
    pub(super) bundle: Option<Bundle>,
    pub(super) net: Image,
    pub(super) io: Image,
    pub(super) changes: Vec<Change>,
}

impl Setup {
    /// A commissioned node, whose door asks for a press on the node's own button if `consent`.
    pub(super) fn new(consent: bool, changes: &[What]) -> Self {
        let (mut rig, net, io) = fresh();
        let mut b = quick();
        b.policy.consent = consent;
        rig.offer(sealed(&rig, &b, 1), None);
        let kept = |r: &Rig| r.record().is_some_and(|r| r.sequences[2] == 1);
        assert!(rig.until(900, kept).unwrap(), "not commissioned");
        Self::of(&rig, Some(b), net, io, changes)
    }

    /// A node that waits for its first bundle.
    pub(super) fn first_bundle() -> Self {
        let (rig, net, io) = fresh();
        Self::of(&rig, None, net, io, &[What::Alarm])
    }

    fn of(rig: &Rig, bundle: Option<Bundle>, net: Image, io: Image, changes: &[What]) -> Self {
        let agent = rig.node.as_ref().unwrap().agent();
        let base = bundle.clone().unwrap_or_else(quick);
        let changes = changes.iter().enumerate().map(|(n, what)| change(rig, &base, *what, n as u64 + 2));
        Self {
            identity: agent.id.clone(),
            record: agent.record().clone(),
            anchors: agent.anchors().clone(),
            changes: changes.collect(),
            bundle,
            net,
            io,
        }
    }

    /// The change with this manifest digest.
    pub(super) fn change(&self, manifest: Digest) -> Option<(usize, &Change)> {
        self.changes.iter().enumerate().find(|(_, c)| c.offer.envelope == manifest)
    }

    /// The image that an io chip runs.
    pub(super) fn io_image(&self, content: Content) -> &Image {
        self.image(Part::Io, content).unwrap_or(&self.io)
    }

    /// The image in a slot of `part`.
    pub(super) fn image(&self, part: Part, content: Content) -> Option<&Image> {
        match (part, content) {
            (_, NOTHING) => None,
            (Part::Net, 0) => Some(&self.net),
            (Part::Io, 0) => Some(&self.io),
            (_, n) => self.changes.get(usize::from(n).checked_sub(1)?)?.image.as_ref(),
        }
    }

    /// The sum of the settings that a bundle means; 0 without one.
    pub(super) fn sum(bundle: Option<&Bundle>) -> u16 {
        bundle.map_or(0, settings_sum)
    }
}

/// The shortest times that a node takes, in whole ticks.
fn quick() -> Bundle {
    let mut b = bundle(&["larkfield"]);
    b.policy.rest_seconds = 30;
    b.policy.trial_seconds = 30;
    b.checkin_seconds = 30;
    b
}

fn fresh() -> (Rig, Image, Image) {
    let (net, io) = (Image::new(Chip::Net, 0, Quirk::None), Image::new(Chip::Io, 0, Quirk::None));
    let mut rig = Rig::new(&net.bytes, &io.bytes, Door::at_rest(false), quick().networks[0].clone());
    assert!(rig.until(120, |r| r.server.seen.is_some()).unwrap(), "no check-in");
    (rig, net, io)
}

fn change(rig: &Rig, base: &Bundle, what: What, sequence: u64) -> Change {
    let (mut image, mut bundle, mut anchors) = (None, None, None);
    let (actuation, envelope) = match what {
        What::Image(chip, quirk) => {
            let new = Image::new(chip, sequence as u16, quirk);
            let envelope = packed(rig, chip, &new.bytes, sequence);
            image = Some(new);
            (true, envelope)
        }
        What::Alarm | What::Interval => {
            let mut b = base.clone();
            b.salt = [sequence as u8; 16];
            if what == What::Alarm {
                b.alarms.left_open_minutes = Some(20);
            } else {
                b.checkin_seconds = 60;
            }
            let envelope = sealed(rig, &b, sequence);
            bundle = Some(b);
            (what == What::Alarm, envelope)
        }
        What::Keys => {
            let mut set = rig.yard.anchors();
            set.image.push(PublicKey(SigningKey::from_bytes(&[41; 32]).verifying_key().to_bytes())).unwrap();
            let m = KeysManifest { vendor: VENDOR, sequence, reference_uri: "keys" };
            let envelope = m.envelope(&set, &rig.yard.root).unwrap();
            anchors = Some(set);
            (false, envelope)
        }
    };
    let offer = Offer { envelope: peek(&envelope).unwrap().digest, size: envelope.len() as u32 };
    let reply = reply(rig, offer);
    Change { actuation, offer, envelope, reply, image, bundle, anchors }
}

fn reply(rig: &Rig, offer: Offer) -> Vec<u8> {
    let offer = Some(offer);
    let reply =
        Reply { protocol: PROTOCOL, nonce: Nonce(NONCE), node: NODE, time: 1, next_seconds: 30, offer };
    let mut plain = [0; 512];
    let len = encode_message(&reply, &mut plain).unwrap();
    let mut out = vec![0; 1024];
    let len = sign1::sign_attached(&rig.yard.server, None, &plain[..len], cose::AAD_REPLY, &mut out).unwrap();
    out.truncate(len);
    out
}
