use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::look::{self, Lacks, Sight};
use crate::ui::{Answer, table};
use crate::yard::files;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// Look into any envelope
///
/// Says which key of this yard signed it, what it changes, which nodes would take it, and where it
/// is damaged if it is. Changes nothing and needs no passphrase. The exit code is 0 for an
/// envelope signed by this yard, 1 for any other.
///
/// With --report, a node's SUIT_Report on this envelope is told in one sentence instead; the exit
/// code is then 1 if the node did not carry it out.
///
/// With --capabilities, it is held against what firmware says that it carries out (its SUIT capability
/// report); the exit code is then 1 if anything is missing. Nobody has signed such a report.
///
/// Example: pintle look images/two-chip/net-1.1.0/envelope.suit
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The envelope
    file: PathBuf,
    /// File with a node's SUIT_Report about it: bytes, or hexadecimal digits
    #[arg(long, value_name = "FILE")]
    report: Option<PathBuf>,
    /// File with a SUIT capability report: bytes, or hexadecimal digits
    #[arg(long, value_name = "FILE", conflicts_with = "report")]
    capabilities: Option<PathBuf>,
}

/// Largest file with a report, in bytes.
const MAX_REPORT_FILE: u64 = 4096;
/// Largest envelope that is read, in bytes.
const MAX_ENVELOPE: u64 = 1 << 20;

#[derive(Serialize)]
#[serde(transparent)]
struct Seen(Sight);

impl Answer for Seen {
    fn text(&self) -> String {
        let s = &self.0;
        let mut text = match (&s.signed_by, &s.fault) {
            (Some(role), None) => format!("authentic: signed with this yard's {role} key\n"),
            (_, Some(fault)) => format!("not authentic: {fault}\n"),
            (None, None) => "not authentic\n".to_owned(),
        };
        let mut rows = vec![vec!["  size".to_owned(), format!("{} bytes", s.size)]];
        if let Some(says) = &s.says {
            let mut row = |what: &str, value: Option<String>| {
                rows.extend(value.map(|v| vec![format!("  {what}"), v]));
            };
            let joined = |list: &[String]| (!list.is_empty()).then(|| list.join(", "));
            row("manifest", Some(says.digest.clone()));
            row("sequence number", Some(says.sequence.to_string()));
            row("changes", joined(&says.components));
            row("version", says.version.clone());
            row("name", says.reference.clone());
            row("content", joined(&says.digests));
            row("bytes of it", joined(&says.sizes.iter().map(u64::to_string).collect::<Vec<_>>()));
            row("link versions", says.link.clone());
            row("actuation profile", says.profile.clone());
            row("vendor", says.vendor.clone());
            row("board", says.class.clone());
            row("node", says.node.clone());
            row("fetched from", joined(&says.fetched_from));
            row("encrypted", Some(if says.encrypted { "yes" } else { "no" }.to_owned()));
        }
        text += &table(&rows);
        if !s.taken_by.is_empty() {
            text += &format!("nodes that would take it: {}\n", s.taken_by.join(", "));
        }
        for (node, why) in &s.refused_by {
            text += &format!("{node} would not: {why}\n");
        }
        text
    }
}

#[derive(Serialize)]
#[serde(transparent)]
struct Compared(Lacks);

impl Answer for Compared {
    fn text(&self) -> String {
        let Lacks { components, commands, parameters, algorithms } = &self.0;
        let mut text = String::new();
        for (what, list) in [("components", components), ("commands", commands), ("parameters", parameters)] {
            if !list.is_empty() {
                text += &format!("it needs {what} that are not in the report: {}\n", list.join(", "));
            }
        }
        if !algorithms.is_empty() {
            let list: Vec<_> = algorithms.iter().map(i64::to_string).collect();
            text += &format!("algorithms of the profile that are not in the report: {}\n", list.join(", "));
        }
        if text.is_empty() { "everything that it needs is in the report\n".to_owned() } else { text }
    }
}

/// Bytes, or the same in hexadecimal digits.
fn read_report(path: &Path) -> Result<Vec<u8>, CliError> {
    let report = files::read_bytes(path, MAX_REPORT_FILE)?;
    // A report begins with the head of a map, which is no hexadecimal digit.
    Ok(hex::decode(report.trim_ascii()).unwrap_or(report))
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    let envelope = files::read_bytes(&args.file, MAX_ENVELOPE)?;
    if let Some(path) = &args.report {
        let told = look::tell(&yard, "the node", &envelope, &read_report(path)?, None)?;
        let passed = told.passed;
        run.ui.answer(&super::node_report::Telling(told));
        return Ok(if passed { Exit::Done } else { Exit::No });
    }
    if let Some(path) = &args.capabilities {
        let lacks = look::lacks(&envelope, &read_report(path)?)?;
        let none = lacks.is_empty();
        run.ui.answer(&Compared(lacks));
        return Ok(if none { Exit::Done } else { Exit::No });
    }
    let sight = look::look(&yard, &envelope);
    let authentic = sight.signed_by.is_some() && sight.fault.is_none();
    run.ui.answer(&Seen(sight));
    Ok(if authentic { Exit::Done } else { Exit::No })
}
