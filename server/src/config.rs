//! Settings of the server. Read once, then passed.

use crate::clock::Clock;
use std::net::SocketAddr;
use std::path::PathBuf;

/// How a server runs.
#[derive(Clone, Debug)]
pub struct Config {
    /// Folder with everything that it keeps; made if it is not there.
    pub data: PathBuf,
    /// Address and port to listen on; port 0 takes a free one.
    pub listen: SocketAddr,
    /// How connections are protected.
    pub tls: Tls,
    /// Where the time comes from.
    pub clock: Clock,
    /// Makes the online key and the first token from this seed, so that runs are alike. **For
    /// rehearsals only**: whoever knows the seed knows the keys. TLS keys stay random.
    pub seed: Option<[u8; 32]>,
    /// When nodes check in again.
    pub intervals: Intervals,
    /// What is taken in at most.
    pub limits: Limits,
    /// Whether browsers are told to take only TLS for this host name, whatever the port.
    pub hsts: bool,
    /// Whether SIGINT and SIGTERM stop the server.
    pub stop_on_signals: bool,
}

impl Config {
    /// TLS for `localhost`, the machine's clock, everything else as usual.
    pub fn new(data: impl Into<PathBuf>, listen: SocketAddr) -> Self {
        Self {
            data: data.into(),
            listen,
            tls: Tls::Names(vec!["localhost".to_owned()]),
            clock: Clock::System,
            seed: None,
            intervals: Intervals::default(),
            limits: Limits::default(),
            hsts: false,
            stop_on_signals: false,
        }
    }
}

/// How connections are protected.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Tls {
    /// TLS with a certificate for these names and addresses, from the server's own root.
    Names(Vec<String>),
    /// Plain HTTP, for loopback: behind a reverse proxy, and in rehearsals.
    Plain,
}

/// When nodes check in again, in seconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Intervals {
    /// While nothing is under way for the node. 5 minutes: silence shows within a quarter of an
    /// hour, and 50 nodes cost one commit every 6 seconds.
    pub idle_seconds: u32,
    /// While something is. Half a minute: a person who waits beside a door sees it move on.
    pub busy_seconds: u32,
}

impl Default for Intervals {
    fn default() -> Self {
        Self { idle_seconds: 300, busy_seconds: 30 }
    }
}

impl Intervals {
    /// A node not heard for longer than this many seconds is shown as silent: three check-ins missed.
    pub const fn silent_after(&self) -> u32 {
        self.idle_seconds.saturating_mul(3)
    }

    /// The shortest time after which a gate may count a node as silent: one check-in may be lost.
    pub const fn least_silent_after(&self) -> u32 {
        self.idle_seconds.saturating_mul(2)
    }
}

/// What is taken in at most, in bytes or seconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// A claim or check-in: three times what a node sends.
    pub message_bytes: usize,
    /// An envelope: sixteen times what a node takes.
    pub envelope_bytes: usize,
    /// A payload: the largest flash in view.
    pub payload_bytes: u64,
    /// JSON of the operator's API: a plan for a thousand nodes.
    pub json_bytes: usize,
    /// Head of a request, and the TLS handshake.
    pub head_seconds: u64,
    /// A whole small body, or the next piece of a payload.
    pub body_seconds: u64,
    /// Connections at the same time, per worker.
    pub connections: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            message_bytes: 4 << 10,
            envelope_bytes: 64 << 10,
            payload_bytes: 16 << 20,
            json_bytes: 2 << 20,
            head_seconds: 10,
            body_seconds: 20,
            connections: 256,
        }
    }
}
