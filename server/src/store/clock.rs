//! What the machine's clock showed when: the server's own time goes on however that is set.

use super::StoreFault;
use crate::contract::Seconds;
use rusqlite::{Connection, OptionalExtension, named_params};

/// What the machine's clock has shown more than the server's own time at this moment of it.
pub fn ahead(conn: &Connection, at: Seconds) -> Result<Seconds, StoreFault> {
    let sql = "SELECT ahead FROM clock_step WHERE at <= :at ORDER BY at DESC LIMIT 1";
    let found =
        conn.prepare_cached(sql)?.query_row(named_params! { ":at": at }, |row| row.get(0)).optional()?;
    Ok(found.unwrap_or(0))
}

/// What the machine's clock showed at this moment of the server's own time.
pub fn wall(conn: &Connection, at: Seconds) -> Result<Seconds, StoreFault> {
    Ok(at.saturating_add(ahead(conn, at)?))
}

/// [`wall`] for a moment that may be absent.
pub fn maybe_wall(conn: &Connection, at: Option<Seconds>) -> Result<Option<Seconds>, StoreFault> {
    at.map(|at| wall(conn, at)).transpose()
}

/// The server's own time when the machine's clock shows this, for programs beside a server.
pub fn own_time(conn: &Connection, wall: Seconds) -> Result<Seconds, StoreFault> {
    Ok(wall.saturating_sub(ahead(conn, Seconds::MAX)?))
}

/// Notes that the machine's clock shows so many seconds more from this moment on.
pub fn note_step(conn: &Connection, at: Seconds, ahead: Seconds) -> Result<(), StoreFault> {
    conn.execute(
        "INSERT INTO clock_step (at, ahead) VALUES (:at, :ahead)
         ON CONFLICT (at) DO UPDATE SET ahead = :ahead",
        named_params! { ":at": at, ":ahead": ahead },
    )?;
    Ok(())
}

/// Forgets the newest change of the machine's clock.
pub fn forget_newest_step(conn: &Connection) -> Result<(), StoreFault> {
    conn.execute("DELETE FROM clock_step WHERE at = (SELECT max(at) FROM clock_step)", [])?;
    Ok(())
}

/// How often the machine's clock was set since this moment of the server's own time.
pub fn steps_since(conn: &Connection, from: Seconds) -> Result<u32, StoreFault> {
    let sql = "SELECT count(*) FROM clock_step WHERE at >= :from";
    Ok(conn.prepare_cached(sql)?.query_row(named_params! { ":from": from }, |row| row.get(0))?)
}

/// The newest moment of the server's own time that anything was noted at; absent before the first
/// start.
pub fn last(conn: &Connection) -> Result<Option<Seconds>, StoreFault> {
    let sql = "SELECT max(at) FROM (SELECT max(alive_at) AS at FROM server
        UNION ALL SELECT at FROM heard WHERE at > 0 UNION ALL SELECT max(at) FROM clock_step)";
    Ok(conn.query_row(sql, [], |row| row.get(0))?)
}
