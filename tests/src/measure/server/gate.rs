//! The gate of a wave of 100,000 nodes that kept: the decision alone, and from the database.

use super::row;
use crate::load::Fleet;
use crate::measure::{Bound, Row, median};
use crate::tool::MeasureError;
use pintle_server::clock::Clock;
use pintle_server::config::{Config, Tls};
use pintle_server::fleet;
use pintle_server::rollout::{Known, Rollout};
use pintle_server::store::{Db, StoreFault, rollouts};
use std::time::Instant;

const NODES: u32 = 100_000;
/// In milliseconds.
const GATE_MS: f64 = 200.0;
const TIMES: usize = 5;
/// The wave soaks for longer than this measurement takes.
const SOAK_SECONDS: u32 = 3_600;

pub(super) fn rows(show: &mut dyn FnMut(Row)) -> Result<(), MeasureError> {
    let members = Fleet::new(super::SEED, NODES);
    let data = super::process::folder()?;
    crate::load::filled(&super::process::kept()?, members, data.path())?;
    let ids: Vec<_> = (0..NODES).map(|n| members.id(n)).collect();
    let now = fleet::now();
    let number =
        fleet::soak(data.path(), &ids, SOAK_SECONDS, now).map_err(|e| MeasureError::Load(Box::new(e)))?;
    show(row(
        "gate over 100,000 nodes, the decision alone, ms",
        decision(data.path(), number, &ids, now)?,
        Bound::AtMost(GATE_MS),
    ));
    show(row(
        "gate over 100,000 nodes from the database, ms",
        from_database(data.path(), now)?,
        Bound::AtMost(GATE_MS),
    ));
    Ok(())
}

/// Everything in memory: what the engine takes for one look at each node.
fn decision(
    data: &std::path::Path,
    number: i64,
    ids: &[pintle_protocol::id::NodeId],
    now: i64,
) -> Result<f64, MeasureError> {
    let path = data.join("pintle.db");
    let odd = |found: String| MeasureError::Unexpected { what: "the rollout", found };
    let db = Db::open(&path).map_err(|e| odd(e.to_string()))?;
    let read = db.read_blocking::<_, StoreFault, _>(|conn| {
        Ok((rollouts::get(conn, number)?, rollouts::last_seen(conn, number)?))
    });
    let (stored, last_seen) = read.map_err(|e| odd(e.to_string()))?;
    let mut rollout: Rollout = stored.ok_or_else(|| odd("nothing".to_owned()))?.rollout;
    let known = Known { last_seen, listening_since: now };
    if known.last_seen.len() != ids.len() {
        return Err(odd(format!("{} nodes that were heard", known.last_seen.len())));
    }
    // The first look writes down since when the wave soaks.
    let _ = rollout.evaluate(&known, now + 1);
    let before = rollout.state.clone();
    let mut times = Vec::new();
    for turn in 0..TIMES {
        let from = Instant::now();
        let events = rollout.evaluate(&known, now + 2 + turn as i64);
        times.push(from.elapsed().as_secs_f64() * 1e3);
        if !events.is_empty() || rollout.state != before {
            return Err(odd(format!("{events:?} while it soaks")));
        }
    }
    Ok(median(times))
}

/// A server that lets time pass: looks at the rollout, and commits what it decided.
fn from_database(data: &std::path::Path, now: i64) -> Result<f64, MeasureError> {
    let odd = |found: String| MeasureError::Unexpected { what: "a server on the folder", found };
    let mut config = Config::new(data, ([127, 0, 0, 1], 0).into());
    config.tls = Tls::Plain;
    config.clock = Clock::manual(now + 10);
    let server = pintle_server::start(config).map_err(|e| odd(e.to_string()))?;
    super::process::settle(std::process::id())?;
    let mut times = Vec::new();
    for _ in 0..TIMES {
        server.clock.advance(5);
        let from = Instant::now();
        server.tick().map_err(|e| odd(e.to_string()))?;
        times.push(from.elapsed().as_secs_f64() * 1e3);
    }
    server.stop().map_err(|e| odd(e.to_string()))?;
    Ok(median(times))
}
