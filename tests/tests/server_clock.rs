//! The machine's clock is set forward and back, while the server runs and while it is away: nothing
//! opens, passes, fails, falls silent or stays valid by that.

mod server_common;

use pintle_protocol::checkin::{Ending, Phase};
use pintle_protocol::id::Chip;
use pintle_server::start;
use serde_json::Value;
use server_common::{Answer, NOW, Node, Server, config, plan};

const ROLLOUT: &str = "/api/v1/rollouts/1";
const YEAR: i64 = 365 * 86_400;
/// The soak of `plan`.
const SOAK: i64 = 600;

/// A rollout of two waves; the first node kept it and soaks.
fn soaking() -> (Server, Vec<Node>) {
    let server = Server::start();
    let mut nodes: Vec<Node> = (1..=2).map(|n| Node::new(n).admitted(&server)).collect();
    nodes.iter_mut().for_each(|node| _ = node.check_in(&server));
    let forward = server.store(Chip::Io, 10, b"io new");
    let back = server.store(Chip::Io, 11, b"io before");
    server.good(
        "POST",
        "/api/v1/rollouts",
        &plan(&nodes.iter().collect::<Vec<_>>(), forward, back, "turn_back"),
    );
    server.good("POST", &format!("{ROLLOUT}/start"), &Value::Null);
    keep(&server, &mut nodes[0]);
    assert_eq!(states(&server), ["under way", "soaking", "not open"]);
    (server, nodes)
}

fn keep(server: &Server, node: &mut Node) {
    assert!(node.check_in(server).offer.is_some(), "nothing was offered to {}", node.name);
    node.state.phase = Phase::Trial;
    node.state.io = Some(server_common::running(b"io new"));
    node.check_in(server);
    node.end(Ending::Kept, 0);
    node.check_in(server);
}

/// Of the rollout, then of its waves.
fn states(server: &Server) -> Vec<String> {
    let view = server.good("GET", ROLLOUT, &Value::Null);
    let waves = view["waves"].as_array().unwrap().iter().map(|wave| &wave["state"]);
    [&view["state"]].into_iter().chain(waves).map(|s| s.as_str().unwrap().to_owned()).collect()
}

/// Everything that a setting of the clock must leave as it is.
#[track_caller]
fn nothing_has_moved(server: &Server, nodes: &mut [Node]) {
    server.running.tick().unwrap();
    assert_eq!(states(server), ["under way", "soaking", "not open"]);
    for node in nodes.iter() {
        let view = server.good("GET", &node.path(), &Value::Null);
        assert_eq!(view["silent"], false, "{view}");
    }
    for node in nodes {
        assert_eq!(node.check_in(server).offer, None, "{}", node.name);
    }
    assert_eq!(states(server), ["under way", "soaking", "not open"]);
}

/// After the soak that is left, and not before, the second wave opens.
#[track_caller]
fn ends_by_itself(server: &Server, nodes: &mut [Node], left: i64) {
    server.wait(left - 1);
    nodes.iter_mut().for_each(|node| assert_eq!(node.check_in(server).offer, None));
    assert_eq!(states(server), ["under way", "soaking", "not open"]);
    server.wait(1);
    nodes[0].check_in(server);
    assert_eq!(states(server), ["under way", "passed", "open"]);
    keep(server, &mut nodes[1]);
    server.wait(SOAK);
    nodes[1].check_in(server);
    assert_eq!(states(server), ["done", "passed", "passed"]);
    assert_eq!(server.good("GET", "/api/v1/journal/check", &Value::Null)["bad"], Value::Null);
}

fn events(server: &Server) -> Vec<(String, i64)> {
    let page = server.good("GET", "/api/v1/journal?limit=500", &Value::Null);
    let entries = page["entries"].as_array().unwrap().iter();
    entries.map(|e| (e["event"].as_str().unwrap().to_owned(), e["at"].as_i64().unwrap())).collect()
}

fn count(server: &Server, event: &str) -> usize {
    events(server).iter().filter(|(found, _)| found == event).count()
}

/// The server on the same folder again, after so many seconds, with its clock set besides.
fn again_after(server: Server, away: i64, set: i64) -> Server {
    let now = server.running.clock.now();
    server.running.stop().unwrap();
    let mut config = config(&server.folder.path().join("data"));
    config.clock = pintle_server::clock::Clock::manual(now + away + set);
    let running = start(config).unwrap();
    Server { running, folder: server.folder, token: server.token }
}

fn link(server: &Server) -> (String, i64) {
    let link = server.good("POST", "/api/v1/sign-in-links", &Value::Null);
    (link["path"].as_str().unwrap().to_owned(), link["expires_at"].as_i64().unwrap())
}

fn cookie(server: &Server) -> String {
    let answer = server.send("POST", &link(server).0, &[], b"");
    answer.field("Set-Cookie").expect("no session").split(';').next().unwrap().to_owned()
}

fn page(server: &Server, path: &str, cookie: &str) -> Answer {
    server.send("GET", path, &[("Cookie", cookie)], b"")
}

#[test]
fn a_clock_set_forward_by_a_year_and_back_moves_nothing() {
    let (server, mut nodes) = soaking();
    server.wait(100);
    server.running.clock.set_by(YEAR);
    nothing_has_moved(&server, &mut nodes);
    assert_eq!(count(&server, "clock_set"), 1);
    // What people read is the clock on the wall, also for moments to come.
    let view = server.good("GET", ROLLOUT, &Value::Null);
    assert_eq!(view["waves"][0]["opened_at"], NOW);
    assert_eq!(view["waves"][0]["soak_until"], NOW + YEAR + SOAK);
    assert_eq!(server.good("GET", &nodes[0].path(), &Value::Null)["last_seen"], NOW + 100 + YEAR);
    assert_eq!(events(&server).last().unwrap(), &("clock_set".to_owned(), NOW + 100 + YEAR));
    server.wait(100);
    server.running.clock.set_by(-YEAR);
    nothing_has_moved(&server, &mut nodes);
    assert_eq!(count(&server, "clock_set"), 2);
    ends_by_itself(&server, &mut nodes, SOAK - 200);
}

/// What happens in the moments after the clock was set, before anything else looked at it.
#[test]
fn an_entry_right_after_the_clock_was_set_has_the_time_that_it_shows() {
    let (server, nodes) = soaking();
    for (by, shows) in [(YEAR, NOW + YEAR), (-2 * YEAR, NOW - YEAR), (YEAR, NOW)] {
        server.running.clock.set_by(by);
        server.good("POST", &format!("{ROLLOUT}/hold"), &Value::Null);
        server.good("POST", &format!("{ROLLOUT}/resume"), &Value::Null);
        let found = events(&server);
        let newest: Vec<&str> = found[found.len() - 3..].iter().map(|(event, _)| event.as_str()).collect();
        assert_eq!(newest, ["clock_set", "rollout_held", "rollout_resumed"]);
        assert!(found[found.len() - 3..].iter().all(|(_, at)| *at == shows), "{found:?}");
    }
    assert_eq!(server.good("GET", &nodes[0].path(), &Value::Null)["last_seen"], NOW);
    assert_eq!(server.good("GET", "/api/v1/journal/check", &Value::Null)["bad"], Value::Null);
}

#[test]
fn a_clock_set_back_makes_no_soak_longer() {
    for back in [3600, YEAR, NOW - 5] {
        let (server, mut nodes) = soaking();
        server.wait(100);
        server.running.clock.set_by(-back);
        nothing_has_moved(&server, &mut nodes);
        ends_by_itself(&server, &mut nodes, SOAK - 100);
    }
}

#[test]
fn a_clock_that_jumps_to_and_fro_all_the_time_moves_nothing() {
    let (server, mut nodes) = soaking();
    for n in 0..50 {
        server.running.clock.set_by(if n % 2 == 0 { 86_400 } else { -86_400 });
        server.wait(1);
        nothing_has_moved(&server, &mut nodes);
    }
    assert_eq!(count(&server, "clock_set"), 10, "the journal is not filled with it");
    ends_by_itself(&server, &mut nodes, SOAK - 50);
}

/// A node that really falls silent is still found out, whatever the clock says.
#[test]
fn a_silent_node_is_silent_by_the_time_that_has_passed() {
    for set in [YEAR, -YEAR] {
        let (server, mut nodes) = soaking();
        server.running.clock.set_by(set);
        // Nobody is heard for an hour; the server is there all the time.
        for _ in 0..59 {
            server.wait(60);
        }
        assert_eq!(states(&server)[0], "under way");
        server.wait(61);
        assert_eq!(states(&server)[..2], ["turned back", "failed"]);
        assert_eq!(server.good("GET", &nodes[1].path(), &Value::Null)["silent"], true);
        nodes[1].check_in(&server);
        assert_eq!(server.good("GET", &nodes[1].path(), &Value::Null)["silent"], false);
    }
}

#[test]
fn links_and_sessions_live_as_long_as_they_should() {
    let (server, _) = soaking();
    let (path, expires_at) = link(&server);
    assert_eq!(expires_at, NOW + 600);
    server.running.clock.set_by(YEAR);
    assert_eq!(server.send("GET", &path, &[], b"").status, 200, "a clock set forward ended a link");
    server.running.clock.set_by(-2 * YEAR);
    assert_eq!(server.send("GET", &path, &[], b"").status, 200);
    server.wait(599);
    assert_eq!(server.send("GET", &path, &[], b"").status, 200);
    server.wait(1);
    assert_ne!(server.send("GET", &path, &[], b"").status, 200, "a clock set back kept a link alive");

    let cookie = cookie(&server);
    server.running.clock.set_by(-YEAR);
    server.wait(30 * 86_400 - 1);
    assert_eq!(page(&server, "/rollouts/1", &cookie).status, 200);
    server.wait(1);
    assert_ne!(page(&server, "/rollouts/1", &cookie).status, 200, "a clock set back kept a session alive");
}

/// While the server was away nobody counted: that time is neither soak nor silence.
#[test]
fn what_happened_while_it_was_away_counts_for_nothing() {
    for (away, set, event) in [
        (4000, 0, "server_back"),
        (30, YEAR, "server_back"),
        (4000, -86_400, "clock_behind"),
        (30, -YEAR, "clock_behind"),
    ] {
        let (server, mut nodes) = soaking();
        server.wait(100);
        let cookie = cookie(&server);
        let server = again_after(server, away, set);
        nothing_has_moved(&server, &mut nodes);
        assert_eq!(count(&server, event), 1, "away {away} s, set by {set} s");
        let signed_in = page(&server, "/rollouts/1", &cookie).status == 200;
        assert_eq!(signed_in, (away, set) == (4000, 0), "away {away} s, set by {set} s");
        // Moments before are shown as they were; what is to come by the clock as it is.
        let view = server.good("GET", ROLLOUT, &Value::Null);
        assert_eq!(view["waves"][0]["opened_at"], NOW);
        assert_eq!(view["waves"][0]["soak_until"], NOW + away + set + SOAK);
        ends_by_itself(&server, &mut nodes, SOAK - 100);
    }
    // A restart is none of that.
    let (server, mut nodes) = soaking();
    server.wait(100);
    let cookie = cookie(&server);
    let server = again_after(server, 170, 0);
    nothing_has_moved(&server, &mut nodes);
    assert_eq!(page(&server, "/rollouts/1", &cookie).status, 200);
    assert_eq!(count(&server, "server_back") + count(&server, "clock_behind"), 0);
    ends_by_itself(&server, &mut nodes, SOAK - 270);
}

/// What nodes said in the last weeks is thinned out by age, not by a date that was wrong for a while.
#[test]
fn a_wrong_date_thins_nothing_out() {
    let (server, mut nodes) = soaking();
    let cookie = cookie(&server);
    for _ in 0..5 {
        server.wait(60);
        nodes[0].check_in(&server);
    }
    let shown = |server: &Server| {
        let shown = page(server, &nodes[0].path().replace("/api/v1", ""), &cookie).text();
        let rows = shown.split("<tr>").filter(|row| row.starts_with("<td>2027-01-15"));
        let rows: Vec<String> = rows.map(|row| row.split("</tr>").next().unwrap().to_owned()).collect();
        assert!(!rows.is_empty(), "{shown}");
        rows
    };
    let before = shown(&server);
    server.running.clock.set_by(YEAR);
    (0..10).for_each(|_| server.wait(5));
    server.running.clock.set_by(-YEAR);
    (0..10).for_each(|_| server.wait(5));
    assert_eq!(shown(&server), before);
}
