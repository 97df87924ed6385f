//! Looking into an envelope without checking who signed it: for stores and for people. Nothing
//! that is found here may be acted upon.

use super::codes::Section;
use super::manifest::{Bare, Commands};
use super::outer::Outer;
use super::params::ParamSet;
use super::refusal::Refusal;
use super::scan::{self, Listener};
use crate::cbor::Reader;
use crate::id::Digest;
use crate::version::{ActuationProfile, LinkRange, Version};
use heapless::Vec;

/// Most payloads that are named.
const MAX_PAYLOADS: usize = 8;

/// What an envelope claims. Not authenticated.
#[derive(Clone, Debug)]
pub struct Peek<'b> {
    /// Manifest digest.
    pub digest: Digest,
    /// Sequence number.
    pub sequence: u64,
    /// Reference URI.
    pub reference_uri: Option<&'b str>,
    /// Version that it brings.
    pub version: Option<Version>,
    /// The last part of each component's identifier.
    pub components: Vec<&'b [u8], { super::MAX_COMPONENTS }>,
    /// URIs of payloads to fetch.
    pub uris: Vec<&'b str, MAX_PAYLOADS>,
    /// Image digests named.
    pub digests: Vec<Digest, MAX_PAYLOADS>,
    /// Image sizes named.
    pub sizes: Vec<u64, MAX_PAYLOADS>,
    /// Link versions named.
    pub link: Option<LinkRange>,
    /// Actuation profile named.
    pub profile: Option<ActuationProfile>,
    /// Device identifier named.
    pub device: Option<[u8; 16]>,
    /// Class identifier named.
    pub class: Option<[u8; 16]>,
    /// Vendor identifier named.
    pub vendor: Option<[u8; 16]>,
    /// Whether a content is sealed.
    pub sealed: bool,
}

/// Looks into an envelope.
///
/// # Errors
/// [`Refusal`] if it is damaged or holds something that is not understood.
pub fn peek(envelope: &[u8]) -> Result<Peek<'_>, Refusal> {
    let outer = Outer::read(envelope)?;
    let (_, digest, _, _) = outer.wrapper()?;
    super::envelope::matches_manifest(&outer, digest)?;
    let bare = Bare::read(&outer)?;
    let (mut list, count) = bare.components;
    let mut components = Vec::new();
    for _ in 0..count {
        let mut last: &[u8] = &[];
        for _ in 0..list.array("a component identifier as an array")? {
            last = list.bytes("a part of a component identifier")?;
        }
        components.push(last).map_err(|_| Refusal::Components { at: bare.components_at, count })?;
    }
    let mut found = Peek {
        digest,
        sequence: bare.sequence,
        reference_uri: bare.uri,
        version: bare.version,
        uris: Vec::new(),
        digests: Vec::new(),
        sizes: Vec::new(),
        link: None,
        profile: None,
        device: None,
        class: None,
        vendor: None,
        sealed: false,
        components,
    };
    let mut collector = Collector { envelope, components: found.components.len(), found: &mut found };
    for section in Section::ALL {
        if let Some(Commands::Here(piece)) = bare.sections.get(section.index()) {
            scan::section(section, *piece, collector.components, &mut collector)?;
        }
    }
    Ok(found)
}

struct Collector<'b, 'c> {
    envelope: &'b [u8],
    components: usize,
    found: &'c mut Peek<'b>,
}

impl<'b> Listener<'b> for Collector<'b, '_> {
    fn set(&mut self, mut r: Reader<'b>, _: usize) -> Result<(), Refusal> {
        let mut p = ParamSet::default();
        p.set(&mut r, self.components)?;
        let id = |s: Option<super::params::Span>| s.and_then(|s| s.bytes(self.envelope)?.try_into().ok());
        let f = &mut *self.found;
        f.device = id(p.device).or(f.device);
        f.class = f.class.or(id(p.class));
        f.vendor = f.vendor.or(id(p.vendor));
        f.link = p.link.or(f.link);
        f.profile = p.profile.or(f.profile);
        f.sealed |= p.encryption.is_some();
        // Lists that are full stay as they are: they are for people, and bounded.
        if let Some(uri) = p.uri.and_then(|s| s.text(self.envelope)) {
            let _ = f.uris.push(uri);
        }
        if let Some(digest) = p.digest {
            let _ = f.digests.push(digest);
        }
        if let Some(size) = p.size {
            let _ = f.sizes.push(size);
        }
        Ok(())
    }
}
