//! Reading parameters. Byte strings and texts are kept as places in the envelope.

use super::codes::Parameter;
use super::outer::{Piece, suit_digest};
use super::refusal::Refusal;
use crate::cbor::{Expected, Reader};
use crate::id::Digest;
use crate::version::{ActuationProfile, LinkRange};

/// The payload that a URI of our form names: `payload/` and its SHA-256 in hexadecimal digits.
pub fn payload_named(uri: &str) -> Option<Digest> {
    uri.strip_prefix("payload/").and_then(|hex| Digest::parse(hex).ok())
}

/// Longest URI, in bytes.
pub const MAX_URI: usize = 255;
/// Most numbers in a version to compare with.
pub const MAX_NUMBERS: u64 = 8;

/// A place in the envelope. Two bytes each: no part that commands stand in reaches beyond.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Span {
    start: u16,
    end: u16,
}

impl Span {
    /// Of the bytes that `r` has just read.
    fn of(bytes: &[u8], r: &Reader<'_>) -> Result<Self, Refusal> {
        let start = r.at().saturating_sub(bytes.len());
        let far = Refusal::TooLarge { at: start, size: r.at(), room: usize::from(u16::MAX) };
        let place = |at| u16::try_from(at).map_err(|_| far);
        Ok(Self { start: place(start)?, end: place(r.at())? })
    }

    pub(super) fn bytes(self, envelope: &[u8]) -> Option<&[u8]> {
        envelope.get(usize::from(self.start)..usize::from(self.end))
    }

    pub(super) fn text(self, envelope: &[u8]) -> Option<&str> {
        core::str::from_utf8(self.bytes(envelope)?).ok()
    }

    pub(super) const fn start(self) -> usize {
        self.start as usize
    }
}

/// The parameters of one component.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct ParamSet {
    pub vendor: Option<Span>,
    pub class: Option<Span>,
    pub device: Option<Span>,
    pub digest: Option<Digest>,
    pub size: Option<u64>,
    pub slot: Option<u64>,
    pub content: Option<Span>,
    pub encryption: Option<Span>,
    pub uri: Option<Span>,
    pub source: Option<u8>,
    pub use_before: Option<u64>,
    pub priority: Option<i64>,
    pub version: Option<Span>,
    pub link: Option<LinkRange>,
    pub profile: Option<ActuationProfile>,
}

impl ParamSet {
    /// Reads the argument of override-parameters and sets what it says.
    ///
    /// `components`: how many the manifest names.
    pub(super) fn set(&mut self, r: &mut Reader<'_>, components: usize) -> Result<(), Refusal> {
        let at = r.at();
        let count = r.map("parameters as a map")?;
        if count == 0 {
            return Err(Refusal::Structure { at, expected: Expected::new("at least one parameter") });
        }
        for _ in 0..count {
            let at = r.at();
            let label = r.int("").map_err(|_| Refusal::Parameter { at, label: None })?;
            let Some(parameter) = Parameter::from_code(label) else {
                return Err(Refusal::Parameter { at, label: Some(label) });
            };
            self.set_one(parameter, r, components)?;
        }
        Ok(())
    }

    fn set_one(
        &mut self,
        parameter: Parameter,
        r: &mut Reader<'_>,
        components: usize,
    ) -> Result<(), Refusal> {
        let at = r.at();
        match parameter {
            Parameter::VendorIdentifier => self.vendor = Some(uuid(r)?),
            Parameter::ClassIdentifier => self.class = Some(uuid(r)?),
            Parameter::DeviceIdentifier => self.device = Some(uuid(r)?),
            Parameter::ImageDigest => {
                let inner = Piece::read(r, "a SUIT_Digest in a byte string")?;
                self.digest = Some(suit_digest(&mut inner.reader()?)?);
            }
            Parameter::UseBefore => self.use_before = Some(r.uint("a time in seconds")?),
            Parameter::ComponentSlot => self.slot = Some(r.uint("the number of a slot")?),
            Parameter::ImageSize => self.size = Some(r.uint("a size in bytes")?),
            Parameter::Content => self.content = Some(span(r, "content as a byte string")?),
            Parameter::EncryptionInfo => self.encryption = Some(span(r, "encryption info as a byte string")?),
            Parameter::Uri => {
                let text = r.text("a URI as text")?;
                if text.is_empty() || text.len() > MAX_URI {
                    return Err(Refusal::Structure {
                        at,
                        expected: Expected::new("a URI of 1 to 255 bytes"),
                    });
                }
                self.uri = Some(Span::of(text.as_bytes(), r)?);
            }
            Parameter::SourceComponent => {
                let index = r.uint("the index of a component")?;
                let known = u8::try_from(index).ok().filter(|i| usize::from(*i) < components);
                self.source = Some(known.ok_or(Refusal::Index { at, index })?);
            }
            Parameter::UpdatePriority => self.priority = Some(r.int("a priority as a number")?),
            Parameter::Version => {
                let inner = Piece::read(r, "a version to compare with, in a byte string")?;
                Wanted::read(inner)?;
                self.version = Some(Span::of(inner.bytes, r)?);
            }
            Parameter::LinkRange => {
                r.array_of(2, "a link range as [oldest, newest]")?;
                let (oldest, newest) = (small(r)?, small(r)?);
                let range = LinkRange::new(oldest, newest);
                self.link = Some(range.ok_or(Refusal::Structure {
                    at,
                    expected: Expected::new("a link range with oldest first"),
                })?);
            }
            Parameter::ActuationProfile => {
                r.array_of(2, "an actuation profile as [id, version]")?;
                let id_at = r.at();
                let id = u16::try_from(r.uint("an id")?).map_err(|_| Refusal::Structure {
                    at: id_at,
                    expected: Expected::new("an id below 65536"),
                })?;
                self.profile = Some(ActuationProfile { id, version: small(r)? });
            }
        }
        Ok(())
    }
}

fn span(r: &mut Reader<'_>, expected: &'static str) -> Result<Span, Refusal> {
    let bytes = r.bytes(expected)?;
    Span::of(bytes, r)
}

fn uuid(r: &mut Reader<'_>) -> Result<Span, Refusal> {
    let bytes = r.bytes_of::<16>("an identifier of 16 bytes")?;
    Span::of(bytes, r)
}

fn small(r: &mut Reader<'_>) -> Result<u8, Refusal> {
    let at = r.at();
    u8::try_from(r.uint("a number")?)
        .map_err(|_| Refusal::Structure { at, expected: Expected::new("a number below 256") })
}

/// How a version is compared. Source: draft-ietf-suit-update-management-14.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Comparison {
    Greater,
    GreaterEqual,
    Equal,
    LesserEqual,
    Lesser,
}

/// The version that a condition asks for: `[comparison, [+ int]]`.
#[derive(Clone, Debug)]
pub(super) struct Wanted<'b> {
    comparison: Comparison,
    numbers: Reader<'b>,
    count: u64,
}

impl<'b> Wanted<'b> {
    /// Reads the content of parameter 28 and checks all of it.
    pub(super) fn read(piece: Piece<'b>) -> Result<Self, Refusal> {
        let mut r = piece.reader()?;
        r.array_of(2, "[comparison, numbers]")?;
        let at = r.at();
        let comparison = match r.uint("a comparison")? {
            1 => Comparison::Greater,
            2 => Comparison::GreaterEqual,
            3 => Comparison::Equal,
            4 => Comparison::LesserEqual,
            5 => Comparison::Lesser,
            _ => return Err(Refusal::Structure { at, expected: Expected::new("a comparison from 1 to 5") }),
        };
        let at = r.at();
        let count = r.array("the numbers of a version")?;
        if count == 0 || count > MAX_NUMBERS {
            return Err(Refusal::Structure { at, expected: Expected::new("a version of 1 to 8 numbers") });
        }
        let numbers = r.clone();
        for _ in 0..count {
            r.int("a number")?;
        }
        Ok(Self { comparison, numbers, count })
    }

    /// The one in parameter 28 at this place, which the scan has checked.
    pub(super) fn at(span: Span, envelope: &'b [u8]) -> Option<Self> {
        Self::read(Piece { bytes: span.bytes(envelope)?, at: span.start() }).ok()
    }

    /// In words and numbers.
    pub(super) fn words(&self) -> super::place::AskedVersion {
        let comparison = match self.comparison {
            Comparison::Greater => "above",
            Comparison::GreaterEqual => "at least",
            Comparison::Equal => "exactly",
            Comparison::LesserEqual => "at most",
            Comparison::Lesser => "below",
        };
        let mut r = self.numbers.clone();
        let mut numbers = heapless::Vec::new();
        for _ in 0..self.count {
            // At most MAX_NUMBERS, which is the room there is.
            let _ = r.int("").map(|n| numbers.push(n));
        }
        super::place::AskedVersion { comparison, numbers }
    }

    /// Whether `installed` is as asked. Numbers are compared in turn until the asked ones are used
    /// up; where the installed version has none left it counts as 0, which is above the negative
    /// numbers that mark a version before its release.
    pub(super) fn holds(&self, installed: &[u16]) -> bool {
        use core::cmp::Ordering;
        let mut r = self.numbers.clone();
        let mut order = Ordering::Equal;
        for n in 0..self.count {
            let have = installed.get(n as usize).copied().map_or(0, i64::from);
            let Ok(asked) = r.int("") else { return false };
            order = order.then(have.cmp(&asked));
        }
        match self.comparison {
            Comparison::Greater => order == Ordering::Greater,
            Comparison::GreaterEqual => order != Ordering::Less,
            Comparison::Equal => order == Ordering::Equal,
            Comparison::LesserEqual => order != Ordering::Greater,
            Comparison::Lesser => order == Ordering::Less,
        }
    }
}
