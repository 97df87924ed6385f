//! A change of Wi-Fi on the page of its rollout: where each node stands, and whether the old network
//! can be switched off. The server knows neither network by name, for bundles are sealed.

use crate::config::Intervals;
use crate::contract::{Kind, MOST_LISTED, NodeView, Seconds};
use crate::rollout::TargetPlan;
use crate::rollout::wifi::{self, Stand};
use crate::store::rollouts::{self as rows, Stored};
use crate::store::{Connection, StoreFault, nodes};
use crate::views;
use pintle_protocol::id::{Digest, NodeId};
use std::collections::BTreeSet;

/// Nodes that do not change, named at most.
const OTHERS: usize = 50;

/// What the page shows of a change.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Change {
    pub(super) tone: &'static str,
    /// Whether the old network can be switched off.
    pub(super) verdict: String,
    /// Where each node stands.
    pub(super) nodes: Vec<Node>,
    /// Nodes in service of which the server cannot know whether they use the old network.
    pub(super) others: Vec<String>,
}

/// Where a node stands.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Node {
    pub(super) id: String,
    pub(super) name: String,
    pub(super) tone: &'static str,
    pub(super) phrase: String,
}

/// The change that a rollout brings; nothing if it brings none, or if a later rollout has begun to
/// change the configuration of its nodes.
pub(super) fn change(
    conn: &Connection,
    stored: &Stored,
    intervals: Intervals,
    now: Seconds,
) -> Result<Option<Change>, StoreFault> {
    if stored.kind != Kind::Wifi || is_over(conn, stored)? {
        return Ok(None);
    }
    let targets: Vec<&TargetPlan> = stored.rollout.plan.waves.iter().flat_map(|wave| &wave.targets).collect();
    let change: BTreeSet<NodeId> = targets.iter().map(|target| target.node).collect();
    let (mut views, mut others, mut last) = (Vec::new(), 0_usize, None);
    loop {
        let rows = nodes::named_page(conn, last.as_ref(), MOST_LISTED)?;
        let Some(end) = rows.last().map(|row| row.id) else { break };
        last = Some(end);
        for view in views::node_views(conn, rows, intervals, now)? {
            let changes = change.contains(&view.id);
            others += usize::from(!changes && view.in_service());
            if changes || others <= OTHERS {
                views.push(view);
            }
        }
    }
    let mut change = count(&targets, &views);
    if others > OTHERS {
        change.others.push(format!("{} more", others - OTHERS));
    }
    Ok(Some(change))
}

fn is_over(conn: &Connection, stored: &Stored) -> Result<bool, StoreFault> {
    let targets = stored.rollout.plan.waves.iter().flat_map(|wave| &wave.targets);
    let nodes: Vec<_> = targets.map(|target| target.node).collect();
    for later in rows::list(conn)?.into_iter().take_while(|number| *number > stored.id) {
        let Some(later) = rows::get(conn, later)? else { continue };
        let configures = matches!(later.kind, Kind::Bundle | Kind::Wifi);
        let begun = later.rollout.state.started_at.is_some();
        if configures && begun && nodes.iter().any(|node| later.rollout.plan.find(node).is_some()) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Counts who has proved the new network.
fn count(targets: &[&TargetPlan], views: &[NodeView]) -> Change {
    let mut stands = Vec::new();
    let mut nodes = Vec::new();
    let mut others = Vec::new();
    // Only nodes in service can be lost.
    for view in views.iter().filter(|view| view.in_service()) {
        let Some(target) = targets.iter().find(|target| target.node == view.id) else {
            others.push(view.name.clone());
            continue;
        };
        let brought = |bundle: &Digest| target.steps.iter().any(|step| step.forward.envelope == *bundle);
        let stand = Stand::of(view, &brought);
        nodes.push(Node {
            id: view.id.to_string(),
            name: view.name.clone(),
            tone: match stand {
                Stand::Proved => "good",
                Stand::WaitsForLoss | Stand::NotTried | Stand::NoBundle => "busy",
                Stand::Failed { .. } | Stand::NotHeard | Stand::NotAsked => "bad",
            },
            phrase: stand.phrase(),
        });
        stands.push((view.name.clone(), stand));
    }
    let clear = wifi::lost(&stands).is_empty();
    let verdict = wifi::verdict("the old network", "the new one", &stands);
    let proved = clear && wifi::untested(&stands).is_empty() && others.is_empty();
    Change {
        tone: if proved {
            "good"
        } else if clear {
            "busy"
        } else {
            "bad"
        },
        // What is not known is no good news.
        verdict: if clear && !others.is_empty() {
            format!("if nothing else uses it, {verdict}")
        } else {
            verdict
        },
        nodes,
        others,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::contract::{Gate, OnFailure, Status};
    use crate::rollout::testing::plan;
    use pintle_protocol::id::NodeId;
    use serde_json::json;

    /// A node as the server shows it, with what it says of its Wi-Fi.
    fn view(n: u8, bundle: Option<Digest>, candidate: &str, silent: bool) -> NodeView {
        let id = NodeId([n; 16]).to_string();
        let digest = "00".repeat(32);
        let runs = json!({"version": "1.0.0", "digest": digest, "link_oldest": 1, "link_newest": 1,
            "profile_id": 1, "profile_version": 1, "slot": 0});
        let report = json!({"counter": 1, "uptime_seconds": 1, "starts": 1, "net": runs, "io": runs,
            "sequences": [0, 0, 0], "bundle": bundle.map(|b| b.to_string()), "position": "closed", "phase": "idle",
            "subject": null, "holds": [], "outcome": null, "supply_mv": 5000, "relay_pulses": 0,
            "wifi": {"index": 0, "rssi_dbm": -60, "candidate": candidate}});
        serde_json::from_value(json!({"id": id, "name": format!("hatch {n}"), "class": "00".repeat(16),
            "status": "kept", "admitted": true, "signing_key": null, "sealing_key": null, "last_seen": 1,
            "silent": silent, "report": report, "waits_for": []}))
        .unwrap()
    }

    #[test]
    fn what_is_not_known_is_never_good_news() {
        let plan = plan(&[2], 1, Gate::STRICT, OnFailure::Hold);
        let targets: Vec<&TargetPlan> = plan.waves.iter().flat_map(|wave| &wave.targets).collect();
        let brought = |n: usize| Some(targets[n].steps[0].forward.envelope);
        let id = |n: usize| targets[n].node.0[0];
        let proved = |n: usize| view(id(n), brought(n), "proved", false);
        let told = |views: &[NodeView]| {
            let change = count(&targets, views);
            (change.tone, change.verdict)
        };
        let off = "the old network can be switched off";
        assert_eq!(told(&[proved(0), proved(1)]), ("good", off.to_owned()));
        let other = view(99, None, "proved", false);
        let if_alone = format!("if nothing else uses it, {off}");
        assert_eq!(told(&[proved(0), proved(1), other.clone()]), ("busy", if_alone));
        let retired = NodeView { status: Status::Retired, ..other };
        assert_eq!(told(&[proved(0), proved(1), retired]).0, "good");
        let waits = view(id(1), brought(1), "waits for the old network to go", false);
        let (tone, verdict) = told(&[proved(0), waits]);
        assert!(tone == "busy" && verdict.contains("only then: if it does not work"), "{verdict}");
        for lost in [
            view(id(1), brought(1), "proved", true),
            view(id(1), brought(1), "not tried yet", false),
            view(id(1), brought(1), "wrong passphrase", false),
            view(id(1), Some(Digest([0xee; 32])), "proved", false),
            view(id(1), None, "proved", false),
        ] {
            let name = lost.name.clone();
            let expected = format!("leave the old network on: {name} would be lost");
            assert_eq!(told(&[proved(0), lost]), ("bad", expected));
        }
    }
}
