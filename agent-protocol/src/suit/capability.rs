//! The capability report: what of SUIT a recipient carries out, and what of it an envelope needs.
//!
//! ```text
//! { 1: [[component part, ..., ? true], ...], 2: [command, ...], 3: [parameter, ...], 4: [algorithm, ...] }
//! ```
//!
//! `true` behind a component's parts stands for every component that begins with them. More members may follow;
//! they are passed over. Source: draft-ietf-suit-report-18.

use super::codes::{Command, Parameter, Section};
use super::manifest::{Bare, Commands};
use super::outer::Outer;
use super::refusal::Refusal;
use super::report_read::ReportFault;
use super::scan::{self, Listener};
use crate::cbor::{Bounded, Expected, Limits, Reader, Writer, check};
use crate::cose::{CHACHA20_POLY1305, ECDH_ES_A128KW, ED25519, SHA_256};
use heapless::Vec;

/// The profile suit-sha256-ed25519-ecdh-chacha-poly (draft-ietf-suit-mti): digest, signature, key
/// agreement, encryption.
pub const ALGORITHMS: [i64; 4] = [SHA_256, ED25519, ECDH_ES_A128KW, CHACHA20_POLY1305];

/// What a recipient carries out, in that profile.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Capabilities<'a> {
    /// Components, each by the one part of its identifier.
    pub components: &'a [&'a [u8]],
    /// Commands.
    pub commands: &'a [Command],
    /// Parameters.
    pub parameters: &'a [Parameter],
}

impl Capabilities<'_> {
    /// Writes the report in deterministic encoding and returns its length.
    ///
    /// # Errors
    /// The bytes needed, if `out` is too small.
    pub fn write(&self, out: &mut [u8]) -> Result<usize, usize> {
        let mut w = Writer(Bounded::new(out));
        w.map(4).uint(1).array(self.components.len());
        for component in self.components {
            w.array(1).bytes(component);
        }
        w.uint(2).array(self.commands.len());
        for command in self.commands {
            w.int(command.code());
        }
        w.uint(3).array(self.parameters.len());
        for parameter in self.parameters {
            w.int(parameter.code());
        }
        w.uint(4).array(ALGORITHMS.len());
        for algorithm in ALGORITHMS {
            w.int(algorithm);
        }
        w.0.finish()
    }
}

/// Most numbers of one list, and most components, that are read.
const MAX_LISTED: usize = 64;

/// A capability report as read. Nothing in it is authenticated by itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReadCapabilities<'b> {
    /// Components: their parts, but for the last if that is `true`, which the flag then says.
    components: Vec<(Vec<&'b [u8], 4>, bool), MAX_LISTED>,
    /// Commands, parameters, algorithms.
    numbers: [Vec<i64, MAX_LISTED>; 3],
}

/// Reads a capability report.
///
/// # Errors
/// [`ReportFault`], with the byte at which it is something else.
pub fn read_capabilities(bytes: &[u8]) -> Result<ReadCapabilities<'_>, ReportFault> {
    check(bytes, Limits::default()).map_err(ReportFault::Cbor)?;
    let mut r = Reader::new(bytes);
    let mut read = ReadCapabilities { components: Vec::new(), numbers: [Vec::new(), Vec::new(), Vec::new()] };
    let mut found = [false; 4];
    for _ in 0..r.map("a capability report as a map")? {
        let key = r.int("a member of the capability report")?;
        let list = match key {
            1 => None,
            2..=4 => read.numbers.get_mut((key - 2) as usize),
            _ => {
                r.skip()?;
                continue;
            }
        };
        if let Some(found) = found.get_mut((key - 1) as usize) {
            *found = true;
        }
        let count = r.array("a list")?;
        let Some(list) = list else {
            for _ in 0..count {
                let at = r.at();
                let full = read.components.push(component(&mut r)?);
                full.map_err(|_| ReportFault::Structure {
                    at,
                    expected: Expected::new("at most 64 components"),
                })?;
            }
            continue;
        };
        for _ in 0..count {
            let at = r.at();
            let full = list.push(r.int("a number")?);
            full.map_err(|_| ReportFault::Structure { at, expected: Expected::new("at most 64 numbers") })?;
        }
    }
    match found {
        [true, true, true, true] => Ok(read),
        _ => Err(ReportFault::Structure { at: 0, expected: Expected::new("the members 1, 2, 3 and 4") }),
    }
}

fn component<'b>(r: &mut Reader<'b>) -> Result<(Vec<&'b [u8], 4>, bool), ReportFault> {
    let (at, mut parts) = (r.at(), Vec::new());
    for _ in 0..r.array("a component identifier as an array")? {
        if r.truth() {
            return Ok((parts, true));
        }
        let full = parts.push(r.bytes("a part of a component identifier, or true")?);
        full.map_err(|_| ReportFault::Structure { at, expected: Expected::new("at most four parts") })?;
    }
    Ok((parts, false))
}

impl ReadCapabilities<'_> {
    fn has(&self, list: usize, number: i64) -> bool {
        self.numbers.get(list).is_some_and(|list| list.contains(&number))
    }

    fn has_component(&self, parts: &[&[u8]]) -> bool {
        self.components
            .iter()
            .any(|(known, prefix)| if *prefix { parts.starts_with(known) } else { parts == known.as_slice() })
    }

    /// The algorithms of the profile that are not listed.
    pub fn missing_algorithms(&self) -> impl Iterator<Item = i64> + '_ {
        ALGORITHMS.into_iter().filter(|a| !self.has(2, *a))
    }

    /// What an update by this envelope needs and the report does not list. What stands in severed
    /// sequences that did not come along is not known, and not in it.
    ///
    /// # Errors
    /// [`Refusal`] if the envelope is damaged or holds something that is not understood here.
    pub fn missing<'e>(&self, envelope: &'e [u8]) -> Result<Missing<'e>, Refusal> {
        let outer = Outer::read(envelope)?;
        let bare = Bare::read(&outer)?;
        let (mut list, count) = bare.components;
        let mut missing = Missing { components: Vec::new(), commands: Vec::new(), parameters: Vec::new() };
        for _ in 0..count {
            let mut parts: Vec<&[u8], 4> = Vec::new();
            for _ in 0..list.array("a component identifier as an array")? {
                // What is longer than that is nothing that is known.
                let _ = parts.push(list.bytes("a part of a component identifier")?);
            }
            if !self.has_component(&parts) {
                let _ = missing.components.push(parts.last().copied().unwrap_or_default());
            }
        }
        let count = usize::try_from(count).unwrap_or(usize::MAX);
        let update = [Section::Shared, Section::PayloadFetch, Section::Install, Section::Validate];
        for section in update {
            if let Some(Commands::Here(piece)) = bare.sections.get(section.index()).copied() {
                let mut needs = Needs { has: self, missing: &mut missing };
                scan::section(section, piece, count, &mut needs)?;
            }
        }
        Ok(missing)
    }
}

/// What an envelope needs and a recipient does not have. Empty lists: it has everything.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Missing<'e> {
    /// Components, by the last part of their identifiers.
    pub components: Vec<&'e [u8], { super::MAX_COMPONENTS }>,
    /// Commands.
    pub commands: Vec<Command, { Command::ALL.len() }>,
    /// Parameters.
    pub parameters: Vec<Parameter, { Parameter::ALL.len() }>,
}

impl Missing<'_> {
    /// Whether it has everything.
    pub fn is_empty(&self) -> bool {
        self.components.is_empty() && self.commands.is_empty() && self.parameters.is_empty()
    }
}

struct Needs<'c, 'm, 'e> {
    has: &'c ReadCapabilities<'c>,
    missing: &'m mut Missing<'e>,
}

impl<'b> Listener<'b> for Needs<'_, '_, '_> {
    fn command(&mut self, command: Command, _: usize, _: usize) {
        if !self.has.has(0, command.code()) && !self.missing.commands.contains(&command) {
            // There is room for every command.
            let _ = self.missing.commands.push(command);
        }
    }

    fn set(&mut self, mut r: Reader<'b>, _: usize) -> Result<(), Refusal> {
        for _ in 0..r.map("parameters as a map")? {
            let label = r.int("a parameter")?;
            if let Some(parameter) = Parameter::from_code(label)
                && !self.has.has(1, label)
                && !self.missing.parameters.contains(&parameter)
            {
                // There is room for every parameter.
                let _ = self.missing.parameters.push(parameter);
            }
            r.skip()?;
        }
        Ok(())
    }
}
