//! A rollout that moves: what people ask, what nodes report and the time go in.

use super::evidence::{Moments, Tally, says};
use super::gate::{Judgement, judge};
use super::part::{self, Part, begin_return, is_returned};
use super::plan::{Parcel, Plan};
use super::report::Report;
use super::state::{Forward, Stage, State, TargetRun};
use super::words::{Event, Who};
use super::{Known, proof};
use crate::contract::{OnFailure, RolloutState, Seconds, WaveState};
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
    /// node counts again once it was heard. Waits for a door, restarts and weak signals count anew.
    /// A wave that failed may pass although those of its nodes that kept it were changed by hand or retired.
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
                let gone = run.stage == Stage::Retired;
                let silent = known.is_silent(&target.node, opened_at, plan.gate.silent_after_seconds, now);
                let lost = silent && run.was_reached() && !gone;
                // Nobody else in the wave may be left to show anything; a person goes on in spite of that.
                let mute = wave.state == WaveState::Failed && (gone || run.is_by_hand());
                let counts = (run.has_failed() || lost || mute) && !run.forgiven;
                run.forgiven |= counts;
                let limit = Seconds::from(plan.gate.waiting_after_seconds);
                let waits = plan.gate.max_waiting.is_some()
                    && run.waits_since().is_some_and(|from| now - from > limit);
                if waits {
                    run.excused_at = Some(now);
                }
                let unwell = run.stands() && run.watch.unwell(&plan.gate).is_some();
                if unwell {
                    run.watch.excuse();
                }
                if counts || waits || unwell {
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

    /// Lets the wave open that waits for approval; `wave`: the one that is meant, counted from 0.
    ///
    /// # Errors
    /// [`Misfit`] unless it is under way and that wave waits.
    pub fn approve(
        &mut self,
        wave: Option<usize>,
        note: Option<String>,
        now: Seconds,
    ) -> Result<Vec<Event>, Misfit> {
        const WANTED: &str = "under way, with that wave waiting for approval,";
        self.demand(&[RolloutState::UnderWay], WANTED, "approved")?;
        let misfit = Misfit { state: self.state.state, wanted: WANTED, done: "approved" };
        let mut waves = self.state.waves.iter_mut().enumerate();
        let (n, run) = waves.find(|(_, run)| run.state == WaveState::ForApproval).ok_or(misfit)?;
        if wave.is_some_and(|wave| wave != n) {
            return Err(misfit);
        }
        run.state = WaveState::NotOpen;
        run.approved_at = Some(now);
        Ok(vec![Event::Approved { wave: n, note }])
    }

    /// Ends it for good before every wave has passed: nothing more is offered, nodes stay as they
    /// are, and other rollouts may have them. What a node has taken up it finishes by itself.
    ///
    /// # Errors
    /// [`Misfit`] unless it is ready, under way or held.
    pub fn end(&mut self, note: Option<String>, now: Seconds) -> Result<Vec<Event>, Misfit> {
        let from = [RolloutState::Ready, RolloutState::UnderWay, RolloutState::Held];
        self.demand(&from, "ready, under way or held", "ended")?;
        let why = by_person(note);
        self.state.state = RolloutState::Done;
        self.state.because = Some(format!("ended early: {why}"));
        self.state.ended_at = Some(now);
        Ok(vec![Event::Ended { why, kept: self.count(|t| t.forward == Some(Forward::Kept)) }])
    }

    /// Whether a person ended it before every wave had passed.
    pub const fn was_ended_early(&self) -> bool {
        matches!(self.state.state, RolloutState::Done) && self.state.because.is_some()
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

    /// This rollout as one of its nodes sees it.
    pub fn part(&mut self, node: &NodeId) -> Option<Part<'_>> {
        let (w, t) = self.plan.find(node)?;
        let plan = self.plan.waves.get(w)?;
        let wave = self.state.waves.get_mut(w)?;
        Some(Part {
            state: self.state.state,
            windows: self.plan.windows.as_ref(),
            wave: wave.state,
            evidence: plan.evidence,
            gate: plan.gate,
            target: plan.targets.get(t)?,
            run: wave.targets.get_mut(t)?,
        })
    }

    /// Whether no other rollout may touch this node now; see [`Part::has`].
    pub fn has(&self, node: &NodeId) -> bool {
        let Some((w, t)) = self.plan.find(node) else { return false };
        let run = self.state.waves.get(w).and_then(|wave| wave.targets.get(t));
        run.is_some_and(|run| part::has(self.state.state, run))
    }

    /// Takes in what a node reports; see [`Part::take_in`].
    pub fn take_in(&mut self, node: &NodeId, report: &Report, now: Seconds) -> Vec<Event> {
        self.part(node).map_or_else(Vec::new, |mut part| part.take_in(report, now))
    }

    /// What to offer to a node that reported this; see [`Part::offer`].
    pub fn offer(
        &mut self,
        node: &NodeId,
        report: &Report,
        now: Seconds,
        wall: Seconds,
    ) -> (Option<Parcel>, Vec<Event>) {
        self.part(node).map_or_else(|| (None, Vec::new()), |mut part| part.offer(report, now, wall))
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
            if matches!(wave.state, WaveState::NotOpen | WaveState::ForApproval) {
                if !may_open {
                    break;
                }
                if plan.approval && wave.approved_at.is_none() {
                    if wave.state == WaveState::NotOpen {
                        wave.state = WaveState::ForApproval;
                        wave.asked_at = Some(now);
                        events.push(Event::ApprovalWanted { wave: n });
                    }
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
                    let turns =
                        self.plan.on_failure == OnFailure::TurnBack && failure.is_of_what_was_brought();
                    events.push(Event::WaveFailed { wave: n, failure });
                    if turns {
                        events.extend(self.turn_back_because(why, now));
                    } else {
                        self.state.state = RolloutState::Held;
                        self.state.because = Some(why.clone());
                        events.push(Event::Held { why });
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
            events.push(Event::Done { proves: self.proves(known, now) });
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

    fn count(&self, f: impl Fn(&TargetRun) -> bool) -> u32 {
        number(self.state.targets().filter(|t| f(t)).count())
    }

    /// What its results prove, as a sentence. A node that went back, fell silent after it was reached
    /// or is unwell speaks against it; one that was changed by hand or retired says nothing.
    pub fn proves(&self, known: &Known, now: Seconds) -> String {
        let Tally { well, ill, .. } = self.tally(self.plan.waves.len(), known, now);
        proof::sentence(well, ill)
    }

    /// What a pass of this wave proves, with those before it: by what its nodes reported once it has
    /// passed or they have ended, before that by what would be if all the others kept it.
    pub fn wave_proves(&self, wave: usize, known: &Known, now: Seconds) -> String {
        let Tally { well, ill, open } = self.tally(wave + 1, known, now);
        let passed = self.state.waves.get(wave).is_some_and(|w| w.state == WaveState::Passed);
        if open == 0 || passed { proof::sentence(well, ill) } else { proof::prospect(well + open, ill) }
    }

    /// What the nodes of the first `waves` waves say.
    fn tally(&self, waves: usize, known: &Known, now: Seconds) -> Tally {
        let mut tally = Tally::default();
        for (plan, wave) in self.plan.waves.iter().zip(&self.state.waves).take(waves) {
            let at = Moments { opened_at: wave.opened_at, ended_at: self.state.ended_at, now };
            for (target, run) in plan.targets.iter().zip(&wave.targets) {
                tally.add(says(plan, target, run, known, &at));
            }
        }
        tally
    }
}

fn number(n: usize) -> u32 {
    u32::try_from(n).unwrap_or(u32::MAX)
}

fn by_person(note: Option<String>) -> String {
    note.unwrap_or_else(|| "a person asked for it".to_owned())
}
