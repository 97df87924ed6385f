//! What a person asks of a rollout.

use super::{known, settle};
use crate::contract::{RolloutState, Seconds};
use crate::error::ApiError;
use crate::store::Connection;
use crate::store::rollouts::{self as rows, Stored};

/// What can be asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Action {
    Start,
    Hold,
    Resume,
    TurnBack,
    /// The wave that is meant, counted from 1.
    Approve(Option<u32>),
    End,
}

/// Does it, evaluates the rollout at once, and returns where it stands then.
pub(crate) fn act(
    conn: &Connection,
    number: i64,
    action: Action,
    note: Option<String>,
    now: Seconds,
) -> Result<Stored, ApiError> {
    let before = rows::get(conn, number)?.ok_or(ApiError::UnknownRollout { rollout: number })?;
    let mut after = before.clone();
    let known = known(conn, number, now)?;
    let rollout = &mut after.rollout;
    if action == Action::TurnBack && rollout.state.state == RolloutState::Done {
        check_free(conn, &before)?;
    }
    let mut events = match action {
        Action::Start => rollout.start(note, now)?,
        Action::Hold => rollout.hold(note)?,
        Action::Resume => rollout.resume(note, &known, now)?,
        Action::TurnBack => {
            let mut events = rollout.turn_back(note, now)?;
            // A rollout that was done did not hear of them; nobody waits for their way back.
            for node in rows::retired(conn, number)? {
                events.extend(rollout.retire(&node, now));
            }
            events
        }
        Action::Approve(wave) => rollout.approve(wave.map(from_one), note, now)?,
        Action::End => rollout.end(note, now)?,
    };
    events.extend(rollout.evaluate(&known, now));
    settle(conn, &before, &after, &events, now)?;
    Ok(after)
}

/// A wave counted from 0. There is no wave 0, and none that is `usize::MAX`.
fn from_one(wave: u32) -> usize {
    usize::try_from(wave).ok().and_then(|wave| wave.checked_sub(1)).unwrap_or(usize::MAX)
}

/// A rollout that is done has let go of its nodes; it can have them back only if no other has
/// them now.
fn check_free(conn: &Connection, done: &Stored) -> Result<(), ApiError> {
    for number in rows::active(conn)? {
        let Some(other) = rows::get(conn, number)? else { continue };
        let targets = done.rollout.plan.waves.iter().flat_map(|wave| &wave.targets);
        if targets.into_iter().any(|t| other.rollout.has(&t.node)) {
            let state = other.rollout.state.state;
            return Err(ApiError::NodesBusy { other: number, title: other.title, state });
        }
    }
    Ok(())
}
