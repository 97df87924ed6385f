//! Writing rollouts.

use super::StoredPart;
use super::words::{BACK, DOORS, FORWARD, KINDS, ON_FAILURE, STAGES, STATES, WAVES, WAYS};
use crate::contract::{Kind, Seconds, WaveState};
use crate::rollout::{Forward, Return, Rollout, State, TargetRun, Verdict, WavePlan, WaveRun};
use crate::store::StoreFault;
use crate::store::values::{odd, word_of};
use rusqlite::{Connection, named_params};

/// Stores a new rollout; its number.
pub fn add(
    conn: &Connection,
    title: &str,
    kind: Kind,
    rollout: &Rollout,
    now: Seconds,
) -> Result<i64, StoreFault> {
    let (plan, state) = (&rollout.plan, &rollout.state);
    let windows = plan.windows.as_ref().map(|w| serde_json::to_string(w.windows())).transpose();
    let windows = windows.map_err(|e| odd("rollout.windows", e))?;
    conn.execute(
        "INSERT INTO rollout (title, kind, on_failure, state, created_at, windows)
         VALUES (:title, :kind, :on_failure, :state, :now, :windows)",
        named_params! {
            ":title": title,
            ":kind": word_of(kind, KINDS),
            ":on_failure": word_of(plan.on_failure, ON_FAILURE),
            ":state": word_of(state.state, STATES),
            ":now": now,
            ":windows": windows,
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
        "INSERT INTO wave (rollout, number, soak_seconds, min_check_ins, min_door_cycles, approval, max_failed,
             max_silent, silent_after_seconds, max_waiting, waiting_after_seconds, max_unwell, max_restarts,
             min_signal_dbm, state)
         VALUES (:rollout, :wave, :soak, :check_ins, :cycles, :approval, :max_failed, :max_silent,
             :silent_after, :max_waiting, :waiting_after, :max_unwell, :max_restarts, :min_signal, :state)",
        named_params! {
            ":rollout": rollout,
            ":wave": w,
            ":soak": wave.soak_seconds,
            ":check_ins": wave.evidence.min_check_ins,
            ":cycles": wave.evidence.min_door_cycles,
            ":approval": wave.approval,
            ":max_waiting": wave.gate.max_waiting,
            ":waiting_after": wave.gate.waiting_after_seconds,
            ":max_unwell": wave.gate.max_unwell,
            ":max_restarts": wave.gate.max_restarts,
            ":min_signal": wave.gate.min_signal_dbm,
            ":max_failed": wave.gate.max_failed,
            ":max_silent": wave.gate.max_silent,
            ":silent_after": wave.gate.silent_after_seconds,
            ":state": wave_word(run.state),
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
        let head = |w: &WaveRun| (w.state, w.asked_at, w.approved_at, w.opened_at, w.soak_from);
        if head(was) != head(is) {
            conn.prepare_cached(
                "UPDATE wave SET state = :state, asked_at = :asked, approved_at = :approved,
                     opened_at = :opened, soak_from = :soak
                 WHERE rollout = :rollout AND number = :wave",
            )?
            .execute(named_params! {
                ":rollout": rollout,
                ":wave": index(w)?,
                ":state": wave_word(is.state),
                ":asked": is.asked_at,
                ":approved": is.approved_at,
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

/// Stores how far one node has come, if that has changed since `before`.
pub fn update_part(conn: &Connection, before: &StoredPart, after: &StoredPart) -> Result<(), StoreFault> {
    if before.run == after.run {
        return Ok(());
    }
    let (wave, place) = after.at;
    update_target(conn, after.rollout, wave, place, &after.run)
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
             back = :back, back_reason = :back_reason, back_detail = :back_detail,
             excused_at = :excused, check_ins = :check_ins, door_cycles = :cycles, door = :door,
             starts = :starts, restarts = :restarts, weak = :weak, mute = :mute,
             by_hand = :by_hand
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
        ":excused": run.excused_at,
        ":check_ins": run.watch.check_ins,
        ":cycles": run.watch.door_cycles,
        ":door": word_of(run.watch.door, DOORS),
        ":starts": run.watch.starts,
        ":restarts": run.watch.restarts,
        ":weak": run.watch.weak,
        ":mute": run.watch.mute,
        ":by_hand": run.watch.by_hand,
    })?;
    Ok(())
}

fn wave_word(state: WaveState) -> &'static str {
    word_of(if state == WaveState::ForApproval { WaveState::NotOpen } else { state }, WAVES)
}

fn index(n: usize) -> Result<i64, StoreFault> {
    i64::try_from(n).map_err(|_| odd("an index", n))
}
