//! A rollout that moves: what people ask, what nodes report and the time go in.

use super::gate::{Judgement, judge};
use super::plan::{Parcel, Plan, TargetPlan};
use super::report::{Finding, Report};
use super::state::{Forward, Return, Stage, State, TargetRun, Way};
use super::words::{Event, Who};
use super::{Known, proof};
use crate::contract::{OnFailure, RolloutState, Seconds, WaveState};
use pintle_protocol::checkin::Phase;
use pintle_protocol::id::NodeId;

/// A plan and how far it has come.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rollout {
    /// What it intends.
    pub plan: Plan,
    /// How far it has come.
    pub state: State,
}

/// A person asked for something that the state does not allow.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the rollout is {state}; only one that is {wanted} can be {done}")]
pub struct Misfit {
    /// Where it stands.
    pub state: RolloutState,
    /// The states in which it would be possible.
    pub wanted: &'static str,
    /// What was asked for.
    pub done: &'static str,
}

impl Rollout {
    /// A rollout that was just planned.
    pub fn new(plan: Plan) -> Self {
        let state = State::new(&plan);
        Self { plan, state }
    }

    /// Starts it. Waves open in [`Self::evaluate`].
    ///
    /// # Errors
    /// [`Misfit`] unless it is ready.
    pub fn start(&mut self, note: Option<String>, now: Seconds) -> Result<Vec<Event>, Misfit> {
        self.demand(&[RolloutState::Ready], "ready", "started")?;
        self.state.state = RolloutState::UnderWay;
        self.state.started_at = Some(now);
        Ok(vec![Event::Started { note }])
    }

    /// Stops offering. Nodes that took something up finish it by themselves.
    ///
    /// # Errors
    /// [`Misfit`] unless it is under way.
    pub fn hold(&mut self, note: Option<String>) -> Result<Vec<Event>, Misfit> {
        self.demand(&[RolloutState::UnderWay], "under way", "held")?;
        let why = by_person(note);
        self.state.state = RolloutState::Held;
        self.state.because = Some(why.clone());
        Ok(vec![Event::Held { why }])
    }

    /// Goes on. What failed or fell silent until now no longer counts against a gate; a silent
    /// node counts again once it was heard.
    ///
    /// # Errors
    /// [`Misfit`] unless it is held.
    pub fn resume(
        &mut self,
        note: Option<String>,
        known: &Known,
        now: Seconds,
    ) -> Result<Vec<Event>, Misfit> {
        self.demand(&[RolloutState::Held], "held", "resumed")?;
        let mut forgiven = Vec::new();
        for (plan, wave) in self.plan.waves.iter().zip(&mut self.state.waves) {
            let Some(opened_at) = wave.opened_at else { continue };
            for (target, run) in plan.targets.iter().zip(&mut wave.targets) {
                let silent = known.is_silent(&target.node, opened_at, plan.gate.silent_after_seconds, now);
                let counts = run.has_failed() || (silent && run.was_reached());
                if counts && !run.forgiven && run.stage != Stage::Retired {
                    run.forgiven = true;
                    forgiven.push(target.name.clone());
                }
            }
            if wave.state == WaveState::Failed {
                wave.state = WaveState::Open;
            }
        }
        self.state.state = RolloutState::UnderWay;
        self.state.because = None;
        Ok(vec![Event::Resumed { note, forgiven }])
    }

    /// Returns every node that kept something to what it ran before.
    ///
    /// # Errors
    /// [`Misfit`] unless it is under way, held or done.
    pub fn turn_back(&mut self, note: Option<String>, now: Seconds) -> Result<Vec<Event>, Misfit> {
        let from = [RolloutState::UnderWay, RolloutState::Held, RolloutState::Done];
        self.demand(&from, "under way, held or done", "turned back")?;
        Ok(self.turn_back_because(by_person(note), now))
    }

    fn turn_back_because(&mut self, why: String, now: Seconds) -> Vec<Event> {
        let mut events = vec![Event::TurnedBack { why: why.clone() }];
        self.state.state = RolloutState::TurnedBack;
        self.state.because = Some(why);
        self.state.ended_at = None;
        for (plan, wave) in self.plan.waves.iter().zip(&mut self.state.waves) {
            for (target, run) in plan.targets.iter().zip(&mut wave.targets) {
                // A node that is at something finishes it first; its next report says how.
                if matches!(run.stage, Stage::Waiting | Stage::Ended) {
                    begin_return(target, run, run.kept_steps(target.steps.len()), now, &mut events);
                }
            }
        }
        events.extend(self.end_if_returned(now));
        events
    }

    fn demand(
        &self,
        states: &[RolloutState],
        wanted: &'static str,
        done: &'static str,
    ) -> Result<(), Misfit> {
        let state = self.state.state;
        if states.contains(&state) { Ok(()) } else { Err(Misfit { state, wanted, done }) }
    }

    /// Whether anything may still happen.
    pub const fn is_active(&self) -> bool {
        match self.state.state {
            RolloutState::UnderWay | RolloutState::Held => true,
            RolloutState::TurnedBack => self.state.ended_at.is_none(),
            RolloutState::Ready | RolloutState::Done => false,
        }
    }

    /// Whether no other rollout may touch this node now. A rollout has its nodes from its start
    /// to its end, for until then it may have to return them.
    pub fn has(&self, node: &NodeId) -> bool {
        let Some((w, t)) = self.plan.find(node) else { return false };
        let Some(run) = self.state.waves.get(w).and_then(|wave| wave.targets.get(t)) else { return false };
        match self.state.state {
            RolloutState::UnderWay | RolloutState::Held => run.stage != Stage::Retired,
            RolloutState::TurnedBack => !is_returned(run),
            RolloutState::Ready | RolloutState::Done => false,
        }
    }

    /// Whether something is on its way to this node, or will be as soon as it is idle.
    pub fn is_walking(&self, node: &NodeId) -> bool {
        let Some((w, t)) = self.plan.find(node) else { return false };
        let Some(wave) = self.state.waves.get(w) else { return false };
        let Some(run) = wave.targets.get(t) else { return false };
        match run.stage {
            Stage::Offered | Stage::Fetching | Stage::Door | Stage::Trial => true,
            Stage::Waiting => self.may_offer(wave.state, run),
            Stage::Ended | Stage::Retired => false,
        }
    }

    fn may_offer(&self, wave: WaveState, run: &TargetRun) -> bool {
        let open = matches!(wave, WaveState::Open | WaveState::Soaking | WaveState::Passed);
        match (self.state.state, run.way) {
            (RolloutState::UnderWay, Way::Forward) => open,
            (RolloutState::TurnedBack, Way::Back) => true,
            _ => false,
        }
    }

    /// Takes in what a node reports.
    pub fn take_in(&mut self, node: &NodeId, report: &Report, now: Seconds) -> Vec<Event> {
        let mut events = Vec::new();
        let state = self.state.state;
        let Some((w, t)) = self.plan.find(node) else { return events };
        let Some(target) = self.plan.waves.get(w).and_then(|wave| wave.targets.get(t)) else { return events };
        let Some(wave) = self.state.waves.get_mut(w) else { return events };
        if wave.state == WaveState::NotOpen {
            return events;
        }
        let Some(run) = wave.targets.get_mut(t) else { return events };
        if run.forgiven && !run.has_failed() {
            run.forgiven = false;
        }
        let turning = state == RolloutState::TurnedBack;
        // Each turn ends a step or leaves the loop, so there are at most twice as many as steps.
        while !run.is_ended() {
            let Some(parcel) = current(target, run) else { break };
            match report.about(parcel) {
                Finding::Kept => {
                    step_kept(target, run, now, &mut events);
                    if turning && run.way == Way::Forward {
                        begin_return(target, run, run.kept_steps(target.steps.len()), now, &mut events);
                    }
                }
                Finding::Failed(verdict) => {
                    events.push(Event::Failed {
                        who: Who::of(target),
                        at: run.step,
                        back: run.way == Way::Back,
                        verdict,
                    });
                    match run.way {
                        Way::Forward => run.forward = Some(Forward::Failed(verdict)),
                        Way::Back => run.back = Some(Return::Failed(verdict)),
                    }
                    run.enter(Stage::Ended, now);
                    if turning && run.way == Way::Forward {
                        begin_return(target, run, run.step, now, &mut events);
                    }
                }
                Finding::At(phase) => {
                    run.enter(stage_of(phase), now);
                    break;
                }
                Finding::Elsewhere => break,
                Finding::Idle => {
                    let offers = matches!(
                        (state, run.way),
                        (RolloutState::UnderWay, Way::Forward) | (RolloutState::TurnedBack, Way::Back)
                    );
                    if !(offers && run.stage == Stage::Offered) {
                        run.enter(Stage::Waiting, now);
                    }
                    if turning && run.way == Way::Forward {
                        begin_return(target, run, run.step, now, &mut events);
                    }
                    break;
                }
            }
        }
        events
    }

    /// What to offer to a node that reported this, after [`Self::take_in`] and
    /// [`Self::evaluate`].
    pub fn offer(&mut self, node: &NodeId, report: &Report, now: Seconds) -> (Option<Parcel>, Vec<Event>) {
        let nothing = (None, Vec::new());
        let Some((w, t)) = self.plan.find(node) else { return nothing };
        let Some(target) = self.plan.waves.get(w).and_then(|wave| wave.targets.get(t)) else {
            return nothing;
        };
        let allowed = self
            .state
            .waves
            .get(w)
            .is_some_and(|wave| wave.targets.get(t).is_some_and(|run| self.may_offer(wave.state, run)));
        let Some(run) = self.state.waves.get_mut(w).and_then(|wave| wave.targets.get_mut(t)) else {
            return nothing;
        };
        let idle = report.phase == Phase::Idle && matches!(run.stage, Stage::Waiting | Stage::Offered);
        let Some(parcel) = current(target, run).filter(|_| allowed && idle) else { return nothing };
        if report.failed.contains_key(&parcel.envelope) {
            return nothing;
        }
        let mut events = Vec::new();
        if run.stage == Stage::Waiting {
            run.enter(Stage::Offered, now);
            let back = run.way == Way::Back;
            events.push(Event::Offered {
                who: Who::of(target),
                at: run.step,
                back,
                envelope: parcel.envelope,
            });
        }
        (Some(parcel.clone()), events)
    }

    /// Goes on without a node that was taken out of service.
    pub fn retire(&mut self, node: &NodeId, now: Seconds) -> Vec<Event> {
        let Some((w, t)) = self.plan.find(node) else { return Vec::new() };
        let active = self.is_active() || self.state.state == RolloutState::Ready;
        let run = self.state.waves.get_mut(w).and_then(|wave| wave.targets.get_mut(t));
        match (run, self.plan.waves.get(w).and_then(|wave| wave.targets.get(t))) {
            (Some(run), Some(target)) if active && run.stage != Stage::Retired => {
                run.enter(Stage::Retired, now);
                vec![Event::Retired { who: Who::of(target) }]
            }
            _ => Vec::new(),
        }
    }

    /// Lets waves open, soak, pass and fail, and the rollout end. Evaluating twice at the same
    /// time changes nothing the second time.
    pub fn evaluate(&mut self, known: &Known, now: Seconds) -> Vec<Event> {
        match self.state.state {
            RolloutState::UnderWay => self.evaluate_waves(known, now),
            RolloutState::TurnedBack => self.end_if_returned(now).into_iter().collect(),
            RolloutState::Ready | RolloutState::Held | RolloutState::Done => Vec::new(),
        }
    }

    fn evaluate_waves(&mut self, known: &Known, now: Seconds) -> Vec<Event> {
        let mut events = Vec::new();
        // Waves that were open when an earlier one failed are judged too, so that their failures count.
        let mut may_open = true;
        for (n, (plan, wave)) in self.plan.waves.iter().zip(&mut self.state.waves).enumerate() {
            if wave.state == WaveState::NotOpen {
                if !may_open {
                    break;
                }
                wave.state = WaveState::Open;
                wave.opened_at = Some(now);
                let names = plan.targets.iter().map(|t| t.name.clone()).collect();
                events.push(Event::WaveOpened { wave: n, names });
            }
            match judge(plan, wave, known, now) {
                Judgement::Failed(failure) => {
                    wave.state = WaveState::Failed;
                    let why = format!("wave {}: {failure}", n + 1);
                    events.push(Event::WaveFailed { wave: n, failure });
                    match self.plan.on_failure {
                        OnFailure::Hold => {
                            self.state.state = RolloutState::Held;
                            self.state.because = Some(why.clone());
                            events.push(Event::Held { why });
                        }
                        OnFailure::TurnBack => events.extend(self.turn_back_because(why, now)),
                    }
                    return events;
                }
                // What has passed stays so: a node heard again walks on, and only a failure matters.
                _ if wave.state == WaveState::Passed => {}
                Judgement::Open => {
                    wave.state = WaveState::Open;
                    wave.soak_from = None;
                }
                Judgement::Soaking { from } => {
                    if wave.soak_from != Some(from) {
                        wave.soak_from = Some(from);
                        let until = from + Seconds::from(plan.soak_seconds);
                        events.push(Event::WaveSoaking { wave: n, until });
                    }
                    wave.state = WaveState::Soaking;
                }
                Judgement::Passed { from } => {
                    wave.soak_from = Some(from);
                    wave.state = WaveState::Passed;
                    let kept = wave.targets.iter().filter(|t| t.forward == Some(Forward::Kept)).count();
                    events.push(Event::WavePassed { wave: n, kept, of: wave.targets.len() });
                }
            }
            may_open &= wave.state == WaveState::Passed;
        }
        if self.state.waves.iter().all(|wave| wave.state == WaveState::Passed) {
            self.state.state = RolloutState::Done;
            self.state.ended_at = Some(now);
            events.push(Event::Done { proves: self.proves() });
        }
        events
    }

    fn end_if_returned(&mut self, now: Seconds) -> Option<Event> {
        if self.state.ended_at.is_some() || !self.state.targets().all(is_returned) {
            return None;
        }
        self.state.ended_at = Some(now);
        Some(Event::ReturnEnded)
    }

    /// What its results prove, as a sentence.
    pub fn proves(&self) -> String {
        let count = |f: fn(&TargetRun) -> bool| {
            u32::try_from(self.state.targets().filter(|t| f(t)).count()).unwrap_or(u32::MAX)
        };
        proof::sentence(count(|t| t.forward == Some(Forward::Kept)), count(TargetRun::has_failed))
    }
}

fn by_person(note: Option<String>) -> String {
    note.unwrap_or_else(|| "a person asked for it".to_owned())
}

const fn stage_of(phase: Phase) -> Stage {
    match phase {
        Phase::Idle => Stage::Waiting,
        Phase::Fetching => Stage::Fetching,
        Phase::Waiting => Stage::Door,
        Phase::Trial => Stage::Trial,
    }
}

fn current<'p>(target: &'p TargetPlan, run: &TargetRun) -> Option<&'p Parcel> {
    let step = target.steps.get(run.step)?;
    match run.way {
        Way::Forward => Some(&step.forward),
        Way::Back => step.way_back.as_ref(),
    }
}

/// The current step proved itself: on to the next one, or the way has ended.
fn step_kept(target: &TargetPlan, run: &mut TargetRun, now: Seconds, events: &mut Vec<Event>) {
    let back = run.way == Way::Back;
    events.push(Event::StepKept { who: Who::of(target), at: run.step, back });
    if back {
        begin_return(target, run, run.step, now, events);
    } else if run.step + 1 < target.steps.len() {
        run.step += 1;
        run.stage = Stage::Waiting;
        run.since = Some(now);
    } else {
        run.forward = Some(Forward::Kept);
        run.enter(Stage::Ended, now);
        events.push(Event::Kept { who: Who::of(target) });
    }
}

/// Lets a node that has `kept` steps to be undone walk back; with none it has arrived, or never
/// left.
fn begin_return(
    target: &TargetPlan,
    run: &mut TargetRun,
    kept: usize,
    now: Seconds,
    events: &mut Vec<Event>,
) {
    let Some(step) = kept.checked_sub(1) else {
        if run.way == Way::Back {
            run.back = Some(Return::Done);
            run.enter(Stage::Ended, now);
            events.push(Event::Returned { who: Who::of(target) });
        }
        return;
    };
    run.way = Way::Back;
    run.step = step;
    run.since = Some(now);
    if target.steps.get(step).is_some_and(|s| s.way_back.is_some()) {
        run.stage = Stage::Waiting;
    } else {
        run.back = Some(Return::NoWayBack);
        run.stage = Stage::Ended;
        events.push(Event::NoWayBack { who: Who::of(target), at: step });
    }
}

/// Whether a rollout that turns back has nothing more to do for this node.
const fn is_returned(run: &TargetRun) -> bool {
    match run.stage {
        Stage::Ended | Stage::Retired => true,
        // Never reached, or it lost what it was offered before it kept anything.
        Stage::Waiting => matches!(run.way, Way::Forward) && run.step == 0,
        Stage::Offered | Stage::Fetching | Stage::Door | Stage::Trial => false,
    }
}
