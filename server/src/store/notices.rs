//! Notices: what was seen, and what is still to be sent.

use super::StoreFault;
use super::values::{word, word_of};
use crate::contract::Seconds;
use crate::notices::{Changes, Condition, Kind, Lasting, Written};
use rusqlite::{Connection, OptionalExtension, Row, named_params};

/// Notices that are over and sent are kept so long, in seconds: a season.
const KEPT: Seconds = 90 * 86_400;
/// What could not be sent for so long is not sent any more: a week.
const STALE: Seconds = 7 * 86_400;

/// A way by which people are told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// A webhook.
    Webhook,
    /// Mail.
    Mail,
}

fn condition(row: &Row<'_>) -> Result<Condition, StoreFault> {
    let (subject, sentence) = (row.get("subject")?, row.get("sentence")?);
    Ok(Condition { kind: word(row, "kind", Kind::WORDS)?, subject, sentence })
}

/// Everything that lasts, by number.
pub fn lasting(conn: &Connection) -> Result<Vec<Lasting>, StoreFault> {
    let mut statement = conn.prepare_cached(
        "SELECT id, kind, subject, sentence, at FROM notice WHERE over_at IS NULL ORDER BY id",
    )?;
    let mut rows = statement.query([])?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push(Lasting { id: row.get("id")?, condition: condition(row)?, at: row.get("at")? });
    }
    Ok(found)
}

/// Since when the key that signs replies has been in use: since it was switched to, or since the journal began. Walks the
/// whole journal: for once in the life of a program, which cannot switch keys.
pub fn key_since(conn: &Connection) -> Result<Option<Seconds>, StoreFault> {
    let sql = "SELECT coalesce(max(at) FILTER (WHERE event = 'server_key_switched'), min(at)) FROM journal";
    Ok(conn.query_row(sql, [], |row| row.get(0))?)
}

/// Name of a node in service, and when it was last seen; nothing if there is none or it was retired.
///
/// `subject`: its identifier in hexadecimal.
pub fn node(conn: &Connection, subject: &str) -> Result<Option<(String, Option<Seconds>)>, StoreFault> {
    let found = conn
        .prepare_cached("SELECT name, last_seen FROM node WHERE id = unhex(:subject) AND retired_at IS NULL")?
        .query_row(named_params! { ":subject": subject }, |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    Ok(found)
}

/// Nodes in service that were last seen before this moment, and that no lasting notice is about: identifier in
/// hexadecimal, name, when seen. At the most so many. Walks the whole table: for a thread that may take its time.
pub fn silent(
    conn: &Connection,
    before: Seconds,
    most: usize,
) -> Result<Vec<(String, String, Seconds)>, StoreFault> {
    let mut statement = conn.prepare_cached(
        "SELECT lower(hex(id)), name, last_seen FROM node
         WHERE last_seen < :before AND retired_at IS NULL AND signing_key IS NOT NULL
             AND NOT EXISTS (SELECT 1 FROM notice WHERE over_at IS NULL AND kind = 'node_silent'
                 AND subject = lower(hex(node.id)))
         LIMIT :most",
    )?;
    let mut rows = statement.query(named_params! { ":before": before, ":most": most as i64 })?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push((row.get(0)?, row.get(1)?, row.get(2)?));
    }
    Ok(found)
}

/// Stores what has changed, to be sent by these ways. Forgets what is long over.
///
/// `ways`: whether there is a webhook, and mail.
pub fn store(conn: &Connection, changes: &Changes, ways: [bool; 2], now: Seconds) -> Result<(), StoreFault> {
    let mut over =
        conn.prepare_cached("UPDATE notice SET over_at = :now WHERE id = :id AND over_at IS NULL")?;
    for id in &changes.over {
        over.execute(named_params! { ":id": id, ":now": now })?;
    }
    let state = |is: bool| if is { "waits" } else { "none" };
    let mut insert = conn.prepare_cached(
        "INSERT INTO notice (kind, subject, sentence, at, over_at, webhook, mail)
         VALUES (:kind, :subject, :sentence, :now, :over, :webhook, :mail) ON CONFLICT DO NOTHING",
    )?;
    let passing = changes.passing.iter().map(|condition| (condition, Some(now)));
    for (condition, over) in changes.begun.iter().map(|condition| (condition, None)).chain(passing) {
        insert.execute(named_params! {
            ":kind": word_of(condition.kind, Kind::WORDS),
            ":subject": condition.subject,
            ":sentence": condition.sentence,
            ":now": now,
            ":over": over,
            ":webhook": state(ways[0]),
            ":mail": state(ways[1]),
        })?;
    }
    conn.execute(
        "DELETE FROM notice WHERE over_at < :old AND webhook <> 'waits' AND mail <> 'waits'",
        named_params! { ":old": now - KEPT },
    )?;
    Ok(())
}

const fn column(way: Way) -> &'static str {
    match way {
        Way::Webhook => "webhook",
        Way::Mail => "mail",
    }
}

/// The first `most` of what waits to be sent by this way.
pub fn waiting(conn: &Connection, way: Way, most: u32) -> Result<Vec<Written>, StoreFault> {
    let mut statement = conn.prepare_cached(&format!(
        "SELECT id, kind, subject, sentence, at FROM notice WHERE {} = 'waits' ORDER BY id LIMIT :most",
        column(way)
    ))?;
    let mut rows = statement.query(named_params! { ":most": most })?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        let at = super::clock::wall(conn, row.get("at")?)?;
        found.push(Written { id: row.get("id")?, condition: condition(row)?, at });
    }
    Ok(found)
}

/// How many wait to be sent, by whichever way.
pub fn count_waiting(conn: &Connection) -> Result<i64, StoreFault> {
    let sql = "SELECT count(*) FROM notice WHERE webhook = 'waits' OR mail = 'waits'";
    Ok(conn.prepare_cached(sql)?.query_row([], |row| row.get(0))?)
}

/// Whether any have waited for a week, or wait for a way that there is no longer.
pub fn any_stale(conn: &Connection, way: Way, exists: bool, now: Seconds) -> Result<bool, StoreFault> {
    let name = column(way);
    let sql = format!("SELECT EXISTS (SELECT 1 FROM notice WHERE {name} = 'waits' AND at < :before)");
    let before = stale_before(exists, now);
    Ok(conn.prepare_cached(&sql)?.query_row(named_params! { ":before": before }, |row| row.get(0))?)
}

const fn stale_before(exists: bool, now: Seconds) -> Seconds {
    if exists { now - STALE } else { Seconds::MAX }
}

/// Notes that these were taken.
pub fn sent(conn: &Connection, way: Way, ids: &[i64]) -> Result<(), StoreFault> {
    let sql = format!("UPDATE notice SET {} = 'sent' WHERE id = :id", column(way));
    let mut update = conn.prepare_cached(&sql)?;
    for id in ids {
        update.execute(named_params! { ":id": id })?;
    }
    Ok(())
}

/// Gives those up; how many.
pub fn give_up(conn: &Connection, way: Way, exists: bool, now: Seconds) -> Result<usize, StoreFault> {
    let name = column(way);
    let sql = format!("UPDATE notice SET {name} = 'none' WHERE {name} = 'waits' AND at < :before");
    Ok(conn.prepare_cached(&sql)?.execute(named_params! { ":before": stale_before(exists, now) })?)
}
