//! A change of Wi-Fi: where each node stands, and whether the old network can be switched off.

use crate::contract::NodeView;
use pintle_protocol::id::Digest;
use serde::Serialize;

/// Where one node stands in a change.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Stand {
    /// An authenticated check-in went through the new network.
    Proved,
    /// It waits for the old network to go.
    WaitsForLoss,
    /// It could not use the new network.
    Failed {
        /// Why.
        reason: String,
    },
    /// It has the new bundle and has not tried yet.
    NotTried,
    /// It has not taken up the new bundle.
    NoBundle,
    /// It has not been heard.
    NotHeard,
    /// It uses the old network and is not among the nodes that change.
    NotAsked,
}

impl Stand {
    /// Where a node stands. `brought`: whether a bundle brought the candidate.
    pub fn of(view: &NodeView, brought: &dyn Fn(&Digest) -> bool) -> Self {
        let Some(report) = view.report.as_ref().filter(|_| !view.silent) else { return Self::NotHeard };
        if !report.bundle.is_some_and(|bundle| brought(&bundle)) {
            return match &report.outcome {
                // It tried, and went back to the bundle before.
                Some(o) if o.ending != "kept" && brought(&o.envelope) => {
                    let unknown = || format!("reason {}, which this version does not know", o.reason);
                    Self::Failed { reason: o.sentence.clone().unwrap_or_else(unknown) }
                }
                _ => Self::NoBundle,
            };
        }
        match report.wifi.candidate.as_deref() {
            Some("proved") => Self::Proved,
            Some("waits for the old network to go") => Self::WaitsForLoss,
            Some("not tried yet") | None => Self::NotTried,
            Some(reason) => Self::Failed { reason: reason.to_owned() },
        }
    }

    /// Whether the node stays reachable when the old network goes. A node that waits for that
    /// will try the new one; whether it works is not known.
    pub const fn survives(&self) -> bool {
        matches!(self, Self::Proved | Self::WaitsForLoss)
    }

    /// The phrase for people.
    pub fn phrase(&self) -> String {
        match self {
            Self::Proved => "proved".to_owned(),
            Self::WaitsForLoss => "waits for the old network to go".to_owned(),
            Self::Failed { reason } => format!("failed: {reason}"),
            Self::NotTried => "not tried yet".to_owned(),
            Self::NoBundle => "has not taken up its bundle".to_owned(),
            Self::NotHeard => "not heard".to_owned(),
            Self::NotAsked => "not among the nodes that change".to_owned(),
        }
    }
}

/// Nodes that would be lost if the old network went now.
pub fn lost<N: AsRef<str>>(nodes: &[(N, Stand)]) -> Vec<&str> {
    nodes.iter().filter(|(_, stand)| !stand.survives()).map(|(name, _)| name.as_ref()).collect()
}

/// Nodes that have not proved the new network, but will try it when the old one goes.
pub fn untested<N: AsRef<str>>(nodes: &[(N, Stand)]) -> Vec<&str> {
    nodes.iter().filter(|(_, stand)| *stand == Stand::WaitsForLoss).map(|(name, _)| name.as_ref()).collect()
}

/// Whether the network `old` can be switched off, as a sentence without its stop.
pub fn verdict<N: AsRef<str>>(old: &str, new: &str, nodes: &[(N, Stand)]) -> String {
    let (lost, untested) = (lost(nodes), untested(nodes));
    if !lost.is_empty() {
        format!("leave {old} on: {} would be lost", lost.join(", "))
    } else if untested.is_empty() {
        format!("{old} can be switched off")
    } else {
        format!(
            "{old} can be switched off, but {} will try {new} only then: if it does not work, switch {old} on again",
            untested.join(", ")
        )
    }
}
