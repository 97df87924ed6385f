//! Who may use the operator's API and the pages. Secrets are kept as SHA-256 only.

use super::StoreFault;
use super::values::id;
use crate::contract::Seconds;
use pintle_protocol::id::Digest;
use rusqlite::{Connection, named_params};
use subtle::ConstantTimeEq;

/// Whether any token was ever made.
pub fn any_token(conn: &Connection) -> Result<bool, StoreFault> {
    Ok(conn.prepare_cached("SELECT EXISTS (SELECT 1 FROM token)")?.query_row([], |row| row.get(0))?)
}

/// Makes `hash` the one operator's token; those before it no longer work.
pub fn replace_tokens(conn: &Connection, hash: &Digest, now: Seconds) -> Result<(), StoreFault> {
    conn.execute(
        "UPDATE token SET revoked_at = :now WHERE revoked_at IS NULL",
        named_params! { ":now": now },
    )?;
    conn.execute(
        "INSERT INTO token (hash, role, created_at) VALUES (:hash, 'operator', :now)
         ON CONFLICT (hash) DO UPDATE SET revoked_at = NULL",
        named_params! { ":hash": hash.0, ":now": now },
    )?;
    Ok(())
}

/// Whether `hash` is that of a token in force. Compares with every one, in constant time.
pub fn is_token(conn: &Connection, hash: &Digest) -> Result<bool, StoreFault> {
    let mut statement = conn.prepare_cached("SELECT hash FROM token WHERE revoked_at IS NULL")?;
    let mut rows = statement.query([])?;
    let mut same = subtle::Choice::from(0);
    while let Some(row) = rows.next()? {
        same |= id::<Digest>(row, "hash")?.0.ct_eq(&hash.0);
    }
    Ok(same.into())
}

/// Remembers a sign-in link, and forgets those that have expired.
pub fn add_link(
    conn: &Connection,
    hash: &Digest,
    expires_at: Seconds,
    now: Seconds,
) -> Result<(), StoreFault> {
    conn.execute("DELETE FROM sign_in_link WHERE expires_at <= :now", named_params! { ":now": now })?;
    conn.execute(
        "INSERT INTO sign_in_link (hash, expires_at) VALUES (:hash, :expires_at)",
        named_params! { ":hash": hash.0, ":expires_at": expires_at },
    )?;
    Ok(())
}

/// Whether a sign-in link would still work.
pub fn is_link(conn: &Connection, hash: &Digest, now: Seconds) -> Result<bool, StoreFault> {
    let sql = "SELECT EXISTS (SELECT 1 FROM sign_in_link WHERE hash = :hash AND expires_at > :now)";
    Ok(conn
        .prepare_cached(sql)?
        .query_row(named_params! { ":hash": hash.0, ":now": now }, |row| row.get(0))?)
}

/// Uses a sign-in link up and begins a session; false if the link does not work (any more).
pub fn begin_session(
    conn: &Connection,
    link: &Digest,
    session: &Digest,
    expires_at: Seconds,
    now: Seconds,
) -> Result<bool, StoreFault> {
    let used = conn.execute(
        "DELETE FROM sign_in_link WHERE hash = :hash AND expires_at > :now",
        named_params! { ":hash": link.0, ":now": now },
    )?;
    if used == 0 {
        return Ok(false);
    }
    conn.execute("DELETE FROM session WHERE expires_at <= :now", named_params! { ":now": now })?;
    conn.execute(
        "INSERT INTO session (hash, expires_at) VALUES (:hash, :expires_at)",
        named_params! { ":hash": session.0, ":expires_at": expires_at },
    )?;
    Ok(true)
}

/// Whether a session is in force.
pub fn is_session(conn: &Connection, hash: &Digest, now: Seconds) -> Result<bool, StoreFault> {
    let sql = "SELECT EXISTS (SELECT 1 FROM session WHERE hash = :hash AND expires_at > :now)";
    Ok(conn
        .prepare_cached(sql)?
        .query_row(named_params! { ":hash": hash.0, ":now": now }, |row| row.get(0))?)
}

/// Ends a session.
pub fn end_session(conn: &Connection, hash: &Digest) -> Result<(), StoreFault> {
    conn.execute("DELETE FROM session WHERE hash = :hash", named_params! { ":hash": hash.0 })?;
    Ok(())
}

/// Ends every session, and makes every sign-in link useless.
pub fn end_every_session(conn: &Connection) -> Result<(), StoreFault> {
    conn.execute_batch("DELETE FROM session; DELETE FROM sign_in_link")?;
    Ok(())
}
