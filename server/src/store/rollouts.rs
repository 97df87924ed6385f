//! Rollouts: the plan as planned, the state as decided.

mod read;
mod run;
mod words;
mod write;

pub use read::{StoredPart, get, outline, part};
pub use write::{add, update, update_part};

use super::StoreFault;
use super::files::component;
use super::values::{Columns, word};
use crate::contract::{Kind, RolloutState, Seconds};
use crate::rollout::Rollout;
use pintle_protocol::id::{Component, NodeId};
use rusqlite::types::FromSql;
use rusqlite::{Connection, OptionalExtension, named_params, params_from_iter};
use std::collections::BTreeMap;
use words::STATES;

/// A rollout as stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stored {
    /// Its number.
    pub id: i64,
    /// What people call it.
    pub title: String,
    /// What it changes.
    pub kind: Kind,
    /// When it was planned.
    pub created_at: Seconds,
    /// Plan and state.
    pub rollout: Rollout,
}

/// Numbers of the rollouts that something may still happen to, in the order of their start.
pub fn active(conn: &Connection) -> Result<Vec<i64>, StoreFault> {
    numbers(
        conn,
        "SELECT id FROM rollout
         WHERE state IN ('under way', 'held') OR (state = 'turned back' AND ended_at IS NULL)
         ORDER BY started_at, id",
        None,
    )
}

/// Numbers of the started rollouts that a node is in, in the order of their start: those that
/// are active, and those in which the node has still to end what it took up.
pub fn of_node(conn: &Connection, node: &NodeId) -> Result<Vec<i64>, StoreFault> {
    numbers(
        conn,
        "SELECT rollout.id FROM target JOIN rollout ON rollout.id = target.rollout
         WHERE target.node = :node AND rollout.state <> 'ready'
             AND (rollout.state IN ('under way', 'held')
                  OR (rollout.state = 'turned back' AND rollout.ended_at IS NULL)
                  OR target.stage NOT IN ('waiting', 'ended', 'retired'))
         ORDER BY rollout.started_at, rollout.id",
        Some(node),
    )
}

/// Numbers of the rollouts that are over and did not do with this node what was meant, in the order of their
/// start: but for those that ended before it was admitted, for that was another board, and those of
/// which a later one brought every part.
pub fn left_undone(conn: &Connection, node: &NodeId) -> Result<Vec<i64>, StoreFault> {
    numbers(conn, include_str!("rollouts/left_undone.sql"), Some(node))
}

/// Parts of a node, each with the number of the rollout that changed it last and that it kept; sorted by number.
/// Only of rollouts that are over, or since which the node was changed by hand.
pub fn kept_last(conn: &Connection, node: &NodeId) -> Result<Vec<(i64, Component)>, StoreFault> {
    let mut statement = conn.prepare_cached(include_str!("rollouts/kept_last.sql"))?;
    let mut rows = statement.query(named_params! { ":node": node.0 })?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push((row.get("id")?, component(row)?));
    }
    Ok(found)
}

/// Numbers of all rollouts that a node is in.
pub fn all_of_node(conn: &Connection, node: &NodeId) -> Result<Vec<i64>, StoreFault> {
    numbers(conn, "SELECT rollout FROM target WHERE node = :node ORDER BY rollout", Some(node))
}

/// Numbers of all rollouts, newest first.
pub fn list(conn: &Connection) -> Result<Vec<i64>, StoreFault> {
    numbers(conn, "SELECT id FROM rollout ORDER BY id DESC", None)
}

/// At most `limit` numbers of rollouts below `before`, newest first, each with how many nodes it has.
pub fn page(conn: &Connection, before: i64, limit: u32) -> Result<Vec<(i64, usize)>, StoreFault> {
    let sql = "SELECT id, (SELECT count(*) FROM target WHERE rollout = rollout.id) FROM rollout \
        WHERE id < :before ORDER BY id DESC LIMIT :limit";
    let mut statement = conn.prepare_cached(sql)?;
    let rows = statement.query_map(named_params! { ":before": before, ":limit": limit }, |row| {
        Ok((row.get(0)?, usize::try_from(row.get::<_, i64>(1)?).unwrap_or(usize::MAX)))
    })?;
    Ok(rows.collect::<Result<_, _>>()?)
}

fn numbers(conn: &Connection, sql: &str, node: Option<&NodeId>) -> Result<Vec<i64>, StoreFault> {
    let mut statement = conn.prepare_cached(sql)?;
    let mut rows = match node {
        Some(node) => statement.query(named_params! { ":node": node.0 })?,
        None => statement.query([])?,
    };
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push(row.get(0)?);
    }
    Ok(found)
}

/// Rollouts that are held: number, title, why.
pub fn held(conn: &Connection) -> Result<Vec<(i64, String, String)>, StoreFault> {
    told(conn, "SELECT id, title, coalesce(held_because, '') FROM rollout WHERE state = 'held'", None)
}

/// Rollouts that turn back, or had turned back after this moment: number, title, why.
pub fn turned_back(conn: &Connection, after: Seconds) -> Result<Vec<(i64, String, String)>, StoreFault> {
    let sql = "SELECT id, title, coalesce(held_because, '') FROM rollout
        WHERE state = 'turned back' AND (ended_at IS NULL OR ended_at > ?1)";
    told(conn, sql, Some(after))
}

/// Rollouts under way of which a wave waits for approval: number, title, wave from 0.
pub fn for_approval(conn: &Connection) -> Result<Vec<(i64, String, i64)>, StoreFault> {
    let sql = "SELECT id, title, wave.number FROM rollout JOIN wave ON wave.rollout = id
        WHERE rollout.state = 'under way' AND wave.state = 'not open' AND asked_at IS NOT NULL
            AND approved_at IS NULL";
    told(conn, sql, None)
}

/// `at`: the first parameter, if there is one.
fn told<T: FromSql>(
    conn: &Connection,
    sql: &str,
    at: Option<Seconds>,
) -> Result<Vec<(i64, String, T)>, StoreFault> {
    let mut statement = conn.prepare_cached(sql)?;
    let mut rows = statement.query(params_from_iter(at))?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push((row.get(0)?, row.get(1)?, row.get(2)?));
    }
    Ok(found)
}

/// How many rollouts stand where; states without any are left out.
pub fn counts(conn: &Connection) -> Result<Vec<(RolloutState, i64)>, StoreFault> {
    let mut statement = conn.prepare_cached("SELECT state, count(*) FROM rollout GROUP BY state")?;
    let mut rows = statement.query([])?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push((word(row, "state", STATES)?, row.get(1)?));
    }
    Ok(found)
}

/// Nodes of a rollout that are out of service.
pub fn retired(conn: &Connection, rollout: i64) -> Result<Vec<NodeId>, StoreFault> {
    let mut statement = conn.prepare_cached(
        "SELECT target.node FROM target JOIN node ON node.id = target.node
         WHERE target.rollout = :rollout AND node.retired_at IS NOT NULL",
    )?;
    let mut rows = statement.query(named_params! { ":rollout": rollout })?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push(Columns::of(row).id()?);
    }
    Ok(found)
}

/// When each node of a rollout was last seen; perhaps also when others were.
pub fn last_seen(conn: &Connection, rollout: i64) -> Result<BTreeMap<NodeId, Seconds>, StoreFault> {
    // Looking a node up takes about as long as passing over ten of them.
    let sql = "SELECT (SELECT count(*) FROM target WHERE rollout = :rollout) * 10
        > (SELECT coalesce(max(rowid), 0) FROM node)";
    let most: bool =
        conn.prepare_cached(sql)?.query_row(named_params! { ":rollout": rollout }, |row| row.get(0))?;
    let mut statement = conn.prepare_cached(match most {
        true => "SELECT id, last_seen FROM node WHERE last_seen IS NOT NULL",
        false => {
            "SELECT node.id, node.last_seen FROM target JOIN node ON node.id = target.node
             WHERE target.rollout = :rollout AND node.last_seen IS NOT NULL"
        }
    })?;
    let mut rows = match most {
        true => statement.query([])?,
        false => statement.query(named_params! { ":rollout": rollout })?,
    };
    let mut seen = Vec::new();
    while let Some(row) = rows.next()? {
        let mut columns = Columns::of(row);
        seen.push((columns.id()?, columns.get()?));
    }
    Ok(seen.into_iter().collect())
}

/// Title and state of a rollout.
pub fn title(conn: &Connection, rollout: i64) -> Result<Option<(String, RolloutState)>, StoreFault> {
    let found = conn
        .prepare_cached("SELECT title, state FROM rollout WHERE id = :id")?
        .query_row(named_params! { ":id": rollout }, |row| {
            Ok((row.get("title")?, word(row, "state", STATES)))
        })
        .optional()?;
    found.map(|(title, state)| Ok((title, state?))).transpose()
}

/// Whether a rollout has no more nodes than `most`.
pub fn is_small(conn: &Connection, rollout: i64, most: u32) -> Result<bool, StoreFault> {
    let sql = "SELECT count(*) FROM (SELECT 1 FROM target WHERE rollout = :rollout LIMIT :most + 1)";
    let found: u32 = conn
        .prepare_cached(sql)?
        .query_row(named_params! { ":rollout": rollout, ":most": most }, |row| row.get(0))?;
    Ok(found <= most)
}

/// Whether any node of a wave has still to end.
///
/// `wave`: from 0.
pub fn any_walking(conn: &Connection, rollout: i64, wave: i64) -> Result<bool, StoreFault> {
    let sql = "SELECT EXISTS (SELECT 1 FROM target
        WHERE rollout = :rollout AND wave = :wave AND stage NOT IN ('ended', 'retired'))";
    Ok(conn
        .prepare_cached(sql)?
        .query_row(named_params! { ":rollout": rollout, ":wave": wave }, |row| row.get(0))?)
}
