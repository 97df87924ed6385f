//! Turning a wish into a plan, or saying what is wrong with it.

use super::nodes::check_text;
use crate::config::Intervals;
use crate::contract::{
    Kind, LEAST_WAITING, MOST_IN_WAVE, MOST_NODES, MOST_SECONDS, MOST_SEEN, MOST_STEPS, MOST_TITLE,
    MOST_WAVES, NewRollout, NewStep, NewTarget, NewWave, OnFailure, Seconds,
};
use crate::error::ApiError;
use crate::journal::Line;
use crate::rollout::window::Calendar;
use crate::rollout::{Parcel, Plan, Rollout, StepPlan, TargetPlan, WavePlan};
use crate::store::files::{self, Parcels};
use crate::store::{Connection, journal, nodes, rollouts as rows};
use pintle_protocol::id::{Component, Digest, NodeId, Role};
use std::collections::BTreeSet;

/// Plans a rollout; its number.
pub(crate) fn plan(
    conn: &Connection,
    wish: &NewRollout,
    intervals: Intervals,
    now: Seconds,
) -> Result<i64, ApiError> {
    check_text("title", &wish.title, MOST_TITLE)?;
    count("waves", wish.waves.len(), MOST_WAVES)?;
    let nodes = wish.waves.iter().map(|wave| wave.targets.len()).sum();
    count("nodes in all waves", nodes, MOST_NODES)?;
    let mut planner = Planner { conn, wish, parcels: Parcels::default(), seen: BTreeSet::new() };
    let waves = wish
        .waves
        .iter()
        .enumerate()
        .map(|(w, wave)| planner.wave(&format!("waves[{w}]"), wave, intervals))
        .collect::<Result<_, _>>()?;
    let windows = wish.windows.clone().map(Calendar::new).transpose();
    let windows = windows.map_err(|e| bad("windows".to_owned(), e.to_string()))?;
    let rollout = Rollout::new(Plan { on_failure: wish.on_failure, windows, waves });
    let number = rows::add(conn, &wish.title, wish.kind, &rollout, now)?;
    let sentence = format!("\"{}\" was planned as rollout {number}", wish.title);
    journal::append(conn, now, vec![Line::new("rollout_planned", sentence).of_rollout(number)])?;
    Ok(number)
}

struct Planner<'a> {
    conn: &'a Connection,
    wish: &'a NewRollout,
    parcels: Parcels,
    seen: BTreeSet<NodeId>,
}

impl Planner<'_> {
    fn wave(&mut self, at: &str, wave: &NewWave, intervals: Intervals) -> Result<WavePlan, ApiError> {
        count(&format!("{at}.targets"), wave.targets.len(), MOST_IN_WAVE)?;
        if wave.soak_seconds > MOST_SECONDS {
            return Err(bad(format!("{at}.soak_seconds"), format!("it is longer than {MOST_SECONDS} s")));
        }
        let (silent, least) = (wave.gate.silent_after_seconds, intervals.least_silent_after());
        if !(least..=MOST_SECONDS).contains(&silent) {
            let why = format!(
                "it is {silent} s; nodes check in every {} s, so take {least} to {MOST_SECONDS} s",
                intervals.idle_seconds
            );
            return Err(bad(format!("{at}.gate.silent_after_seconds"), why));
        }
        let waiting = wave.gate.waiting_after_seconds;
        if !(LEAST_WAITING..=MOST_SECONDS).contains(&waiting) {
            let why = format!("it is {waiting} s; take {LEAST_WAITING} to {MOST_SECONDS} s");
            return Err(bad(format!("{at}.gate.waiting_after_seconds"), why));
        }
        if wave.gate.min_signal_dbm.is_some_and(|least| least >= 0) {
            let why = "a signal is below 0 dBm, such as -80".to_owned();
            return Err(bad(format!("{at}.gate.min_signal_dbm"), why));
        }
        let evidence = wave.evidence;
        let fields =
            [("min_check_ins", evidence.min_check_ins), ("min_door_cycles", evidence.min_door_cycles)];
        if let Some((field, found)) = fields.into_iter().find(|(_, found)| *found > MOST_SEEN) {
            let why = format!("it is {found}; take at most {MOST_SEEN}");
            return Err(bad(format!("{at}.evidence.{field}"), why));
        }
        let targets = wave
            .targets
            .iter()
            .enumerate()
            .map(|(t, target)| self.target(&format!("{at}.targets[{t}]"), target))
            .collect::<Result<_, _>>()?;
        Ok(WavePlan {
            soak_seconds: wave.soak_seconds,
            evidence,
            approval: wave.approval,
            gate: wave.gate,
            targets,
        })
    }

    fn target(&mut self, at: &str, target: &NewTarget) -> Result<TargetPlan, ApiError> {
        count(&format!("{at}.steps"), target.steps.len(), MOST_STEPS)?;
        let node = target.node;
        let row = nodes::get(self.conn, &node)?.ok_or(ApiError::UnknownNode { node })?;
        if row.retired_at.is_some() {
            return Err(ApiError::NodeRetired { node });
        }
        if row.keys.is_none() {
            return Err(bad(format!("{at}.node"), format!("{} is not admitted yet", row.name)));
        }
        if !self.seen.insert(node) {
            return Err(bad(format!("{at}.node"), format!("{} occurs twice in this rollout", row.name)));
        }
        let steps = target
            .steps
            .iter()
            .enumerate()
            .map(|(s, step)| self.step(&format!("{at}.steps[{s}]"), step, node))
            .collect::<Result<Vec<_>, _>>()?;
        check_sequences(at, &steps)?;
        Ok(TargetPlan { node, name: row.name, steps })
    }

    fn step(&mut self, at: &str, step: &NewStep, node: NodeId) -> Result<StepPlan, ApiError> {
        let forward = self.parcel(&format!("{at}.envelope"), step.envelope, node)?;
        let Some(way_back) = step.way_back else {
            if self.wish.on_failure == OnFailure::TurnBack {
                let why = "a rollout that turns back on failure needs one for every step".to_owned();
                return Err(bad(format!("{at}.way_back"), why));
            }
            return Ok(StepPlan { forward, way_back: None });
        };
        let way_back = self.parcel(&format!("{at}.way_back"), way_back, node)?;
        let parts = |p: &Parcel| p.brings.iter().map(|b| b.component).collect::<BTreeSet<_>>();
        if parts(&way_back) != parts(&forward) {
            let why = "it changes other parts of the node than the step does".to_owned();
            return Err(bad(format!("{at}.way_back"), why));
        }
        Ok(StepPlan { forward, way_back: Some(way_back) })
    }

    fn parcel(&mut self, at: &str, envelope: Digest, node: NodeId) -> Result<Parcel, ApiError> {
        let parcel = self.parcels.get(self.conn, &envelope)?.ok_or(ApiError::EnvelopeMissing { envelope })?;
        let kind = self.wish.kind;
        let fits = |component| match kind {
            Kind::Image => matches!(component, Component::Chip(_)),
            Kind::Bundle | Kind::Wifi => component == Component::Conf,
            Kind::Keys => component == Component::Keys,
        };
        if let Some(part) = parcel.brings.iter().find(|b| !fits(b.component)) {
            let why = format!("it changes `{}`, a rollout of kind {} does not", part.component, kind.word());
            return Err(bad(at.to_owned(), why));
        }
        if let Some(device) = files::device(self.conn, &envelope)?.filter(|device| *device != node) {
            return Err(bad(at.to_owned(), format!("it is for another node, {device}")));
        }
        Ok(parcel)
    }
}

/// A node takes only what has a higher sequence number than what it kept before, role by role.
fn check_sequences(at: &str, steps: &[StepPlan]) -> Result<(), ApiError> {
    for role in Role::ALL {
        let mut walked = None;
        // The whole walk: every step forward, then every way back, last first.
        let forward = steps.iter().enumerate().map(|(s, step)| (s, "envelope", Some(&step.forward)));
        let back = steps.iter().enumerate().rev().map(|(s, step)| (s, "way_back", step.way_back.as_ref()));
        for (s, field, parcel) in forward.chain(back) {
            let Some(parcel) = parcel.filter(|p| p.role == role) else { continue };
            if let Some(before) = walked.filter(|before| parcel.sequence <= *before) {
                let why = format!(
                    "its sequence number is {}, the node will have kept {before} by then and refuse it",
                    parcel.sequence
                );
                return Err(bad(format!("{at}.steps[{s}].{field}"), why));
            }
            walked = Some(parcel.sequence);
        }
    }
    Ok(())
}

fn count(field: &str, found: usize, most: usize) -> Result<(), ApiError> {
    if (1..=most).contains(&found) {
        return Ok(());
    }
    Err(bad(field.to_owned(), format!("there are {found}; take 1 to {most}")))
}

fn bad(field: String, why: String) -> ApiError {
    ApiError::BadField { field, why }
}
