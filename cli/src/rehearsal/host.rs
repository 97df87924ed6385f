//! The real server, in this process, with a clock that is moved by hand.

use pintle_server::clock::Clock;
use pintle_server::config::{Config, Intervals, Tls};
use pintle_server::{Running, start};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::Path;

/// 2026-03-02 06:00 UTC: a Monday morning.
const MORNING: i64 = 1_772_431_200;
/// Nodes check in often, so that a rehearsal shows every step.
const INTERVALS: Intervals = Intervals { idle_seconds: 60, busy_seconds: 15 };

/// A server that was started for a rehearsal.
pub(super) struct Host {
    pub(super) running: Running,
    clock: Clock,
}

impl Host {
    pub(super) fn start(data: &Path, seed: [u8; 32]) -> Result<Self, String> {
        let clock = Clock::manual(MORNING);
        let listen = SocketAddr::from((Ipv4Addr::LOCALHOST, 0));
        let config = Config {
            tls: Tls::Names(vec!["127.0.0.1".to_owned(), "localhost".to_owned()]),
            clock: clock.clone(),
            seed: Some(seed),
            intervals: INTERVALS,
            ..Config::new(data, listen)
        };
        let running = start(config).map_err(|e| e.to_string())?;
        Ok(Self { running, clock })
    }

    /// Time goes on by one second.
    pub(super) fn second(&self) {
        self.clock.advance(1);
    }
}
