//! Looking for the yard's server on the local link, over real multicast on loopback.

mod bin_common;

use bin_common::Place;
use pintle_server::Running;
use pintle_server::config::{Config, Tls};

fn advertised(place: &Place, name: &str) -> Running {
    let mut config = Config::new(place.path(name), ([127, 0, 0, 1], 0).into());
    config.tls = Tls::Names(vec!["127.0.0.1".to_owned()]);
    config.advertise = true;
    pintle_server::start(config).unwrap()
}

/// What is said of a server, if it was heard; others may be on this machine.
fn about(heard: &serde_json::Value, running: &Running) -> Option<serde_json::Value> {
    let port = format!(":{}", running.addr.port());
    let mut servers = heard.as_array().unwrap().iter();
    servers.find(|server| server["base"].as_str().unwrap().ends_with(&port)).cloned()
}

#[test]
fn the_yards_server_is_told_from_others() {
    let place = Place::with_yard();
    let (ours, other) = (advertised(&place, "ours"), advertised(&place, "other"));
    // Before the yard has a server nothing can be said about whose it is.
    let heard = place.run(&["--json", "server", "find"]).ends(0).json();
    assert!(about(&heard, &ours).unwrap()["ours"].is_null());

    place.write("token", ours.operator_token.as_deref().unwrap());
    place.write("ca.pem", ours.ca_pem.as_deref().unwrap());
    let (token, ca) = (place.path("token"), place.path("ca.pem"));
    let (token, ca) = (token.to_str().unwrap(), ca.to_str().unwrap());
    place.run(&["server", "join", &ours.base_url, "--ca", ca, "--token-file", token]).ends(0);

    let heard = place.run(&["--json", "server", "find"]).ends(0).json();
    assert_eq!(about(&heard, &ours).unwrap()["ours"], true);
    assert_eq!(about(&heard, &other).unwrap()["ours"], false);
    let said = place.run(&["server", "find"]).ends(0).out;
    assert!(said.contains("this yard's server") && said.contains("not this yard's"), "{said}");

    let key = ours.server_key;
    ours.stop().unwrap();
    let missing = place.run(&["--json", "server", "find"]).ends(1).json();
    assert!(about(&missing, &other).is_some(), "{missing}: without {key}");
    place.run(&["server", "find", "--seconds", "0"]).ends(2).says(&["--seconds", "1..=60"]);
}
