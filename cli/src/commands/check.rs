use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::rules::{self, Finding, Severity};
use crate::ui::{Answer, count};
use serde::Serialize;

/// Check nodes against the safety rules
///
/// Reads the yard's files and changes nothing. Needs no passphrase: passphrases are checked when
/// they are stored and again when a bundle is sealed. An error blocks sealing; a warning does
/// until nodes/NAME.toml accepts it with a reason.
///
/// Pintle is no certified alarm and no door operator. A check that finds nothing proves no door
/// safe: local codes and licensed practice come first.
///
/// Example: pintle check barn
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Nodes; all if left out
    nodes: Vec<String>,
    /// List every rule with its source instead
    #[arg(long)]
    rules: bool,
}

#[derive(Serialize)]
struct Checked {
    node: String,
    findings: Vec<Finding>,
    /// Why there is no bundle to check.
    incomplete: Option<String>,
    #[serde(skip)]
    hint: Option<String>,
}

impl Checked {
    fn blocks(&self) -> bool {
        self.incomplete.is_some() || self.findings.iter().any(Finding::blocks)
    }
}

#[derive(Serialize)]
struct Report {
    nodes: Vec<Checked>,
}

impl Answer for Report {
    fn text(&self) -> String {
        let mut text = String::new();
        for node in &self.nodes {
            if let Some(why) = &node.incomplete {
                text += &format!("{}: incomplete\n  {why}\n", node.node);
                if let Some(hint) = &node.hint {
                    text += &format!("    {hint}\n");
                }
                continue;
            }
            let of = |s| node.findings.iter().filter(|f| f.severity == s && f.blocks()).count();
            let (errors, warnings) = (of(Severity::Error), of(Severity::Warning));
            text += &match (errors, warnings) {
                (0, 0) => format!("{}: breaks no rule\n", node.node),
                _ => format!("{}: {}, {}\n", node.node, count(errors, "error"), count(warnings, "warning")),
            };
            for f in &node.findings {
                text += &format!("  {} {}: {}\n", f.severity.word(), f.rule, f.message);
                text += &format!("    asked for: {} ({})\n", f.asks, f.source);
                if let Some(why) = &f.accepted {
                    text += &format!("    accepted: {why}\n");
                }
            }
        }
        text
    }
}

#[derive(Serialize)]
struct RuleLine {
    id: &'static str,
    severity: Severity,
    asks: &'static str,
    source: &'static str,
}

#[derive(Serialize)]
#[serde(transparent)]
struct RuleList(Vec<RuleLine>);

impl Answer for RuleList {
    fn text(&self) -> String {
        self.0
            .iter()
            .map(|r| format!("{} {}: {}\n    {}\n", r.id, r.severity.word(), r.asks, r.source))
            .collect()
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    if args.rules {
        let line =
            |r: &rules::Rule| RuleLine { id: r.id, severity: r.severity, asks: r.asks, source: r.source };
        run.ui.answer(&RuleList(rules::all().map(line).collect()));
        return Ok(Exit::Done);
    }
    let yard = run.yard()?;
    let names: Vec<&String> =
        if args.nodes.is_empty() { yard.nodes.keys().collect() } else { args.nodes.iter().collect() };
    let mut nodes = Vec::new();
    for name in names {
        yard.node(name)?;
        let node = name.clone();
        nodes.push(match yard.plan(name) {
            Ok(plan) => Checked { node, findings: rules::check(&plan, None), incomplete: None, hint: None },
            Err(e) => {
                let hint = Some(e.hint());
                Checked { node, findings: Vec::new(), incomplete: Some(e.to_string()), hint }
            }
        });
    }
    let report = Report { nodes };
    run.ui.answer(&report);
    run.ui.say(
        "Pintle is no certified alarm and no door operator; local codes and licensed practice come first",
    );
    Ok(if report.nodes.iter().any(Checked::blocks) { Exit::No } else { Exit::Done })
}
