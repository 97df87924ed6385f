//! Rollouts as the contract shows them.

use super::nodes::hold_sentences;
use crate::contract::{Progress, RolloutState, RolloutView, Seconds, TargetView, WaveState, WaveView};
use crate::ops::known;
use crate::rollout::{Forward, Known, Return, Stage, TargetPlan, TargetRun, Verdict, WavePlan, WaveRun, Way};
use crate::store::rollouts::{self as rows, Stored};
use crate::store::{Connection, StoreFault, nodes};
use crate::words::reason_words;
use pintle_protocol::checkin::Phase;

/// One rollout.
pub(crate) fn rollout_view(
    conn: &Connection,
    stored: &Stored,
    now: Seconds,
) -> Result<RolloutView, StoreFault> {
    let (plan, state) = (&stored.rollout.plan, &stored.rollout.state);
    let view = View { conn, stored, known: known(conn, stored.id, now)?, now };
    let waves = plan
        .waves
        .iter()
        .zip(&state.waves)
        .enumerate()
        .map(|(n, (plan, run))| view.wave(n, plan, run))
        .collect::<Result<_, _>>()?;
    Ok(RolloutView {
        id: stored.id,
        title: stored.title.clone(),
        kind: stored.kind,
        state: state.state,
        held_because: state.because.clone(),
        on_failure: plan.on_failure,
        created_at: stored.created_at,
        started_at: state.started_at,
        ended_at: state.ended_at,
        waves,
        proves: stored.rollout.proves(),
    })
}

struct View<'a> {
    conn: &'a Connection,
    stored: &'a Stored,
    known: Known,
    now: Seconds,
}

impl View<'_> {
    fn wave(&self, n: usize, plan: &WavePlan, run: &WaveRun) -> Result<WaveView, StoreFault> {
        let targets = plan
            .targets
            .iter()
            .zip(&run.targets)
            .map(|(target, at)| self.target(plan, run, target, at))
            .collect::<Result<_, _>>()?;
        let soak_until = run.soak_from.filter(|_| run.state == WaveState::Soaking);
        Ok(WaveView {
            number: u32::try_from(n + 1).unwrap_or(u32::MAX),
            state: run.state,
            opened_at: run.opened_at,
            soak_until: soak_until.map(|from| from + Seconds::from(plan.soak_seconds)),
            soak_seconds: plan.soak_seconds,
            gate: plan.gate,
            targets,
        })
    }

    fn target(
        &self,
        wave: &WavePlan,
        run: &WaveRun,
        target: &TargetPlan,
        at: &TargetRun,
    ) -> Result<TargetView, StoreFault> {
        let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        Ok(TargetView {
            node: target.node,
            name: target.name.clone(),
            progress: self.progress(wave, run, target, at),
            since: at.since,
            step: count(at.step + 1),
            steps: count(target.steps.len()),
            turning_back: at.way == Way::Back,
            reason: self.reason(run, target, at)?,
            holds: self.holds(target, at)?,
        })
    }

    fn progress(&self, wave: &WavePlan, run: &WaveRun, target: &TargetPlan, at: &TargetRun) -> Progress {
        let active = self.stored.rollout.is_active();
        let settled = at.has_failed() || (at.way == Way::Back && at.is_ended());
        if let Some(opened_at) = run.opened_at.filter(|_| active && !settled && at.stage != Stage::Retired) {
            let after = wave.gate.silent_after_seconds;
            if self.known.is_silent(&target.node, opened_at, after, self.now) {
                return Progress::Silent;
            }
        }
        let failed = |v: &Verdict| if v.refused { Progress::Refused } else { Progress::WentBack };
        match at.stage {
            Stage::Retired => Progress::Retired,
            Stage::Waiting => Progress::WaitingForItsTurn,
            Stage::Offered | Stage::Fetching => Progress::Fetching,
            Stage::Door => Progress::WaitingForTheDoor,
            Stage::Trial => Progress::OnTrial,
            Stage::Ended => match (at.way, &at.forward, &at.back) {
                (Way::Back, _, Some(Return::Failed(verdict))) => failed(verdict),
                (Way::Back, Some(Forward::Kept), Some(Return::NoWayBack)) => Progress::Kept,
                (Way::Back, Some(Forward::Failed(verdict)), Some(Return::NoWayBack)) => failed(verdict),
                (Way::Back, _, _) => Progress::WentBack,
                (Way::Forward, Some(Forward::Failed(verdict)), _) => failed(verdict),
                (Way::Forward, _, _) => Progress::Kept,
            },
        }
    }

    fn reason(
        &self,
        run: &WaveRun,
        target: &TargetPlan,
        at: &TargetRun,
    ) -> Result<Option<String>, StoreFault> {
        let step = at.step + 1;
        Ok(match (at.stage, at.way, &at.forward, &at.back) {
            (Stage::Ended, Way::Back, _, Some(Return::Failed(v))) => {
                Some(format!("the way back of step {step}: {}", reason_words(v.reason)))
            }
            (Stage::Ended, Way::Back, _, Some(Return::NoWayBack)) => {
                Some(format!("no way back was planned for step {step}"))
            }
            (Stage::Ended, _, Some(Forward::Failed(v)), _) => Some(reason_words(v.reason)),
            (Stage::Waiting, _, _, _) if run.state != WaveState::NotOpen => self.owner(target)?,
            _ => None,
        })
    }

    /// The rollout that keeps this one from a node.
    fn owner(&self, target: &TargetPlan) -> Result<Option<String>, StoreFault> {
        if self.stored.rollout.state.state != RolloutState::UnderWay {
            return Ok(None);
        }
        for number in rows::of_node(self.conn, &target.node)? {
            if number == self.stored.id {
                return Ok(None);
            }
            if let Some(other) = rows::get(self.conn, number)?.filter(|o| o.rollout.has(&target.node)) {
                let state = other.rollout.state.state;
                return Ok(Some(format!(
                    "rollout {number} \"{}\" ({state}) has it until it ends",
                    other.title
                )));
            }
        }
        Ok(None)
    }

    fn holds(&self, target: &TargetPlan, at: &TargetRun) -> Result<Vec<String>, StoreFault> {
        if at.stage != Stage::Door {
            return Ok(Vec::new());
        }
        let row = nodes::get(self.conn, &target.node)?;
        let check_in = row.and_then(|row| row.last).map(|(_, check_in)| check_in);
        Ok(check_in.filter(|c| c.phase == Phase::Waiting).map_or_else(Vec::new, |c| hold_sentences(c.holds)))
    }
}
