//! The real server, as a program of its own on loopback: what check-ins, downloads, gates and very many nodes cost it.

mod bare;
mod check_in;
mod download;
mod gate;
mod many;
mod memory;
mod nginx;
pub(super) mod page;
mod process;

use super::{Bound, Group, Part, Row};
use crate::load::{Fleet, Lane, LoadError, Took, Trust, check_in_request, drive};
use crate::tool::MeasureError;
use pintle_protocol::id::PublicKey;
use process::Running;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// What is measured of the server, in this order.
pub(super) const PARTS: [(&str, Part); 5] = [
    ("memory", memory::rows),
    ("check-in", check_in::rows),
    ("download", download::rows),
    ("gate", gate::rows),
    ("many", many::rows),
];

/// From which the fleets follow.
const SEED: u64 = 1;
/// Turns in which values are taken that are compared with each other.
const TURNS: usize = 5;
/// How long a load may take before it counts as failed.
const PATIENCE: Duration = Duration::from_secs(300);

fn row(name: &'static str, value: f64, bound: Bound) -> Row {
    Row { group: Group::Server, name, value, bound }
}

/// A fleet in a folder, and the server that runs on it.
struct Yard {
    fleet: Fleet,
    running: Running,
    trust: Trust,
    /// Goes when the server has stopped, for fields are dropped in this order.
    data: tempfile::TempDir,
}

impl Yard {
    /// Copies the fleet's folder and starts a server on it.
    fn open(nodes: u32, tls: bool) -> Result<Self, MeasureError> {
        let fleet = Fleet::new(SEED, nodes);
        let data = process::folder()?;
        crate::load::filled(&process::kept()?, fleet, data.path())?;
        Self::on(fleet, data, tls)
    }

    /// Starts a server on a folder with a fleet.
    fn on(fleet: Fleet, data: tempfile::TempDir, tls: bool) -> Result<Self, MeasureError> {
        let running = Running::start(data.path(), if tls { &[] } else { &["--plain"] })?;
        process::settle(running.process.0.id())?;
        let trust = if tls { Trust::root(&data.path().join("ca.pem"))? } else { Trust::Plain };
        Ok(Self { fleet, running, trust, data })
    }

    fn folder(&self) -> &Path {
        self.data.path()
    }

    /// Lets so many check-ins come over so many connections. Signing is done before, verifying each reply after
    /// the time was taken. Returns also the time on the processor that the server spent on it, in seconds.
    fn check_in(&self, connections: u32, count: u32) -> Result<(Took, f64), MeasureError> {
        let asked = self.fleet.lanes(connections, count, turn())?;
        let lanes = asked.iter().map(|lane| Lane {
            requests: lane.iter().map(|signed| (check_in_request(&signed.bytes), 1)).collect(),
            keep: true,
        });
        let (took, cpu) = self.drive(lanes.collect())?;
        let bad = |_| MeasureError::Unexpected { what: "the server's key", found: self.running.key.clone() };
        let key = PublicKey::parse(&self.running.key).map_err(bad)?;
        for (lane, answers) in asked.iter().zip(&took.answers) {
            for (asked, answer) in lane.iter().zip(answers) {
                self.fleet.check_reply((asked.node, asked.counter), &answer.body, &key)?;
            }
        }
        Ok((took, cpu))
    }

    fn drive(&self, lanes: Vec<Lane>) -> Result<(Took, f64), MeasureError> {
        let before = self.running.process.cpu_seconds()?;
        let took = drive(self.running.addr()?, &self.trust, lanes, PATIENCE)?;
        let cpu = self.running.process.cpu_seconds()? - before;
        took.all_are(200)?;
        Ok((took, cpu))
    }
}

/// A counter higher than in any load before on any fleet; the first check-in of a fleet has 1.
fn turn() -> u64 {
    static TURN: AtomicU64 = AtomicU64::new(1);
    // A load takes fewer turns of its nodes than this.
    TURN.fetch_add(1, Ordering::Relaxed) * 1_000_000
}

impl From<LoadError> for MeasureError {
    fn from(error: LoadError) -> Self {
        Self::Load(Box::new(error))
    }
}

impl From<crate::load::FillError> for MeasureError {
    fn from(error: crate::load::FillError) -> Self {
        Self::Load(Box::new(error))
    }
}
