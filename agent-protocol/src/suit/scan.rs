//! The scan of a command sequence before anything of it is carried out.
//!
//! A code that is met only at run time, inside an alternative, would fail softly and be passed
//! over. So every sequence is read to its end first, and one thing that is not understood refuses
//! the whole manifest.

use super::codes::{Command, Section};
use super::outer::Piece;
use super::params::ParamSet;
use super::refusal::Refusal;
use crate::cbor::{Expected, Reader};

/// How deep alternatives may nest.
pub const MAX_NESTING: usize = 4;
/// Most alternatives of one try-each.
pub const MAX_ALTERNATIVES: u64 = 4;
/// The reporting bits that have a meaning.
const POLICY_BITS: u64 = 0b1111;

/// What is told while a section is scanned.
pub(super) trait Listener<'b> {
    /// A section begins.
    fn begin(&mut self) {}
    /// set-component-index; `r` stands on its argument.
    fn chosen(&mut self, _: Reader<'b>) -> Result<(), Refusal> {
        Ok(())
    }
    /// Any command, before the two below; `at` is where it stands in the envelope, `depth` in how
    /// many alternatives.
    fn command(&mut self, _: Command, _at: usize, _depth: usize) {}
    /// override-parameters; `r` stands on its argument.
    fn set(&mut self, _: Reader<'b>, _depth: usize) -> Result<(), Refusal> {
        Ok(())
    }
}

/// Hears nothing.
impl Listener<'_> for () {}

/// Scans one section.
pub(super) fn section<'b>(
    section: Section,
    piece: Piece<'b>,
    components: usize,
    listener: &mut dyn Listener<'b>,
) -> Result<(), Refusal> {
    listener.begin();
    sequence(section, piece, components, 0, listener)
}

/// Scans one sequence and those inside it. Calls itself at most [`MAX_NESTING`] times.
fn sequence<'b>(
    section: Section,
    piece: Piece<'b>,
    components: usize,
    depth: usize,
    listener: &mut dyn Listener<'b>,
) -> Result<(), Refusal> {
    let mut r = piece.reader()?;
    let len = r.array("a command sequence as an array")?;
    if len == 0 || len % 2 != 0 {
        return Err(Refusal::Structure {
            at: piece.at,
            expected: Expected::new("commands, each with its argument"),
        });
    }
    for n in 0..len / 2 {
        let at = r.at();
        let code = r.int("").map_err(|_| Refusal::Command { at, code: None })?;
        let command = Command::from_code(code).ok_or(Refusal::Command { at, code: Some(code) })?;
        if n == 0 && depth == 0 && components > 1 && command != Command::SetComponentIndex {
            return Err(Refusal::NoIndex { at: piece.at });
        }
        if !allowed(command, section, depth) {
            return Err(Refusal::CommandPlace { at, code });
        }
        listener.command(command, at, depth);
        match command {
            Command::SetComponentIndex => {
                listener.chosen(r.clone())?;
                Index::read(&mut r, components)?;
            }
            Command::OverrideParameters => {
                listener.set(r.clone(), depth)?;
                ParamSet::default().set(&mut r, components)?;
            }
            Command::TryEach => {
                let at = r.at();
                let (count, passes) = alternatives(&mut r)?;
                if depth >= MAX_NESTING {
                    return Err(Refusal::Nesting { at });
                }
                for _ in 0..count {
                    let inner = Piece::read(&mut r, "an alternative as a byte string")?;
                    sequence(section, inner, components, depth + 1, listener)?;
                }
                if passes {
                    r.null();
                }
            }
            _ => {
                let at = r.at();
                let bits = r.uint("a reporting policy")?;
                if bits & !POLICY_BITS != 0 {
                    return Err(Refusal::Policy { at, bits });
                }
            }
        }
    }
    Ok(())
}

/// Reads the head of a try-each argument: how many alternatives there are, and whether a null
/// stands behind them. Two or more, as the standard's grammar has it.
pub(super) fn alternatives(r: &mut Reader<'_>) -> Result<(u64, bool), Refusal> {
    let at = r.at();
    let len = r.array("alternatives as an array")?;
    let mut ahead = r.clone();
    for _ in 1..len {
        ahead.skip()?;
    }
    let passes = len > 0 && ahead.null();
    let count = if passes { len - 1 } else { len };
    if !(2..=MAX_ALTERNATIVES).contains(&count) {
        return Err(Refusal::Structure { at, expected: Expected::new("two to four alternatives") });
    }
    Ok((count, passes))
}

/// Whether a command may stand there.
///
/// The shared sequence only tests and sets (draft-ietf-suit-manifest-37 section 5.4). Beyond that
/// it is our rule that only the sections of an update fetch, that only they and load write or
/// copy, that only the invoke section invokes, and that alternatives leave the index alone.
fn allowed(command: Command, section: Section, depth: usize) -> bool {
    match command {
        Command::Fetch => matches!(section, Section::PayloadFetch | Section::Install),
        Command::Write | Command::Copy => {
            matches!(section, Section::PayloadFetch | Section::Install | Section::Load)
        }
        Command::Invoke => section == Section::Invoke,
        Command::SetComponentIndex => depth == 0,
        _ => true,
    }
}

/// The components that commands are about, in the order in which they are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Index {
    list: [u8; super::MAX_COMPONENTS],
    len: u8,
}

impl Index {
    /// One component.
    pub(super) const fn one(index: u8) -> Self {
        let mut list = [0; super::MAX_COMPONENTS];
        list[0] = index;
        Self { list, len: 1 }
    }

    /// The `n`th of them.
    pub(super) fn get(&self, n: u8) -> Option<u8> {
        if n < self.len { self.list.get(usize::from(n)).copied() } else { None }
    }

    /// Reads the argument of set-component-index: a number, true for all, or a list of numbers
    /// that are all different.
    pub(super) fn read(r: &mut Reader<'_>, components: usize) -> Result<Self, Refusal> {
        let mut index = Self { list: [0; super::MAX_COMPONENTS], len: 0 };
        if r.truth() {
            for n in (0..).take(components) {
                index.push(n);
            }
            return Ok(index);
        }
        if !r.is_array() {
            return Ok(Self::one(Self::read_one(r, components)?));
        }
        let at = r.at();
        let count = r.array("a list of component indexes")?;
        if count == 0 || count > components as u64 {
            return Err(Refusal::Structure {
                at,
                expected: Expected::new("a list with every component at most once"),
            });
        }
        for _ in 0..count {
            let at = r.at();
            let n = Self::read_one(r, components)?;
            if (0..index.len).any(|i| index.get(i) == Some(n)) {
                return Err(Refusal::Structure {
                    at,
                    expected: Expected::new("a component that is not in the list yet"),
                });
            }
            index.push(n);
        }
        Ok(index)
    }

    fn read_one(r: &mut Reader<'_>, components: usize) -> Result<u8, Refusal> {
        let at = r.at();
        let index = r.uint("a component index, a list of them, or true")?;
        let known = u8::try_from(index).ok().filter(|i| usize::from(*i) < components);
        known.ok_or(Refusal::Index { at, index })
    }

    fn push(&mut self, n: u8) {
        if let Some(slot) = self.list.get_mut(usize::from(self.len)) {
            *slot = n;
            self.len += 1;
        }
    }
}
