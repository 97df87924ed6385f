//! A manifest that was authenticated and is understood completely.

use super::codes::{Command, Section};
use super::device::{Device, Identity, MAX_COMPONENTS};
use super::envelope::Authentic;
use super::outer::{Outer, Piece, SEVERABLE, suit_digest};
use super::params::MAX_NUMBERS;
use super::refusal::Refusal;
use super::scan;
use crate::cbor::{Expected, Reader};
use crate::id::{Digest, NodeId, Uuid16};
use crate::version::Version;
use heapless::Vec;

/// Where a section's commands are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Commands<'b> {
    /// The manifest has no such section.
    Absent,
    /// It has, but the envelope came without it.
    Severed,
    /// Here.
    Here(Piece<'b>),
}

/// What counts for one component of a manifest.
#[derive(Clone, Copy, Debug)]
pub(super) struct Target {
    pub known: u8,
    pub class: Uuid16,
    pub identity: Identity,
}

/// A manifest for this device: authenticated, every command and parameter known, every component
/// one of the device's that the signer may write.
#[derive(Clone, Debug)]
pub struct Manifest<'b> {
    pub(super) envelope: &'b [u8],
    pub(super) outer: Outer<'b>,
    pub(super) sections: [Commands<'b>; 6],
    pub(super) targets: Vec<Target, MAX_COMPONENTS>,
    pub(super) vendor: Uuid16,
    pub(super) device: NodeId,
    indexes: Vec<u8, MAX_COMPONENTS>,
    sequence: u64,
    digest: Digest,
    uri: Option<&'b str>,
    version: Option<Version>,
}

/// What a manifest says before anything is held against a device.
#[derive(Clone, Debug)]
pub(super) struct Bare<'b> {
    pub sequence: u64,
    pub uri: Option<&'b str>,
    pub version: Option<Version>,
    pub sections: [Commands<'b>; 6],
    /// Reader on the list of components, and how many there are.
    pub components: (Reader<'b>, u64),
    pub components_at: usize,
}

impl<'b> Bare<'b> {
    /// Takes the manifest apart and checks the digests of severable members.
    pub(super) fn read(outer: &Outer<'b>) -> Result<Self, Refusal> {
        let mut r = outer.manifest.reader()?;
        let count = r.map("the manifest as a map")?;
        let mut sections = [Commands::Absent; 6];
        let (mut version_seen, mut sequence, mut common) = (false, None, None);
        let (mut uri, mut version) = (None, None);
        let mut severed_here = [false; 3];
        for _ in 0..count {
            let at = r.at();
            let key = r.int("a member of the manifest").map_err(|_| Refusal::Member { at, key: None })?;
            let value_at = r.at();
            match key {
                1 => match r.uint("the manifest's version")? {
                    1 => version_seen = true,
                    found => return Err(Refusal::Version { at: value_at, found }),
                },
                2 => sequence = Some(r.uint("a sequence number")?),
                3 => common = Some(Piece::read(&mut r, "suit-common as a byte string")?),
                4 => uri = Some(r.text("a reference URI as text")?),
                6 => version = set_version(Piece::read(&mut r, "a version in a byte string")?)?,
                7..=9 => {
                    let piece = Piece::read(&mut r, "commands as a byte string")?;
                    let section = [Section::Validate, Section::Load, Section::Invoke];
                    if let Some(s) = section.iter().find(|s| i64::from(s.number()) == key)
                        && let Some(slot) = sections.get_mut(s.index())
                    {
                        *slot = Commands::Here(piece);
                    }
                }
                16 | 20 | 23 => {
                    let place = SEVERABLE.iter().position(|k| i64::from(*k) == key);
                    let outside = place.and_then(|n| outer.severable.get(n).copied().flatten());
                    let commands = if r.is_array() {
                        let digest = suit_digest(&mut r)?;
                        if let Some(seen) = place.and_then(|n| severed_here.get_mut(n)) {
                            *seen = true;
                        }
                        match outside {
                            Some(piece) if piece.digest() == digest => Commands::Here(piece),
                            Some(piece) => return Err(Refusal::Severed { at: piece.at, key: key as u8 }),
                            None => Commands::Severed,
                        }
                    } else {
                        Commands::Here(Piece::read(&mut r, "commands as a byte string, or their digest")?)
                    };
                    let section = [Section::PayloadFetch, Section::Install];
                    if let Some(s) = section.iter().find(|s| i64::from(s.number()) == key)
                        && let Some(slot) = sections.get_mut(s.index())
                    {
                        *slot = commands;
                    }
                }
                _ => return Err(Refusal::Member { at, key: Some(key) }),
            }
        }
        for ((piece, seen), key) in outer.severable.iter().zip(severed_here).zip(SEVERABLE) {
            if let Some(piece) = piece
                && !seen
            {
                return Err(Refusal::Severed { at: piece.at, key });
            }
        }
        let missing =
            |expected| Refusal::Structure { at: outer.manifest.at, expected: Expected::new(expected) };
        if !version_seen {
            return Err(missing("a manifest version (member 1)"));
        }
        let sequence = sequence.ok_or(missing("a sequence number (member 2)"))?;
        let common = common.ok_or(missing("suit-common (member 3)"))?;
        let (components, components_at) = read_common(common, &mut sections)?;
        Ok(Self { sequence, uri, version, sections, components, components_at })
    }
}

fn read_common<'b>(
    common: Piece<'b>,
    sections: &mut [Commands<'b>; 6],
) -> Result<((Reader<'b>, u64), usize), Refusal> {
    let mut r = common.reader()?;
    let mut components = None;
    for _ in 0..r.map("suit-common as a map")? {
        let at = r.at();
        match r.int("a member of suit-common").map_err(|_| Refusal::Member { at, key: None })? {
            2 => {
                let at = r.at();
                let mut list = r.clone();
                let count = list.array("components as an array")?;
                components = Some(((list, count), at));
                r.skip()?;
            }
            4 => {
                let piece = Piece::read(&mut r, "the shared sequence as a byte string")?;
                if let Some(slot) = sections.get_mut(Section::Shared.index()) {
                    *slot = Commands::Here(piece);
                }
            }
            key => return Err(Refusal::Member { at, key: Some(key) }),
        }
    }
    components.ok_or(Refusal::Structure {
        at: common.at,
        expected: Expected::new("a list of components (member 2)"),
    })
}

/// 1 to 3 numbers, then perhaps a mark of a version before its release (-1 candidate, -2 beta, -3
/// alpha) and further numbers. Ours has exactly three; what says something else is passed over, what
/// is no version is refused. Source: draft-ietf-suit-update-management-14, set-version.
pub(super) fn set_version(piece: Piece<'_>) -> Result<Option<Version>, Refusal> {
    let mut r = piece.reader()?;
    let at = r.at();
    let count = r.array("the numbers of a version")?;
    if count == 0 || count > MAX_NUMBERS {
        return Err(Refusal::Structure { at, expected: Expected::new("a version of 1 to 8 numbers") });
    }
    let mut numbers = [None; 3];
    let mut marked = false;
    for n in 0..count {
        let at = r.at();
        let number = r.int("a number")?;
        let stands = if number < 0 { n > 0 && number >= -3 && !marked } else { n < 3 || marked };
        if !stands {
            return Err(Refusal::Structure {
                at,
                expected: Expected::new("1 to 3 numbers, then one mark from -1 to -3"),
            });
        }
        marked |= number < 0;
        if let Some(slot) = numbers.get_mut(n as usize) {
            *slot = u16::try_from(number).ok();
        }
    }
    Ok(match (count, numbers) {
        (3, [Some(major), Some(minor), Some(patch)]) => Some(Version::new(major, minor, patch)),
        _ => None,
    })
}

impl<'b> Manifest<'b> {
    pub(super) fn read(authentic: &Authentic<'b>, device: &Device<'_>) -> Result<Self, Refusal> {
        let outer = authentic.outer;
        let bare = Bare::read(&outer)?;
        let (mut list, count) = bare.components;
        if count == 0 || count > MAX_COMPONENTS as u64 {
            return Err(Refusal::Components { at: bare.components_at, count });
        }
        let mut targets: Vec<Target, MAX_COMPONENTS> = Vec::new();
        let mut indexes = Vec::new();
        for index in 0..count as u8 {
            let at = list.at();
            let known = component(&mut list, device)?;
            let found = known.and_then(|n| Some((n, device.components.get(usize::from(n))?)));
            let Some((known, spec)) = found else { return Err(Refusal::Component { at, index }) };
            if targets.iter().any(|t| t.known == known) {
                return Err(Refusal::Component { at, index });
            }
            if !spec.writers.has(authentic.role) {
                return Err(Refusal::Role { signer: authentic.role, index });
            }
            let target = Target { known, class: spec.class, identity: spec.identity };
            // At most MAX_COMPONENTS, checked above.
            let _ = targets.push(target);
            let _ = indexes.push(known);
        }
        for section in Section::ALL {
            if let Some(Commands::Here(piece)) = bare.sections.get(section.index()) {
                scan::section(section, *piece, targets.len(), &mut ())?;
            }
        }
        Ok(Self {
            envelope: outer.envelope,
            outer,
            sections: bare.sections,
            targets,
            vendor: device.vendor,
            device: device.device,
            indexes,
            sequence: bare.sequence,
            digest: authentic.digest,
            uri: bare.uri,
            version: bare.version,
        })
    }

    /// The device's components that it names, by their index in [`Device::components`].
    pub fn components(&self) -> &[u8] {
        &self.indexes
    }

    /// Holds the sequence number against the newest manifest of the same role that was kept.
    ///
    /// # Errors
    /// [`Refusal::SequenceOld`] for a lower number, [`Refusal::SequenceTaken`] for the same number on
    /// another manifest. The kept manifest itself passes, so that an update can be repeated.
    ///
    /// # Source
    /// draft-ietf-suit-manifest-37 sections 6.1 and 8.4.2; that equal numbers need equal digests is
    /// our rule.
    pub fn check_sequence(&self, kept: Option<(u64, Digest)>) -> Result<(), Refusal> {
        match kept {
            Some((kept, _)) if self.sequence < kept => {
                Err(Refusal::SequenceOld { found: self.sequence, kept })
            }
            Some((kept, digest)) if self.sequence == kept && self.digest != digest => {
                Err(Refusal::SequenceTaken { number: kept })
            }
            Some(_) | None => Ok(()),
        }
    }

    /// The first of these commands that stands in one of these sections, or in the shared sequence
    /// before them, and the byte of the envelope at which it stands. For a recipient that can carry
    /// out less than is understood here.
    pub fn uses(&self, sections: &[Section], commands: &[Command]) -> Option<(Command, usize)> {
        let mut seen = Seen { commands, first: None };
        for section in core::iter::once(&Section::Shared).chain(sections) {
            if let Commands::Here(piece) = self.commands(*section) {
                // It has been scanned before, so that there is nothing to refuse.
                let _ = scan::section(*section, piece, self.targets.len(), &mut seen);
            }
        }
        seen.first
    }

    /// Its sequence number.
    pub fn sequence(&self) -> u64 {
        self.sequence
    }

    /// The manifest digest.
    pub fn digest(&self) -> Digest {
        self.digest
    }

    /// Where it says that it can be found: its name in reports.
    pub fn reference_uri(&self) -> Option<&'b str> {
        self.uri
    }

    /// The version that it brings, if it says so in three plain numbers.
    pub fn version(&self) -> Option<Version> {
        self.version
    }

    pub(super) fn commands(&self, section: Section) -> Commands<'b> {
        self.sections.get(section.index()).copied().unwrap_or(Commands::Absent)
    }

    /// The integrated payload of this name, `#` included.
    pub fn integrated(&self, name: &str) -> Option<&'b [u8]> {
        self.outer.integrated(name)
    }
}

struct Seen<'a> {
    commands: &'a [Command],
    first: Option<(Command, usize)>,
}

impl scan::Listener<'_> for Seen<'_> {
    fn command(&mut self, command: Command, at: usize, _: usize) {
        if self.first.is_none() && self.commands.contains(&command) {
            self.first = Some((command, at));
        }
    }
}

/// Reads one component identifier; which of the device's it is.
fn component(list: &mut Reader<'_>, device: &Device<'_>) -> Result<Option<u8>, Refusal> {
    let parts = list.array("a component identifier as an array")?;
    let mut possible = [true; 16];
    for n in 0..parts {
        let part = list.bytes("a part of a component identifier as a byte string")?;
        for (spec, still) in device.components.iter().zip(&mut possible) {
            *still &= spec.id.get(n as usize).is_some_and(|p| *p == part);
        }
    }
    let fits = device
        .components
        .iter()
        .zip(possible)
        .position(|(spec, still)| still && spec.id.len() as u64 == parts);
    Ok(fits.and_then(|n| u8::try_from(n).ok()))
}
