//! Why a manifest that was understood could not be carried out.

use super::codes::{Command, ReportReason, Section};
use crate::id::{Digest, NodeId, Uuid16};
use crate::reason::Reason;
use core::fmt;

/// What failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum FailureKind {
    /// Another vendor or class.
    ClassOther,
    /// Another device.
    DeviceOther,
    /// Digest or size differ.
    ImageOther,
    /// Any other condition.
    Condition,
    /// A condition or directive lacks a parameter.
    ParameterMissing,
    /// A component would be touched before its vendor, class or device was tested.
    IdentityUntested,
    /// A directive failed.
    Directive,
    /// A severed section is needed and did not come.
    SectionMissing,
    /// More steps than a manifest may take.
    TooManySteps,
    /// The envelope is no longer what it was when it was checked, or the run has ended.
    Changed,
}

/// Where and why processing stopped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Failure {
    /// The section.
    pub section: Section,
    /// Byte offset of the top-level command in its section.
    pub offset: u32,
    /// Index of the component in the manifest's list.
    pub component: u8,
    /// The command at fault, if it was one: within alternatives, the last that was tried.
    pub command: Option<Command>,
    /// What failed.
    pub kind: FailureKind,
    /// What was found instead of what was asked for, where a condition compares.
    pub found: Option<Found>,
}

/// What a component was found to hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Holding {
    /// SHA-256.
    pub digest: Digest,
    /// Bytes, if they were counted.
    pub size: Option<u64>,
}

/// What a condition found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Found {
    /// What the component holds.
    Image(Holding),
    /// The vendor identifier.
    Vendor(Uuid16),
    /// The class identifier that counts for the component.
    Class(Uuid16),
    /// The device identifier.
    Device(NodeId),
    /// The slot that counts.
    Slot(u64),
    /// The version installed.
    Version([u16; 3]),
    /// The time, in seconds since 1970-01-01 UTC.
    Time(u64),
}

impl Failure {
    /// The reason that goes into a check-in.
    pub const fn reason(&self) -> Reason {
        match self.kind {
            FailureKind::ClassOther | FailureKind::IdentityUntested => Reason::ClassOther,
            FailureKind::DeviceOther => Reason::NodeOther,
            FailureKind::ImageOther => Reason::PayloadWrong,
            FailureKind::Condition => Reason::ConditionFailed,
            FailureKind::ParameterMissing if self.is_condition() => Reason::ConditionFailed,
            FailureKind::ParameterMissing | FailureKind::SectionMissing => Reason::EnvelopeBroken,
            FailureKind::TooManySteps => Reason::TooLong,
            FailureKind::Directive => match self.command {
                Some(Command::Fetch) => Reason::FetchFailed,
                Some(Command::Invoke) => Reason::InvokeFailed,
                Some(_) | None => Reason::WriteFailed,
            },
            FailureKind::Changed => Reason::EnvelopeOther,
        }
    }

    /// More about it, as [`Self::reason`] says: the offset of the command, or 0 where that means
    /// something else.
    pub const fn detail(&self) -> u32 {
        match self.reason() {
            Reason::FetchFailed => 0,
            _ => self.offset,
        }
    }

    const fn is_condition(&self) -> bool {
        match self.command {
            Some(command) => command.is_condition(),
            None => false,
        }
    }

    /// The reason as SUIT_Report has it.
    pub const fn report(&self) -> ReportReason {
        match self.kind {
            FailureKind::ClassOther
            | FailureKind::DeviceOther
            | FailureKind::ImageOther
            | FailureKind::Condition
            | FailureKind::IdentityUntested => ReportReason::ConditionFailed,
            FailureKind::ParameterMissing if self.is_condition() => ReportReason::ConditionFailed,
            FailureKind::ParameterMissing
            | FailureKind::Directive
            | FailureKind::TooManySteps
            | FailureKind::Changed => ReportReason::OperationFailed,
            FailureKind::SectionMissing => ReportReason::SeveringUnsupported,
        }
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let what = match self.kind {
            FailureKind::ClassOther => "it is for another vendor or class of board",
            FailureKind::DeviceOther => "it is for another node",
            FailureKind::ImageOther => "digest or size are not as signed",
            FailureKind::Condition => "a condition is not met",
            FailureKind::ParameterMissing => "a parameter is missing",
            FailureKind::IdentityUntested => "it does not say for which boards it is",
            FailureKind::Directive => "an operation failed",
            FailureKind::SectionMissing => "the section is severed and did not come",
            FailureKind::TooManySteps => "it takes too many steps",
            FailureKind::Changed => "the envelope has changed since it was checked",
        };
        write!(f, "section {}, byte {}, component {}: ", self.section, self.offset, self.component)?;
        match self.command {
            Some(command) => write!(f, "{command}: {what}"),
            None => f.write_str(what),
        }
    }
}

impl core::error::Error for Failure {}
