//! A whole change of Wi-Fi, in both ways, by the real command with real node cores; and what must not
//! change when it cannot end yet.

mod bin_common;
#[path = "bin_common/board.rs"]
mod board;
#[path = "bin_common/stage.rs"]
mod stage;

use bin_common::Place;
use board::{Screwed, until};
use pintle_server::Running;
use serde_json::Value;

const OLD: &str = "Larkfield";
const NEW: (&str, &str) = ("Larkfield 2", "a longer latch");

/// `wifi change`, with these options beside.
fn change(place: &Place, with: &[&str]) -> Value {
    place.write("new-passphrase", NEW.1);
    let file = place.path("new-passphrase");
    let change = ["--json", "wifi", "change", "new", "--ssid", NEW.0, "--replaces", "house"];
    let how = ["--wave", "rest", "--soak", "1m", "--wifi-passphrase-file", file.to_str().unwrap()];
    place.run(&[&change[..], &how, with].concat()).ends(0).json()
}

fn tally(place: &Place, code: i32) -> Value {
    place.run(&["--json", "wifi", "tally"]).ends(code).json()
}

/// Every node checks in again, long after a network went.
fn all_are_heard(running: &Running, place: &Place, nodes: &mut [Screwed], seconds: u32) {
    let client = stage::client(place);
    let from = running.clock.now();
    until(running, &mut stage::all(nodes), seconds, "a check-in of every node", |_| {
        client.nodes().unwrap().iter().all(|n| n.last_seen.is_some_and(|at| at > from + 360))
    });
}

/// `wifi finish`; then no bundle and no box of the yard knows the old network, and without it
/// nobody is lost.
fn finish(running: &Running, place: &Place, nodes: &mut [Screwed]) {
    let id = place.run(&["--json", "wifi", "finish", "--wave", "rest", "--soak", "1m"]).ends(0).json()["id"]
        .as_i64()
        .unwrap();
    stage::done(running, &mut stage::all(nodes), &stage::client(place), id);
    let (yard, unlocked) = (stage::yard(place), stage::unlocked(place));
    let names: Vec<&str> = yard.networks.networks.iter().map(|n| n.name.as_str()).collect();
    assert_eq!(names, ["new"]);
    assert!(unlocked.passphrase("house").is_err(), "the old passphrase is still kept");
    for (name, node) in yard.nodes.keys().zip(nodes.iter()) {
        let networks = node.networks();
        assert_eq!(networks, [NEW.0.as_bytes()], "{name}");
        assert_eq!(node.outcome().unwrap().reason, 0, "{name}");
    }
    place.run(&["wifi", "tally"]).ends(1).says(&["no change of Wi-Fi is under way"]);
    nodes.iter_mut().for_each(|node| node.loses(OLD));
    all_are_heard(running, place, nodes, 1500);
}

#[test]
fn both_networks_side_by_side_then_the_old_one_goes() {
    let (place, running, mut nodes) = stage::stage(&["barn", "gate"]);
    nodes.iter_mut().for_each(|node| node.hears(NEW.0, NEW.1));
    let started = change(&place, &[]);
    assert_eq!(started["kind"], "wifi");
    assert_eq!(tally(&place, 1)["safe_to_switch_off"], false);
    stage::done(
        &running,
        &mut stage::all(&mut nodes),
        &stage::client(&place),
        started["id"].as_i64().unwrap(),
    );
    let told = tally(&place, 0);
    assert_eq!(told["safe_to_switch_off"], true, "{told}");
    finish(&running, &place, &mut nodes);
    running.stop().unwrap();
}

#[test]
fn a_router_is_replaced_and_the_nodes_follow_on_loss() {
    let (place, running, mut nodes) = stage::stage(&["barn", "gate"]);
    let started = change(&place, &["--on-loss", "5"]);
    stage::done(
        &running,
        &mut stage::all(&mut nodes),
        &stage::client(&place),
        started["id"].as_i64().unwrap(),
    );
    let told = tally(&place, 0);
    assert_eq!(told["untested"], serde_json::json!(["barn", "gate"]), "{told}");
    // Nobody has proved it: the old one cannot be forgotten yet.
    let before = place.files();
    place.run(&["wifi", "finish"]).ends(6).says(&["barn, gate"]);
    assert!(before == place.files(), "something was changed");

    for node in &mut nodes {
        node.loses(OLD);
        node.hears(NEW.0, NEW.1);
    }
    all_are_heard(&running, &place, &mut nodes, 1500);
    let told = tally(&place, 0);
    assert_eq!(told["untested"], serde_json::json!([]), "{told}");
    finish(&running, &place, &mut nodes);
    running.stop().unwrap();
}

#[test]
fn what_cannot_end_leaves_the_yard_as_it_was() {
    let (place, running, mut nodes) = stage::stage(&["barn", "gate"]);
    nodes[0].hears(NEW.0, NEW.1);
    change(&place, &["--max-failed", "2"]);
    let client = stage::client(&place);
    until(&running, &mut stage::all(&mut nodes), 3000, "the barn to prove it and the gate to go back", |n| {
        let idle = |view: &pintle_server::contract::NodeView| {
            view.report.as_ref().is_some_and(|r| r.phase == "idle")
        };
        n[0].outcome().is_some_and(|o| o.reason == 0)
            && n[1].outcome().is_some_and(|o| o.reason != 0)
            && client.nodes().unwrap().iter().all(idle)
    });
    let before = place.files();
    for (code, parts, with) in [
        (6, &["gate would be lost"][..], &[][..]),
        (3, &["`gaet`", "gate"], &["--without", "gaet"]),
        (3, &["barm"], &["--without", "gate", "--wave", "barm"]),
        (2, &["--soak"], &["--without", "gate", "--soak", "never"]),
    ] {
        place.run(&[&["wifi", "finish"][..], with].concat()).ends(code).says(parts);
        assert!(before == place.files(), "{with:?} changed something");
    }
    // Without a terminal it says which file is missing, and not the yard's.
    let bare = ["wifi", "add", "spare", "--ssid", "Spare"];
    place.run(&bare).ends(4).says(&["the passphrase of the network", "--wifi-passphrase-file"]);
    assert!(before == place.files());

    // Everybody is given up: no rollout, and above all none to all nodes.
    let count = client.rollouts().unwrap().len();
    let given_up = place.run(&["wifi", "finish", "--without", "barn,gate"]).ends(0);
    assert!(given_up.err.contains("no node needs another bundle"), "{given_up:?}");
    assert_eq!(client.rollouts().unwrap().len(), count);
    assert_eq!(stage::yard(&place).networks.networks.len(), 1);
    running.stop().unwrap();
}
