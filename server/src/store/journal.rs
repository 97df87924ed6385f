//! The journal's table. Entries are only ever added.

use super::values::{id, maybe_id};
use super::{StoreFault, clock};
use crate::contract::{JournalCheck, JournalEntry, JournalPage, Seconds};
use crate::journal::quota::{REPEATABLE, Room, Used, take};
use crate::journal::{Chain, Line, START};
use pintle_protocol::id::Digest;
use rusqlite::{Connection, OptionalExtension, Row, named_params};

/// Writes lines down, in order, in the transaction of what they tell about, with what the machine's
/// clock shows at this moment of the server's own time.
pub fn append(conn: &Connection, now: Seconds, lines: Vec<Line>) -> Result<(), StoreFault> {
    if lines.is_empty() {
        return Ok(());
    }
    let at = clock::wall(conn, now)?;
    let (mut number, mut head) = end(conn)?;
    let mut insert = conn.prepare_cached(
        "INSERT INTO journal (number, at, event, sentence, node, rollout, hash)
         VALUES (:number, :at, :event, :sentence, :node, :rollout, :hash)",
    )?;
    for line in lines {
        number += 1;
        let entry = line.chained(number, at, head);
        head = entry.hash;
        insert.execute(named_params! {
            ":number": entry.number,
            ":at": entry.at,
            ":event": entry.event,
            ":sentence": entry.sentence,
            ":node": entry.node.map(|n| n.0),
            ":rollout": entry.rollout,
            ":hash": entry.hash.0,
        })?;
    }
    Ok(())
}

/// [`append`] for what a node's messages cause: of what it can cause again and again, no more than there is
/// room for. How much was written is kept in memory, so that what is not written down costs no disk; after a
/// restart it is counted anew.
pub fn append_caused(conn: &Connection, now: Seconds, lines: Vec<Line>) -> Result<(), StoreFault> {
    let mut kept = Vec::new();
    for mut line in lines {
        match room(conn, &line, now)? {
            Room::Free => {}
            Room::Last => line.sentence += "; more of this is not written down for the next hour",
            Room::None => continue,
        }
        kept.push(line);
    }
    append(conn, now, kept)
}

fn room(conn: &Connection, line: &Line, now: Seconds) -> Result<Room, StoreFault> {
    let Some(node) = line.node.filter(|_| REPEATABLE.contains(&line.event)) else { return Ok(Room::Free) };
    conn.execute_batch(
        "CREATE TEMP TABLE IF NOT EXISTS quota (
             node BLOB NOT NULL, event TEXT NOT NULL, rollout INTEGER NOT NULL,
             since INTEGER NOT NULL, lines INTEGER NOT NULL, PRIMARY KEY (node, event, rollout)
         ) STRICT, WITHOUT ROWID",
    )?;
    let (rollout, event) = (line.rollout.unwrap_or(0), line.event);
    let used = conn
        .prepare_cached(
            "SELECT since, lines FROM quota WHERE node = :node AND event = :event AND rollout = :rollout",
        )?
        .query_row(named_params! { ":node": node.0, ":event": event, ":rollout": rollout }, |row| {
            Ok(Used { since: row.get("since")?, lines: row.get("lines")? })
        })
        .optional()?;
    let (used, room) = take(used, now);
    conn.prepare_cached("INSERT OR REPLACE INTO quota VALUES (:node, :event, :rollout, :since, :lines)")?
        .execute(named_params! {
            ":node": node.0, ":event": event, ":rollout": rollout, ":since": used.since, ":lines": used.lines,
        })?;
    Ok(room)
}

/// Number and hash of the last entry; 0 and [`START`] before the first.
pub fn end(conn: &Connection) -> Result<(i64, Digest), StoreFault> {
    let mut last = conn.prepare_cached("SELECT number, hash FROM journal ORDER BY number DESC LIMIT 1")?;
    let found = last.query_row([], |row| Ok((row.get("number")?, id::<Digest>(row, "hash")))).optional()?;
    match found {
        None => Ok((0, START)),
        Some((number, hash)) => Ok((number, hash?)),
    }
}

/// Entries after number `after`, at most `limit`, oldest first.
pub fn page(conn: &Connection, after: i64, limit: u32) -> Result<JournalPage, StoreFault> {
    let mut statement =
        conn.prepare_cached("SELECT * FROM journal WHERE number > :after ORDER BY number LIMIT :limit")?;
    let mut rows = statement.query(named_params! { ":after": after, ":limit": limit })?;
    let mut entries = Vec::new();
    while let Some(row) = rows.next()? {
        entries.push(entry(row)?);
    }
    Ok(JournalPage { entries, last: end(conn)?.0 })
}

/// The newest entries, newest first.
pub fn newest(conn: &Connection, limit: u32) -> Result<Vec<JournalEntry>, StoreFault> {
    let mut statement = conn.prepare_cached("SELECT * FROM journal ORDER BY number DESC LIMIT :limit")?;
    let mut rows = statement.query(named_params! { ":limit": limit })?;
    let mut entries = Vec::new();
    while let Some(row) = rows.next()? {
        entries.push(entry(row)?);
    }
    Ok(entries)
}

/// Checks the whole chain, entry by entry.
pub fn check(conn: &Connection) -> Result<JournalCheck, StoreFault> {
    let mut statement = conn.prepare_cached("SELECT * FROM journal ORDER BY number")?;
    let mut rows = statement.query([])?;
    let mut chain = Chain::default();
    while let Some(row) = rows.next()? {
        chain.next(&entry(row)?);
    }
    Ok(chain.finish())
}

/// Checks the newest `count` entries against each other.
pub fn check_newest(conn: &Connection, count: u32) -> Result<JournalCheck, StoreFault> {
    let mut entries = newest(conn, count.saturating_add(1))?;
    entries.reverse();
    let mut chain = match entries.first() {
        Some(first) if first.number > 1 => Chain::after(first.number, entries.remove(0).hash),
        _ => Chain::default(),
    };
    entries.iter().for_each(|entry| chain.next(entry));
    Ok(chain.finish())
}

fn entry(row: &Row<'_>) -> Result<JournalEntry, StoreFault> {
    Ok(JournalEntry {
        number: row.get("number")?,
        at: row.get("at")?,
        event: row.get("event")?,
        sentence: row.get("sentence")?,
        node: maybe_id(row, "node")?,
        rollout: row.get("rollout")?,
        hash: id(row, "hash")?,
    })
}
