//! Approval, evidence, windows, health and ending early, through a real server.

mod server_common;

use pintle_protocol::checkin::{Ending, Phase, Position};
use pintle_protocol::id::Chip;
use serde_json::{Value, json};
use server_common::{NOW, Node, Server, plan};

const ROLLOUT: &str = "/api/v1/rollouts/1";

/// A server, admitted nodes that were heard, and a rollout to them, one wave each, that was
/// started; `change` says what is asked for besides.
fn started(count: u8, change: impl Fn(&mut Value)) -> (Server, Vec<Node>) {
    let server = Server::start();
    let mut nodes: Vec<Node> = (1..=count).map(|n| Node::new(n).admitted(&server)).collect();
    for node in &mut nodes {
        node.check_in(&server);
    }
    let forward = server.store(Chip::Io, 10, b"io new");
    let back = server.store(Chip::Io, 11, b"io before");
    let mut wish = plan(&nodes.iter().collect::<Vec<_>>(), forward, back, "hold");
    change(&mut wish);
    server.good("POST", "/api/v1/rollouts", &wish);
    server.good("POST", &format!("{ROLLOUT}/start"), &Value::Null);
    (server, nodes)
}

fn each_wave(wish: &mut Value, field: &str, value: &Value) {
    for wave in wish["waves"].as_array_mut().unwrap() {
        wave[field] = value.clone();
    }
}

fn show(server: &Server) -> Value {
    server.good("GET", ROLLOUT, &Value::Null)
}

fn keep(server: &Server, node: &mut Node) {
    assert!(node.check_in(server).offer.is_some(), "nothing was offered to {}", node.name);
    node.state.phase = Phase::Trial;
    node.state.io = Some(server_common::running(b"io new"));
    node.check_in(server);
    node.end(Ending::Kept, 0);
    node.check_in(server);
}

fn page(server: &Server) -> String {
    let link = server.good("POST", "/api/v1/sign-in-links", &Value::Null);
    let answer = server.send("POST", link["path"].as_str().unwrap(), &[], b"");
    let cookie = answer.field("Set-Cookie").expect("no session").split(';').next().unwrap().to_owned();
    let shown = server.send("GET", "/rollouts/1", &[("Cookie", &cookie)], b"");
    assert_eq!(shown.status, 200, "{}", shown.text());
    shown.text()
}

#[test]
fn a_person_approves_the_second_wave_and_only_that() {
    let (server, mut nodes) = started(2, |wish| wish["waves"][1]["approval"] = json!(true));
    keep(&server, &mut nodes[0]);
    server.wait(600);
    nodes[0].check_in(&server);
    let view = show(&server);
    assert_eq!(view["waves"][0]["state"], "passed");
    assert_eq!(view["waves"][1]["state"], "waiting for approval");
    assert_eq!(view["waves"][1]["waits_for"], json!(["a person has to approve it"]));
    assert!(view["waves"][0]["proves"].as_str().unwrap().contains("fewer than 95.0 %"));
    assert!(view["waves"][1]["proves"].as_str().unwrap().contains("fewer than 77.7 %"));
    assert_eq!(nodes[1].check_in(&server).offer, None);
    let server = server.restart();
    let shown = page(&server);
    for text in
        ["waiting for approval", "Opens only after a person approved it.", "What it proves: 1 of 1 kept"]
    {
        assert!(shown.contains(text), "{text}: {shown}");
    }
    let other = server.ask("POST", &format!("{ROLLOUT}/approve"), &json!({"wave": 1}));
    assert_eq!(other.error(), (409, "wrong_state".to_owned()));
    let zero = server.ask("POST", &format!("{ROLLOUT}/approve"), &json!({"wave": 0}));
    assert_eq!(zero.error().0, 409);
    let odd = server.ask("POST", &format!("{ROLLOUT}/approve"), &json!({"colour": 1}));
    assert_eq!(odd.error().1, "bad_json");
    let view =
        server.good("POST", &format!("{ROLLOUT}/approve"), &json!({"wave": 2, "note": "seen it move"}));
    assert_eq!(view["waves"][1]["state"], "open");
    assert_eq!(view["waves"][1]["approved_at"], NOW + 600);
    assert!(nodes[1].check_in(&server).offer.is_some());
    assert_eq!(server.ask("POST", &format!("{ROLLOUT}/approve"), &Value::Null).error().0, 409);
}

#[test]
fn a_wave_soaks_until_its_door_was_used() {
    let evidence = json!({"min_check_ins": 2, "min_door_cycles": 1});
    let (server, mut nodes) = started(2, |wish| each_wave(wish, "evidence", &evidence));
    keep(&server, &mut nodes[0]);
    server.wait(600);
    for _ in 0..3 {
        nodes[0].check_in(&server);
    }
    let view = show(&server);
    assert_eq!(view["waves"][0]["state"], "soaking");
    assert_eq!(view["waves"][0]["waits_for"], json!(["Hatch 1: 0 of 1 door cycles seen"]));
    assert_eq!(view["waves"][0]["targets"][0]["check_ins"], 2, "no more than asked for");
    assert!(page(&server).contains("Waits: Hatch 1: 0 of 1 door cycles seen"));
    nodes[0].state.position = Position::Open;
    nodes[0].check_in(&server);
    let server = server.restart();
    nodes[0].state.position = Position::Closed;
    nodes[0].check_in(&server);
    assert_eq!(show(&server)["waves"][0]["state"], "passed");
    assert!(nodes[1].check_in(&server).offer.is_some());
}

/// NOW is 2027-01-15 08:00:00 UTC, a Friday.
#[test]
fn nothing_is_offered_outside_of_the_window_and_the_page_says_so() {
    let windows =
        json!({"zone": "Etc/UTC", "spans": [{"days": ["mon", "fri"], "from": "09:00", "until": "17:00"}]});
    let (server, mut nodes) = started(1, |wish| wish["windows"] = windows.clone());
    assert_eq!(nodes[0].check_in(&server).offer, None);
    let view = show(&server);
    assert_eq!(view["windows"]["open"], false);
    assert_eq!(view["windows"]["zone"], "Etc/UTC");
    assert_eq!(view["windows"]["changes_at"], NOW + 3600);
    let reason = "nothing new is offered before Fri 2027-01-15 09:00 UTC";
    assert_eq!(view["waves"][0]["targets"][0]["reason"], reason);
    let shown = page(&server);
    assert!(shown.contains("Something new is offered only mon fri 09:00 to 17:00 (Etc/UTC)."), "{shown}");
    assert!(shown.contains(reason));
    server.wait(3600);
    assert!(nodes[0].check_in(&server).offer.is_some());
}

#[test]
fn bad_care_is_refused_with_the_field() {
    let server = Server::start();
    let node = Node::new(1).admitted(&server);
    let forward = server.store(Chip::Io, 10, b"io new");
    let back = server.store(Chip::Io, 11, b"io before");
    let good = plan(&[&node], forward, back, "hold");
    let span = json!({"days": ["mon"], "from": "09:00", "until": "17:00"});
    for (path, value, field) in [
        ("/windows", json!({"zone": "Larkfield", "spans": [span]}), "windows"),
        ("/windows", json!({"zone": "Etc/UTC", "spans": []}), "windows"),
        (
            "/windows",
            json!({"zone": "Etc/UTC", "spans": [{"days": [], "from": "1", "until": "2"}]}),
            "windows",
        ),
        ("/waves/0/evidence", json!({"min_door_cycles": 1001}), "waves[0].evidence.min_door_cycles"),
        ("/waves/0/gate/waiting_after_seconds", json!(5), "waves[0].gate.waiting_after_seconds"),
        ("/waves/0/gate/min_signal_dbm", json!(0), "waves[0].gate.min_signal_dbm"),
    ] {
        let mut wish = good.clone();
        let (parent, last) = path.rsplit_once('/').unwrap();
        wish.pointer_mut(parent).unwrap()[last] = value;
        let answer = server.ask("POST", "/api/v1/rollouts", &wish);
        assert_eq!(answer.error(), (422, "bad_field".to_owned()));
        assert!(answer.text().contains(&format!("`{field}`")), "{}", answer.text());
    }
    let mut odd = good;
    odd["waves"][0]["evidence"] = json!({"min_luck": 1});
    assert_eq!(server.ask("POST", "/api/v1/rollouts", &odd).error().1, "bad_json");
}

#[test]
fn restarts_and_a_weak_signal_hold_a_rollout() {
    for weak in [false, true] {
        let limits = |wish: &mut Value| {
            wish["waves"][0]["gate"]["max_restarts"] = json!(1);
            wish["waves"][0]["gate"]["min_signal_dbm"] = json!(-80);
        };
        let (server, mut nodes) = started(2, limits);
        keep(&server, &mut nodes[0]);
        if weak {
            nodes[0].state.wifi.rssi_dbm = -81;
        }
        for _ in 0..3 {
            nodes[0].state.starts += u32::from(!weak);
            nodes[0].check_in(&server);
        }
        let view = show(&server);
        assert_eq!(view["state"], "held");
        let why = if weak { "Hatch 1 (weak signal)" } else { "Hatch 1 (started 2 times)" };
        let because = format!("wave 1: {why} unwell since it kept; 0 tolerated");
        assert_eq!(view["held_because"], because);
        assert!(page(&server).contains("more than 1 starts or a signal below -80 dBm since it kept"));
    }
}

#[test]
fn a_held_rollout_can_be_ended_and_its_nodes_go_to_the_next() {
    let (server, mut nodes) = started(2, |_| ());
    keep(&server, &mut nodes[0]);
    server.good("POST", &format!("{ROLLOUT}/hold"), &Value::Null);
    let forward = server.store(Chip::Io, 20, b"io newer");
    let back = server.store(Chip::Io, 21, b"io new");
    let wish = plan(&[&nodes[0], &nodes[1]], forward, back, "hold");
    server.good("POST", "/api/v1/rollouts", &wish);
    server.good("POST", "/api/v1/rollouts/2/start", &Value::Null);
    assert_eq!(nodes[0].check_in(&server).offer, None);
    let waiting = server.good("GET", "/api/v1/rollouts/2", &Value::Null);
    let reason = waiting["waves"][0]["targets"][0]["reason"].as_str().unwrap();
    assert_eq!(reason, "rollout 1 \"Firmware 1.1\" (held) has it until it ends");
    let ended = server.good("POST", &format!("{ROLLOUT}/end"), &json!({"note": "a newer one is there"}));
    assert_eq!((&ended["state"], &ended["ended_early"]), (&json!("done"), &json!(true)));
    assert_eq!(ended["held_because"], "ended early: a newer one is there");
    assert_eq!(ended["waves"][0]["targets"][0]["progress"], "kept");
    assert!(page(&server).contains("ended early: a newer one is there"));
    assert_eq!(nodes[0].check_in(&server).offer.unwrap().envelope, forward);
    assert_eq!(server.ask("POST", &format!("{ROLLOUT}/end"), &Value::Null).error().1, "wrong_state");
}

fn node_page(server: &Server, path: &str) -> String {
    let link = server.good("POST", "/api/v1/sign-in-links", &Value::Null);
    let answer = server.send("POST", link["path"].as_str().unwrap(), &[], b"");
    let cookie = answer.field("Set-Cookie").expect("no session").split(';').next().unwrap().to_owned();
    server.send("GET", path, &[("Cookie", &cookie)], b"").text()
}

#[test]
fn a_node_that_an_ended_rollout_left_behind_is_never_called_up_to_date() {
    let (server, mut nodes) = started(2, |_| ());
    let look = |node: &Node| server.good("GET", &node.path(), &Value::Null);
    keep(&server, &mut nodes[0]);
    assert_eq!(look(&nodes[1])["left_behind"], json!([]), "it has only to wait for its turn");
    server.good("POST", &format!("{ROLLOUT}/end"), &Value::Null);
    let left = || {
        let view = look(&nodes[1]);
        (view["status"].as_str().unwrap().to_owned(), view["left_behind"].clone())
    };
    let says =
        "\"Firmware 1.1\" was over before this node had kept it: it runs net 1.0.0, io 1.0.0, no bundle";
    assert_eq!(left(), ("left behind".to_owned(), json!([says])));
    assert_eq!(look(&nodes[0])["status"], "up to date");
    assert_eq!(look(&nodes[0])["left_behind"], json!([]));
    let targets = |n: usize| show(&server)["waves"][n]["targets"][0]["progress"].clone();
    assert_eq!((targets(0), targets(1)), (json!("kept"), json!("left behind")));
    for path in ["/", &nodes[1].path().replace("/api/v1", "")] {
        let page = node_page(&server, path);
        assert!(page.contains("was over before this node had kept it"), "{path}: {page}");
        assert!(page.contains("left behind"), "{path}: {page}");
    }

    // Flashed by hand it has what was meant for it, and flashed back it has not.
    let before = nodes[1].state.io.replace(server_common::running(b"io new"));
    nodes[1].check_in(&server);
    assert_eq!(look(&nodes[1])["status"], "up to date");
    nodes[1].state.io = before;
    nodes[1].check_in(&server);
    assert_eq!(look(&nodes[1])["status"], "left behind");

    // A change of something else does not make up for it ...
    for (number, chip) in [(2, Chip::Net), (3, Chip::Io)] {
        let forward = server.store(chip, 20 * number, format!("new {number}").as_bytes());
        let back = server.store(chip, 20 * number + 1, format!("before {number}").as_bytes());
        server.good("POST", "/api/v1/rollouts", &plan(&[&nodes[1]], forward, back, "hold"));
        server.good("POST", &format!("/api/v1/rollouts/{number}/start"), &Value::Null);
        assert_eq!(nodes[1].check_in(&server).offer.unwrap().envelope, forward);
        nodes[1].end(Ending::Kept, 0);
        nodes[1].state.outcome.as_mut().unwrap().envelope = forward;
        let runs = server_common::running(format!("new {number}").as_bytes());
        match chip {
            Chip::Net => nodes[1].state.net = runs,
            Chip::Io => nodes[1].state.io = Some(runs),
        }
        nodes[1].check_in(&server);
        server.good("POST", &format!("/api/v1/rollouts/{number}/end"), &Value::Null);
        // ... a later image for the same chip does.
        let expected = if chip == Chip::Net { "left behind" } else { "up to date" };
        assert_eq!(look(&nodes[1])["status"], expected, "{chip}");
    }
    assert_eq!(look(&nodes[1])["left_behind"], json!([]));

    // It kept both, and somebody flashes one of them by hand.
    nodes[1].state.net = server_common::running(b"made at the bench");
    nodes[1].check_in(&server);
    assert_eq!(look(&nodes[1])["status"], "left behind");
    let says = "this node kept \"Firmware 1.1\" and was changed by hand since, or its board was replaced: it runs \
                net 1.0.0, io 1.0.0, no bundle";
    assert_eq!(look(&nodes[1])["left_behind"], json!([says]));
    nodes[1].state.net = server_common::running(b"new 2");
    nodes[1].check_in(&server);
    assert_eq!(look(&nodes[1])["status"], "up to date");
}

#[test]
fn a_node_flashed_by_hand_is_shown_and_proves_nothing() {
    let (server, mut nodes) = started(1, |wish| each_wave(wish, "evidence", &json!({"min_check_ins": 1})));
    keep(&server, &mut nodes[0]);
    nodes[0].state.io = Some(server_common::running(b"made at the bench"));
    nodes[0].check_in(&server);
    let target = &show(&server)["waves"][0]["targets"][0];
    assert_eq!(target["changed_by_hand"], true);
    assert_eq!(show(&server)["proves"], "no node shows how it does, so nothing is proved");
    assert_eq!(show(&server)["state"], "held", "no other node is left to show anything");
    assert_eq!(server.good("GET", &nodes[0].path(), &Value::Null)["status"], "left behind");
    assert_eq!(target["reason"], "it was changed by hand since: it runs something else");
    let journal = server.good("GET", "/api/v1/journal?limit=500", &Value::Null);
    let events: Vec<&str> =
        journal["entries"].as_array().unwrap().iter().map(|e| e["event"].as_str().unwrap()).collect();
    assert!(events.contains(&"changed_by_hand") && events.contains(&"not_sent"), "{events:?}");
}
