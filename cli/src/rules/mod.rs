//! The safety rules: every number of a bundle against a published source, or a marked custom.
//!
//! An error blocks sealing. A warning blocks sealing too, until the node's file says that it was
//! read and accepted: `accept = [{ rule = "R21", why = "..." }]`.
//!
//! Rules that only firmware can keep (a warning that restarts when interrupted, a suspension
//! that survives a reset) are in `docs/safety.md`; no number of a bundle can keep or break them.
//! Pintle is no certified alarm and no door operator: listed carbon monoxide alarms and
//! entrapment protection are needed besides, and local codes and licensed practice come first.

mod close;
mod door;
mod gas;
mod network;
mod upkeep;

#[cfg(test)]
mod tests;

use crate::yard::NodePlan;
use pintle_protocol::bundle::Bundle;
use serde::Serialize;

/// How much a finding weighs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Blocks sealing.
    Error,
    /// Blocks sealing until it is accepted with a reason.
    Warning,
}

impl Severity {
    /// The word for people.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Error => "error",
            Self::Warning => "warning",
        }
    }
}

/// Mark of a rule that is a custom of the trade.
pub const PRACTICE: &str = "common practice, no source";

/// One rule.
#[derive(Clone, Copy)]
pub struct Rule {
    /// Its name, such as `R6`. It never changes and is never used again for another rule.
    pub id: &'static str,
    /// How much a breach weighs.
    pub severity: Severity,
    /// What it asks for.
    pub asks: &'static str,
    /// Where it comes from, with the clause; or that there is no source.
    pub source: &'static str,
    /// What is wrong with a plan, as a sentence with the values in it.
    pub check: fn(&Case<'_>) -> Option<String>,
}

/// What a rule looks at.
#[derive(Clone, Copy, Debug)]
pub struct Case<'a> {
    /// The node and its new bundle.
    pub plan: &'a NodePlan,
    /// The bundle sealed before, where it is at hand.
    pub before: Option<&'a Bundle>,
}

/// A rule that a plan breaks.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// The rule's name.
    pub rule: &'static str,
    /// How much it weighs.
    pub severity: Severity,
    /// What is wrong, as a sentence.
    pub message: String,
    /// What the rule asks for.
    pub asks: &'static str,
    /// Where the rule comes from.
    pub source: &'static str,
    /// Why it was accepted, from the node's file; only ever set for a warning.
    pub accepted: Option<String>,
}

impl Finding {
    /// Whether it blocks sealing.
    pub fn blocks(&self) -> bool {
        self.accepted.is_none()
    }
}

/// Every rule, by topic.
pub fn all() -> impl Iterator<Item = &'static Rule> {
    [close::RULES, door::RULES, gas::RULES, upkeep::RULES, network::RULES, ACCEPTANCE].into_iter().flatten()
}

/// Everything that a plan breaks, errors first.
pub fn check(plan: &NodePlan, before: Option<&Bundle>) -> Vec<Finding> {
    let case = Case { plan, before };
    let mut findings: Vec<Finding> = all()
        .filter_map(|rule| {
            let message = (rule.check)(&case)?;
            let accepted = plan
                .file
                .accept
                .iter()
                .find(|a| a.rule == rule.id && rule.severity == Severity::Warning && !a.why.trim().is_empty())
                .map(|a| a.why.clone());
            let Rule { id, severity, asks, source, .. } = *rule;
            Some(Finding { rule: id, severity, message, asks, source, accepted })
        })
        .collect();
    findings.sort_by_key(|f| f.severity);
    findings
}

const ACCEPTANCE: &[Rule] = &[Rule {
    id: "R90",
    severity: Severity::Error,
    asks: "only warnings can be accepted, each with a reason",
    source: "ours",
    check: |case| {
        case.plan.file.accept.iter().find_map(|a| match all().find(|r| r.id == a.rule) {
            None => Some(format!("`accept` names {}, which is no rule", a.rule)),
            Some(r) if r.severity == Severity::Error => {
                Some(format!("`accept` names {}, which is an error and cannot be accepted", a.rule))
            }
            Some(_) if a.why.trim().is_empty() => Some(format!("`accept` gives no reason for {}", a.rule)),
            Some(_) => None,
        })
    },
}];

/// `text` if `broken`.
fn when(broken: bool, text: impl FnOnce() -> String) -> Option<String> {
    if broken { Some(text()) } else { None }
}
