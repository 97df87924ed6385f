//! A rollout as one of its nodes sees it: what a report changes, and what is offered. Needs no
//! other node's rows, so that a check-in costs the same in a rollout of any size.

use super::plan::{Parcel, TargetPlan};
use super::report::{Finding, Report, Verdict};
use super::state::{Forward, Return, Stage, TargetRun, Way};
use super::window::Calendar;
use super::words::{Event, Who};
use crate::contract::{Evidence, Gate, RolloutState, Seconds, WaveState};
use pintle_protocol::checkin::Phase;
use pintle_protocol::id::Component;

/// One node of a rollout.
#[derive(Debug)]
pub struct Part<'a> {
    /// Where the rollout stands.
    pub state: RolloutState,
    /// When something new may be offered.
    pub windows: Option<&'a Calendar>,
    /// Where the node's wave stands.
    pub wave: WaveState,
    /// What must be seen of it.
    pub evidence: Evidence,
    /// What the wave tolerates.
    pub gate: Gate,
    /// The node and its steps.
    pub target: &'a TargetPlan,
    /// How far it has come.
    pub run: &'a mut TargetRun,
}

/// What a rollout that is over left undone on a node.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Left {
    /// It was over when the node had kept so many steps, and not all.
    Steps(usize),
    /// A step did not work out.
    Failed(Verdict),
    /// It turned back, and the node was not returned to what it ran before.
    NotReturned,
}

/// Whether no other rollout may touch this node now. A rollout has its nodes from its start to
/// its end, for until then it may have to return them.
pub(super) const fn has(state: RolloutState, run: &TargetRun) -> bool {
    match state {
        RolloutState::UnderWay | RolloutState::Held => !matches!(run.stage, Stage::Retired),
        RolloutState::TurnedBack => !is_returned(run),
        RolloutState::Ready | RolloutState::Done => false,
    }
}

impl Part<'_> {
    /// Whether no other rollout may touch this node now.
    pub const fn has(&self) -> bool {
        has(self.state, self.run)
    }

    /// Whether something is on its way to this node, or will be as soon as it is idle.
    pub const fn is_walking(&self) -> bool {
        match self.run.stage {
            Stage::Offered | Stage::Fetching | Stage::Door | Stage::Trial => true,
            Stage::Waiting => self.may_offer(),
            Stage::Ended | Stage::Retired => false,
        }
    }

    const fn may_offer(&self) -> bool {
        let open = matches!(self.wave, WaveState::Open | WaveState::Soaking | WaveState::Passed);
        match (self.state, self.run.way) {
            (RolloutState::UnderWay, Way::Forward) => open,
            (RolloutState::TurnedBack, Way::Back) => true,
            _ => false,
        }
    }

    /// Whether a gate should look at the rollout at once, now that the node went from `before` to
    /// where it is: it failed or became unwell. Everything else can wait for the next tick.
    pub fn is_alarming(&self, before: &TargetRun) -> bool {
        let ill = |run: &TargetRun| run.stands() && run.watch.unwell(&self.gate).is_some();
        self.run.has_failed() && !before.has_failed() || ill(self.run) && !ill(before)
    }

    /// What a rollout that is over left undone on this node, which last reported this.
    pub fn left(&self, report: &Report) -> Option<Left> {
        let run = &*self.run;
        let undone = match self.state {
            RolloutState::Ready | RolloutState::UnderWay | RolloutState::Held => return None,
            RolloutState::Done => match run.forward {
                Some(Forward::Kept) => return None,
                Some(Forward::Failed(verdict)) => Left::Failed(verdict),
                None => Left::Steps(run.step),
            },
            RolloutState::TurnedBack => {
                let changed = run.way == Way::Back || run.kept_steps(self.target.steps.len()) > 0;
                return (changed && run.back != Some(Return::Done)).then_some(Left::NotReturned);
            }
        };
        let has_all = self.target.last_parcels().all(|parcel| report.holds(parcel));
        (!has_all).then_some(undone)
    }

    /// Whether the node, which kept all of it and last reported this, certainly runs something else since
    /// in this part of it: it was changed by hand, or another board hangs in its place.
    pub fn strayed(&self, report: &Report, component: Component) -> bool {
        let mut last = self.target.steps.iter().rev().map(|step| &step.forward);
        last.find(|parcel| parcel.changes(component))
            .is_some_and(|parcel| report.runs_another_for(component, parcel))
    }

    /// Takes in what the node reports.
    pub fn take_in(&mut self, report: &Report, now: Seconds) -> Vec<Event> {
        let mut events = Vec::new();
        if matches!(self.wave, WaveState::NotOpen | WaveState::ForApproval) {
            return events;
        }
        let (state, target) = (self.state, self.target);
        let run = &mut *self.run;
        let on_its_way = matches!(run.stage, Stage::Offered | Stage::Fetching | Stage::Door | Stage::Trial);
        if state == RolloutState::Done && !on_its_way {
            return events;
        }
        // It was heard, or has its old image again: it counts again.
        if run.forgiven && !run.has_failed() && !run.is_by_hand() && run.stage != Stage::Retired {
            run.forgiven = false;
        }
        if run.stands() && matches!(state, RolloutState::UnderWay | RolloutState::Held) {
            if run.watch.see(report, target, &self.evidence, &self.gate) {
                events.push(Event::ChangedByHand { who: Who::of(target) });
            }
            run.forgiven &= run.is_by_hand();
            return events;
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
        // What it kept once it may run no longer: then it shows nothing from the start.
        if run.stands() && run.watch.begin(report, target) {
            events.push(Event::ChangedByHand { who: Who::of(target) });
        }
        events
    }

    /// What to offer, after [`Self::take_in`]. Outside of the rollout's windows nothing new is; a
    /// node that is returned is not kept waiting.
    ///
    /// `wall`: what the clock on the wall shows now, by which windows go.
    pub fn offer(&mut self, report: &Report, now: Seconds, wall: Seconds) -> (Option<Parcel>, Vec<Event>) {
        let nothing = (None, Vec::new());
        let allowed = self.may_offer();
        let run = &mut *self.run;
        let idle = report.phase == Phase::Idle && matches!(run.stage, Stage::Waiting | Stage::Offered);
        let Some(parcel) = current(self.target, run).filter(|_| allowed && idle) else { return nothing };
        if report.failed.contains_key(&parcel.envelope) {
            return nothing;
        }
        if run.way == Way::Forward && self.windows.is_some_and(|windows| !windows.is_open(wall)) {
            run.enter(Stage::Waiting, now);
            return nothing;
        }
        let mut events = Vec::new();
        if run.stage == Stage::Waiting {
            run.enter(Stage::Offered, now);
            events.push(Event::Offered {
                who: Who::of(self.target),
                at: run.step,
                back: run.way == Way::Back,
                envelope: parcel.envelope,
            });
        }
        (Some(parcel.clone()), events)
    }
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
pub(super) fn begin_return(
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
pub(super) const fn is_returned(run: &TargetRun) -> bool {
    match run.stage {
        Stage::Ended | Stage::Retired => true,
        // Never reached, or it lost what it was offered before it kept anything.
        Stage::Waiting => matches!(run.way, Way::Forward) && run.step == 0,
        Stage::Offered | Stage::Fetching | Stage::Door | Stage::Trial => false,
    }
}
