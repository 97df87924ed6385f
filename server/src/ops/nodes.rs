//! Announcing, admitting and retiring nodes.

use super::{known, settle};
use crate::contract::{Admit, ExpectNode, MOST_NAME, MOST_NOTE, Seconds};
use crate::error::ApiError;
use crate::journal::Line;
use crate::store::nodes::{Announced, NodeRow};
use crate::store::{Connection, journal, nodes, rollouts as rows};
use pintle_protocol::cose::key::verifying_key;
use pintle_protocol::id::NodeId;

/// Announces a node, or announces it anew.
pub(crate) fn announce(
    conn: &Connection,
    node: NodeId,
    wish: ExpectNode,
    now: Seconds,
) -> Result<(), ApiError> {
    check_text("name", &wish.name, MOST_NAME)?;
    if nodes::is_named(conn, &wish.name, &node)? {
        let why = format!("another node is called \"{}\" already", wish.name);
        return Err(ApiError::BadField { field: "name".to_owned(), why });
    }
    let (expecting, event, sentence) = match nodes::get(conn, &node)? {
        None => (true, "announced", format!("{} is announced; its claim is expected", wish.name)),
        Some(row) => match change(&row, &wish) {
            Change::Nothing => return Ok(()),
            Change::Refused => return Err(ApiError::NodeAdmitted { node }),
            Change::Anew => {
                (true, "announced", format!("{} is announced anew; its claim is expected", wish.name))
            }
            Change::Renamed => {
                (row.expecting, "renamed", format!("{} is now called {}", row.name, wish.name))
            }
            Change::Back => (row.expecting, "brought_back", format!("{} is back in service", wish.name)),
        },
    };
    let ExpectNode { name, class, code_digest, .. } = wish;
    nodes::announce(conn, &Announced { id: node, name, class, code_digest, expecting }, now)?;
    journal::append(conn, now, vec![Line::new(event, sentence).about(node)])?;
    Ok(())
}

enum Change {
    Nothing,
    Refused,
    Anew,
    Renamed,
    Back,
}

fn change(row: &NodeRow, wish: &ExpectNode) -> Change {
    let same_board = row.code_digest == wish.code_digest && row.class == wish.class;
    let admitted = row.keys.is_some();
    match (admitted, same_board) {
        (true, false) if wish.replace => Change::Anew,
        (true, false) => Change::Refused,
        (false, false) => Change::Anew,
        (false, true) if row.retired_at.is_some() => Change::Anew,
        (true, true) if row.retired_at.is_some() => Change::Back,
        (_, true) if row.name != wish.name => Change::Renamed,
        (_, true) => Change::Nothing,
    }
}

/// Accepts a node's keys.
pub(crate) fn admit(conn: &Connection, node: NodeId, keys: &Admit, now: Seconds) -> Result<(), ApiError> {
    let row = nodes::get(conn, &node)?.ok_or(ApiError::UnknownNode { node })?;
    if row.retired_at.is_some() {
        return Err(ApiError::NodeRetired { node });
    }
    if row.keys == Some((keys.signing_key, keys.sealing_key)) && !row.expecting {
        return Ok(());
    }
    if row.keys.is_some() && !row.expecting {
        return Err(ApiError::KeysDiffer { node });
    }
    if let Err(fault) = verifying_key(&keys.signing_key) {
        let why = fault.to_string();
        return Err(ApiError::BadField { field: "signing_key".to_owned(), why });
    }
    nodes::admit(conn, &node, &keys.signing_key, &keys.sealing_key, now)?;
    let sentence = format!("{} is admitted", row.name);
    journal::append(conn, now, vec![Line::new("admitted", sentence).about(node)])?;
    Ok(())
}

/// Takes a node out of service; its rollouts go on without it.
pub(crate) fn retire(
    conn: &Connection,
    node: NodeId,
    note: Option<String>,
    now: Seconds,
) -> Result<(), ApiError> {
    let row = nodes::get(conn, &node)?.ok_or(ApiError::UnknownNode { node })?;
    if row.retired_at.is_some() {
        return Ok(());
    }
    let because = note.map_or_else(String::new, |note| format!(": {note}"));
    let sentence = format!("{} is taken out of service{because}", row.name);
    nodes::retire(conn, &node, now)?;
    journal::append(conn, now, vec![Line::new("retired", sentence).about(node)])?;
    for number in rows::all_of_node(conn, &node)? {
        let Some(before) = rows::get(conn, number)? else { continue };
        let mut after = before.clone();
        let mut events = after.rollout.retire(&node, now);
        events.extend(after.rollout.evaluate(&known(conn, number, now)?, now));
        settle(conn, &before, &after, &events, now)?;
    }
    Ok(())
}

/// A text for people: neither empty nor too long, on one line.
pub(crate) fn check_text(field: &str, text: &str, most: usize) -> Result<(), ApiError> {
    let len = text.chars().count();
    let why = if text.trim().is_empty() {
        "it is empty".to_owned()
    } else if len > most {
        format!("it has {len} characters; take at most {most}")
    } else if text.chars().any(char::is_control) {
        "it has control characters, such as a line break".to_owned()
    } else {
        return Ok(());
    };
    Err(ApiError::BadField { field: field.to_owned(), why })
}

/// A note for the journal.
pub(crate) fn check_note(note: Option<&String>) -> Result<(), ApiError> {
    note.map_or(Ok(()), |note| check_text("note", note, MOST_NOTE))
}
