//! What nodes said over the years, thinned out with time.

use super::values::{id, word_of};
use super::{StoreFault, clock};
use crate::contract::Seconds;
use crate::retention;
use pintle_protocol::checkin::{CheckIn, Position};
use pintle_protocol::id::NodeId;
use rusqlite::{Connection, OptionalExtension, named_params};

const POSITIONS: &[(Position, &str)] = &[
    (Position::Unknown, "unknown"),
    (Position::Open, "open"),
    (Position::PartlyOpen, "partly open"),
    (Position::Closed, "closed"),
];

/// Adds a check-in. Of several in one second the last one stays.
pub fn add(conn: &Connection, check_in: &CheckIn, now: Seconds) -> Result<(), StoreFault> {
    conn.prepare_cached(
        "INSERT INTO history (node, at, position, holds, rssi_dbm, supply_mv, starts, uptime_seconds,
             relay_pulses, net, io)
         VALUES (:node, :at, :position, :holds, :rssi_dbm, :supply_mv, :starts, :uptime_seconds,
             :relay_pulses, :net, :io)
         ON CONFLICT (node, at) DO UPDATE SET
             position = excluded.position, holds = excluded.holds, rssi_dbm = excluded.rssi_dbm,
             supply_mv = min(supply_mv, excluded.supply_mv), starts = excluded.starts,
             uptime_seconds = excluded.uptime_seconds, relay_pulses = excluded.relay_pulses,
             net = excluded.net, io = excluded.io",
    )?
    .execute(named_params! {
        ":node": check_in.node.0,
        ":at": now,
        ":position": word_of(check_in.position, POSITIONS),
        ":holds": i64::from(check_in.holds),
        ":rssi_dbm": check_in.wifi.rssi_dbm,
        ":supply_mv": check_in.supply_mv,
        ":starts": check_in.starts,
        ":uptime_seconds": check_in.uptime_seconds,
        ":relay_pulses": check_in.relay_pulses,
        ":net": check_in.net.version.to_string(),
        ":io": check_in.io.map(|io| io.version.to_string()),
    })?;
    Ok(())
}

/// Rows looked at in one step: some milliseconds, which the next check-in waits at most.
const STEP: usize = 500;

/// Nodes looked at in one step.
const STEP_NODES: usize = 50;

/// Takes one small step in thinning out what is older than `retention::cutoff`; false if nothing is
/// left to do, which costs one look at an index.
pub fn thin(conn: &Connection, now: Seconds) -> Result<bool, StoreFault> {
    let mut rows = 0;
    for _ in 0..STEP_NODES {
        let Some(looked_at) = thin_by(conn, STEP, now)? else { return Ok(false) };
        rows += looked_at;
        if rows >= STEP {
            break;
        }
    }
    Ok(true)
}

/// [`thin`] for one node, with another size of steps, 2 or more and one; how many rows were looked at, or nothing if no
/// node is left.
pub(super) fn thin_by(conn: &Connection, step: usize, now: Seconds) -> Result<Option<usize>, StoreFault> {
    let cutoff = retention::cutoff(now);
    let due = conn
        .prepare_cached("SELECT id, thinned_until FROM node WHERE thinned_until < :cutoff LIMIT 1")?
        .query_row(named_params! { ":cutoff": cutoff }, |row| {
            Ok((id::<NodeId>(row, "id"), row.get::<_, Seconds>("thinned_until")?))
        })
        .optional()?;
    let Some((node, from)) = due else { return Ok(None) };
    let node = node?;
    // The one before it comes first: a day of the clock on the wall may have begun before `from`.
    let moments = conn
        .prepare_cached(
            "SELECT at, at + coalesce((SELECT ahead FROM clock_step WHERE clock_step.at <= history.at
                 ORDER BY clock_step.at DESC LIMIT 1), 0) AS wall
             FROM history WHERE node = :node AND at < :cutoff AND at >= coalesce(
                 (SELECT max(at) FROM history WHERE node = :node AND at < :from), :from)
             ORDER BY at LIMIT :step + 1",
        )?
        .query_map(
            named_params! {
                ":node": node.0, ":from": from, ":cutoff": cutoff,
                ":step": i64::try_from(step).unwrap_or(i64::MAX),
            },
            |row| Ok((row.get("at")?, retention::day(row.get("wall")?))),
        )?
        .collect::<Result<Vec<(Seconds, Seconds)>, _>>()?;
    let mut delete = conn.prepare_cached("DELETE FROM history WHERE node = :node AND at = :at")?;
    for at in retention::dropped(&moments) {
        delete.execute(named_params! { ":node": node.0, ":at": at })?;
    }
    let until = match moments.last() {
        Some((last, _)) if moments.len() > step => *last,
        _ => cutoff,
    };
    conn.prepare_cached("UPDATE node SET thinned_until = :until WHERE id = :node")?
        .execute(named_params! { ":node": node.0, ":until": until })?;
    Ok(Some(moments.len()))
}

/// One UTC day of a node.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Day {
    /// Its last check-in, by what the machine's clock showed.
    pub last_at: Seconds,
    /// Check-ins that are kept of it.
    pub check_ins: u32,
    /// Lowest supply voltage, in millivolts.
    pub supply_mv: u16,
    /// Weakest signal, in dBm.
    pub rssi_dbm: i8,
    /// Starts of the board so far, at its first and last check-in.
    pub starts: (u32, u32),
    /// Pulses of the relay so far, at its first and last check-in.
    pub relay_pulses: (u32, u32),
    /// Versions at its last check-in: net, and io if it answered.
    pub versions: (String, Option<String>),
}

/// The days of a node that have check-ins at or after `from`, newest first.
pub fn days(conn: &Connection, node: &NodeId, from: Seconds) -> Result<Vec<Day>, StoreFault> {
    let mut statement = conn.prepare_cached(
        "SELECT last_at, check_ins, weakest_mv, weakest_dbm, starts_first, starts, pulses_first, relay_pulses,
             net, io
         FROM (SELECT max(at) AS last_at, count(*) AS check_ins, min(supply_mv) AS weakest_mv,
                   min(rssi_dbm) AS weakest_dbm, min(starts) AS starts_first,
                   min(relay_pulses) AS pulses_first
               FROM history WHERE node = :node AND at >= :from
               GROUP BY (at + coalesce((SELECT ahead FROM clock_step WHERE clock_step.at <= history.at
                   ORDER BY clock_step.at DESC LIMIT 1), 0)) / 86400)
         JOIN history ON node = :node AND at = last_at
         ORDER BY last_at DESC",
    )?;
    let days = statement.query_map(named_params! { ":node": node.0, ":from": from }, |row| {
        Ok(Day {
            last_at: row.get("last_at")?,
            check_ins: row.get("check_ins")?,
            supply_mv: row.get("weakest_mv")?,
            rssi_dbm: row.get("weakest_dbm")?,
            starts: (row.get("starts_first")?, row.get("starts")?),
            relay_pulses: (row.get("pulses_first")?, row.get("relay_pulses")?),
            versions: (row.get("net")?, row.get("io")?),
        })
    })?;
    let mut days = days.collect::<Result<Vec<Day>, _>>()?;
    for day in &mut days {
        day.last_at = clock::wall(conn, day.last_at)?;
    }
    Ok(days)
}

#[cfg(test)]
#[path = "history_tests.rs"]
mod tests;
