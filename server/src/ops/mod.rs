//! What the server does, each in one transaction: reads what is stored, asks the pure engine,
//! stores what it decided and writes it down in the journal. Knows no HTTP but the error table.

pub(crate) mod check_in;
pub(crate) mod claim;
mod clock;
pub(crate) mod nodes;
pub(crate) mod planning;
pub(crate) mod rollouts;
#[cfg(test)]
pub(crate) mod tests;

use crate::clock::steady::Change;
use crate::contract::Seconds;
use crate::journal::Line;
use crate::rollout::{Event, Known};
use crate::store::rollouts::Stored;
use crate::store::{Connection, StoreFault, clock as clocks, history, journal, rollouts as rows, server};

/// What is known about the nodes of a rollout.
pub(crate) fn known(conn: &Connection, rollout: i64, now: Seconds) -> Result<Known, StoreFault> {
    Ok(Known {
        last_seen: rows::last_seen(conn, rollout)?,
        listening_since: server::listening_since(conn, now)?,
    })
}

/// Stores what changed in a rollout since `before`, and writes down what happened.
fn settle(
    conn: &Connection,
    before: &Stored,
    after: &Stored,
    events: &[Event],
    now: Seconds,
) -> Result<(), StoreFault> {
    rows::update(conn, after.id, &before.rollout.state, &after.rollout.state)?;
    journal::append(conn, now, lines(conn, events, after.id, &after.title, now)?)
}

/// What happened in a rollout, as lines for the journal.
fn lines(
    conn: &Connection,
    events: &[Event],
    rollout: i64,
    title: &str,
    now: Seconds,
) -> Result<Vec<Line>, StoreFault> {
    if events.is_empty() {
        return Ok(Vec::new());
    }
    let ahead = clocks::ahead(conn, now)?;
    Ok(events.iter().map(|e| e.line(rollout, title, ahead)).collect())
}

/// Evaluates a rollout: looks at every node of it. Names and steps are read only if something changes.
fn evaluate(conn: &Connection, rollout: i64, now: Seconds) -> Result<(), StoreFault> {
    let known = known(conn, rollout, now)?;
    let Some(mut outline) = rows::outline(conn, rollout)? else { return Ok(()) };
    // What a node has come to changes in an evaluation only together with an event.
    let before = outline.state.without_targets();
    if outline.evaluate(&known, now).is_empty() && outline.state.without_targets() == before {
        return Ok(());
    }
    let Some(before) = rows::get(conn, rollout)? else { return Ok(()) };
    let mut after = before.clone();
    let events = after.rollout.evaluate(&known, now);
    settle(conn, &before, &after, &events, now)
}

/// Writes down how the machine's clock was set.
pub(crate) fn note_clock(conn: &Connection, changes: &[Change]) -> Result<(), StoreFault> {
    changes.iter().try_for_each(|change| clock::note(conn, *change))
}

/// Lets time pass: writes down how the machine's clock was set, notes that the server is there,
/// evaluates every rollout under way, and takes a small step in thinning out what nodes said long
/// ago.
pub(crate) fn tick(conn: &Connection, changes: &[Change], now: Seconds) -> Result<(), StoreFault> {
    note_clock(conn, changes)?;
    server::note_alive(conn, now)?;
    for number in rows::active(conn)? {
        evaluate(conn, number, now)?;
    }
    history::thin(conn, now)?;
    Ok(())
}
