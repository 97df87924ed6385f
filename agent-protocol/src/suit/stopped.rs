//! Where and why a manifest was stopped, as a report says it: what the processor found, what the scan
//! refused, and what the recipient refuses by rules of its own.

use super::codes::{ReportReason, Section};
use super::envelope::Authentic;
use super::failure::{Failure, Found};
use super::manifest::{Bare, Commands};
use super::process::Run;
use super::refusal::Refusal;
use crate::reason::Reason;

/// Where and why a manifest was stopped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stopped {
    /// The section; `None` if it was outside of every command sequence.
    pub section: Option<Section>,
    /// Byte offset in the section; without one, from the start of the envelope.
    pub offset: u32,
    /// Index of the component in the manifest's list.
    pub component: u8,
    /// What was found instead of what was asked for, where a condition compares.
    pub found: Option<Found>,
    /// A number of the sender's own.
    pub code: i64,
    /// The reason as SUIT_Report has it.
    pub reason: ReportReason,
}

impl From<&Failure> for Stopped {
    #[inline(never)]
    fn from(failure: &Failure) -> Self {
        Self {
            section: Some(failure.section),
            offset: failure.offset,
            component: failure.component,
            found: failure.found,
            code: i64::from(failure.reason().code()),
            reason: failure.report(),
        }
    }
}

impl Stopped {
    /// Stopped by a rule of the recipient's own, outside of every command sequence.
    pub fn by(reason: Reason) -> Self {
        let code = i64::from(reason.code());
        Self { section: None, offset: 0, component: 0, found: None, code, reason: standard(reason) }
    }
}

impl<const N: usize> Run<N> {
    /// Stopped where the run stands, by a rule of the recipient's own.
    pub fn stopped(&self, reason: Reason) -> Stopped {
        let (section, offset) = self.place();
        Stopped { section: Some(section), offset, ..Stopped::by(reason) }
    }
}

impl<'b> Authentic<'b> {
    /// What a refusal of this manifest is in a report.
    pub fn stopped(&self, refusal: &Refusal) -> Stopped {
        let at = refusal.at();
        let (section, offset) = self.section_at(at).unwrap_or((None, at));
        let component = match refusal {
            Refusal::Component { index, .. } | Refusal::Role { index, .. } => *index,
            _ => 0,
        };
        let offset = u32::try_from(offset).unwrap_or(u32::MAX);
        let code = i64::from(refusal.reason().code());
        Stopped { section, offset, component, found: None, code, reason: refusal.report() }
    }

    /// The command sequence in which a byte of the envelope stands, and where in it.
    fn section_at(&self, at: usize) -> Option<(Option<Section>, usize)> {
        let bare = Bare::read(&self.outer).ok()?;
        Section::ALL.into_iter().find_map(|section| match bare.sections.get(section.index()) {
            Some(Commands::Here(piece)) => {
                let offset = at.checked_sub(piece.at)?;
                (offset < piece.bytes.len()).then_some((Some(section), offset))
            }
            Some(Commands::Absent | Commands::Severed) | None => None,
        })
    }

    /// Where the manifest says that it can be found: its name in reports. Empty if it does not, or
    /// cannot be read so far.
    pub fn reference_uri(&self) -> &'b str {
        Bare::read(&self.outer).ok().and_then(|bare| bare.uri).unwrap_or_default()
    }
}

/// The standard's reason that comes nearest to one of our own.
const fn standard(reason: Reason) -> ReportReason {
    match reason {
        Reason::Unsupported => ReportReason::CommandUnsupported,
        Reason::NodeOther
        | Reason::BundleRule
        | Reason::PairWouldBreak
        | Reason::NoteBroken
        | Reason::NoteOther => ReportReason::ConditionFailed,
        _ => ReportReason::OperationFailed,
    }
}
