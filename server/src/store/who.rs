//! Browsers that are signed in, and the links that sign them in. Secrets are kept as SHA-256 only.
//! Both end with the token that made the link.

use super::StoreFault;
use crate::contract::Seconds;
use pintle_protocol::id::Digest;
use rusqlite::{Connection, named_params};

/// Remembers a sign-in link that a token made, and forgets those that have expired.
pub fn add_link(
    conn: &Connection,
    token: i64,
    hash: &Digest,
    expires_at: Seconds,
    now: Seconds,
) -> Result<(), StoreFault> {
    conn.execute("DELETE FROM sign_in_link WHERE expires_at <= :now", named_params! { ":now": now })?;
    conn.execute(
        "INSERT INTO sign_in_link (hash, token, expires_at) VALUES (:hash, :token, :expires_at)",
        named_params! { ":hash": hash.0, ":token": token, ":expires_at": expires_at },
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
    let begun = conn.execute(
        "INSERT INTO session (hash, token, expires_at)
         SELECT :session, token, :expires_at FROM sign_in_link WHERE hash = :link AND expires_at > :now",
        named_params! { ":session": session.0, ":link": link.0, ":expires_at": expires_at, ":now": now },
    )?;
    if begun == 0 {
        return Ok(false);
    }
    conn.execute("DELETE FROM sign_in_link WHERE hash = :link", named_params! { ":link": link.0 })?;
    conn.execute("DELETE FROM session WHERE expires_at <= :now", named_params! { ":now": now })?;
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

/// Lets sessions and sign-in links end sooner, after a pause of so many seconds in which the server's
/// own time stood still.
pub fn shorten(conn: &Connection, by: Seconds) -> Result<(), StoreFault> {
    // Longer than any session lasts, and far from any overflow.
    let by = by.min(100 * 365 * 86_400);
    for sql in [
        "UPDATE session SET expires_at = expires_at - :by",
        "UPDATE sign_in_link SET expires_at = expires_at - :by",
    ] {
        conn.execute(sql, named_params! { ":by": by })?;
    }
    Ok(())
}

/// Ends every session, and makes every sign-in link useless.
pub fn end_every_session(conn: &Connection) -> Result<(), StoreFault> {
    conn.execute_batch("DELETE FROM session; DELETE FROM sign_in_link")?;
    Ok(())
}
