//! Images of the virtual board's chips, and envelopes around them and around bundles.

#[cfg(feature = "author")]
use super::rig::VENDOR;
use super::rig::{IO, NET};
#[cfg(feature = "author")]
use crate::author::{AuthorFault, BundleManifest, ImageManifest, SealRandom, payload_uri};
#[cfg(feature = "author")]
use crate::bundle::Bundle;
#[cfg(feature = "author")]
use crate::cose::SigningKey;
use crate::id::Chip;
#[cfg(feature = "author")]
use crate::id::{Digest, PublicKey};
use crate::image::{ImageNote, Quirk};
use crate::version::{ActuationProfile, LinkRange, Version};
use std::vec::Vec;

/// Where the note stands in an image that is made here.
pub const NOTE_AT: usize = 512;

/// What the note of an image of version 1.`minor`.0 says.
pub fn note(chip: Chip, minor: u16, link: LinkRange) -> ImageNote {
    ImageNote {
        chip,
        version: Version::new(1, minor, 0),
        link,
        profile: ActuationProfile { id: 1, version: 1 },
        class: if chip == Chip::Net { NET } else { IO },
        quirk: Quirk::None,
    }
}

/// An image with this note, and bytes that stand for code; `len` in all, or as many as the note needs.
pub fn image(note: &ImageNote, len: usize) -> Vec<u8> {
    let mut bytes = vec![0x13; NOTE_AT];
    bytes.extend_from_slice(&note.encode());
    bytes.extend((0u32..).map(|n| (n * 31 % 251) as u8).take(len.saturating_sub(bytes.len())));
    bytes
}

/// The envelope of an image, which says of it what its note says.
///
/// # Errors
/// [`AuthorFault`].
#[cfg(feature = "author")]
pub fn image_envelope(
    image: &[u8],
    note: &ImageNote,
    sequence: u64,
    key: &SigningKey,
) -> Result<Vec<u8>, AuthorFault> {
    let digest = Digest::of(image);
    let manifest = ImageManifest {
        vendor: VENDOR,
        class: note.class,
        chip: note.chip,
        sequence,
        version: note.version,
        digest,
        size: image.len() as u32,
        uri: &payload_uri(&digest),
        reference_uri: "image",
        link: note.link,
        profile: note.profile,
    };
    manifest.envelope(key)
}

/// The envelope of a bundle, sealed with values that follow from its sequence number: for trying out only.
///
/// # Errors
/// [`AuthorFault`].
#[cfg(feature = "author")]
pub fn bundle_envelope(
    bundle: &Bundle,
    sequence: u64,
    sealing_key: PublicKey,
    key: &SigningKey,
) -> Result<Vec<u8>, AuthorFault> {
    let n = sequence as u8;
    let [ephemeral, content_key] = [1, 2].map(|more| [n.wrapping_add(more); 32]);
    let random = SealRandom { ephemeral, content_key, nonce: [n; 12] };
    let manifest =
        BundleManifest { vendor: VENDOR, class: NET, sequence, sealing_key, reference_uri: "bundle" };
    manifest.envelope(bundle, &random, key)
}
