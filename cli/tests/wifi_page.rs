//! A change of Wi-Fi with real node cores: the page of its rollout says of every node what the command
//! says, and whether the old network can be switched off.

mod bin_common;
#[path = "bin_common/board.rs"]
mod board;
#[path = "bin_common/stage.rs"]
mod stage;

use bin_common::Place;
use board::{http, until};
use pintle_server::Running;
use serde_json::json;
use std::io::{Read, Write};
use std::net::TcpStream;

/// A page as a signed-in browser sees it.
fn page(place: &Place, running: &Running, path: &str) -> String {
    let link = place.run(&["server", "link"]).ends(0).out;
    let link = link.trim().strip_prefix(&running.base_url).unwrap().to_owned();
    let mut stream = TcpStream::connect(running.addr).unwrap();
    let ask =
        format!("POST {link} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nContent-Length: 0\r\n\r\n");
    stream.write_all(ask.as_bytes()).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    let cookie = answer.split("__Host-pintle=").nth(1).unwrap().split(';').next().unwrap();
    let cookie = format!("Cookie: __Host-pintle={cookie}\r\n");
    let (status, body) = http(running.addr, "GET", path, &cookie, &[]).unwrap();
    assert_eq!(status, 200);
    String::from_utf8(body).unwrap()
}

#[test]
fn the_page_of_a_wifi_change_says_what_the_command_says() {
    let (place, running, mut nodes) = stage::stage(&["barn", "gate", "shed"]);
    let client = stage::client(&place);
    let (ssid, passphrase) = ("Larkfield 2", "a longer latch");
    place.write("new-passphrase", passphrase);
    let file = place.path("new-passphrase");
    // The new network reaches the barn, and the gate not yet.
    nodes[0].hears(ssid, passphrase);
    let change = ["--json", "wifi", "change", "new", "--ssid", ssid, "--replaces", "house"];
    let how = ["--nodes", "barn,gate", "--wave", "rest", "--max-failed", "1", "--soak", "1m"];
    let with = ["--wifi-passphrase-file", file.to_str().unwrap()];
    let started = place.run(&[&change[..], &how, &with].concat()).ends(0).json();
    assert_eq!(started["kind"], "wifi");
    let path = format!("/rollouts/{}", started["id"]);

    let before = page(&place, &running, &path);
    for part in ["leave the old network on: barn, gate would be lost", "has not taken up its bundle"] {
        assert!(before.contains(part), "{part}: {before}");
    }
    until(&running, &mut stage::all(&mut nodes), 3000, "the barn to prove it and the gate to go back", |n| {
        n[0].outcome().is_some_and(|o| o.reason == 0)
            && n[1].outcome().is_some_and(|o| o.reason != 0)
            && client
                .nodes()
                .unwrap()
                .iter()
                .all(|node| node.report.as_ref().is_some_and(|r| r.phase == "idle"))
            && client.rollout(started["id"].as_i64().unwrap()).unwrap().waves[0].state.phrase() != "open"
    });
    let told = place.run(&["--json", "wifi", "tally"]).ends(1).json();
    assert_eq!(told["lost"], json!(["gate", "shed"]), "{told}");
    let shown = page(&place, &running, &path);
    let said = place.run(&["wifi", "tally"]).ends(1).out;
    let phrase = |name: &str| -> String {
        let line = said.lines().find(|line| line.trim_start().starts_with(name)).unwrap();
        line.trim_start().strip_prefix(name).unwrap().trim().to_owned()
    };
    assert_eq!(phrase("barn"), "proved");
    assert!(phrase("gate").starts_with("failed: "), "{said}");
    for part in [
        format!("barn</a></dt><dd class=\"good\">{}</dd>", phrase("barn")),
        format!("gate</a></dt><dd class=\"bad\">{}</dd>", phrase("gate")),
        "leave the old network on: gate would be lost".to_owned(),
        "Not among the nodes that change: shed".to_owned(),
    ] {
        assert!(shown.contains(&part), "{part}: {shown}");
    }
    // Neither network is known to the server by its name.
    assert!(!shown.contains(ssid) && !shown.contains("house"), "{shown}");

    // Once the configuration goes on, the change is over and the page counts no longer.
    place.run(&["wifi", "give-up"]).ends(0);
    let start = ["rollout", "start", "--bundles", "--nodes", "barn", "--wave", "rest"];
    place.run(&start).ends(0);
    assert!(!page(&place, &running, &path).contains("old network"));
    running.stop().unwrap();
}
