//! What the server knows about itself.

use super::StoreFault;
use crate::clock::steady;
use crate::contract::Seconds;
use rusqlite::{Connection, OptionalExtension, named_params};

/// A pause of the server longer than this many seconds makes silence of nodes count anew.
pub const PAUSE: Seconds = steady::SHORT;
/// How often, in seconds, the server notes that it is there.
pub const NOTE_EVERY: Seconds = 60;

/// Notes that the server is there, and finds out whether it was away. Returns since when
/// silence of nodes counts.
pub fn note_alive(conn: &Connection, now: Seconds) -> Result<Seconds, StoreFault> {
    let found: Option<(Seconds, Seconds)> = conn
        .prepare_cached("SELECT alive_at, listening_since FROM server")?
        .query_row([], |row| Ok((row.get("alive_at")?, row.get("listening_since")?)))
        .optional()?;
    let since = match found {
        Some((alive_at, since)) if (0..=PAUSE).contains(&(now - alive_at)) => since,
        _ => now,
    };
    if found.is_none_or(|(alive_at, was)| was != since || now - alive_at >= NOTE_EVERY || now < alive_at) {
        conn.prepare_cached(
            "INSERT INTO server (one, alive_at, listening_since) VALUES (1, :now, :since)
             ON CONFLICT (one) DO UPDATE SET alive_at = :now, listening_since = :since",
        )?
        .execute(named_params! { ":now": now, ":since": since })?;
    }
    Ok(since)
}

/// Notes that the server is there after it was away for a time that is not known for certain:
/// silence of nodes counts from now on.
pub fn listen_anew(conn: &Connection, now: Seconds) -> Result<(), StoreFault> {
    conn.execute(
        "INSERT INTO server (one, alive_at, listening_since) VALUES (1, :now, :now)
         ON CONFLICT (one) DO UPDATE SET alive_at = :now, listening_since = :now",
        named_params! { ":now": now },
    )?;
    Ok(())
}

/// Since when silence of nodes counts; now, if the server was never there.
pub fn listening_since(conn: &Connection, now: Seconds) -> Result<Seconds, StoreFault> {
    let since = conn
        .prepare_cached("SELECT listening_since FROM server")?
        .query_row([], |row| row.get(0))
        .optional()?;
    Ok(since.unwrap_or(now))
}
