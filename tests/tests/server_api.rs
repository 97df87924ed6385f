//! The operator's API over real sockets: every error has its code, everything survives a restart.

mod server_common;

use pintle_protocol::id::{Chip, Digest};
use serde_json::{Value, json};
use server_common::{Node, Server, envelope, plan};

const NOBODY: &str = "00000000000000000000000000000000";

#[test]
fn about_says_who_answers() {
    let server = Server::start();
    let about = server.good("GET", "/api/v1/about", &Value::Null);
    assert_eq!(about["name"], "pintle-server");
    assert_eq!(about["protocol"], 1);
    assert_eq!(about["time"], server_common::NOW);
    assert_eq!(about["server_key"], server.running.server_key.to_string());
}

#[test]
fn each_error_has_its_status_and_code() {
    let server = Server::start();
    let node = Node::new(1).admitted(&server);
    let other = Node::new(2);
    let forward = server.store(Chip::Io, 10, b"io new");
    let back = server.store(Chip::Io, 11, b"io before");
    let expect = |answer: server_common::Answer, status: u16, code: &str| {
        assert_eq!(answer.error(), (status, code.to_owned()), "{}", answer.text());
    };
    let path = node.path();

    expect(server.ask("GET", "/api/v1/elsewhere", &Value::Null), 404, "no_such_route");
    expect(server.ask("DELETE", "/api/v1/nodes", &Value::Null), 405, "wrong_method");
    expect(server.ask("GET", "/api/v1/nodes/xyz", &Value::Null), 400, "bad_path");
    expect(server.ask("GET", "/api/v1/rollouts/first", &Value::Null), 400, "bad_path");
    expect(server.ask("GET", "/api/v1/journal?limit=999", &Value::Null), 400, "bad_query");
    expect(server.ask("GET", "/api/v1/journal?colour=1", &Value::Null), 400, "bad_query");
    for query in
        ["after=xyz", "after=0101", "limit=0", "limit=1001", "limit=-1", "before=1", "limit=1&limit=2"]
    {
        expect(server.ask("GET", &format!("/api/v1/nodes?{query}"), &Value::Null), 400, "bad_query");
    }
    for query in ["before=new", "limit=0", "limit=101", "after=1"] {
        expect(server.ask("GET", &format!("/api/v1/rollouts?{query}"), &Value::Null), 400, "bad_query");
    }
    expect(server.operator("PUT", &path, b"{"), 400, "bad_json");
    let mut unknown_field = node.wish();
    unknown_field["colour"] = json!("green");
    expect(server.ask("PUT", &path, &unknown_field), 400, "bad_json");
    let mut no_name = other.wish();
    no_name["name"] = json!(" ");
    expect(server.ask("PUT", &other.path(), &no_name), 422, "bad_field");
    let mut line_break = other.wish();
    line_break["name"] = json!("two\nlines");
    expect(server.ask("PUT", &other.path(), &line_break), 422, "bad_field");
    expect(server.operator("PUT", &path, &vec![b' '; (2 << 20) + 1]), 413, "too_large");
    expect(server.ask("GET", &format!("/api/v1/nodes/{NOBODY}"), &Value::Null), 404, "unknown_node");
    expect(server.ask("POST", &format!("/api/v1/nodes/{NOBODY}/retire"), &Value::Null), 404, "unknown_node");
    expect(server.ask("GET", "/api/v1/rollouts/7", &Value::Null), 404, "unknown_rollout");
    let mut other_code = node.wish();
    other_code["code_digest"] = json!("ab".repeat(32));
    expect(server.ask("PUT", &path, &other_code), 409, "node_admitted");
    expect(server.ask("POST", &format!("{path}/admit"), &other.keys()), 409, "keys_differ");
    server.good("PUT", &other.path(), &other.wish());
    let weak = json!({"signing_key": "00".repeat(32), "sealing_key": "09".repeat(32)});
    expect(server.ask("POST", &format!("{}/admit", other.path()), &weak), 422, "bad_field");
    server.good("POST", &format!("{}/retire", other.path()), &json!({"note": "sold"}));
    expect(server.ask("POST", &format!("{}/admit", other.path()), &other.keys()), 409, "node_retired");

    let zeros = "0".repeat(64);
    expect(server.operator("PUT", &format!("/api/v1/payloads/{zeros}"), b"image"), 422, "digest_differs");
    expect(
        server.operator("PUT", &format!("/api/v1/envelopes/{zeros}"), b"no envelope"),
        422,
        "envelope_broken",
    );
    let (digest, bytes) = envelope(Chip::Net, 12, b"an image nobody stored");
    expect(server.operator("PUT", &format!("/api/v1/envelopes/{zeros}"), &bytes), 422, "digest_differs");
    expect(server.operator("PUT", &format!("/api/v1/envelopes/{digest}"), &bytes), 422, "payload_missing");

    let good = plan(&[&node], forward, back, "hold");
    expect(
        server.ask("POST", "/api/v1/rollouts", &plan(&[&node], digest, back, "hold")),
        422,
        "envelope_missing",
    );
    expect(
        server.ask("POST", "/api/v1/rollouts", &plan(&[&other], forward, back, "hold")),
        409,
        "node_retired",
    );
    let mut bad = good.clone();
    bad["kind"] = json!("bundle");
    expect(server.ask("POST", "/api/v1/rollouts", &bad), 422, "bad_field");
    for (pointer, value) in [
        ("/title", json!("")),
        ("/waves", json!([])),
        ("/waves/0/targets", json!([])),
        ("/waves/0/gate/silent_after_seconds", json!(599)),
        ("/waves/0/soak_seconds", json!(999_999_999)),
        ("/waves/0/targets/0/steps", json!([])),
        // The way back has to come later than the step.
        (
            "/waves/0/targets/0/steps/0",
            json!({"envelope": back.to_string(), "way_back": forward.to_string()}),
        ),
    ] {
        let mut bad = good.clone();
        *bad.pointer_mut(pointer).unwrap() = value;
        expect(server.ask("POST", "/api/v1/rollouts", &bad), 422, "bad_field");
    }
    let mut bad = plan(&[&node, &node], forward, back, "hold");
    expect(server.ask("POST", "/api/v1/rollouts", &bad), 422, "bad_field");
    bad = plan(&[&node], forward, back, "turn_back");
    bad["waves"][0]["targets"][0]["steps"][0]["way_back"] = Value::Null;
    expect(server.ask("POST", "/api/v1/rollouts", &bad), 422, "bad_field");

    let rollout = server.good("POST", "/api/v1/rollouts", &good)["id"].clone();
    let at = |action: &str| format!("/api/v1/rollouts/{rollout}/{action}");
    expect(server.ask("POST", &at("resume"), &Value::Null), 409, "wrong_state");
    expect(server.ask("POST", &at("start"), &json!({"note": "x".repeat(201)})), 422, "bad_field");
    assert_eq!(server.good("POST", &at("start"), &json!({"note": "dry day"}))["state"], "under way");
    expect(server.ask("POST", &at("start"), &Value::Null), 409, "wrong_state");
}

#[test]
fn uploads_are_idempotent_and_checked() {
    let server = Server::start();
    let image = vec![7; 300_000];
    let path = format!("/api/v1/payloads/{}", Digest::of(&image));
    let first = server.operator("PUT", &path, &image).json();
    assert_eq!((first["size"].clone(), first["already"].clone()), (json!(300_000), json!(false)));
    assert_eq!(server.operator("PUT", &path, &image).json()["already"], true);
    let (digest, bytes) = envelope(Chip::Io, 4, &image);
    let path = format!("/api/v1/envelopes/{digest}");
    let stored = server.operator("PUT", &path, &bytes).json();
    assert_eq!(stored["components"], json!(["io"]));
    assert_eq!(stored["sequence"], 4);
    assert_eq!(server.operator("PUT", &path, &bytes).json()["already"], true);
    let parts = server.folder.path().join("data/payloads");
    assert_eq!(std::fs::read_dir(parts).unwrap().count(), 1, "nothing half-written stays");
}

#[test]
fn a_payload_over_the_limit_is_refused_and_leaves_nothing() {
    let server = Server::start();
    let image = vec![7; (16 << 20) + 1];
    let path = format!("/api/v1/payloads/{}", Digest::of(&image));
    assert_eq!(server.operator("PUT", &path, &image).error(), (413, "too_large".to_owned()));
    let parts = server.folder.path().join("data/payloads");
    assert_eq!(std::fs::read_dir(parts).unwrap().count(), 0);
}

#[test]
fn the_journal_reads_in_pages_and_its_chain_holds() {
    let server = Server::start();
    for n in 1..=3 {
        let node = Node::new(n);
        server.good("PUT", &node.path(), &node.wish());
    }
    let page = server.good("GET", "/api/v1/journal?after=1&limit=2", &Value::Null);
    let numbers: Vec<i64> =
        page["entries"].as_array().unwrap().iter().map(|e| e["number"].as_i64().unwrap()).collect();
    assert_eq!(numbers, [2, 3]);
    assert_eq!(page["last"], 4);
    assert_eq!(page["entries"][0]["sentence"], "Hatch 1 is announced; its claim is expected");
    let check = server.good("GET", "/api/v1/journal/check", &Value::Null);
    assert_eq!((check["good"].clone(), check["bad"].clone()), (json!(4), Value::Null));
}

#[test]
fn what_was_decided_survives_a_restart() {
    let server = Server::start();
    let mut node = Node::new(1).admitted(&server);
    let forward = server.store(Chip::Io, 10, b"io new");
    let back = server.store(Chip::Io, 11, b"io before");
    let rollout = server.good("POST", "/api/v1/rollouts", &plan(&[&node], forward, back, "hold"));
    server.good("POST", "/api/v1/rollouts/1/start", &Value::Null);
    assert_eq!(node.check_in(&server).offer.unwrap().envelope, forward);
    let key = server.running.server_key;
    let server = server.restart();
    assert_eq!(server.running.server_key, key);
    let after = server.good("GET", "/api/v1/rollouts/1", &Value::Null);
    assert_eq!(after["created_at"], rollout["created_at"]);
    assert_eq!(after["waves"][0]["targets"][0]["progress"], "fetching");
}

#[test]
fn one_folder_takes_one_server() {
    let server = Server::start();
    let second = pintle_server::start(server_common::config(&server.folder.path().join("data")));
    assert!(matches!(second, Err(pintle_server::StartError::InUse { .. })));
    let mut open = server_common::config(&server.folder.path().join("other"));
    open.listen = ([0, 0, 0, 0], 0).into();
    let refused = pintle_server::start(open);
    assert!(matches!(refused, Err(pintle_server::StartError::PlainBeyondLoopback { .. })));
}

#[test]
fn nodes_and_rollouts_read_in_pages() {
    let server = Server::start();
    let nodes: Vec<Node> = [5, 3, 1, 4, 2].map(|n| Node::new(n).admitted(&server)).into();
    let back = server.store(Chip::Io, 100, b"io before");
    for (n, node) in (0..).zip(&nodes) {
        let forward = server.store(Chip::Io, 10 + n, &[b"io new ", &[n as u8][..]].concat());
        server.good("POST", "/api/v1/rollouts", &plan(&[node], forward, back, "hold"));
    }
    let list = |path: String| server.good("GET", &path, &Value::Null).as_array().unwrap().clone();
    // Every number of rows in a page leads through all of them, once each and in order.
    for limit in 1..=6 {
        let (mut ids, mut path) = (Vec::new(), format!("/api/v1/nodes?limit={limit}"));
        loop {
            let page = list(path);
            assert!(page.len() <= limit);
            ids.extend(page.iter().map(|node| node["id"].as_str().unwrap().to_owned()));
            let Some(last) = page.last() else { break };
            path = format!("/api/v1/nodes?limit={limit}&after={}", last["id"].as_str().unwrap());
        }
        assert_eq!(ids, [1u8, 2, 3, 4, 5].map(|n| format!("{n:02x}").repeat(16)), "{limit} in a page");
        let (mut numbers, mut path) = (Vec::new(), format!("/api/v1/rollouts?limit={limit}"));
        loop {
            let page = list(path);
            assert!(page.len() <= limit);
            numbers.extend(page.iter().map(|rollout| rollout["id"].as_i64().unwrap()));
            let Some(last) = page.last() else { break };
            path = format!("/api/v1/rollouts?limit={limit}&before={}", last["id"]);
        }
        assert_eq!(numbers, [5, 4, 3, 2, 1], "{limit} in a page");
    }
    assert_eq!((list("/api/v1/nodes".into()).len(), list("/api/v1/rollouts".into()).len()), (5, 5));
    assert_eq!(list(format!("/api/v1/nodes?after={}", "ff".repeat(16))).len(), 0);
}
