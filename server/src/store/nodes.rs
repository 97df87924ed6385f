//! Nodes and their claims.

use super::values::{id, maybe_id, odd};
use super::{StoreFault, clock};
use crate::contract::{ClaimView, Seconds};
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{CheckIn, Claim};
use pintle_protocol::id::{Digest, NodeId, PublicKey, Uuid16};
use rusqlite::{Connection, OptionalExtension, Params, Row, named_params};

/// A node as stored.
#[derive(Clone, Debug)]
pub struct NodeRow {
    /// The node.
    pub id: NodeId,
    /// What people call it.
    pub name: String,
    /// Class of its board.
    pub class: Uuid16,
    /// SHA-256 of the claim code.
    pub code_digest: Digest,
    /// Whether claims are taken.
    pub expecting: bool,
    /// Its keys, once admitted: signing, sealing.
    pub keys: Option<(PublicKey, PublicKey)>,
    /// When it was taken out of service.
    pub retired_at: Option<Seconds>,
    /// Its last check-in, and when that came.
    pub last: Option<(Seconds, CheckIn)>,
}

impl NodeRow {
    fn read(row: &Row<'_>) -> Result<Self, StoreFault> {
        let signing: Option<PublicKey> = maybe_id(row, "signing_key")?;
        let sealing: Option<PublicKey> = maybe_id(row, "sealing_key")?;
        let report: Option<Vec<u8>> = row.get("report")?;
        let last_seen: Option<Seconds> = row.get("last_seen")?;
        let last = match last_seen.zip(report) {
            None => None,
            Some((at, bytes)) => Some((at, decode_message(&bytes).map_err(|e| odd("node.report", e))?)),
        };
        Ok(Self {
            id: id(row, "id")?,
            name: row.get("name")?,
            class: id(row, "class")?,
            code_digest: id(row, "code_digest")?,
            expecting: row.get("expecting")?,
            keys: signing.zip(sealing),
            retired_at: row.get("retired_at")?,
            last,
        })
    }
}

/// One node.
pub fn get(conn: &Connection, node: &NodeId) -> Result<Option<NodeRow>, StoreFault> {
    let mut statement = conn.prepare_cached("SELECT * FROM node WHERE id = :id")?;
    let mut rows = statement.query(named_params! { ":id": node.0 })?;
    rows.next()?.map(NodeRow::read).transpose()
}

/// At most `limit` nodes behind `after`, or the first ones, by their identifiers.
pub fn page(conn: &Connection, after: Option<&NodeId>, limit: u32) -> Result<Vec<NodeRow>, StoreFault> {
    let sql = "SELECT * FROM node WHERE id > :after ORDER BY id LIMIT :limit";
    let after = after.map_or(&[][..], |id| &id.0[..]);
    read_all(conn, sql, named_params! { ":after": after, ":limit": limit })
}

/// At most `limit` nodes behind `after`, or the first ones, by their names.
pub fn named_page(conn: &Connection, after: Option<&NodeId>, limit: u32) -> Result<Vec<NodeRow>, StoreFault> {
    let sql = "SELECT * FROM node WHERE (name, id) > \
        (coalesce((SELECT name FROM node WHERE id = :after), ''), :after) ORDER BY name, id LIMIT :limit";
    let after = after.map_or(&[][..], |id| &id.0[..]);
    read_all(conn, sql, named_params! { ":after": after, ":limit": limit })
}

fn read_all(conn: &Connection, sql: &str, wanted: impl Params) -> Result<Vec<NodeRow>, StoreFault> {
    let mut statement = conn.prepare_cached(sql)?;
    let mut rows = statement.query(wanted)?;
    let mut nodes = Vec::new();
    while let Some(row) = rows.next()? {
        nodes.push(NodeRow::read(row)?);
    }
    Ok(nodes)
}

/// Whether another node than this one, in service, is called so.
pub fn is_named(conn: &Connection, name: &str, but: &NodeId) -> Result<bool, StoreFault> {
    let sql = "SELECT EXISTS (SELECT 1 FROM node WHERE name = :name AND id <> :but AND retired_at IS NULL)";
    Ok(conn
        .prepare_cached(sql)?
        .query_row(named_params! { ":name": name, ":but": but.0 }, |row| row.get(0))?)
}

/// The key by which a node's check-ins are verified: absent if it is not known or not admitted.
pub fn signing_key(conn: &Connection, node: &NodeId) -> Result<Option<PublicKey>, StoreFault> {
    let mut statement = conn.prepare_cached("SELECT signing_key FROM node WHERE id = :id")?;
    let mut rows = statement.query(named_params! { ":id": node.0 })?;
    rows.next()?.map_or(Ok(None), |row| maybe_id(row, "signing_key"))
}

/// What announcing a node sets.
#[derive(Clone, Debug)]
pub struct Announced {
    /// The node.
    pub id: NodeId,
    /// What people call it.
    pub name: String,
    /// Class of its board.
    pub class: Uuid16,
    /// SHA-256 of the claim code.
    pub code_digest: Digest,
    /// Whether claims are taken from now on.
    pub expecting: bool,
}

/// Adds a node, or changes what it is announced as; it is in service again. Claims made with
/// another code are dropped.
pub fn announce(conn: &Connection, node: &Announced, now: Seconds) -> Result<(), StoreFault> {
    conn.execute(
        "DELETE FROM claim WHERE node = :id AND EXISTS
             (SELECT 1 FROM node WHERE id = :id AND code_digest <> :code_digest)",
        named_params! { ":id": node.id.0, ":code_digest": node.code_digest.0 },
    )?;
    conn.execute(
        "INSERT INTO node (id, name, class, code_digest, expecting, announced_at)
         VALUES (:id, :name, :class, :code_digest, :expecting, :now)
         ON CONFLICT (id) DO UPDATE SET
             name = :name, class = :class, code_digest = :code_digest, expecting = :expecting,
             announced_at = :now, retired_at = NULL",
        named_params! {
            ":id": node.id.0,
            ":name": node.name,
            ":class": node.class.0,
            ":code_digest": node.code_digest.0,
            ":expecting": node.expecting,
            ":now": now,
        },
    )?;
    Ok(())
}

/// Accepts keys. With another signing key the counter starts anew, for it is another board.
pub fn admit(
    conn: &Connection,
    node: &NodeId,
    signing: &PublicKey,
    sealing: &PublicKey,
    now: Seconds,
) -> Result<(), StoreFault> {
    conn.execute(
        "UPDATE node SET counter = NULL, last_seen = NULL, report = NULL, signature = NULL
         WHERE id = :id AND signing_key IS NOT NULL AND signing_key <> :signing",
        named_params! { ":id": node.0, ":signing": signing.0 },
    )?;
    conn.execute(
        "DELETE FROM suit_report WHERE node = :id AND EXISTS
             (SELECT 1 FROM node WHERE id = :id AND counter IS NULL)",
        named_params! { ":id": node.0 },
    )?;
    conn.execute(
        "UPDATE node SET signing_key = :signing, sealing_key = :sealing, admitted_at = :now, expecting = 0
         WHERE id = :id",
        named_params! { ":id": node.0, ":signing": signing.0, ":sealing": sealing.0, ":now": now },
    )?;
    conn.execute("DELETE FROM claim WHERE node = :id", named_params! { ":id": node.0 })?;
    Ok(())
}

/// Takes a node out of service.
pub fn retire(conn: &Connection, node: &NodeId, now: Seconds) -> Result<(), StoreFault> {
    conn.execute(
        "UPDATE node SET retired_at = :now, expecting = 0 WHERE id = :id",
        named_params! { ":id": node.0, ":now": now },
    )?;
    conn.execute("DELETE FROM claim WHERE node = :id", named_params! { ":id": node.0 })?;
    Ok(())
}

/// Stores a check-in that was verified, and whose counter is higher than the last.
///
/// `counter`: below 2^63.
pub fn note_check_in(
    conn: &Connection,
    node: &NodeId,
    counter: i64,
    report: &[u8],
    signature: &[u8; 64],
    now: Seconds,
) -> Result<(), StoreFault> {
    conn.prepare_cached(
        "UPDATE node SET counter = :counter, last_seen = :now, report = :report, signature = :signature
         WHERE id = :id",
    )?
    .execute(named_params! {
        ":id": node.0, ":counter": counter, ":now": now, ":report": report, ":signature": signature,
    })?;
    conn.prepare_cached("UPDATE heard SET at = :now WHERE at < :now")?
        .execute(named_params! { ":now": now })?;
    Ok(())
}

/// The last check-in of a node as it was signed, its signature, and when it came; nothing if none has come, or none
/// since signatures are kept.
pub fn signed_check_in(conn: &Connection, node: &NodeId) -> Result<Option<Signed>, StoreFault> {
    let found = conn
        .prepare_cached(
            "SELECT last_seen, report, signature FROM node WHERE id = :id AND signature IS NOT NULL",
        )?
        .query_row(named_params! { ":id": node.0 }, |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
        .optional()?;
    Ok(found)
}

/// When a check-in came, what was signed, and the signature.
pub type Signed = (Seconds, Vec<u8>, [u8; 64]);

/// Keeps the SUIT_Report that came with a check-in.
pub fn note_suit_report(
    conn: &Connection,
    node: &NodeId,
    report: &[u8],
    now: Seconds,
) -> Result<(), StoreFault> {
    conn.prepare_cached(
        "INSERT INTO suit_report (node, report, at) VALUES (:node, :report, :now)
         ON CONFLICT (node) DO UPDATE SET report = :report, at = :now",
    )?
    .execute(named_params! { ":node": node.0, ":report": report, ":now": now })?;
    Ok(())
}

/// The last SUIT_Report of a node, and when it came.
pub fn suit_report(conn: &Connection, node: &NodeId) -> Result<Option<(Seconds, Vec<u8>)>, StoreFault> {
    let found = conn
        .prepare_cached("SELECT at, report FROM suit_report WHERE node = :node")?
        .query_row(named_params! { ":node": node.0 }, |row| Ok((row.get("at")?, row.get("report")?)))
        .optional()?;
    Ok(found)
}

/// Waiting claims kept of one node. Whoever knows its code digest can make up claims, so the
/// newest few are kept and all are shown; the true one comes again until it is admitted.
pub const MOST_CLAIMS: i64 = 4;

/// Stores a claim; true if it was not waiting already.
pub fn add_claim(conn: &Connection, claim: &Claim, body: &[u8], now: Seconds) -> Result<bool, StoreFault> {
    let known: bool = conn
        .prepare_cached("SELECT EXISTS (SELECT 1 FROM claim WHERE node = :node AND signing_key = :key)")?
        .query_row(named_params! { ":node": claim.node.0, ":key": claim.signing_key.0 }, |row| row.get(0))?;
    conn.execute(
        "INSERT INTO claim (node, signing_key, body, received_at) VALUES (:node, :key, :body, :now)
         ON CONFLICT (node, signing_key) DO UPDATE SET body = :body, received_at = :now",
        named_params! {
            ":node": claim.node.0, ":key": claim.signing_key.0, ":body": body, ":now": now,
        },
    )?;
    conn.execute(
        "DELETE FROM claim WHERE node = :node AND signing_key NOT IN
             (SELECT signing_key FROM claim WHERE node = :node
              ORDER BY received_at DESC, signing_key = :key DESC LIMIT :most)",
        named_params! { ":node": claim.node.0, ":key": claim.signing_key.0, ":most": MOST_CLAIMS },
    )?;
    Ok(!known)
}

/// Claims that wait, oldest first.
pub fn claims(conn: &Connection) -> Result<Vec<ClaimView>, StoreFault> {
    let mut statement = conn.prepare_cached(
        "SELECT node, body, received_at FROM claim ORDER BY received_at, node, signing_key",
    )?;
    let mut rows = statement.query([])?;
    let mut claims = Vec::new();
    while let Some(row) = rows.next()? {
        let body: Vec<u8> = row.get("body")?;
        claims.push(ClaimView {
            node: id(row, "node")?,
            body: hex::encode(body),
            at: clock::wall(conn, row.get("received_at")?)?,
        });
    }
    Ok(claims)
}

/// Whether a claim of this node waits.
pub fn has_claim(conn: &Connection, node: &NodeId) -> Result<bool, StoreFault> {
    let found = conn
        .prepare_cached("SELECT 1 FROM claim WHERE node = :node LIMIT 1")?
        .query_row(named_params! { ":node": node.0 }, |_| Ok(()))
        .optional()?;
    Ok(found.is_some())
}
