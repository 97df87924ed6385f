//! Rollouts as the contract shows them.

use crate::contract::{
    Progress, RolloutState, RolloutView, Seconds, TargetView, WaveState, WaveView, WindowsView,
};
use crate::ops::known;
use crate::rollout::window::Calendar;
use crate::rollout::{Forward, Known, Return, Stage, TargetPlan, TargetRun, Verdict, WavePlan, WaveRun, Way};
use crate::store::rollouts::{self as rows, Stored};
use crate::store::{Connection, StoreFault, clock, nodes};
use crate::words::{hold_sentences, reason_words, utc};
use pintle_protocol::checkin::Phase;

/// Things that a wave is shown to wait for, at most.
const MOST_WAITS: usize = 12;

/// One rollout.
pub(crate) fn rollout_view(
    conn: &Connection,
    stored: &Stored,
    now: Seconds,
) -> Result<RolloutView, StoreFault> {
    let (plan, state) = (&stored.rollout.plan, &stored.rollout.state);
    let wall = clock::wall(conn, now)?;
    let view = View { conn, stored, known: known(conn, stored.id, now)?, now, wall };
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
        ended_early: stored.rollout.was_ended_early(),
        windows: plan.windows.as_ref().map(|calendar| windows_view(calendar, wall)),
        on_failure: plan.on_failure,
        created_at: clock::wall(conn, stored.created_at)?,
        started_at: clock::maybe_wall(conn, state.started_at)?,
        ended_at: clock::maybe_wall(conn, state.ended_at)?,
        waves,
        proves: stored.rollout.proves(&view.known, now),
    })
}

fn windows_view(calendar: &Calendar, now: Seconds) -> WindowsView {
    let changes_at = calendar.changes_at(now);
    WindowsView {
        windows: calendar.windows().clone(),
        open: calendar.is_open(now),
        changes_at,
        changes_at_local: changes_at.map(|at| calendar.wall_words(at)),
    }
}

struct View<'a> {
    conn: &'a Connection,
    stored: &'a Stored,
    known: Known,
    now: Seconds,
    /// What the clock on the wall shows now.
    wall: Seconds,
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
            opened_at: clock::maybe_wall(self.conn, run.opened_at)?,
            soak_until: soak_until.map(|from| self.shown(from + Seconds::from(plan.soak_seconds))),
            soak_seconds: plan.soak_seconds,
            evidence: plan.evidence,
            approval: plan.approval,
            approved_at: clock::maybe_wall(self.conn, run.approved_at)?,
            gate: plan.gate,
            proves: self.stored.rollout.wave_proves(n, &self.known, self.now),
            waits_for: self.waits_for(plan, run),
            targets,
        })
    }

    /// What the clock on the wall will show at a moment to come, unless it is set.
    const fn shown(&self, at: Seconds) -> Seconds {
        at.saturating_add(self.wall.saturating_sub(self.now))
    }

    /// What a wave waits for before it opens or passes.
    fn waits_for(&self, plan: &WavePlan, run: &WaveRun) -> Vec<String> {
        let mut waits = Vec::new();
        if run.state == WaveState::ForApproval {
            waits.push("a person has to approve it".to_owned());
        }
        let Some(from) = run.soak_from.filter(|_| run.state == WaveState::Soaking) else { return waits };
        let until = from + Seconds::from(plan.soak_seconds);
        if self.now < until {
            waits.push(format!("everything must stay well until {}", utc(self.shown(until))));
        }
        let counts = plan.targets.iter().zip(&run.targets).filter(|(_, at)| at.stands() && !at.forgiven);
        let heard =
            |target: &TargetPlan| self.known.last_seen.get(&target.node).is_some_and(|at| *at >= until);
        for (target, at) in counts {
            let (evidence, name) = (&plan.evidence, &target.name);
            let of = |what: &str, found: u32, wanted: u32| format!("{name}: {found} of {wanted} {what} seen");
            if at.watch.is_enough(evidence) {
                if self.now >= until && !heard(target) {
                    waits.push(format!("{name} has to be heard once more"));
                }
                continue;
            }
            if at.watch.check_ins < evidence.min_check_ins {
                waits.push(of("check-ins", at.watch.check_ins, evidence.min_check_ins));
            }
            if at.watch.door_cycles < evidence.min_door_cycles {
                waits.push(of("door cycles", at.watch.door_cycles, evidence.min_door_cycles));
            }
        }
        let more = waits.len().saturating_sub(MOST_WAITS);
        if more > 0 {
            waits.truncate(MOST_WAITS);
            waits.push(format!("{more} more"));
        }
        waits
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
            since: clock::maybe_wall(self.conn, at.since)?,
            step: count(at.step + 1),
            steps: count(target.steps.len()),
            turning_back: at.way == Way::Back,
            reason: self.reason(run, target, at)?,
            holds: self.holds(target, at)?,
            check_ins: at.watch.check_ins,
            door_cycles: at.watch.door_cycles,
            restarts: at.watch.restarts,
            changed_by_hand: at.watch.by_hand,
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
        let state = &self.stored.rollout.state;
        let over = state.state == RolloutState::Done && state.started_at.is_some();
        match at.stage {
            Stage::Retired => Progress::Retired,
            Stage::Waiting | Stage::Offered if over => Progress::LeftBehind,
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
            (Stage::Waiting, _, _, _) if run.opened_at.is_some() => {
                self.owner(target)?.or_else(|| self.outside_windows(at))
            }
            (Stage::Ended, Way::Forward, _, _) if at.watch.by_hand => {
                Some("it was changed by hand since: it runs something else".to_owned())
            }
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
            let other = rows::part(self.conn, number, &target.node)?;
            if let Some(mut other) = other
                && other.part().has()
            {
                let (title, state) = (&other.title, other.state());
                return Ok(Some(format!("rollout {number} \"{title}\" ({state}) has it until it ends")));
            }
        }
        Ok(None)
    }

    /// Why nothing is offered to a node that waits for its turn, if it is the time of the day.
    fn outside_windows(&self, at: &TargetRun) -> Option<String> {
        let rollout = &self.stored.rollout;
        let calendar = rollout.plan.windows.as_ref()?;
        let forward = rollout.state.state == RolloutState::UnderWay && at.way == Way::Forward;
        if !forward || calendar.is_open(self.wall) {
            return None;
        }
        let opens = calendar.changes_at(self.wall)?;
        Some(format!("nothing new is offered before {}", calendar.wall_words(opens)))
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
