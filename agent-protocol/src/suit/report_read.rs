//! Reading a SUIT_Report back: for the one who has to tell a person what became of a manifest.
//!
//! Takes what [`super::write_report`] writes; claims and a capability report are passed over.
//! Source: draft-ietf-suit-report-18.

use super::codes::{Parameter, ReportReason, Section};
use super::failure::{Found, Holding};
use super::outer::{Piece, suit_digest};
use super::refusal::Refusal;
use super::report::EQUAL;
use crate::cbor::{CborFault, Expected, Limits, Reader, Unexpected, check};
use crate::id::{Digest, NodeId, Uuid16};
use core::fmt;

/// A report as read. Nothing in it is authenticated by itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReadReport<'b> {
    /// What the one who asked wanted to see again.
    pub nonce: Option<&'b [u8]>,
    /// The manifest's reference URI.
    pub reference_uri: &'b str,
    /// The manifest digest.
    pub manifest: Digest,
    /// How it ended.
    pub ending: ReadEnding,
}

/// How a run ended, as reported.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReadEnding {
    /// Everything passed.
    Passed,
    /// It failed.
    Failed {
        /// The sender's own number: the code of a [`crate::reason::Reason`].
        code: i64,
        /// The standard's reason; `None` if it is none of its list.
        reason: Option<ReportReason>,
        /// Where.
        record: ReadRecord,
    },
}

/// Where a run failed, and what was found there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReadRecord {
    /// The section; `None` if it was outside of every command sequence.
    pub section: Option<Section>,
    /// Byte offset in the section: of the top-level command, or of what a scan refused. Without a
    /// section, from the start of the envelope.
    pub offset: u32,
    /// Index of the component in the manifest's list.
    pub component: u8,
    /// What was found.
    pub found: Option<Found>,
}

/// Why bytes are no report.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum ReportFault {
    /// Not the one accepted form of CBOR.
    Cbor(CborFault),
    /// Something else stands there than should.
    Structure {
        /// Byte offset in the report.
        at: usize,
        /// What should stand there.
        expected: Expected,
    },
}

impl From<Unexpected> for ReportFault {
    fn from(Unexpected { at, expected }: Unexpected) -> Self {
        Self::Structure { at, expected }
    }
}

impl fmt::Display for ReportFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Cbor(fault) => write!(f, "report, {fault}"),
            Self::Structure { at, expected } => write!(f, "report, byte {at}: {expected} was expected"),
        }
    }
}

impl core::error::Error for ReportFault {}

/// Reads a report.
///
/// # Errors
/// [`ReportFault`], the first thing wrong.
pub fn read_report(bytes: &[u8]) -> Result<ReadReport<'_>, ReportFault> {
    check(bytes, Limits::default()).map_err(ReportFault::Cbor)?;
    let mut r = Reader::new(bytes);
    let (mut nonce, mut ending, mut reference) = (None, None, None);
    for _ in 0..r.map("a report as a map")? {
        let at = r.at();
        match r.int("a member of the report")? {
            2 => nonce = Some(r.bytes("a nonce as a byte string")?),
            3 | 8 => r.skip()?,
            4 => ending = Some(read_ending(&mut r)?),
            99 => {
                r.array_of(2, "a reference as [URI, digest]")?;
                let uri = r.text("a URI as text")?;
                reference = Some((uri, digest(&mut r)?));
            }
            _ => {
                return Err(ReportFault::Structure {
                    at,
                    expected: Expected::new("a member 2, 3, 4, 8 or 99"),
                });
            }
        }
    }
    let missing = |expected| ReportFault::Structure { at: 0, expected: Expected::new(expected) };
    let ending = ending.ok_or(missing("a result (member 4)"))?;
    let (reference_uri, manifest) = reference.ok_or(missing("a reference (member 99)"))?;
    Ok(ReadReport { nonce, reference_uri, manifest, ending })
}

fn read_ending(r: &mut Reader<'_>) -> Result<ReadEnding, ReportFault> {
    if r.truth() {
        return Ok(ReadEnding::Passed);
    }
    let at = r.at();
    let (mut code, mut reason, mut record) = (None, None, None);
    for _ in 0..r.map("true, or a result as a map")? {
        let at = r.at();
        match r.int("a member of the result")? {
            5 => code = Some(r.int("a result code")?),
            6 => record = Some(read_record(r)?),
            7 => reason = Some(u8::try_from(r.uint("a reason")?).ok().and_then(ReportReason::from_code)),
            _ => return Err(ReportFault::Structure { at, expected: Expected::new("a member 5, 6 or 7") }),
        }
    }
    match (code, reason, record) {
        (Some(code), Some(reason), Some(record)) => Ok(ReadEnding::Failed { code, reason, record }),
        _ => Err(ReportFault::Structure { at, expected: Expected::new("a code, a record and a reason") }),
    }
}

fn read_record(r: &mut Reader<'_>) -> Result<ReadRecord, ReportFault> {
    r.array_of(5, "a record as an array of five")?;
    r.array_of(0, "the root manifest as an empty array")?;
    let at = r.at();
    let number = r.uint("the number of a section")?;
    let section = Section::ALL.into_iter().find(|s| u64::from(s.number()) == number);
    if section.is_none() && number != 0 {
        return Err(ReportFault::Structure { at, expected: Expected::new("the number of a section") });
    }
    let offset = small(r, "a byte offset")?;
    let component = small(r, "the index of a component")?;
    Ok(ReadRecord { section, offset, component, found: found(r)? })
}

/// The one thing found: parameters with the values measured.
fn found(r: &mut Reader<'_>) -> Result<Option<Found>, ReportFault> {
    let mut found = None;
    for _ in 0..r.map("what was found as a map")? {
        let at = r.at();
        let label = r.int("a parameter")?;
        let value = match Parameter::from_code(label) {
            Some(Parameter::VendorIdentifier) => Found::Vendor(Uuid16(*r.bytes_of("16 bytes")?)),
            Some(Parameter::ClassIdentifier) => Found::Class(Uuid16(*r.bytes_of("16 bytes")?)),
            Some(Parameter::DeviceIdentifier) => Found::Device(NodeId(*r.bytes_of("16 bytes")?)),
            Some(Parameter::ComponentSlot) => Found::Slot(r.uint("the number of a slot")?),
            Some(Parameter::UseBefore) => Found::Time(r.uint("a time in seconds")?),
            Some(Parameter::Version) => Found::Version(version(r)?),
            Some(Parameter::ImageDigest) => {
                let digest = digest(&mut inside(r, "a SUIT_Digest in a byte string")?)?;
                Found::Image(Holding { digest, size: None })
            }
            // The size stands behind its digest.
            Some(Parameter::ImageSize) => match found {
                Some(Found::Image(Holding { digest, .. })) => {
                    Found::Image(Holding { digest, size: Some(r.uint("a size in bytes")?) })
                }
                _ => {
                    return Err(ReportFault::Structure {
                        at,
                        expected: Expected::new("a digest before the size"),
                    });
                }
            },
            _ => {
                return Err(ReportFault::Structure {
                    at,
                    expected: Expected::new("something that a condition compares"),
                });
            }
        };
        found = Some(value);
    }
    Ok(found)
}

fn version(r: &mut Reader<'_>) -> Result<[u16; 3], ReportFault> {
    let mut r = inside(r, "a version in a byte string")?;
    r.array_of(2, "[equal, numbers]")?;
    let at = r.at();
    if r.uint("the comparison \"equal\"")? != EQUAL {
        return Err(ReportFault::Structure { at, expected: Expected::new("the comparison \"equal\"") });
    }
    r.array_of(3, "three numbers")?;
    Ok([small(&mut r, "a number")?, small(&mut r, "a number")?, small(&mut r, "a number")?])
}

fn digest(r: &mut Reader<'_>) -> Result<Digest, ReportFault> {
    suit_digest(r).map_err(fault)
}

/// A reader on what stands in a byte string; its offsets count from the start of the report.
fn inside<'b>(r: &mut Reader<'b>, expected: &'static str) -> Result<Reader<'b>, ReportFault> {
    Piece::read(r, expected).and_then(Piece::reader).map_err(fault)
}

/// What readers of parts of an envelope find wrong with the same parts of a report.
fn fault(refusal: Refusal) -> ReportFault {
    match refusal {
        Refusal::Cbor { at, kind } => ReportFault::Cbor(CborFault { at, kind }),
        Refusal::Structure { at, expected } => ReportFault::Structure { at, expected },
        other => ReportFault::Structure { at: other.at(), expected: Expected::new("a digest by SHA-256") },
    }
}

fn small<T: TryFrom<u64>>(r: &mut Reader<'_>, expected: &'static str) -> Result<T, ReportFault> {
    let at = r.at();
    T::try_from(r.uint(expected)?)
        .map_err(|_| ReportFault::Structure { at, expected: Expected::new(expected) })
}
