//! Settings of the server. Read once, then passed.

use crate::clock::Clock;
use crate::contract::Seconds;
use crate::notices::Notices;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

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
    /// How often the machine's clock makes the server evaluate its rollouts.
    pub tick: Duration,
    /// What is taken in at most.
    pub limits: Limits,
    /// Whether browsers are told to take only TLS for this host name, whatever the port.
    pub hsts: bool,
    /// Whether it is a program of its own: SIGINT, SIGTERM and SIGQUIT stop it, and the service manager that started
    /// it, if any, is told how it goes.
    pub as_service: bool,
    /// Whether it is advertised on the local link, so that nodes find it at a new address.
    pub advertise: bool,
    /// How people are told of what needs them.
    pub notices: Notices,
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
            tick: Duration::from_secs(5),
            limits: Limits::default(),
            hsts: false,
            as_service: false,
            advertise: false,
            notices: Notices::default(),
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

/// When nodes check in again at the latest, in seconds. A node comes sooner if its bundle says so.
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

    /// Whether a node last seen at `seen` is silent at `now`, if the server has listened since then; all three
    /// by the server's own time.
    pub(crate) fn is_silent(&self, seen: Seconds, listening_since: Seconds, now: Seconds) -> bool {
        now - seen.max(listening_since) > Seconds::from(self.silent_after())
    }

    /// The shortest time after which a gate may count a node as silent: one check-in may be lost.
    pub const fn least_silent_after(&self) -> u32 {
        self.idle_seconds.saturating_mul(2)
    }
}

/// What is taken in at most, in bytes, seconds or connections.
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
    /// Until a connection says something; head of a request; the TLS handshake after its first message.
    pub head_seconds: u64,
    /// A whole small body, or the next piece of a payload.
    pub body_seconds: u64,
    /// Nothing of an answer is taken by its client.
    pub write_seconds: u64,
    /// A connection on which nothing comes and nothing goes, whatever it waits for: longer than all
    /// other limits, for what none of them sees.
    pub quiet_seconds: u64,
    /// A connection that says nothing, with TLS not its whole first message, once more than half of all are taken.
    pub crowded_seconds: u64,
    /// Connections at the same time, for each of two workers: every node of a large yard with a
    /// connection left over, and room for many that are there for nothing.
    pub connections: usize,
    /// Of those, from one address; behind a reverse proxy, where all are, this does not count. A
    /// large yard behind one router.
    pub per_address: usize,
    /// TLS handshakes that are worked on at the same time: a fraction of a second of one
    /// processor, so that whoever is connected does not wait for longer than that.
    pub handshakes: usize,
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
            write_seconds: 20,
            quiet_seconds: 45,
            crowded_seconds: 2,
            connections: 4096,
            per_address: 256,
            handshakes: 32,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_page_of_limits_says_these() {
        let page = include_str!("../../docs/limits.md");
        let l = Limits::default();
        let rows = [
            format!("| connections at the same time | {} for each of two threads |", l.connections),
            format!("| of those, from one address | {} |", l.per_address),
            format!(
                "| until a connection says something, with TLS its whole first message | {} s |",
                l.head_seconds
            ),
            format!("| the same, while more than half of all places are taken | {} s |", l.crowded_seconds),
            format!("| TLS handshakes worked on at once | {} |", l.handshakes),
            format!("| a TLS handshake | {} s |", l.head_seconds),
            format!("| a request's head, in time | {} s |", l.head_seconds),
            format!("| an answer of which nothing is taken | {} s |", l.write_seconds),
            format!("| a connection on which nothing comes and nothing goes | {} s |", l.quiet_seconds),
            format!("| a claim or check-in | {} KiB |", l.message_bytes >> 10),
            format!("| an envelope | {} KiB |", l.envelope_bytes >> 10),
            format!("| a payload | {} MiB |", l.payload_bytes >> 20),
            format!("| JSON of the operator's API | {} MiB |", l.json_bytes >> 20),
            format!("the next piece of a payload, in time | {} s |", l.body_seconds),
        ];
        for row in rows {
            assert!(page.contains(&row), "docs/limits.md lacks: {row}");
        }
    }
}
