//! Building and signing envelopes.

use crate::bundle::Bundle;
use crate::cbor::{Writer, encode_message};
use crate::cose::encrypt::{SealRandom, seal};
use crate::cose::{SHA_256, SealFault, SigningKey, key, sign1};
use crate::id::{Chip, Component, Digest, NodeId, PublicKey, Uuid16};
use crate::suit::{AnchorFault, Command, MAX_MANIFEST, Parameter, TrustAnchors};
use crate::version::{ActuationProfile, LinkRange, Version};
use core::fmt;
use std::string::String;
use std::vec::Vec;

/// Reporting policy of conditions: record and system information, on success and on failure.
const REPORT_ALL: u64 = 15;
/// Reporting policy of directives: a record on failure.
const REPORT_FAILURE: u64 = 2;

/// Why an envelope cannot be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WriteFault {
    /// The bundle cannot be sealed to the key given.
    Seal(SealFault),
    /// The trust anchors cannot be used.
    Anchors(AnchorFault),
    /// The envelope is larger than nodes take.
    TooLarge {
        /// Its bytes.
        size: usize,
        /// The bytes that nodes take.
        room: usize,
    },
}

impl fmt::Display for WriteFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Seal(fault) => write!(f, "the bundle cannot be sealed: {fault}"),
            Self::Anchors(fault) => fault.fmt(f),
            Self::TooLarge { size, room } => {
                write!(f, "the envelope has {size} bytes, and nodes take {room}")
            }
        }
    }
}

impl core::error::Error for WriteFault {}

/// What an image's manifest says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ImageManifest {
    /// Vendor identifier.
    pub vendor: Uuid16,
    /// Class identifier.
    pub class: Uuid16,
    /// The chip.
    pub chip: Chip,
    /// Sequence number of the image role.
    pub sequence: u64,
    /// Version, from the image's note.
    pub version: Version,
    /// SHA-256 of the image.
    pub digest: Digest,
    /// Bytes in the image.
    pub size: u64,
    /// Link versions, from the image's note.
    pub link: LinkRange,
    /// Actuation profile, from the image's note.
    pub profile: ActuationProfile,
}

/// What a bundle's manifest says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BundleManifest {
    /// Vendor identifier.
    pub vendor: Uuid16,
    /// Class identifier of the net chip.
    pub class: Uuid16,
    /// The node.
    pub node: NodeId,
    /// Sequence number of the bundle role.
    pub sequence: u64,
}

/// What a manifest of trust anchors says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeysManifest {
    /// Vendor identifier.
    pub vendor: Uuid16,
    /// Sequence number of the root role.
    pub sequence: u64,
}

type W = Writer<Vec<u8>>;

fn nested(fill: impl FnOnce(&mut W)) -> Vec<u8> {
    let mut w = Writer(Vec::new());
    fill(&mut w);
    w.0
}

fn suit_digest(digest: &Digest) -> Vec<u8> {
    nested(|w| {
        w.array(2).int(SHA_256).bytes(&digest.0);
    })
}

/// A sequence of commands, each with its argument already encoded.
struct Sequence {
    count: usize,
    body: Vec<u8>,
}

impl Sequence {
    fn new() -> Self {
        Self { count: 0, body: Vec::new() }
    }

    fn command(mut self, command: Command, argument: impl FnOnce(&mut W)) -> Self {
        let mut w = Writer(core::mem::take(&mut self.body));
        w.int(command.code());
        argument(&mut w);
        self.body = w.0;
        self.count += 2;
        self
    }

    fn plain(self, command: Command, policy: u64) -> Self {
        self.command(command, |w| {
            w.uint(policy);
        })
    }

    fn encode(self) -> Vec<u8> {
        nested(|w| {
            w.array(self.count).raw(&self.body);
        })
    }
}

/// The parts that differ between our manifests.
struct Parts {
    component: Component,
    sequence: u64,
    uri: String,
    version: Option<Version>,
    shared: Sequence,
    install: Sequence,
}

fn envelope(parts: Parts, key: &SigningKey) -> Result<Vec<u8>, WriteFault> {
    let common = nested(|w| {
        w.map(2).uint(2).array(1).array(1).bytes(parts.component.word().as_bytes());
        w.uint(4).bytes(&parts.shared.encode());
    });
    let validate = Sequence::new().plain(Command::ImageMatch, REPORT_ALL).encode();
    let manifest = nested(|w| {
        w.map(6 + usize::from(parts.version.is_some()));
        w.uint(1).uint(1).uint(2).uint(parts.sequence).uint(3).bytes(&common).uint(4).text(&parts.uri);
        if let Some(v) = parts.version {
            let numbers = nested(|w| {
                w.array(3).uint(v.major.into()).uint(v.minor.into()).uint(v.patch.into());
            });
            w.uint(6).bytes(&numbers);
        }
        w.uint(7).bytes(&validate).uint(20).bytes(&parts.install.encode());
    });
    let encoded = nested(|w| {
        w.bytes(&manifest);
    });
    let signed = suit_digest(&Digest::of(&encoded));
    let public = PublicKey(key.verifying_key().to_bytes());
    let mut block = [0u8; 256];
    // The block is far smaller than the buffer: a digest, a signature and a short key identifier.
    let len = sign1::sign_detached(key, Some(&key::kid(&public)), &signed, &[], &mut block).unwrap_or(0);
    let wrapper = nested(|w| {
        w.array(2).bytes(&signed).bytes(block.get(..len).unwrap_or_default());
    });
    let whole = nested(|w| {
        w.tag(107).map(2).uint(2).bytes(&wrapper).uint(3).bytes(&manifest);
    });
    match whole.len() {
        size if size > MAX_MANIFEST => Err(WriteFault::TooLarge { size, room: MAX_MANIFEST }),
        _ => Ok(whole),
    }
}

/// Writes and signs the envelope of a chip image. Its payload is fetched from
/// `payload/<sha256>`, relative to the server.
///
/// # Errors
/// [`WriteFault::TooLarge`] never for real images; kept so that no caller has to trust that.
pub fn image_envelope(m: &ImageManifest, key: &SigningKey) -> Result<Vec<u8>, WriteFault> {
    let shared = Sequence::new()
        .command(Command::OverrideParameters, |w| {
            w.map(6);
            w.int(Parameter::VendorIdentifier.code()).bytes(&m.vendor.0);
            w.int(Parameter::ClassIdentifier.code()).bytes(&m.class.0);
            w.int(Parameter::ImageDigest.code()).bytes(&suit_digest(&m.digest));
            w.int(Parameter::ImageSize.code()).uint(m.size);
            w.int(Parameter::LinkRange.code());
            w.array(2).uint(m.link.oldest.into()).uint(m.link.newest.into());
            w.int(Parameter::ActuationProfile.code());
            w.array(2).uint(m.profile.id.into()).uint(m.profile.version.into());
        })
        .plain(Command::VendorIdentifier, REPORT_ALL)
        .plain(Command::ClassIdentifier, REPORT_ALL);
    let payload = format!("payload/{}", m.digest);
    let install = Sequence::new()
        .command(Command::OverrideParameters, |w| {
            w.map(1).int(Parameter::Uri.code()).text(&payload);
        })
        .plain(Command::Fetch, REPORT_FAILURE)
        .plain(Command::ImageMatch, REPORT_ALL);
    let parts = Parts {
        component: Component::Chip(m.chip),
        sequence: m.sequence,
        uri: format!("pintle:image/{}/{}", m.chip, m.sequence),
        version: Some(m.version),
        shared,
        install,
    };
    envelope(parts, key)
}

/// Seals a bundle to a node and writes and signs its envelope. The sealed bundle lies in the
/// manifest itself, so that the signature covers it.
///
/// # Errors
/// [`WriteFault::Seal`] for a key that nothing can be sealed to; [`WriteFault::TooLarge`].
pub fn bundle_envelope(
    m: &BundleManifest,
    bundle: &Bundle,
    recipient: &PublicKey,
    random: &SealRandom,
    key: &SigningKey,
) -> Result<Vec<u8>, WriteFault> {
    let mut plain = vec![0u8; crate::agent::BUNDLE_MAX];
    let too_large = WriteFault::TooLarge { size: plain.len() + 1, room: plain.len() };
    let len = encode_message(bundle, &mut plain).ok_or(too_large)?;
    plain.truncate(len);
    let (info, ciphertext) = seal(recipient, random, None, &plain).map_err(WriteFault::Seal)?;
    let shared = Sequence::new()
        .command(Command::OverrideParameters, |w| {
            w.map(5);
            w.int(Parameter::VendorIdentifier.code()).bytes(&m.vendor.0);
            w.int(Parameter::ClassIdentifier.code()).bytes(&m.class.0);
            w.int(Parameter::ImageDigest.code()).bytes(&suit_digest(&Digest::of(&plain)));
            w.int(Parameter::ImageSize.code()).uint(plain.len() as u64);
            w.int(Parameter::DeviceIdentifier.code()).bytes(&m.node.0);
        })
        .plain(Command::VendorIdentifier, REPORT_ALL)
        .plain(Command::ClassIdentifier, REPORT_ALL)
        .plain(Command::DeviceIdentifier, REPORT_ALL);
    let install = write_content(&ciphertext, Some(&info));
    let parts = Parts {
        component: Component::Conf,
        sequence: m.sequence,
        uri: format!("pintle:bundle/{}/{}", m.node, m.sequence),
        version: None,
        shared,
        install,
    };
    envelope(parts, key)
}

/// Writes and signs the envelope of a set of trust anchors, for every node of a yard.
///
/// # Errors
/// [`WriteFault::Anchors`] for anchors that no node would take; [`WriteFault::TooLarge`].
pub fn keys_envelope(
    m: &KeysManifest,
    anchors: &TrustAnchors,
    key: &SigningKey,
) -> Result<Vec<u8>, WriteFault> {
    anchors.check().map_err(WriteFault::Anchors)?;
    let mut plain = vec![0u8; crate::agent::BUNDLE_MAX];
    let too_large = WriteFault::TooLarge { size: plain.len() + 1, room: plain.len() };
    let len = encode_message(anchors, &mut plain).ok_or(too_large)?;
    plain.truncate(len);
    let shared = Sequence::new()
        .command(Command::OverrideParameters, |w| {
            w.map(3);
            w.int(Parameter::VendorIdentifier.code()).bytes(&m.vendor.0);
            w.int(Parameter::ImageDigest.code()).bytes(&suit_digest(&Digest::of(&plain)));
            w.int(Parameter::ImageSize.code()).uint(plain.len() as u64);
        })
        .plain(Command::VendorIdentifier, REPORT_ALL);
    let parts = Parts {
        component: Component::Keys,
        sequence: m.sequence,
        uri: format!("pintle:keys/{}", m.sequence),
        version: None,
        shared,
        install: write_content(&plain, None),
    };
    envelope(parts, key)
}

fn write_content(content: &[u8], info: Option<&[u8]>) -> Sequence {
    Sequence::new()
        .command(Command::OverrideParameters, |w| {
            w.map(1 + usize::from(info.is_some())).int(Parameter::Content.code()).bytes(content);
            if let Some(info) = info {
                w.int(Parameter::EncryptionInfo.code()).bytes(info);
            }
        })
        .plain(Command::Write, REPORT_FAILURE)
        .plain(Command::ImageMatch, REPORT_ALL)
}
