//! How updates ended on nodes, ever, and what nodes were seen to run.

use super::StoreFault;
use super::values::{id, word, word_of};
use crate::contract::Seconds;
use crate::rollout::Verdict;
use pintle_protocol::checkin::{Ending, Outcome};
use pintle_protocol::id::{Digest, NodeId};
use rusqlite::{Connection, named_params};
use std::collections::BTreeMap;

pub(crate) const ENDINGS: &[(Ending, &str)] =
    &[(Ending::Kept, "kept"), (Ending::WentBack, "went back"), (Ending::Refused, "refused")];

/// Everything that a node ever refused or went back from.
pub fn failed(conn: &Connection, node: &NodeId) -> Result<BTreeMap<Digest, Verdict>, StoreFault> {
    let mut statement = conn.prepare_cached(
        "SELECT envelope, ending, reason, detail FROM outcome WHERE node = :node AND ending <> 'kept'",
    )?;
    let mut rows = statement.query(named_params! { ":node": node.0 })?;
    let mut found = BTreeMap::new();
    while let Some(row) = rows.next()? {
        let refused = word(row, "ending", ENDINGS)? == Ending::Refused;
        let verdict = Verdict { refused, reason: row.get("reason")?, detail: row.get("detail")? };
        found.insert(id(row, "envelope")?, verdict);
    }
    Ok(found)
}

/// Remembers how an update ended; true if that is new. A failure stays, whatever the node says later.
pub fn remember(
    conn: &Connection,
    node: &NodeId,
    outcome: &Outcome,
    now: Seconds,
) -> Result<bool, StoreFault> {
    let mut insert = conn.prepare_cached(
        "INSERT INTO outcome (node, envelope, ending, reason, detail, at)
         VALUES (:node, :envelope, :ending, :reason, :detail, :now)
         ON CONFLICT (node, envelope) DO UPDATE SET
             ending = excluded.ending, reason = excluded.reason, detail = excluded.detail, at = excluded.at
             WHERE outcome.ending = 'kept' AND excluded.ending <> 'kept'",
    )?;
    let changed = insert.execute(named_params! {
        ":node": node.0,
        ":envelope": outcome.envelope.0,
        ":ending": word_of(outcome.ending, ENDINGS),
        ":reason": outcome.reason,
        ":detail": outcome.detail,
        ":now": now,
    })?;
    Ok(changed > 0)
}

/// What nobody sent and a node names all the same is kept for the newest so many: a node can make up digests
/// for ever.
pub const MOST_MADE_UP: u32 = 64;

/// Forgets outcomes of envelopes that no rollout ever meant for this node, but for the newest
/// [`MOST_MADE_UP`].
pub fn forget_made_up(conn: &Connection, node: &NodeId) -> Result<(), StoreFault> {
    conn.prepare_cached(
        "WITH own AS (SELECT step.envelope, step.way_back FROM target JOIN step USING (rollout, wave, place)
                      WHERE target.node = :node),
             meant AS (SELECT envelope AS digest FROM own
                       UNION SELECT way_back FROM own WHERE way_back IS NOT NULL)
         DELETE FROM outcome WHERE node = :node AND envelope IN
             (SELECT envelope FROM outcome WHERE node = :node AND envelope NOT IN (SELECT digest FROM meant)
              ORDER BY at DESC, envelope LIMIT -1 OFFSET :most)",
    )?
    .execute(named_params! { ":node": node.0, ":most": MOST_MADE_UP })?;
    Ok(())
}

/// Notes that a node runs this; true if it was not seen to among the newest [`MOST_MADE_UP`].
///
/// `component`: `net`, `io` (an image's digest) or `conf` (a manifest digest).
pub fn note_seen(
    conn: &Connection,
    node: &NodeId,
    component: &str,
    digest: &Digest,
    now: Seconds,
) -> Result<bool, StoreFault> {
    let added = conn
        .prepare_cached(
            "INSERT INTO seen (node, component, digest, first_at)
             VALUES (:node, :component, :digest, :now) ON CONFLICT DO NOTHING",
        )?
        .execute(named_params! {
            ":node": node.0, ":component": component, ":digest": digest.0, ":now": now,
        })?;
    if added > 0 {
        conn.prepare_cached(
            "DELETE FROM seen WHERE node = :node AND component = :component AND digest IN
                 (SELECT digest FROM seen WHERE node = :node AND component = :component
                  ORDER BY first_at DESC, digest = :digest DESC LIMIT -1 OFFSET :most)",
        )?
        .execute(named_params! {
            ":node": node.0, ":component": component, ":digest": digest.0, ":most": MOST_MADE_UP,
        })?;
    }
    Ok(added > 0)
}

/// Whether a node was ever seen to run anything as this component.
pub fn any_seen(conn: &Connection, node: &NodeId, component: &str) -> Result<bool, StoreFault> {
    let sql = "SELECT EXISTS (SELECT 1 FROM seen WHERE node = :node AND component = :component)";
    Ok(conn
        .prepare_cached(sql)?
        .query_row(named_params! { ":node": node.0, ":component": component }, |row| row.get(0))?)
}

/// Whether any rollout meant this envelope for this node, forward or as a way back.
pub fn was_meant(conn: &Connection, node: &NodeId, envelope: &Digest) -> Result<bool, StoreFault> {
    let sql = "SELECT EXISTS (
        SELECT 1 FROM target JOIN step USING (rollout, wave, place)
        WHERE target.node = :node AND (step.envelope = :envelope OR step.way_back = :envelope))";
    Ok(conn
        .prepare_cached(sql)?
        .query_row(named_params! { ":node": node.0, ":envelope": envelope.0 }, |row| row.get(0))?)
}

/// Whether any envelope that was meant for this node brings this payload to this component.
pub fn payload_was_meant(
    conn: &Connection,
    node: &NodeId,
    component: &str,
    payload: &Digest,
) -> Result<bool, StoreFault> {
    let sql = "SELECT EXISTS (
        SELECT 1 FROM target JOIN step USING (rollout, wave, place)
        JOIN envelope_part AS part ON part.envelope IN (step.envelope, step.way_back)
        WHERE target.node = :node AND part.component = :component
            AND (part.payload = :payload OR part.payload IS NULL))";
    Ok(conn.prepare_cached(sql)?.query_row(
        named_params! { ":node": node.0, ":component": component, ":payload": payload.0 },
        |row| row.get(0),
    )?)
}
