//! Offers judged from outside: by what was planned, asked for and reported, and by the time. Shares
//! no line with the engine and does not see its state.

use super::super::rollouts::Action;
use crate::contract::{OnFailure, Seconds};
use crate::rollout::{Plan, TargetPlan, WavePlan};
use pintle_protocol::id::{Digest, NodeId};
use std::collections::{BTreeMap, BTreeSet};

/// Something that can be seen from outside.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Happening {
    /// A person asked it of this plan, and it was done.
    Asked(usize, Action),
    /// A person took the node out of service.
    Retired(NodeId),
    /// Somebody flashed the node by hand.
    ByHand(NodeId),
    /// A check-in that was taken: whether the node does nothing, and how its last update ended
    /// (envelope, and whether it was kept).
    Said { node: NodeId, idle: bool, outcome: Option<(Digest, bool)> },
    /// The answer to the check-in before offers this envelope.
    Offered(NodeId, Digest),
}

/// When what happened.
pub(super) type Moment = (Seconds, Happening);

/// What an offer must not break.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Rule {
    OfItsOwnPlan,
    OfARolloutUnderWay,
    NotToTheRetired,
    NotWhatFailed,
    NotToTheBusy,
    StepAfterStep,
    BackOnlyWithReason,
    NotForwardOnceTurnedBack,
    NotWhileHeld,
    NotAfterFailures,
    InsideTheWindow,
    EarlierWaveSettled,
    EarlierWaveSoaked,
    EarlierWaveHeard,
    EarlierWaveShowsSomething,
    EvidenceSeen,
    Approved,
    OneRolloutAtATime,
    NobodyForgotten,
}

/// The rule that the moment of this number breaks.
pub(super) type Objection = (Rule, usize);

#[derive(Default)]
struct Node {
    heard: Vec<Seconds>,
    idle: bool,
    /// Envelopes that it kept, and when and in which check-in it first said so.
    kept: BTreeMap<Digest, (Seconds, usize)>,
    failed: BTreeMap<Digest, Seconds>,
    retired: bool,
    by_hand: bool,
}

#[derive(Default)]
struct Run {
    /// Place in the order of starting, and when.
    started: Option<(usize, Seconds)>,
    held: bool,
    ended: bool,
    turned: bool,
    way_back_seen: bool,
    resumed: Option<Seconds>,
    approvals: usize,
    reached: BTreeSet<NodeId>,
    opened: BTreeSet<usize>,
}

/// Where an envelope stands in the plans.
struct Place<'p> {
    plan: usize,
    wave: usize,
    target: &'p TargetPlan,
    step: usize,
    back: bool,
}

pub(super) struct Oracle<'p> {
    plans: &'p [Plan],
    nodes: BTreeMap<NodeId, Node>,
    runs: Vec<Run>,
    now: Seconds,
}

/// Looks at everything in turn.
pub(super) fn judge<'p>(plans: &'p [Plan], trace: &[Moment]) -> Result<Oracle<'p>, Objection> {
    let runs = plans.iter().map(|_| Run::default()).collect();
    let mut oracle = Oracle { plans, nodes: BTreeMap::new(), runs, now: 0 };
    for (n, (at, happening)) in trace.iter().enumerate() {
        oracle.now = *at;
        oracle.take_in(*happening).map_err(|rule| (rule, n))?;
    }
    Ok(oracle)
}

fn demand(kept: bool, rule: Rule) -> Result<(), Rule> {
    if kept { Ok(()) } else { Err(rule) }
}

impl Node {
    /// When all of it was kept, or the first of it failed.
    fn settled(&self, target: &TargetPlan) -> Option<Seconds> {
        let failed = target.steps.iter().find_map(|step| self.failed.get(&step.forward.envelope));
        failed.copied().or_else(|| Some(self.kept_all(target)?.0))
    }

    /// When, and in which check-in, it said that it kept the last of it.
    fn kept_all(&self, target: &TargetPlan) -> Option<(Seconds, usize)> {
        let kept = target.steps.iter().map(|step| self.kept.get(&step.forward.envelope).copied());
        kept.collect::<Option<Vec<_>>>()?.into_iter().max()
    }

    /// Whether it was ever unheard for longer than this since `from`.
    fn was_silent(&self, from: Seconds, after: u32, now: Seconds) -> bool {
        let moments: Vec<_> = [from]
            .into_iter()
            .chain(self.heard.iter().copied().filter(|at| *at > from))
            .chain([now])
            .collect();
        moments.windows(2).any(|pair| pair[1] - pair[0] > Seconds::from(after))
    }
}

impl<'p> Oracle<'p> {
    fn take_in(&mut self, happening: Happening) -> Result<(), Rule> {
        match happening {
            Happening::Asked(plan, action) => self.asked(plan, action),
            Happening::Retired(node) => self.nodes.entry(node).or_default().retired = true,
            Happening::ByHand(node) => self.nodes.entry(node).or_default().by_hand = true,
            Happening::Said { node, idle, outcome } => {
                let (now, node) = (self.now, self.nodes.entry(node).or_default());
                node.heard.push(now);
                node.idle = idle;
                match outcome {
                    Some((envelope, true)) => {
                        _ = node.kept.entry(envelope).or_insert((now, node.heard.len()))
                    }
                    Some((envelope, false)) => _ = node.failed.entry(envelope).or_insert(now),
                    None => {}
                }
            }
            Happening::Offered(node, envelope) => self.offered(node, envelope)?,
        }
        Ok(())
    }

    fn asked(&mut self, plan: usize, action: Action) {
        let order = self.runs.iter().filter(|run| run.started.is_some()).count();
        let run = &mut self.runs[plan];
        match action {
            Action::Start => run.started = Some((order, self.now)),
            Action::Hold => run.held = true,
            Action::Resume => (run.held, run.resumed) = (false, Some(self.now)),
            Action::TurnBack => run.turned = true,
            Action::Approve(_) => run.approvals += 1,
            Action::End => run.ended = true,
        }
    }

    fn offered(&mut self, node: NodeId, envelope: Digest) -> Result<(), Rule> {
        let place = self.place(&node, &envelope).ok_or(Rule::OfItsOwnPlan)?;
        let said = self.nodes.get(&node).ok_or(Rule::NotToTheBusy)?;
        demand(!said.retired, Rule::NotToTheRetired)?;
        demand(said.idle, Rule::NotToTheBusy)?;
        demand(!said.failed.contains_key(&envelope), Rule::NotWhatFailed)?;
        demand(self.runs[place.plan].started.is_some(), Rule::OfARolloutUnderWay)?;
        let free =
            (0..self.plans.len()).all(|other| other == place.plan || self.lets_go(other, place.plan, &node));
        demand(free, Rule::OneRolloutAtATime)?;
        if place.back {
            self.back(&place)?
        } else {
            self.forward(&place)?
        }
        let (plan, wave, back) = (place.plan, place.wave, place.back);
        let run = &mut self.runs[plan];
        run.way_back_seen |= back;
        run.reached.insert(node);
        run.opened.insert(wave);
        Ok(())
    }

    fn forward(&self, place: &Place<'_>) -> Result<(), Rule> {
        let (run, plan) = (&self.runs[place.plan], &self.plans[place.plan]);
        demand(!run.turned && !run.way_back_seen, Rule::NotForwardOnceTurnedBack)?;
        demand(!run.ended, Rule::OfARolloutUnderWay)?;
        demand(!run.held, Rule::NotWhileHeld)?;
        let kept = &self.nodes[&place.target.node].kept;
        let before = place.target.steps.iter().take(place.step);
        demand(before.into_iter().all(|s| kept.contains_key(&s.forward.envelope)), Rule::StepAfterStep)?;
        // The one window that these plans know: midnight to noon, UTC.
        demand(plan.windows.is_none() || self.now.rem_euclid(86_400) < 43_200, Rule::InsideTheWindow)?;
        let failures =
            plan.waves.iter().all(|wave| self.failures(run, wave) <= wave.gate.max_failed as usize);
        demand(failures, Rule::NotAfterFailures)?;
        let asked = plan.waves.iter().take(place.wave + 1).filter(|wave| wave.approval).count();
        demand(run.approvals >= asked, Rule::Approved)?;
        if run.opened.contains(&place.wave) {
            return Ok(());
        }
        plan.waves.iter().take(place.wave).try_for_each(|wave| self.has_passed(run, wave))
    }

    /// Nodes of the wave that failed, and over which nobody went on.
    fn failures(&self, run: &Run, wave: &WavePlan) -> usize {
        let counts = |at: &Seconds, target: &TargetPlan| {
            run.resumed.is_none_or(|resumed| *at > resumed) && run.reached.contains(&target.node)
        };
        let failed = |target: &&TargetPlan| {
            let node = self.nodes.get(&target.node);
            node.and_then(|node| target.steps.iter().find_map(|s| node.failed.get(&s.forward.envelope)))
                .is_some_and(|at| counts(at, target))
        };
        wave.targets.iter().filter(failed).count()
    }

    /// Whether the next wave might open. Nodes that were ever silent may be tolerated or forgiven; for all others
    /// it is certain what has to have been seen.
    fn has_passed(&self, run: &Run, wave: &WavePlan) -> Result<(), Rule> {
        let steady = self.steady(run, wave);
        demand(steady.iter().all(|(target, node)| node.settled(target).is_some()), Rule::EarlierWaveSettled)?;
        let node = |target: &TargetPlan| self.nodes.get(&target.node);
        let open =
            |target: &&TargetPlan| node(target).is_none_or(|n| !n.retired && n.settled(target).is_none());
        let silent = wave.targets.iter().filter(open).count();
        let tolerated = silent <= wave.gate.max_silent as usize || run.resumed.is_some();
        demand(tolerated, Rule::EarlierWaveSettled)?;
        let kept = |target: &TargetPlan| node(target).and_then(|node| node.kept_all(target));
        let shows = wave.targets.iter().any(|target| kept(target).is_some());
        demand(shows || run.resumed.is_some(), Rule::EarlierWaveShowsSomething)?;
        let Some(last) = steady.iter().filter_map(|(target, node)| node.settled(target)).max() else {
            return Ok(());
        };
        let until = last + Seconds::from(wave.soak_seconds);
        demand(self.now >= until, Rule::EarlierWaveSoaked)?;
        for (target, node) in steady.iter().filter(|(_, node)| !node.by_hand) {
            let Some((kept, check_in)) = node.kept_all(target) else { continue };
            if node.settled(target) == Some(kept) {
                demand(node.heard.last().is_some_and(|at| *at >= until), Rule::EarlierWaveHeard)?;
                let since = node.heard.len() - check_in;
                demand(since >= wave.evidence.min_check_ins as usize, Rule::EvidenceSeen)?;
            }
        }
        Ok(())
    }

    /// Nodes in service that were never silent since the start.
    fn steady<'a>(&'a self, run: &Run, wave: &'a WavePlan) -> Vec<(&'a TargetPlan, &'a Node)> {
        let from = run.started.map_or(self.now, |(_, at)| at);
        let after = wave.gate.silent_after_seconds;
        let known = wave.targets.iter().filter_map(|target| Some((target, self.nodes.get(&target.node)?)));
        known.filter(|(_, node)| !node.retired && !node.was_silent(from, after, self.now)).collect()
    }

    fn back(&self, place: &Place<'_>) -> Result<(), Rule> {
        demand(self.may_have_turned(place.plan), Rule::BackOnlyWithReason)?;
        let kept = &self.nodes[&place.target.node].kept;
        let step = &place.target.steps[place.step];
        demand(kept.contains_key(&step.forward.envelope), Rule::StepAfterStep)?;
        let undone = place.target.steps.iter().skip(place.step + 1).all(|later| {
            let way_back = later.way_back.as_ref();
            !kept.contains_key(&later.forward.envelope)
                || way_back.is_some_and(|b| kept.contains_key(&b.envelope))
        });
        demand(undone, Rule::StepAfterStep)
    }

    /// Whether a person asked for it, or the plan says so and something went wrong.
    fn may_have_turned(&self, plan: usize) -> bool {
        let (run, plan) = (&self.runs[plan], &self.plans[plan]);
        let started = run.started.map_or(self.now, |(_, at)| at);
        let mut reached = plan.waves.iter().flat_map(|wave| wave.targets.iter().map(move |t| (wave, t)));
        let wrong = reached.any(|(wave, target)| {
            run.reached.contains(&target.node)
                && self.nodes.get(&target.node).is_some_and(|node| {
                    target.steps.iter().any(|step| node.failed.contains_key(&step.forward.envelope))
                        || node.was_silent(started, wave.gate.silent_after_seconds, self.now)
                })
        });
        run.turned || plan.on_failure == OnFailure::TurnBack && wrong
    }

    /// Whether the other plan cannot have this node any more, or not yet.
    fn lets_go(&self, other: usize, mine: usize, node: &NodeId) -> bool {
        let (run, plan) = (&self.runs[other], &self.plans[other]);
        let Some((order, _)) = run.started else { return true };
        let Some(target) = plan.waves.iter().flat_map(|wave| &wave.targets).find(|t| t.node == *node) else {
            return true;
        };
        // What was started later waits, unless it took the node up in between.
        let later = self.runs[mine].started.is_some_and(|(first, _)| first < order);
        if later && !run.reached.contains(node) {
            return true;
        }
        let returned = self.is_returned(target);
        if run.turned {
            return returned;
        }
        let all = plan
            .waves
            .iter()
            .all(|wave| self.steady(run, wave).iter().all(|(target, node)| node.settled(target).is_some()));
        run.ended || all || returned && self.may_have_turned(other)
    }

    /// Whether nothing of it is left on the node that a way back could undo.
    fn is_returned(&self, target: &TargetPlan) -> bool {
        let Some(node) = self.nodes.get(&target.node) else { return true };
        let backs = || target.steps.iter().filter_map(|step| step.way_back.as_ref());
        backs().any(|back| node.failed.contains_key(&back.envelope))
            || target.steps.iter().all(|step| {
                let undone =
                    step.way_back.as_ref().is_some_and(|back| node.kept.contains_key(&back.envelope));
                undone || !node.kept.contains_key(&step.forward.envelope)
            })
    }

    /// Whether a rollout that went on to its end reached everybody that it could.
    pub(super) fn nobody_is_forgotten(&self) -> Result<(), Rule> {
        for (n, (run, plan)) in self.runs.iter().zip(self.plans).enumerate() {
            if run.started.is_none() || run.ended || self.may_have_turned(n) {
                continue;
            }
            let all = plan.waves.iter().all(|wave| {
                self.steady(run, wave).iter().all(|(target, node)| node.settled(target).is_some())
            });
            demand(all, Rule::NobodyForgotten)?;
        }
        Ok(())
    }

    fn place(&self, node: &NodeId, envelope: &Digest) -> Option<Place<'p>> {
        let plans: &'p [Plan] = self.plans;
        let waves = plans
            .iter()
            .enumerate()
            .flat_map(|(p, plan)| plan.waves.iter().enumerate().map(move |(w, wave)| (p, w, wave)));
        let targets = waves.flat_map(|(p, w, wave)| wave.targets.iter().map(move |target| (p, w, target)));
        let mut own = targets.filter(|(_, _, target)| target.node == *node);
        own.find_map(|(plan, wave, target)| {
            target.steps.iter().enumerate().find_map(|(step, s)| {
                let back = s.way_back.as_ref().is_some_and(|b| b.envelope == *envelope);
                (back || s.forward.envelope == *envelope).then_some(Place { plan, wave, target, step, back })
            })
        })
    }
}
