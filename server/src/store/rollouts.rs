//! Rollouts: the plan as planned, the state as decided.

use super::StoreFault;
use super::files;
use super::values::{id, maybe_id, maybe_word, odd, word, word_of};
use crate::contract::{Gate, Kind, OnFailure, RolloutState, Seconds, WaveState};
use crate::rollout::{
    Forward, Parcel, Plan, Return, Rollout, Stage, State, StepPlan, TargetPlan, TargetRun, Verdict, WavePlan,
    WaveRun, Way,
};
use pintle_protocol::id::{Digest, NodeId};
use rusqlite::{Connection, OptionalExtension, Row, named_params};
use std::collections::BTreeMap;

const KINDS: &[(Kind, &str)] =
    &[(Kind::Image, "image"), (Kind::Bundle, "bundle"), (Kind::Wifi, "wifi"), (Kind::Keys, "keys")];
const ON_FAILURE: &[(OnFailure, &str)] = &[(OnFailure::Hold, "hold"), (OnFailure::TurnBack, "turn_back")];
const STATES: &[(RolloutState, &str)] = &[
    (RolloutState::Ready, "ready"),
    (RolloutState::UnderWay, "under way"),
    (RolloutState::Held, "held"),
    (RolloutState::Done, "done"),
    (RolloutState::TurnedBack, "turned back"),
];
const WAVES: &[(WaveState, &str)] = &[
    (WaveState::NotOpen, "not open"),
    (WaveState::Open, "open"),
    (WaveState::Soaking, "soaking"),
    (WaveState::Passed, "passed"),
    (WaveState::Failed, "failed"),
];
const STAGES: &[(Stage, &str)] = &[
    (Stage::Waiting, "waiting"),
    (Stage::Offered, "offered"),
    (Stage::Fetching, "fetching"),
    (Stage::Door, "door"),
    (Stage::Trial, "trial"),
    (Stage::Ended, "ended"),
    (Stage::Retired, "retired"),
];
const WAYS: &[(Way, &str)] = &[(Way::Forward, "forward"), (Way::Back, "back")];

/// A rollout as stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stored {
    /// Its number.
    pub id: i64,
    /// What people call it.
    pub title: String,
    /// What it changes.
    pub kind: Kind,
    /// When it was planned.
    pub created_at: Seconds,
    /// Plan and state.
    pub rollout: Rollout,
}

/// Stores a new rollout; its number.
pub fn add(
    conn: &Connection,
    title: &str,
    kind: Kind,
    rollout: &Rollout,
    now: Seconds,
) -> Result<i64, StoreFault> {
    let (plan, state) = (&rollout.plan, &rollout.state);
    conn.execute(
        "INSERT INTO rollout (title, kind, on_failure, state, created_at)
         VALUES (:title, :kind, :on_failure, :state, :now)",
        named_params! {
            ":title": title,
            ":kind": word_of(kind, KINDS),
            ":on_failure": word_of(plan.on_failure, ON_FAILURE),
            ":state": word_of(state.state, STATES),
            ":now": now,
        },
    )?;
    let rollout = conn.last_insert_rowid();
    for (w, (wave, run)) in plan.waves.iter().zip(&state.waves).enumerate() {
        add_wave(conn, rollout, index(w)?, wave, run)?;
    }
    Ok(rollout)
}

fn add_wave(
    conn: &Connection,
    rollout: i64,
    w: i64,
    wave: &WavePlan,
    run: &WaveRun,
) -> Result<(), StoreFault> {
    conn.execute(
        "INSERT INTO wave (rollout, number, soak_seconds, max_failed, max_silent, silent_after_seconds, state)
         VALUES (:rollout, :wave, :soak, :max_failed, :max_silent, :silent_after, :state)",
        named_params! {
            ":rollout": rollout,
            ":wave": w,
            ":soak": wave.soak_seconds,
            ":max_failed": wave.gate.max_failed,
            ":max_silent": wave.gate.max_silent,
            ":silent_after": wave.gate.silent_after_seconds,
            ":state": word_of(run.state, WAVES),
        },
    )?;
    for (t, (target, run)) in wave.targets.iter().zip(&run.targets).enumerate() {
        let t = index(t)?;
        conn.prepare_cached(
            "INSERT INTO target (rollout, wave, place, node, stage, way, step, forgiven)
             VALUES (:rollout, :wave, :place, :node, :stage, :way, :step, :forgiven)",
        )?
        .execute(named_params! {
            ":rollout": rollout,
            ":wave": w,
            ":place": t,
            ":node": target.node.0,
            ":stage": word_of(run.stage, STAGES),
            ":way": word_of(run.way, WAYS),
            ":step": index(run.step)?,
            ":forgiven": run.forgiven,
        })?;
        for (s, step) in target.steps.iter().enumerate() {
            conn.prepare_cached(
                "INSERT INTO step (rollout, wave, place, number, envelope, way_back)
                 VALUES (:rollout, :wave, :place, :number, :envelope, :way_back)",
            )?
            .execute(named_params! {
                ":rollout": rollout,
                ":wave": w,
                ":place": t,
                ":number": index(s)?,
                ":envelope": step.forward.envelope.0,
                ":way_back": step.way_back.as_ref().map(|p| p.envelope.0),
            })?;
        }
    }
    Ok(())
}

/// One rollout, with plan and state.
pub fn get(conn: &Connection, rollout: i64) -> Result<Option<Stored>, StoreFault> {
    let mut statement = conn.prepare_cached("SELECT * FROM rollout WHERE id = :id")?;
    let mut rows = statement.query(named_params! { ":id": rollout })?;
    let Some(row) = rows.next()? else { return Ok(None) };
    let mut plan = Plan { on_failure: word(row, "on_failure", ON_FAILURE)?, waves: Vec::new() };
    let mut state = State {
        state: word(row, "state", STATES)?,
        because: row.get("held_because")?,
        started_at: row.get("started_at")?,
        ended_at: row.get("ended_at")?,
        waves: Vec::new(),
    };
    read_waves(conn, rollout, &mut plan, &mut state)?;
    Ok(Some(Stored {
        id: rollout,
        title: row.get("title")?,
        kind: word(row, "kind", KINDS)?,
        created_at: row.get("created_at")?,
        rollout: Rollout { plan, state },
    }))
}

fn read_waves(conn: &Connection, rollout: i64, plan: &mut Plan, state: &mut State) -> Result<(), StoreFault> {
    let mut waves = conn.prepare_cached("SELECT * FROM wave WHERE rollout = :rollout ORDER BY number")?;
    let mut rows = waves.query(named_params! { ":rollout": rollout })?;
    while let Some(row) = rows.next()? {
        plan.waves.push(WavePlan {
            soak_seconds: row.get("soak_seconds")?,
            gate: Gate {
                max_failed: row.get("max_failed")?,
                max_silent: row.get("max_silent")?,
                silent_after_seconds: row.get("silent_after_seconds")?,
            },
            targets: Vec::new(),
        });
        state.waves.push(WaveRun {
            state: word(row, "state", WAVES)?,
            opened_at: row.get("opened_at")?,
            soak_from: row.get("soak_from")?,
            targets: Vec::new(),
        });
    }
    let mut parcels = files::Parcels::default();
    let mut targets = conn.prepare_cached(
        "SELECT target.*, node.name FROM target JOIN node ON node.id = target.node
         WHERE rollout = :rollout ORDER BY wave, place",
    )?;
    let mut rows = targets.query(named_params! { ":rollout": rollout })?;
    while let Some(row) = rows.next()? {
        let (w, t): (i64, i64) = (row.get("wave")?, row.get("place")?);
        let steps = read_steps(conn, rollout, w, t, &mut parcels)?;
        let (wave, run) = usize::try_from(w)
            .ok()
            .and_then(|w| Some((plan.waves.get_mut(w)?, state.waves.get_mut(w)?)))
            .ok_or_else(|| odd("target.wave", w))?;
        wave.targets.push(TargetPlan { node: id(row, "node")?, name: row.get("name")?, steps });
        run.targets.push(read_run(row)?);
    }
    Ok(())
}

fn read_steps(
    conn: &Connection,
    rollout: i64,
    wave: i64,
    place: i64,
    parcels: &mut files::Parcels,
) -> Result<Vec<StepPlan>, StoreFault> {
    let mut statement = conn.prepare_cached(
        "SELECT envelope, way_back FROM step
         WHERE rollout = :rollout AND wave = :wave AND place = :place ORDER BY number",
    )?;
    let mut rows = statement.query(named_params! { ":rollout": rollout, ":wave": wave, ":place": place })?;
    let mut steps = Vec::new();
    while let Some(row) = rows.next()? {
        let mut parcel = |digest: Digest| -> Result<Parcel, StoreFault> {
            parcels.get(conn, &digest)?.ok_or_else(|| odd("step.envelope", digest))
        };
        let forward = parcel(id(row, "envelope")?)?;
        let way_back = maybe_id(row, "way_back")?.map(parcel).transpose()?;
        steps.push(StepPlan { forward, way_back });
    }
    Ok(steps)
}

/// How a way ended, as one word.
const FORWARD: &[(u8, &str)] = &[(0, "kept"), (1, "went back"), (2, "refused")];
const BACK: &[(u8, &str)] = &[(0, "done"), (1, "went back"), (2, "refused"), (3, "no way back")];

fn read_run(row: &Row<'_>) -> Result<TargetRun, StoreFault> {
    let verdict = |refused, reason, detail| -> Result<Verdict, StoreFault> {
        Ok(Verdict { refused, reason: row.get(reason)?, detail: row.get(detail)? })
    };
    let forward = match maybe_word(row, "forward", FORWARD)? {
        None => None,
        Some(0) => Some(Forward::Kept),
        Some(n) => Some(Forward::Failed(verdict(n == 2, "forward_reason", "forward_detail")?)),
    };
    let back = match maybe_word(row, "back", BACK)? {
        None => None,
        Some(0) => Some(Return::Done),
        Some(3) => Some(Return::NoWayBack),
        Some(n) => Some(Return::Failed(verdict(n == 2, "back_reason", "back_detail")?)),
    };
    let step: i64 = row.get("step")?;
    Ok(TargetRun {
        stage: word(row, "stage", STAGES)?,
        way: word(row, "way", WAYS)?,
        step: usize::try_from(step).map_err(|_| odd("target.step", step))?,
        since: row.get("since")?,
        forward,
        back,
        forgiven: row.get("forgiven")?,
    })
}

/// Stores what has changed in the state since `before`.
pub fn update(conn: &Connection, rollout: i64, before: &State, after: &State) -> Result<(), StoreFault> {
    if before == after {
        return Ok(());
    }
    conn.prepare_cached(
        "UPDATE rollout SET state = :state, held_because = :because, started_at = :started, ended_at = :ended
         WHERE id = :id",
    )?
    .execute(named_params! {
        ":id": rollout,
        ":state": word_of(after.state, STATES),
        ":because": after.because,
        ":started": after.started_at,
        ":ended": after.ended_at,
    })?;
    for (w, (was, is)) in before.waves.iter().zip(&after.waves).enumerate() {
        if (was.state, was.opened_at, was.soak_from) != (is.state, is.opened_at, is.soak_from) {
            conn.prepare_cached(
                "UPDATE wave SET state = :state, opened_at = :opened, soak_from = :soak
                 WHERE rollout = :rollout AND number = :wave",
            )?
            .execute(named_params! {
                ":rollout": rollout,
                ":wave": index(w)?,
                ":state": word_of(is.state, WAVES),
                ":opened": is.opened_at,
                ":soak": is.soak_from,
            })?;
        }
        for (t, (was, is)) in was.targets.iter().zip(&is.targets).enumerate() {
            if was != is {
                update_target(conn, rollout, index(w)?, index(t)?, is)?;
            }
        }
    }
    Ok(())
}

fn update_target(
    conn: &Connection,
    rollout: i64,
    wave: i64,
    place: i64,
    run: &TargetRun,
) -> Result<(), StoreFault> {
    let failed = |verdict: &Verdict| if verdict.refused { 2 } else { 1 };
    let (forward, why) = match &run.forward {
        None => (None, None),
        Some(Forward::Kept) => (Some(0), None),
        Some(Forward::Failed(verdict)) => (Some(failed(verdict)), Some(verdict)),
    };
    let (back, back_why) = match &run.back {
        None => (None, None),
        Some(Return::Done) => (Some(0), None),
        Some(Return::NoWayBack) => (Some(3), None),
        Some(Return::Failed(verdict)) => (Some(failed(verdict)), Some(verdict)),
    };
    conn.prepare_cached(
        "UPDATE target SET stage = :stage, way = :way, step = :step, since = :since, forgiven = :forgiven,
             forward = :forward, forward_reason = :forward_reason, forward_detail = :forward_detail,
             back = :back, back_reason = :back_reason, back_detail = :back_detail
         WHERE rollout = :rollout AND wave = :wave AND place = :place",
    )?
    .execute(named_params! {
        ":rollout": rollout,
        ":wave": wave,
        ":place": place,
        ":stage": word_of(run.stage, STAGES),
        ":way": word_of(run.way, WAYS),
        ":step": index(run.step)?,
        ":since": run.since,
        ":forgiven": run.forgiven,
        ":forward": forward.map(|n| word_of(n, FORWARD)),
        ":forward_reason": why.map(|v| v.reason),
        ":forward_detail": why.map(|v| v.detail),
        ":back": back.map(|n| word_of(n, BACK)),
        ":back_reason": back_why.map(|v| v.reason),
        ":back_detail": back_why.map(|v| v.detail),
    })?;
    Ok(())
}

/// Numbers of the rollouts that something may still happen to, in the order of their start.
pub fn active(conn: &Connection) -> Result<Vec<i64>, StoreFault> {
    numbers(
        conn,
        "SELECT id FROM rollout
         WHERE state IN ('under way', 'held') OR (state = 'turned back' AND ended_at IS NULL)
         ORDER BY started_at, id",
        None,
    )
}

/// Numbers of the started rollouts that a node is in, in the order of their start: those that
/// are active, and those in which the node has still to end what it took up.
pub fn of_node(conn: &Connection, node: &NodeId) -> Result<Vec<i64>, StoreFault> {
    numbers(
        conn,
        "SELECT rollout.id FROM target JOIN rollout ON rollout.id = target.rollout
         WHERE target.node = :node AND rollout.state <> 'ready'
             AND (rollout.state IN ('under way', 'held')
                  OR (rollout.state = 'turned back' AND rollout.ended_at IS NULL)
                  OR target.stage NOT IN ('waiting', 'ended', 'retired'))
         ORDER BY rollout.started_at, rollout.id",
        Some(node),
    )
}

/// Numbers of all rollouts that a node is in.
pub fn all_of_node(conn: &Connection, node: &NodeId) -> Result<Vec<i64>, StoreFault> {
    numbers(conn, "SELECT rollout FROM target WHERE node = :node ORDER BY rollout", Some(node))
}

/// Numbers of all rollouts, newest first.
pub fn list(conn: &Connection) -> Result<Vec<i64>, StoreFault> {
    numbers(conn, "SELECT id FROM rollout ORDER BY id DESC", None)
}

fn numbers(conn: &Connection, sql: &str, node: Option<&NodeId>) -> Result<Vec<i64>, StoreFault> {
    let mut statement = conn.prepare_cached(sql)?;
    let mut rows = match node {
        Some(node) => statement.query(named_params! { ":node": node.0 })?,
        None => statement.query([])?,
    };
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push(row.get(0)?);
    }
    Ok(found)
}

/// When each node of a rollout was last seen.
pub fn last_seen(conn: &Connection, rollout: i64) -> Result<BTreeMap<NodeId, Seconds>, StoreFault> {
    let mut statement = conn.prepare_cached(
        "SELECT node.id, node.last_seen FROM target JOIN node ON node.id = target.node
         WHERE target.rollout = :rollout AND node.last_seen IS NOT NULL",
    )?;
    let mut rows = statement.query(named_params! { ":rollout": rollout })?;
    let mut seen = BTreeMap::new();
    while let Some(row) = rows.next()? {
        seen.insert(id(row, "id")?, row.get("last_seen")?);
    }
    Ok(seen)
}

/// Title and state of a rollout.
pub fn title(conn: &Connection, rollout: i64) -> Result<Option<(String, RolloutState)>, StoreFault> {
    let found = conn
        .prepare_cached("SELECT title, state FROM rollout WHERE id = :id")?
        .query_row(named_params! { ":id": rollout }, |row| {
            Ok((row.get("title")?, word(row, "state", STATES)))
        })
        .optional()?;
    found.map(|(title, state)| Ok((title, state?))).transpose()
}

fn index(n: usize) -> Result<i64, StoreFault> {
    i64::try_from(n).map_err(|_| odd("an index", n))
}
