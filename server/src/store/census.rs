//! What counting the nodes needs to know of each of them.

use super::StoreFault;
use super::values::{Columns, odd};
use crate::contract::Seconds;
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{CheckIn, Ending, Phase};
use rusqlite::{Connection, named_params};

/// One node.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Counted {
    /// Whether it was taken out of service.
    pub retired: bool,
    /// Whether its keys were accepted.
    pub admitted: bool,
    /// Whether a claim waits to be checked.
    pub claimed: bool,
    /// Of an admitted node in service its last check-in: when it came, what the node did, and how its last
    /// update ended.
    pub last: Option<(Seconds, Phase, Option<Ending>)>,
}

/// Hands the next `most` nodes after the place `after` to `each`, in the order in which they are stored.
///
/// Returns the place of the last one; nothing if there was none. Places begin above 0.
pub fn walk(
    conn: &Connection,
    after: i64,
    most: u32,
    mut each: impl FnMut(Counted),
) -> Result<Option<i64>, StoreFault> {
    let mut statement = conn.prepare_cached(
        "SELECT rowid, retired_at IS NOT NULL, signing_key IS NOT NULL,
             signing_key IS NULL AND EXISTS (SELECT 1 FROM claim WHERE claim.node = node.id),
             last_seen, report
         FROM node WHERE rowid > :after ORDER BY rowid LIMIT :most",
    )?;
    let mut rows = statement.query(named_params! { ":after": after, ":most": most })?;
    let mut place = None;
    while let Some(row) = rows.next()? {
        let mut columns = Columns::of(row);
        place = Some(columns.get()?);
        let (retired, admitted, claimed): (bool, bool, bool) =
            (columns.get()?, columns.get()?, columns.get()?);
        let seen: Option<Seconds> = columns.get()?;
        let last = match seen.filter(|_| admitted && !retired) {
            None => None,
            Some(at) => {
                let report = row.get_ref("report")?.as_blob().map_err(|e| odd("node.report", e))?;
                let said: CheckIn = decode_message(report).map_err(|e| odd("node.report", e))?;
                Some((at, said.phase, said.outcome.map(|outcome| outcome.ending)))
            }
        };
        each(Counted { retired, admitted, claimed, last });
    }
    Ok(place)
}
