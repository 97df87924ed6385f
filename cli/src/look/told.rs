//! From a node's SUIT_Report, and the manifest that it is about, to one plain sentence.

use crate::yard::{NodePlan, Yard};
use pintle_protocol::id::{Digest, NodeId, Uuid16};
use pintle_protocol::reason::Reason;
use pintle_protocol::suit::envelope::open_with;
use pintle_protocol::suit::{
    Command, Device, Found, Place, ReadEnding, ReadRecord, Refusal, ReportFault, ReportReason,
    node_components, peek, place, read_report,
};
use pintle_server::contract::OutcomeView;
use serde::Serialize;
use thiserror::Error;

/// What became of a manifest on a node.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Told {
    /// All of it, in one sentence without a full stop.
    pub sentence: String,
    /// Manifest digest.
    pub manifest: String,
    /// Whether it was carried out to its end.
    pub passed: bool,
    /// The reason, as a number of ours; 0 if there is none.
    pub reason: u16,
    /// The command sequence.
    pub section: Option<String>,
    /// Byte in that sequence, counted from 0.
    pub byte_in_section: Option<u32>,
    /// The same byte in the manifest; absent if the sequence lies outside of it.
    pub byte_in_manifest: Option<usize>,
    /// The condition or directive.
    pub command: Option<String>,
    /// The part of the node that it was about.
    pub component: Option<String>,
    /// What was asked for.
    pub expected: Option<String>,
    /// What was found.
    pub found: Option<String>,
}

/// Why a report cannot be told.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum TellError {
    /// The report is not what it should be.
    #[error(transparent)]
    Report(#[from] ReportFault),
    /// The envelope is not what it should be.
    #[error(transparent)]
    Envelope(#[from] Refusal),
    /// They do not belong together.
    #[error("the report is about manifest {report}, the envelope holds manifest {envelope}")]
    OtherManifest {
        /// Manifest digest in the report.
        report: Digest,
        /// Manifest digest of the envelope.
        envelope: Digest,
    },
}

/// The manifest digest that a report is about.
///
/// # Errors
/// [`TellError::Report`].
pub fn subject(report: &[u8]) -> Result<Digest, TellError> {
    Ok(read_report(report)?.manifest)
}

/// Tells what a report says. `who`: the node's name, or `the node`. `number`: the detail of the outcome that
/// the node sent with it, if there is one.
///
/// # Errors
/// [`TellError`].
pub fn tell(
    yard: &Yard,
    who: &str,
    envelope: &[u8],
    report: &[u8],
    number: Option<u32>,
) -> Result<Told, TellError> {
    let report = read_report(report)?;
    let short = report.manifest.short();
    let (code, reason, record) = match report.ending {
        ReadEnding::Failed { code, reason, record } => (code, reason, record),
        ReadEnding::Passed => {
            let at = place(envelope, pintle_protocol::suit::Section::Shared, 0, 0)?;
            same(report.manifest, at.manifest)?;
            let sentence = format!("{who} carried out manifest {short} to its end");
            return Ok(Told { passed: true, ..plain(sentence, report.manifest, 0) });
        }
    };
    let ours = u16::try_from(code).ok().and_then(Reason::from_code);
    let because = match (ours, reason) {
        (Some(ours), _) => {
            format!("{}{}", ours.sentence(), number.map_or_else(String::new, |n| detail(ours, n)))
        }
        (None, Some(reason)) => reason.word().to_owned(),
        (None, None) => "a reason that is not known here".to_owned(),
    };
    let at = record.section.map(|section| place(envelope, section, record.offset, record.component));
    let (section, at) = match (record.section, at) {
        (Some(section), Some(Ok(at))) => (section.word(), at),
        (_, unread) => {
            same(report.manifest, digest(yard, envelope)?)?;
            let refusal = unread.and_then(Result::err);
            let mut told = refused(who, &because, report.manifest, &record, refusal);
            told.reason = ours.map_or(0, Reason::code);
            return Ok(told);
        }
    };
    same(report.manifest, at.manifest)?;
    let component = at.component.map_or_else(
        || format!("component {}", record.component),
        |id| format!("component `{}`", super::printable(&String::from_utf8_lossy(id))),
    );
    let byte = match at.in_manifest {
        Some(byte) => {
            format!("byte {byte} of manifest {short} (byte {} of its {section} sequence)", record.offset)
        }
        None => {
            format!("byte {} of the {section} sequence, which lies outside manifest {short}", record.offset)
        }
    };
    // What the node looks at by itself when the commands have passed; the place is that of the last one.
    let own = [
        Reason::NoteBroken,
        Reason::NoteOther,
        Reason::PairWouldBreak,
        Reason::PayloadWrong,
        Reason::ClassOther,
    ];
    let after = record.found.is_none()
        && at.command.is_some_and(Command::is_condition)
        && ours.is_some_and(|ours| own.contains(&ours));
    let what = match at.command {
        Some(Command::TryEach) => {
            format!("none of the alternatives of directive-try-each for {component} passed")
        }
        Some(command) if after => format!("after {command} for {component}, which is met"),
        Some(command) if command.is_condition() => format!("{command} for {component} is not met"),
        Some(command) => format!("{command} for {component} failed"),
        None if reason == Some(ReportReason::SeveringUnsupported) => {
            "the sequence did not come with the envelope".to_owned()
        }
        None => format!("no command that is known begins there, for {component}"),
    };
    let expected = if after { None } else { expected(yard, &at) };
    let found = found(yard, &at, &record);
    let mut sentence = format!("{who} stopped, since {because}: at {byte}, {what}");
    if let Some(expected) = &expected {
        sentence += &format!("; expected {expected}");
    }
    if let Some(found) = &found {
        sentence += &format!(", found {found}");
    }
    Ok(Told {
        section: Some(section.to_owned()),
        byte_in_section: Some(record.offset),
        byte_in_manifest: at.in_manifest,
        command: at.command.map(|c| c.word().to_owned()),
        component: at.component.map(|id| super::printable(&String::from_utf8_lossy(id))),
        expected,
        found,
        ..plain(sentence, report.manifest, ours.map_or(0, Reason::code))
    })
}

/// Tells of a manifest that was refused before anything of it was carried out. `refusal`: what is
/// found wrong with it here, too.
fn refused(
    who: &str,
    because: &str,
    manifest: Digest,
    record: &ReadRecord,
    refusal: Option<Refusal>,
) -> Told {
    let section = record.section.map(|s| s.word().to_owned());
    let mut sentence = format!("{who} refused manifest {}, since {because}", manifest.short());
    match &section {
        Some(section) => sentence += &format!(": at byte {} of its {section} sequence", record.offset),
        None if record.offset > 0 => sentence += &format!(": at byte {} of the envelope", record.offset),
        None => {}
    }
    if let Some(refusal) = refusal {
        sentence += &format!(" ({refusal})");
    }
    let byte_in_section = section.is_some().then_some(record.offset);
    Told { section, byte_in_section, ..plain(sentence, manifest, 0) }
}

/// The manifest digest of an envelope, of which not all needs to be understood.
fn digest(yard: &Yard, envelope: &[u8]) -> Result<Digest, Refusal> {
    open_with(envelope, &super::YardKeys(yard))
        .map(|authentic| authentic.digest())
        .or_else(|refusal| peek(envelope).map_or(Err(refusal), |peek| Ok(peek.digest)))
}

/// Tells how an update ended that no report speaks of: it was refused before anything was carried
/// out, or afterwards. The envelope is read again as the node would, for what the number leaves out.
pub fn tell_outcome(yard: &Yard, plan: &NodePlan, envelope: Option<&[u8]>, outcome: &OutcomeView) -> Told {
    let (who, short) = (&plan.name, outcome.envelope.short());
    let passed = outcome.reason == 0;
    let reason = Reason::from_code(outcome.reason);
    let why = match reason {
        None if passed => String::new(),
        None => format!(": reason {}, which is not known here", outcome.reason),
        Some(reason) => format!(": {}{}", reason.sentence(), detail(reason, outcome.detail)),
    };
    let mut sentence = format!("{who}: manifest {short} {}{why}", outcome.ending);
    if let (Some(reason), Some(bytes)) = (reason, envelope) {
        let components = node_components(plan.classes[0], plan.classes[1]);
        let device = Device { vendor: plan.vendor, device: plan.id, components: &components };
        let read = open_with(bytes, &super::YardKeys(yard)).and_then(|a| a.manifest(&device).map(drop));
        match read {
            Err(refusal) if refusal.reason() == reason => sentence += &format!(" ({refusal})"),
            Ok(()) if reason == Reason::SignatureWrong => {
                sentence += " (this yard's keys verify it: the node trusts other keys)";
            }
            Ok(()) | Err(_) => {}
        }
    }
    Told { passed, ..plain(sentence, outcome.envelope, outcome.reason) }
}

/// What the number beside a reason means.
fn detail(reason: Reason, detail: u32) -> String {
    match reason {
        Reason::EnvelopeBroken | Reason::SignatureWrong => format!(", at byte {detail} of the envelope"),
        Reason::RoleWrong => format!(", component {detail}"),
        Reason::SequenceOld => format!(", it has {detail}"),
        Reason::TooLarge => format!(", it has {detail} bytes"),
        Reason::Unsupported => format!(", number {detail}"),
        Reason::BundleBroken | Reason::KeysBroken => format!(", at byte {detail} of it"),
        Reason::BundleRule => format!(", number {detail}"),
        Reason::Resets => format!(", {detail} starts"),
        Reason::LinkFailed => format!(", after {detail} bytes"),
        Reason::FlashWorn => format!(", at address {detail}"),
        _ => String::new(),
    }
}

fn same(report: Digest, envelope: Digest) -> Result<(), TellError> {
    if report == envelope { Ok(()) } else { Err(TellError::OtherManifest { report, envelope }) }
}

fn plain(sentence: String, manifest: Digest, reason: u16) -> Told {
    Told {
        sentence,
        manifest: manifest.to_string(),
        passed: false,
        reason,
        section: None,
        byte_in_section: None,
        byte_in_manifest: None,
        command: None,
        component: None,
        expected: None,
        found: None,
    }
}

fn expected(yard: &Yard, at: &Place<'_>) -> Option<String> {
    let list = |values: Vec<String>| (!values.is_empty()).then(|| values.join(" or "));
    match at.command? {
        Command::VendorIdentifier => list(at.asked(|a| a.vendor).iter().map(|v| vendor(yard, *v)).collect()),
        Command::ClassIdentifier => list(at.asked(|a| a.class).iter().map(|c| class(yard, *c)).collect()),
        Command::DeviceIdentifier => list(at.asked(|a| a.device).iter().map(|d| device(yard, *d)).collect()),
        Command::ComponentSlot => list(at.asked(|a| a.slot).iter().map(|s| format!("slot {s}")).collect()),
        Command::UseBefore => list(
            at.asked(|a| a.use_before).iter().map(|t| format!("a time before {t} s since 1970")).collect(),
        ),
        Command::Version => {
            let words = |v: &pintle_protocol::suit::AskedVersion| {
                let numbers: Vec<_> = v.numbers.iter().map(i64::to_string).collect();
                format!("version {} {}", v.comparison, numbers.join("."))
            };
            list(at.asked(|a| a.version.clone()).iter().map(words).collect())
        }
        Command::ImageMatch => {
            let digests = list(at.asked(|a| a.digest).iter().map(ToString::to_string).collect())?;
            let sizes = list(at.asked(|a| a.size).iter().map(u64::to_string).collect());
            Some(
                sizes.map_or_else(
                    || format!("digest {digests}"),
                    |s| format!("digest {digests} of {s} bytes"),
                ),
            )
        }
        Command::Fetch => list(at.asked(|a| a.uri.map(super::printable)).to_vec()),
        _ => None,
    }
}

fn found(yard: &Yard, at: &Place<'_>, record: &ReadRecord) -> Option<String> {
    Some(match record.found {
        Some(Found::Vendor(id)) => vendor(yard, id),
        Some(Found::Class(id)) => class(yard, id),
        Some(Found::Device(id)) => device(yard, id),
        Some(Found::Slot(slot)) => format!("slot {slot}"),
        Some(Found::Version([major, minor, patch])) => format!("version {major}.{minor}.{patch}"),
        Some(Found::Time(now)) => format!("{now} s since 1970"),
        Some(Found::Image(holding)) => match holding.size {
            Some(0) => "nothing in it".to_owned(),
            Some(size) => format!("digest {} of {size} bytes", holding.digest),
            None => format!("digest {}", holding.digest),
        },
        None if at.command == Some(Command::UseBefore) => "no clock that can be trusted".to_owned(),
        None => return None,
    })
}

fn vendor(yard: &Yard, id: Uuid16) -> String {
    if id == yard.vendor() { format!("vendor {} ({id})", yard.file.domain) } else { format!("vendor {id}") }
}

fn class(yard: &Yard, id: Uuid16) -> String {
    use pintle_protocol::id::Chip;
    let named = yard.boards.iter().find_map(|(name, board)| {
        Chip::ALL.into_iter().find(|chip| yard.class_of(board, *chip) == id).map(|chip| (name, chip))
    });
    match named {
        Some((name, chip)) => format!("class {id} ({chip} chip of board {name})"),
        None => format!("class {id}"),
    }
}

fn device(yard: &Yard, id: NodeId) -> String {
    yard.name_of(id).map_or_else(|| format!("node {id}"), |name| format!("node {name} ({id})"))
}
