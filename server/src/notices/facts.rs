//! What lasts now, from the store. Looks at what is open and at nodes that are silent, never at every report.

use super::condition::{Changes, Condition, Kind, Lasting};
use crate::contract::Seconds;
use crate::store::{Connection, StoreFault, clock, notices as rows, rollouts, server};
use crate::words::utc;
use std::collections::BTreeMap;

/// A node that was not heard for so many seconds is told of: an hour. Twelve check-ins missed; shorter gaps show
/// on the page.
pub(super) const SILENT: Seconds = 3600;
/// So many silent nodes are told of at the most; beyond them it is the network.
const MOST_SILENT: usize = 1000;
/// A rollout that turned back is told of for so long, in seconds: a day, should the server have been away.
const TURNED_BACK: Seconds = 86_400;

/// What has changed about rollouts, and what nears its end.
pub(super) fn of_rollouts(
    conn: &Connection,
    lasting: &[Lasting],
    nearing: Vec<Condition>,
    now: Seconds,
) -> Result<Changes, StoreFault> {
    let mut all = nearing;
    for (id, title, because) in rollouts::held(conn)? {
        let sentence = format!("\"{title}\" is held: {because}");
        all.push(Condition { kind: Kind::RolloutHeld, subject: id.to_string(), sentence });
    }
    for (id, title, because) in rollouts::turned_back(conn, now - TURNED_BACK)? {
        let sentence = format!("\"{title}\" turns back: {because}");
        all.push(Condition { kind: Kind::RolloutTurnedBack, subject: id.to_string(), sentence });
    }
    for (id, title, wave) in rollouts::for_approval(conn)? {
        let sentence = format!("Wave {} of \"{title}\" waits for approval", wave + 1);
        all.push(Condition { kind: Kind::ApprovalWanted, subject: id.to_string(), sentence });
    }
    let of_these: Vec<_> = lasting.iter().filter(|old| !is_of_a_node(old)).cloned().collect();
    Ok(Changes::between(&of_these, all))
}

fn is_of_a_node(notice: &Lasting) -> bool {
    notice.condition.kind == Kind::NodeSilent
}

/// What has changed about nodes that are silent. One that was told of lasts until it is heard or retired, however often
/// the server was away meanwhile.
pub(super) fn of_nodes(conn: &Connection, lasting: &[Lasting], now: Seconds) -> Result<Changes, StoreFault> {
    let mut changes = Changes::default();
    let told: BTreeMap<&str, &Lasting> = lasting
        .iter()
        .filter(|old| is_of_a_node(old))
        .map(|old| (old.condition.subject.as_str(), old))
        .collect();
    for (subject, old) in &told {
        match rows::node(conn, subject)? {
            Some((name, Some(seen))) if seen > old.at => {
                changes.over.push(old.id);
                let sentence = format!("{name} is heard again");
                let subject = (*subject).to_owned();
                changes.passing.push(Condition { kind: Kind::NodeHeard, subject, sentence });
            }
            Some(_) => {}
            None => changes.over.push(old.id),
        }
    }
    let since = server::listening_since(conn, now)?;
    let room = MOST_SILENT.saturating_sub(told.len());
    // While the server was away, silence says nothing about the nodes.
    if now - since < SILENT || room == 0 {
        return Ok(changes);
    }
    for (subject, name, seen) in rows::silent(conn, now - SILENT, room)? {
        let seen = utc(clock::wall(conn, seen)?);
        let sentence = format!("{name} has not been heard since {seen}");
        changes.begun.push(Condition { kind: Kind::NodeSilent, subject, sentence });
    }
    Ok(changes)
}
