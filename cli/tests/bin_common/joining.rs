//! A server in this process, and the arguments that join it.
#![allow(unreachable_pub, reason = "each test binary has it as a module of its own")]

use crate::bin_common::Place;
use pintle_server::Running;
use pintle_server::clock::Clock;
use pintle_server::config::{Config, Tls};

/// Without TLS, at a fixed time.
pub fn plain(place: &Place, name: &str) -> Running {
    let mut config = Config::new(place.path(name), ([127, 0, 0, 1], 0).into());
    config.tls = Tls::Plain;
    config.clock = Clock::manual(1_800_000_000);
    pintle_server::start(config).unwrap()
}

/// Arguments that join a server, with its certificate and token in files.
pub fn join(place: &Place, running: &Running) -> Vec<String> {
    let mut args = vec!["server".to_owned(), "join".to_owned(), running.base_url.clone()];
    if let Some(pem) = &running.ca_pem {
        place.write("ca.pem", pem);
        args.extend(["--ca".to_owned(), place.path("ca.pem").display().to_string()]);
    }
    place.write("token", running.operator_token.as_deref().unwrap());
    args.extend(["--token-file".to_owned(), place.path("token").display().to_string()]);
    args
}

pub fn strs(args: &[String]) -> Vec<&str> {
    args.iter().map(String::as_str).collect()
}
