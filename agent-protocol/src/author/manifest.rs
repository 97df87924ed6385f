//! Building and signing envelopes.

use crate::agent::{BUNDLE_MAX, ENVELOPE_AND_TEXT_MAX};
use crate::bundle::Bundle;
use crate::cbor::{Writer, encode_message};
use crate::cose::encrypt::{SealRandom, seal};
use crate::cose::{SHA_256, SealFault, SigningKey, key, sign1};
use crate::id::{Chip, Component, Digest, PublicKey, Uuid16};
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
pub enum AuthorFault {
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
    /// The text in the envelope is larger than nodes take, by itself or together with the envelope: a node has one
    /// place for both.
    NoRoom {
        /// Bytes in the envelope.
        envelope: usize,
        /// Bytes of the text in it, as sealed.
        text: usize,
    },
}

impl fmt::Display for AuthorFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Seal(fault) => write!(f, "the bundle cannot be sealed: {fault}"),
            Self::Anchors(fault) => fault.fmt(f),
            Self::TooLarge { size, room } => {
                write!(f, "the envelope has {size} bytes, and nodes take {room}")
            }
            Self::NoRoom { envelope, text } => write!(
                f,
                "the envelope has {envelope} bytes and carries a text of {text}; nodes take a text of {BUNDLE_MAX}, \
                 and {ENVELOPE_AND_TEXT_MAX} for both together"
            ),
        }
    }
}

impl core::error::Error for AuthorFault {}

/// What an image's manifest says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ImageManifest<'a> {
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
    pub size: u32,
    /// Where nodes fetch it, see [`payload_uri`].
    pub uri: &'a str,
    /// Link versions, from the image's note.
    pub link: LinkRange,
    /// Actuation profile, from the image's note.
    pub profile: ActuationProfile,
    /// Its name in reports.
    pub reference_uri: &'a str,
}

/// What a bundle's manifest says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BundleManifest<'a> {
    /// Vendor identifier.
    pub vendor: Uuid16,
    /// Class identifier of the net chip.
    pub class: Uuid16,
    /// Sequence number of the bundle role.
    pub sequence: u64,
    /// The node's X25519 key.
    pub sealing_key: PublicKey,
    /// Its name in reports.
    pub reference_uri: &'a str,
}

/// What a manifest of trust anchors says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeysManifest<'a> {
    /// Vendor identifier.
    pub vendor: Uuid16,
    /// Sequence number of the root role.
    pub sequence: u64,
    /// Its name in reports.
    pub reference_uri: &'a str,
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
struct Parts<'a> {
    component: Component,
    sequence: u64,
    uri: &'a str,
    version: Option<Version>,
    shared: Sequence,
    install: Sequence,
    /// Bytes of the text in it, as sealed.
    text: usize,
}

fn envelope(parts: Parts<'_>, key: &SigningKey) -> Result<Vec<u8>, AuthorFault> {
    let common = nested(|w| {
        w.map(2).uint(2).array(1).array(1).bytes(parts.component.word().as_bytes());
        w.uint(4).bytes(&parts.shared.encode());
    });
    let validate = Sequence::new().plain(Command::ImageMatch, REPORT_ALL).encode();
    let manifest = nested(|w| {
        w.map(6 + usize::from(parts.version.is_some()));
        w.uint(1).uint(1).uint(2).uint(parts.sequence).uint(3).bytes(&common).uint(4).text(parts.uri);
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
        size if size > MAX_MANIFEST => Err(AuthorFault::TooLarge { size, room: MAX_MANIFEST }),
        size if parts.text > BUNDLE_MAX || size + parts.text > ENVELOPE_AND_TEXT_MAX => {
            Err(AuthorFault::NoRoom { envelope: size, text: parts.text })
        }
        _ => Ok(whole),
    }
}

/// Where nodes fetch a payload: `payload/<sha256>`, relative to the server.
pub fn payload_uri(digest: &Digest) -> String {
    format!("payload/{digest}")
}

impl ImageManifest<'_> {
    /// Writes and signs the envelope.
    ///
    /// # Errors
    /// [`AuthorFault::TooLarge`] for names that are far too long.
    pub fn envelope(&self, key: &SigningKey) -> Result<Vec<u8>, AuthorFault> {
        let m = self;
        let shared = Sequence::new()
            .command(Command::OverrideParameters, |w| {
                w.map(6);
                w.int(Parameter::VendorIdentifier.code()).bytes(&m.vendor.0);
                w.int(Parameter::ClassIdentifier.code()).bytes(&m.class.0);
                w.int(Parameter::ImageDigest.code()).bytes(&suit_digest(&m.digest));
                w.int(Parameter::ImageSize.code()).uint(m.size.into());
                w.int(Parameter::LinkRange.code());
                w.array(2).uint(m.link.oldest.into()).uint(m.link.newest.into());
                w.int(Parameter::ActuationProfile.code());
                w.array(2).uint(m.profile.id.into()).uint(m.profile.version.into());
            })
            .plain(Command::VendorIdentifier, REPORT_ALL)
            .plain(Command::ClassIdentifier, REPORT_ALL);
        let install = Sequence::new()
            .command(Command::OverrideParameters, |w| {
                w.map(1).int(Parameter::Uri.code()).text(m.uri);
            })
            .plain(Command::Fetch, REPORT_FAILURE)
            .plain(Command::ImageMatch, REPORT_ALL);
        let parts = Parts {
            component: Component::Chip(m.chip),
            sequence: m.sequence,
            uri: m.reference_uri,
            version: Some(m.version),
            shared,
            install,
            text: 0,
        };
        envelope(parts, key)
    }
}

/// A message as it is sealed or signed.
fn encode(message: &dyn crate::cbor::Item) -> Result<Vec<u8>, AuthorFault> {
    let mut plain = vec![0u8; BUNDLE_MAX];
    let too_large = AuthorFault::TooLarge { size: plain.len() + 1, room: plain.len() };
    let len = encode_message(message, &mut plain).ok_or(too_large)?;
    plain.truncate(len);
    Ok(plain)
}

/// A bundle as it is sealed: deterministic CBOR.
///
/// # Errors
/// [`AuthorFault::TooLarge`] for more than nodes take.
pub fn encode_bundle(bundle: &Bundle) -> Result<Vec<u8>, AuthorFault> {
    encode(bundle)
}

impl BundleManifest<'_> {
    /// Seals a bundle to its node and writes and signs the envelope. The sealed bundle lies in the
    /// manifest itself, so that the signature covers it.
    ///
    /// # Errors
    /// [`AuthorFault::Seal`] for a key that nothing can be sealed to; [`AuthorFault::TooLarge`];
    /// [`AuthorFault::NoRoom`].
    pub fn envelope(
        &self,
        bundle: &Bundle,
        random: &SealRandom,
        key: &SigningKey,
    ) -> Result<Vec<u8>, AuthorFault> {
        let m = self;
        let plain = encode(bundle)?;
        let (info, ciphertext) = seal(&m.sealing_key, random, None, &plain).map_err(AuthorFault::Seal)?;
        let shared = Sequence::new()
            .command(Command::OverrideParameters, |w| {
                w.map(5);
                w.int(Parameter::VendorIdentifier.code()).bytes(&m.vendor.0);
                w.int(Parameter::ClassIdentifier.code()).bytes(&m.class.0);
                w.int(Parameter::ImageDigest.code()).bytes(&suit_digest(&Digest::of(&plain)));
                w.int(Parameter::ImageSize.code()).uint(plain.len() as u64);
                w.int(Parameter::DeviceIdentifier.code()).bytes(&bundle.node.0);
            })
            .plain(Command::VendorIdentifier, REPORT_ALL)
            .plain(Command::ClassIdentifier, REPORT_ALL)
            .plain(Command::DeviceIdentifier, REPORT_ALL);
        let install = write_content(&ciphertext, Some(&info));
        let parts = Parts {
            component: Component::Conf,
            sequence: m.sequence,
            uri: m.reference_uri,
            version: None,
            shared,
            install,
            text: ciphertext.len(),
        };
        envelope(parts, key)
    }
}

impl KeysManifest<'_> {
    /// Writes and signs the envelope of a set of trust anchors, for every node of a yard.
    ///
    /// # Errors
    /// [`AuthorFault::Anchors`] for anchors that no node would take; [`AuthorFault::TooLarge`];
    /// [`AuthorFault::NoRoom`].
    pub fn envelope(&self, anchors: &TrustAnchors, key: &SigningKey) -> Result<Vec<u8>, AuthorFault> {
        let m = self;
        anchors.check().map_err(AuthorFault::Anchors)?;
        let plain = encode(anchors)?;
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
            uri: m.reference_uri,
            version: None,
            shared,
            install: write_content(&plain, None),
            text: plain.len(),
        };
        envelope(parts, key)
    }
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
