//! What stands at the place that a report names: the command, the component, and what had been
//! asked for by then. For people; nothing that is found here is authenticated.

use super::codes::{Command, Section};
use super::manifest::{Bare, Commands};
use super::outer::Outer;
use super::params::{ParamSet, Span, Wanted};
use super::refusal::Refusal;
use super::scan::{self, Index, Listener};
use crate::cbor::Reader;
use crate::id::{Digest, NodeId, Uuid16};
use heapless::Vec;

/// Most values of one parameter that are told, and most numbers of a version.
const MAX_VALUES: usize = super::params::MAX_NUMBERS as usize;
/// Most commands with parameters that are looked at.
const MAX_SETS: usize = 24;

/// A version that was asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AskedVersion {
    /// The comparison in words, such as `at least`.
    pub comparison: &'static str,
    /// The numbers.
    pub numbers: Vec<i64, MAX_VALUES>,
}

/// Parameters of one component, as one command sets them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Asked<'b> {
    /// Vendor identifier.
    pub vendor: Option<Uuid16>,
    /// Class identifier.
    pub class: Option<Uuid16>,
    /// Device identifier.
    pub device: Option<NodeId>,
    /// Image digest.
    pub digest: Option<Digest>,
    /// Image size, in bytes.
    pub size: Option<u64>,
    /// Slot.
    pub slot: Option<u64>,
    /// URI.
    pub uri: Option<&'b str>,
    /// Seconds since 1970-01-01 UTC before which it has to be used.
    pub use_before: Option<u64>,
    /// Version that has to be installed.
    pub version: Option<AskedVersion>,
    /// Whether it stands in an alternative, so that it may or may not have been set.
    in_alternative: bool,
}

/// What stands at one place of a manifest.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place<'b> {
    /// Manifest digest of the envelope that was looked into.
    pub manifest: Digest,
    /// The command; `None` if none begins at that byte.
    pub command: Option<Command>,
    /// The same byte, counted from the start of the manifest; `None` for sections that lie outside
    /// of it, severed or not there.
    pub in_manifest: Option<usize>,
    /// The last part of the component's identifier; `None` for an index beyond the list.
    pub component: Option<&'b [u8]>,
    asked: Vec<Asked<'b>, MAX_SETS>,
}

impl<'b> Place<'b> {
    /// What had been asked for by then, in the order of the manifest: the last value, and before it
    /// those of alternatives that may have been taken. `pick` chooses the parameter.
    pub fn asked<T: PartialEq>(&self, pick: impl Fn(&Asked<'b>) -> Option<T>) -> Vec<T, MAX_VALUES> {
        let mut values = Vec::new();
        for set in &self.asked {
            let Some(value) = pick(set) else { continue };
            if !set.in_alternative {
                values.clear();
            }
            if !values.contains(&value) {
                // A full list stays as it is: it is for people, and bounded.
                let _ = values.push(value);
            }
        }
        values
    }
}

/// Looks up the command at byte `offset` of `section`, for the component with this index.
///
/// # Errors
/// [`Refusal`] if the envelope is damaged or holds something that is not understood.
pub fn place(envelope: &[u8], section: Section, offset: u32, component: u8) -> Result<Place<'_>, Refusal> {
    let outer = Outer::read(envelope)?;
    let bare = Bare::read(&outer)?;
    let (mut list, count) = bare.components;
    let mut named = None;
    for n in 0..count {
        let mut last: &[u8] = &[];
        for _ in 0..list.array("a component identifier as an array")? {
            last = list.bytes("a part of a component identifier")?;
        }
        if n == u64::from(component) {
            named = Some(last);
        }
    }
    let count = usize::try_from(count).unwrap_or(usize::MAX);
    let manifest = outer.manifest.digest();
    let mut place = Place { manifest, command: None, in_manifest: None, component: named, asked: Vec::new() };
    // Parameters are cleared before each section, and the shared sequence is run before it.
    for walked in [Section::Shared, section] {
        let Some(Commands::Here(piece)) = bare.sections.get(walked.index()).copied() else { continue };
        let at = piece.at.saturating_add(offset as usize);
        let wanted = (walked == section).then_some(at);
        let index = Index::one(0);
        let mut walk = Walk { envelope, component, count, wanted, behind: false, index, place: &mut place };
        scan::section(walked, piece, count, &mut walk)?;
        if walked == section {
            let end = outer.manifest.at + outer.manifest.bytes.len();
            let inside = (outer.manifest.at..end).contains(&at);
            place.in_manifest = inside.then(|| at - outer.manifest.at);
            break;
        }
    }
    Ok(place)
}

struct Walk<'b, 'p> {
    envelope: &'b [u8],
    component: u8,
    count: usize,
    /// Where the command stands; `None` in the section before.
    wanted: Option<usize>,
    /// Whether the command has been passed.
    behind: bool,
    index: Index,
    place: &'p mut Place<'b>,
}

impl<'b> Listener<'b> for Walk<'b, '_> {
    fn command(&mut self, command: Command, at: usize, depth: usize) {
        if self.wanted == Some(at) {
            self.place.command = Some(command);
        }
        self.behind |= depth == 0 && self.wanted.is_some_and(|wanted| at > wanted);
    }

    fn chosen(&mut self, mut r: Reader<'b>) -> Result<(), Refusal> {
        self.index = Index::read(&mut r, self.count)?;
        Ok(())
    }

    fn set(&mut self, mut r: Reader<'b>, depth: usize) -> Result<(), Refusal> {
        let meant = (0..).map_while(|n| self.index.get(n)).any(|c| c == self.component);
        if meant && !self.behind {
            let mut p = ParamSet::default();
            p.set(&mut r, self.count)?;
            // A full list stays as it is: it is for people, and bounded.
            let _ = self.place.asked.push(self.asked(&p, depth));
        }
        Ok(())
    }
}

impl<'b> Walk<'b, '_> {
    fn asked(&self, p: &ParamSet, depth: usize) -> Asked<'b> {
        let id = |s: Option<Span>| s.and_then(|s| s.bytes(self.envelope)?.try_into().ok());
        Asked {
            vendor: id(p.vendor).map(Uuid16),
            class: id(p.class).map(Uuid16),
            device: id(p.device).map(NodeId),
            digest: p.digest,
            size: p.size,
            slot: p.slot,
            uri: p.uri.and_then(|s| s.text(self.envelope)),
            use_before: p.use_before,
            version: p.version.and_then(|s| Wanted::at(s, self.envelope)).map(|w| w.words()),
            in_alternative: depth > 0,
        }
    }
}
