//! Why an envelope is refused before anything is carried out.

use super::ReportReason;
use crate::cbor::{CborKind, Expected, Unexpected};
use crate::cose::CoseFault;
use crate::id::Role;
use crate::reason::Reason;
use core::fmt;

/// Why an envelope is refused. Every `at` is a byte offset from the start of the envelope.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Refusal {
    /// Not the one accepted form of CBOR.
    Cbor {
        /// Where.
        at: usize,
        /// What is wrong.
        kind: CborKind,
    },
    /// Something else stands there than should.
    Structure {
        /// Where.
        at: usize,
        /// What should stand there.
        expected: Expected,
    },
    /// A part that is larger than the room for it.
    TooLarge {
        /// Where it starts.
        at: usize,
        /// Its bytes.
        size: usize,
        /// The bytes that can be taken.
        room: usize,
    },
    /// A digest by another algorithm than SHA-256.
    DigestAlgorithm {
        /// Where.
        at: usize,
        /// The algorithm named.
        found: i64,
    },
    /// The manifest is not the one that the authentication wrapper speaks of.
    DigestOther {
        /// Where the manifest starts.
        at: usize,
    },
    /// An authentication block that is not acceptable, or does not verify with the key it names.
    Block {
        /// Where the block starts.
        at: usize,
        /// What is wrong with it; its offsets count from `at`.
        fault: CoseFault,
    },
    /// No authentication block by a known key.
    Unsigned {
        /// Where the authentication wrapper starts.
        at: usize,
    },
    /// Blocks by keys of different roles.
    TwoRoles {
        /// Where the second block starts.
        at: usize,
    },
    /// A manifest version other than 1.
    Version {
        /// Where.
        at: usize,
        /// The version found.
        found: u64,
    },
    /// A member of envelope or manifest that is not implemented.
    Member {
        /// Where its key stands.
        at: usize,
        /// The key; `None` if it is no small number.
        key: Option<i64>,
    },
    /// A severable member that the manifest holds no digest for, or a different one.
    Severed {
        /// Where the member of the envelope starts.
        at: usize,
        /// Its key.
        key: u8,
    },
    /// More components than a manifest may name.
    Components {
        /// Where the list stands.
        at: usize,
        /// How many there are.
        count: u64,
    },
    /// A component that this node does not have, or that is named twice.
    Component {
        /// Where it stands.
        at: usize,
        /// Its index in the manifest's list.
        index: u8,
    },
    /// A component that the signer may not write.
    Role {
        /// Who signed.
        signer: Role,
        /// Index of the component in the manifest's list.
        index: u8,
    },
    /// A command that is not implemented.
    Command {
        /// Where.
        at: usize,
        /// Its code; `None` if it is no number of 64 bits.
        code: Option<i64>,
    },
    /// A command that has no business in this section.
    CommandPlace {
        /// Where.
        at: usize,
        /// Its code.
        code: i64,
    },
    /// A parameter that is not implemented.
    Parameter {
        /// Where.
        at: usize,
        /// Its label; `None` if it is no number of 64 bits.
        label: Option<i64>,
    },
    /// A reporting policy with bits that mean nothing.
    Policy {
        /// Where.
        at: usize,
        /// The policy found.
        bits: u64,
    },
    /// A component index beyond the list.
    Index {
        /// Where.
        at: usize,
        /// The index found.
        index: u64,
    },
    /// A sequence about several components that does not begin by choosing one.
    NoIndex {
        /// Where the sequence starts.
        at: usize,
    },
    /// Sequences nested deeper than is followed.
    Nesting {
        /// Where.
        at: usize,
    },
    /// A sequence number not higher than one already kept.
    SequenceOld {
        /// The number found.
        found: u64,
        /// The number kept.
        kept: u64,
    },
    /// The sequence number of another manifest that is kept.
    SequenceTaken {
        /// The number.
        number: u64,
    },
    /// The envelope is not the one that was verified before.
    Changed,
}

impl From<Unexpected> for Refusal {
    fn from(Unexpected { at, expected }: Unexpected) -> Self {
        Self::Structure { at, expected }
    }
}

impl Refusal {
    /// The reason that goes into a check-in.
    pub const fn reason(&self) -> Reason {
        match self {
            Self::Cbor { .. }
            | Self::Structure { .. }
            | Self::DigestOther { .. }
            | Self::Severed { .. }
            | Self::NoIndex { .. }
            | Self::Index { .. }
            | Self::Policy { .. } => Reason::EnvelopeBroken,
            Self::TooLarge { .. } => Reason::TooLarge,
            Self::Block { .. } | Self::Unsigned { .. } | Self::TwoRoles { .. } => Reason::SignatureWrong,
            Self::DigestAlgorithm { .. }
            | Self::Version { .. }
            | Self::Member { .. }
            | Self::Components { .. }
            | Self::Component { .. }
            | Self::Command { .. }
            | Self::CommandPlace { .. }
            | Self::Parameter { .. }
            | Self::Nesting { .. } => Reason::Unsupported,
            Self::Role { .. } => Reason::RoleWrong,
            Self::SequenceOld { .. } | Self::SequenceTaken { .. } => Reason::SequenceOld,
            Self::Changed => Reason::EnvelopeOther,
        }
    }

    /// More about it, as [`Self::reason`] says: a byte offset, a size, a code or an index. Numbers
    /// that do not fit are cut to the largest; negative codes are sent without their sign.
    pub fn detail(&self) -> u32 {
        let small = |n: u64| u32::try_from(n).unwrap_or(u32::MAX);
        let code = |n: i64| small(n.unsigned_abs());
        match self {
            Self::Cbor { .. }
            | Self::Structure { .. }
            | Self::DigestOther { .. }
            | Self::Severed { .. }
            | Self::NoIndex { .. }
            | Self::Index { .. }
            | Self::Policy { .. }
            | Self::Unsigned { .. }
            | Self::TwoRoles { .. }
            | Self::Nesting { .. }
            | Self::Block { .. } => small(self.at() as u64),
            Self::TooLarge { size, .. } => small(*size as u64),
            Self::DigestAlgorithm { found, .. } => code(*found),
            Self::Version { found, .. } => small(*found),
            Self::Member { key, .. } => key.map_or(u32::MAX, code),
            Self::Components { count, .. } => small(*count),
            Self::Component { index, .. } | Self::Role { index, .. } => u32::from(*index),
            Self::Command { code: found, .. } => found.map_or(u32::MAX, code),
            Self::CommandPlace { code: found, .. } => code(*found),
            Self::Parameter { label, .. } => label.map_or(u32::MAX, code),
            Self::SequenceOld { found, .. } => small(*found),
            Self::SequenceTaken { number } => small(*number),
            Self::Changed => 0,
        }
    }

    /// The byte of the envelope that it is about; 0 where it is about the whole.
    pub fn at(&self) -> usize {
        match self {
            Self::Cbor { at, .. }
            | Self::Structure { at, .. }
            | Self::TooLarge { at, .. }
            | Self::DigestAlgorithm { at, .. }
            | Self::DigestOther { at }
            | Self::Unsigned { at }
            | Self::TwoRoles { at }
            | Self::Version { at, .. }
            | Self::Member { at, .. }
            | Self::Severed { at, .. }
            | Self::Components { at, .. }
            | Self::Component { at, .. }
            | Self::Command { at, .. }
            | Self::CommandPlace { at, .. }
            | Self::Parameter { at, .. }
            | Self::Policy { at, .. }
            | Self::Index { at, .. }
            | Self::NoIndex { at }
            | Self::Nesting { at } => *at,
            Self::Block { at, fault } => at.saturating_add(fault.at()),
            Self::Role { .. } | Self::SequenceOld { .. } | Self::SequenceTaken { .. } | Self::Changed => 0,
        }
    }

    /// The reason as SUIT_Report has it. For those that its list has no word for: a digest that
    /// does not match is "unauthorised", an unsupported version "cbor-parse".
    pub const fn report(&self) -> ReportReason {
        match self {
            Self::Cbor { .. }
            | Self::Structure { .. }
            | Self::TooLarge { .. }
            | Self::Version { .. }
            | Self::Member { .. }
            | Self::Policy { .. }
            | Self::Nesting { .. }
            | Self::NoIndex { .. } => ReportReason::CborParse,
            Self::Block { fault, .. } => match fault {
                CoseFault::Cbor(_) => ReportReason::CborParse,
                CoseFault::Algorithm { found: Some(_), .. } => ReportReason::AlgUnsupported,
                CoseFault::Algorithm { found: None, .. }
                | CoseFault::Structure { .. }
                | CoseFault::Header { .. }
                | CoseFault::PayloadAttached { .. }
                | CoseFault::PayloadMissing
                | CoseFault::TooLong { .. }
                | CoseFault::NoRoom { .. } => ReportReason::CoseUnsupported,
                CoseFault::Key(_) | CoseFault::Signature => ReportReason::Unauthorised,
            },
            Self::DigestAlgorithm { .. } => ReportReason::AlgUnsupported,
            Self::DigestOther { .. }
            | Self::Unsigned { .. }
            | Self::TwoRoles { .. }
            | Self::SequenceOld { .. }
            | Self::SequenceTaken { .. }
            | Self::Changed => ReportReason::Unauthorised,
            Self::Severed { .. } => ReportReason::SeveringUnsupported,
            Self::Components { .. } | Self::Component { .. } | Self::Index { .. } => {
                ReportReason::ComponentUnsupported
            }
            Self::Role { .. } => ReportReason::ComponentUnauthorised,
            Self::Command { .. } | Self::CommandPlace { .. } => ReportReason::CommandUnsupported,
            Self::Parameter { .. } => ReportReason::ParameterUnsupported,
        }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Cbor { at, kind } => write!(f, "envelope, byte {at}: {kind}"),
            Self::Structure { at, expected } => write!(f, "envelope, byte {at}: {expected} was expected"),
            Self::TooLarge { at, size, room } => {
                write!(f, "envelope, byte {at}: a part of {size} bytes, there is room for {room}")
            }
            Self::DigestAlgorithm { at, found } => {
                write!(f, "envelope, byte {at}: digest algorithm {found}; only SHA-256 (-16) is accepted")
            }
            Self::DigestOther { at } => {
                write!(f, "envelope, byte {at}: the manifest is not the one that was signed")
            }
            Self::Block { at, fault } => write!(f, "signature at byte {at} of the envelope: {fault}"),
            Self::Unsigned { at } => write!(f, "envelope, byte {at}: no signature by a known key"),
            Self::TwoRoles { at } => {
                write!(
                    f,
                    "envelope, byte {at}: signed by keys of different roles; one role signs one manifest"
                )
            }
            Self::Version { at, found } => {
                write!(f, "envelope, byte {at}: manifest version {found}; only version 1 is understood")
            }
            Self::Member { at, key: Some(key) } => {
                write!(f, "envelope, byte {at}: member {key} is not implemented")
            }
            Self::Member { at, key: None } => write!(f, "envelope, byte {at}: an unknown member"),
            Self::Severed { at, key } => {
                write!(f, "envelope, byte {at}: member {key} does not belong to this manifest")
            }
            Self::Components { at, count } => write!(
                f,
                "envelope, byte {at}: {count} components; 1 to {} are possible",
                super::MAX_COMPONENTS
            ),
            Self::Component { at, index } => {
                write!(f, "envelope, byte {at}: component {index} is none of this node's, or named twice")
            }
            Self::Role { signer, index } => {
                write!(f, "signed by the {signer} key, which may not write component {index}")
            }
            Self::Command { at, code: Some(code) } => {
                write!(f, "envelope, byte {at}: command {code} is not implemented")
            }
            Self::Command { at, code: None } => write!(f, "envelope, byte {at}: an unknown command"),
            Self::CommandPlace { at, code } => {
                write!(f, "envelope, byte {at}: command {code} is not allowed in this section")
            }
            Self::Parameter { at, label: Some(label) } => {
                write!(f, "envelope, byte {at}: parameter {label} is not implemented")
            }
            Self::Parameter { at, label: None } => write!(f, "envelope, byte {at}: an unknown parameter"),
            Self::Policy { at, bits } => {
                write!(f, "envelope, byte {at}: reporting policy {bits}; 0 to 15 have a meaning")
            }
            Self::Index { at, index } => {
                write!(f, "envelope, byte {at}: component index {index} is beyond the list")
            }
            Self::NoIndex { at } => write!(
                f,
                "envelope, byte {at}: a sequence about several components must begin by choosing one"
            ),
            Self::Nesting { at } => write!(f, "envelope, byte {at}: alternatives nested too deeply"),
            Self::SequenceOld { found, kept } => {
                write!(f, "sequence number {found} is not higher than {kept}, which is kept already")
            }
            Self::SequenceTaken { number } => {
                write!(f, "sequence number {number} belongs to another manifest that is kept already")
            }
            Self::Changed => f.write_str("the envelope is not the one that was verified"),
        }
    }
}

impl core::error::Error for Refusal {}
