//! Reading rollouts: whole, or the part that one node sees.

use super::Stored;
use super::run::{read_run, run_columns};
use super::words::{KINDS, ON_FAILURE, STATES, WAVES};
use crate::contract::{Evidence, Gate, RolloutState, WaveState, Windows};
use crate::rollout::window::Calendar;
use crate::rollout::{
    Parcel, Part, Plan, Rollout, State, StepPlan, TargetPlan, TargetRun, WavePlan, WaveRun,
};
use crate::store::StoreFault;
use crate::store::files::Parcels;
use crate::store::values::{Columns, id, maybe_id, odd, word};
use pintle_protocol::id::{Digest, NodeId};
use rusqlite::{Connection, Row, named_params};
use std::collections::BTreeMap;

/// One rollout, with plan and state.
pub fn get(conn: &Connection, rollout: i64) -> Result<Option<Stored>, StoreFault> {
    read(conn, rollout, true)
}

/// One rollout without the names of its nodes and their steps: enough to see whether evaluating it would change
/// anything, in a fraction of the time.
pub fn outline(conn: &Connection, rollout: i64) -> Result<Option<Rollout>, StoreFault> {
    Ok(read(conn, rollout, false)?.map(|stored| stored.rollout))
}

fn read(conn: &Connection, rollout: i64, whole: bool) -> Result<Option<Stored>, StoreFault> {
    let mut statement = conn.prepare_cached("SELECT * FROM rollout WHERE id = :id")?;
    let mut rows = statement.query(named_params! { ":id": rollout })?;
    let Some(row) = rows.next()? else { return Ok(None) };
    let on_failure = word(row, "on_failure", ON_FAILURE)?;
    let mut plan = Plan { on_failure, windows: calendar(row)?, waves: Vec::new() };
    let mut state = State {
        state: word(row, "state", STATES)?,
        because: row.get("held_because")?,
        started_at: row.get("started_at")?,
        ended_at: row.get("ended_at")?,
        waves: Vec::new(),
    };
    read_waves(conn, rollout, &mut plan, &mut state)?;
    match whole {
        true => read_targets(conn, rollout, &mut plan, &mut state)?,
        false => outline_targets(conn, rollout, &mut plan, &mut state)?,
    }
    Ok(Some(Stored {
        id: rollout,
        title: row.get("title")?,
        kind: word(row, "kind", KINDS)?,
        created_at: row.get("created_at")?,
        rollout: Rollout { plan, state },
    }))
}

fn calendar(row: &Row<'_>) -> Result<Option<Calendar>, StoreFault> {
    let Some(text) = row.get::<_, Option<String>>("windows")? else { return Ok(None) };
    let windows: Windows = serde_json::from_str(&text).map_err(|e| odd("rollout.windows", e))?;
    Calendar::new(windows).map(Some).map_err(|e| odd("rollout.windows", e))
}

/// Reads a wave without its nodes.
fn read_wave(row: &Row<'_>) -> Result<(WavePlan, WaveRun), StoreFault> {
    let plan = WavePlan {
        soak_seconds: row.get("soak_seconds")?,
        evidence: Evidence {
            min_check_ins: row.get("min_check_ins")?,
            min_door_cycles: row.get("min_door_cycles")?,
        },
        approval: row.get("approval")?,
        gate: Gate {
            max_failed: row.get("max_failed")?,
            max_silent: row.get("max_silent")?,
            silent_after_seconds: row.get("silent_after_seconds")?,
            max_waiting: row.get("max_waiting")?,
            waiting_after_seconds: row.get("waiting_after_seconds")?,
            max_unwell: row.get("max_unwell")?,
            max_restarts: row.get("max_restarts")?,
            min_signal_dbm: row.get("min_signal_dbm")?,
        },
        targets: Vec::new(),
    };
    let mut run = WaveRun {
        state: word(row, "state", WAVES)?,
        asked_at: row.get("asked_at")?,
        approved_at: row.get("approved_at")?,
        opened_at: row.get("opened_at")?,
        soak_from: row.get("soak_from")?,
        targets: Vec::new(),
    };
    if run.state == WaveState::NotOpen && run.asked_at.is_some() && run.approved_at.is_none() {
        run.state = WaveState::ForApproval;
    }
    Ok((plan, run))
}

fn read_waves(conn: &Connection, rollout: i64, plan: &mut Plan, state: &mut State) -> Result<(), StoreFault> {
    let mut waves = conn.prepare_cached("SELECT * FROM wave WHERE rollout = :rollout ORDER BY number")?;
    let mut rows = waves.query(named_params! { ":rollout": rollout })?;
    while let Some(row) = rows.next()? {
        let (wave, run) = read_wave(row)?;
        plan.waves.push(wave);
        state.waves.push(run);
    }
    Ok(())
}

fn read_targets(
    conn: &Connection,
    rollout: i64,
    plan: &mut Plan,
    state: &mut State,
) -> Result<(), StoreFault> {
    let mut steps = read_steps(conn, rollout)?;
    let mut targets = conn.prepare_cached(concat!(
        "SELECT wave, place, node, name, ",
        run_columns!(),
        " FROM target JOIN node ON node.id = target.node WHERE rollout = :rollout ORDER BY wave, place"
    ))?;
    let mut rows = targets.query(named_params! { ":rollout": rollout })?;
    while let Some(row) = rows.next()? {
        let mut columns = Columns::of(row);
        let (w, t): (i64, i64) = (columns.get()?, columns.get()?);
        let (node, name) = (columns.id()?, columns.get()?);
        let steps = steps.remove(&(w, t)).unwrap_or_default();
        push(plan, state, w, TargetPlan { node, name, steps }, read_run(columns)?)?;
    }
    Ok(())
}

fn outline_targets(
    conn: &Connection,
    rollout: i64,
    plan: &mut Plan,
    state: &mut State,
) -> Result<(), StoreFault> {
    let mut targets = conn.prepare_cached(concat!(
        "SELECT wave, node, ",
        run_columns!(),
        " FROM target WHERE rollout = :rollout ORDER BY wave, place"
    ))?;
    let mut rows = targets.query(named_params! { ":rollout": rollout })?;
    while let Some(row) = rows.next()? {
        let mut columns = Columns::of(row);
        let (w, node) = (columns.get()?, columns.id()?);
        let target = TargetPlan { node, name: String::new(), steps: Vec::new() };
        push(plan, state, w, target, read_run(columns)?)?;
    }
    Ok(())
}

/// Adds a node to its wave.
fn push(
    plan: &mut Plan,
    state: &mut State,
    wave: i64,
    target: TargetPlan,
    run: TargetRun,
) -> Result<(), StoreFault> {
    let at = usize::try_from(wave).ok().and_then(|w| Some((plan.waves.get_mut(w)?, state.waves.get_mut(w)?)));
    let (planned, running) = at.ok_or_else(|| odd("target.wave", wave))?;
    planned.targets.push(target);
    running.targets.push(run);
    Ok(())
}

/// Steps of every node of a rollout, by wave and place.
fn read_steps(conn: &Connection, rollout: i64) -> Result<BTreeMap<(i64, i64), Vec<StepPlan>>, StoreFault> {
    let mut statement = conn.prepare_cached(
        "SELECT wave, place, envelope, way_back FROM step WHERE rollout = :rollout
         ORDER BY wave, place, number",
    )?;
    let mut rows = statement.query(named_params! { ":rollout": rollout })?;
    let mut parcels = Parcels::default();
    let mut steps: BTreeMap<_, Vec<StepPlan>> = BTreeMap::new();
    while let Some(row) = rows.next()? {
        let at = (row.get("wave")?, row.get("place")?);
        steps.entry(at).or_default().push(read_step(conn, row, &mut parcels)?);
    }
    Ok(steps)
}

fn read_step(conn: &Connection, row: &Row<'_>, parcels: &mut Parcels) -> Result<StepPlan, StoreFault> {
    let mut parcel = |digest: Digest| -> Result<Parcel, StoreFault> {
        parcels.get(conn, &digest)?.ok_or_else(|| odd("step.envelope", digest))
    };
    let forward = parcel(id(row, "envelope")?)?;
    let way_back = maybe_id(row, "way_back")?.map(parcel).transpose()?;
    Ok(StepPlan { forward, way_back })
}

/// What one node sees of a rollout, as stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredPart {
    /// The rollout's number.
    pub rollout: i64,
    /// What people call it.
    pub title: String,
    /// The wave and the place in it, from 0.
    pub at: (i64, i64),
    /// How far the node has come.
    pub run: TargetRun,
    state: RolloutState,
    windows: Option<Calendar>,
    wave: WaveState,
    evidence: Evidence,
    gate: Gate,
    target: TargetPlan,
}

impl StoredPart {
    /// As the engine takes it.
    pub fn part(&mut self) -> Part<'_> {
        Part {
            state: self.state,
            windows: self.windows.as_ref(),
            wave: self.wave,
            evidence: self.evidence,
            gate: self.gate,
            target: &self.target,
            run: &mut self.run,
        }
    }

    /// Where the rollout stands.
    pub const fn state(&self) -> RolloutState {
        self.state
    }

    /// Where the node's wave stands.
    pub const fn wave(&self) -> WaveState {
        self.wave
    }
}

/// What one node sees of a rollout. Reads its own rows only, however many nodes there are.
pub fn part(conn: &Connection, rollout: i64, node: &NodeId) -> Result<Option<StoredPart>, StoreFault> {
    let mut heads = conn.prepare_cached("SELECT title, state, windows FROM rollout WHERE id = :rollout")?;
    let mut rows = heads.query(named_params! { ":rollout": rollout })?;
    let Some(head) = rows.next()? else { return Ok(None) };
    let mut targets = conn.prepare_cached(concat!(
        "SELECT wave, place, name, ",
        run_columns!(),
        " FROM target JOIN node ON node.id = target.node WHERE rollout = :rollout AND node = :node"
    ))?;
    let mut rows = targets.query(named_params! { ":rollout": rollout, ":node": node.0 })?;
    let Some(row) = rows.next()? else { return Ok(None) };
    let mut columns = Columns::of(row);
    let at: (i64, i64) = (columns.get()?, columns.get()?);
    let name = columns.get()?;
    let run = read_run(columns)?;
    let mut steps = conn.prepare_cached(
        "SELECT envelope, way_back FROM step
         WHERE rollout = :rollout AND wave = :wave AND place = :place ORDER BY number",
    )?;
    let mut found = steps.query(named_params! { ":rollout": rollout, ":wave": at.0, ":place": at.1 })?;
    let mut parcels = Parcels::default();
    let mut steps = Vec::new();
    while let Some(row) = found.next()? {
        steps.push(read_step(conn, row, &mut parcels)?);
    }
    let mut waves = conn.prepare_cached("SELECT * FROM wave WHERE rollout = :rollout AND number = :wave")?;
    let mut found = waves.query(named_params! { ":rollout": rollout, ":wave": at.0 })?;
    let (plan, wave) = read_wave(found.next()?.ok_or_else(|| odd("target.wave", at.0))?)?;
    Ok(Some(StoredPart {
        rollout,
        title: head.get("title")?,
        at,
        run,
        state: word(head, "state", STATES)?,
        windows: calendar(head)?,
        wave: wave.state,
        evidence: plan.evidence,
        gate: plan.gate,
        target: TargetPlan { node: *node, name, steps },
    }))
}
