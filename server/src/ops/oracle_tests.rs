//! Two rollouts over the same nodes, whatever people ask and nodes do: no offer breaks a rule that can be
//! seen from outside. And the rules themselves: each objects to a server that breaks it.

use super::oracle::{Happening, Moment, Objection, Rule, judge};
use super::rollouts::Action;
use super::*;
use crate::rollout::{Parcel, StepPlan, WavePlan};
use pintle_protocol::id::{Chip, Component};

/// Nodes of each rollout.
const NODES: u8 = 3;

/// The same nodes again, in other waves and with other envelopes.
fn another(mut plan: Plan) -> Plan {
    let mut targets: Vec<_> = plan.waves.iter_mut().flat_map(|wave| wave.targets.drain(..)).collect();
    for step in targets.iter_mut().flat_map(|target| &mut target.steps) {
        let StepPlan { forward, way_back } = step;
        for parcel in [Some(forward), way_back.as_mut()].into_iter().flatten() {
            parcel.envelope.0[3] = 0xaa;
            parcel.brings.iter_mut().filter_map(|part| part.payload.as_mut()).for_each(|p| p.0[3] = 0xaa);
        }
    }
    plan.waves[0].targets = targets.drain(..2).collect();
    plan.waves[1].targets = targets;
    plan
}

/// A yard, and everything about it that can be seen from outside.
struct Watched {
    yard: Yard,
    plans: [Plan; 2],
    numbers: [i64; 2],
    trace: Vec<Moment>,
}

impl Watched {
    fn new(plan: Plan) -> Self {
        let plans = [plan.clone(), another(plan)];
        let yard = Yard::new(NODES);
        let numbers = plans.each_ref().map(|plan| yard.add(plan));
        Self { yard, plans, numbers, trace: Vec::new() }
    }

    fn saw(&mut self, happening: Happening) {
        self.trace.push((self.yard.now, happening));
    }

    /// People need a second for what they ask, so that it is clear what came first.
    fn ask(&mut self, plan: usize, action: Action) -> bool {
        self.yard.now += 1;
        let done = self.yard.act(self.numbers[plan], action).is_ok();
        if done {
            self.saw(Happening::Asked(plan, action));
        }
        done
    }

    fn wait(&mut self, mut seconds: i64) {
        while seconds > 0 {
            self.yard.now += seconds.min(300);
            seconds -= 300;
            tick(&self.yard.conn, &[], self.yard.now).unwrap();
        }
    }

    /// The node does something, and checks in.
    fn check_in(&mut self, n: u8, luck: u8) {
        let before = self.yard.nodes[usize::from(n) - 1].check_in.subject;
        self.yard.nodes[usize::from(n) - 1].advance(luck);
        if let Some(subject) = before {
            self.runs_what_it_kept(n, subject);
        }
        let said = self.yard.nodes[usize::from(n) - 1].check_in.clone();
        let Ok(answer) = self.yard.check_in(n) else { return };
        let outcome = said.outcome.map(|o| (o.envelope, o.ending == Ending::Kept));
        self.saw(Happening::Said { node: node(n), idle: said.phase == Phase::Idle, outcome });
        if let Some(offer) = answer.offer {
            self.saw(Happening::Offered(node(n), offer.envelope));
        }
    }

    fn runs_what_it_kept(&mut self, n: u8, subject: Digest) {
        let at = &mut self.yard.nodes[usize::from(n) - 1].check_in;
        if !at.outcome.is_some_and(|o| o.envelope == subject && o.ending == Ending::Kept) {
            return;
        }
        let found = parcels(&self.plans).find(|parcel| parcel.envelope == subject).unwrap();
        for part in &found.brings {
            let Some(payload) = part.payload else { continue };
            match (part.component, &mut at.io) {
                (Component::Chip(Chip::Io), Some(io)) => io.digest = payload,
                _ => at.net.digest = payload,
            }
        }
    }

    fn apply(&mut self, op: &Do) {
        match *op {
            Do::CheckIn { n, luck } => self.check_in(n, luck),
            Do::PowerCut { n } => {
                let at = &mut self.yard.nodes[usize::from(n) - 1].check_in;
                (at.phase, at.subject) = (Phase::Idle, None);
                self.check_in(n, 1);
            }
            Do::Wait { seconds } => self.wait(seconds.into()),
            Do::Ask { second, action } => _ = self.ask(second.into(), action),
            Do::Retire { n } => {
                super::super::nodes::retire(&self.yard.conn, node(n), None, self.yard.now).unwrap();
                self.saw(Happening::Retired(node(n)));
            }
            Do::ByHand { n } => {
                self.yard.nodes[usize::from(n) - 1].check_in.net.digest = Digest([0xbd; 32]);
                self.saw(Happening::ByHand(node(n)));
            }
            Do::Door { n } => {
                let at = &mut self.yard.nodes[usize::from(n) - 1].check_in.position;
                *at = if *at == Position::Closed { Position::Open } else { Position::Closed };
            }
            Do::Restart => {
                let path = self.yard._folder.path().join("pintle.db");
                self.yard.db = Db::open(&path).unwrap();
                self.yard.conn = Connection::open(&path).unwrap();
                self.yard.conn.execute_batch("PRAGMA synchronous = OFF; PRAGMA foreign_keys = 1").unwrap();
            }
        }
    }

    /// Everybody answers, doors are used, people resume and approve, until nothing moves any more.
    fn run_out(&mut self) -> bool {
        for _ in 0..300 {
            for n in 1..=NODES {
                self.apply(&Do::Door { n });
                self.check_in(n, 1);
            }
            if rows::active(&self.yard.conn).unwrap().is_empty() {
                return true;
            }
            for plan in 0..2 {
                self.ask(plan, Action::Resume);
                self.ask(plan, Action::Approve(None));
            }
            self.wait(300);
        }
        false
    }
}

fn parcels(plans: &[Plan]) -> impl Iterator<Item = &Parcel> {
    let targets = plans.iter().flat_map(|plan| &plan.waves).flat_map(|wave| &wave.targets);
    let steps = targets.flat_map(|target| &target.steps);
    steps.flat_map(|step| [Some(&step.forward), step.way_back.as_ref()]).flatten()
}

#[derive(Clone, Copy, Debug)]
enum Do {
    CheckIn { n: u8, luck: u8 },
    PowerCut { n: u8 },
    Wait { seconds: u16 },
    Ask { second: bool, action: Action },
    Retire { n: u8 },
    ByHand { n: u8 },
    Door { n: u8 },
    Restart,
}

fn what() -> impl Strategy<Value = Do> {
    let n = || 1..=NODES;
    let action = prop_oneof![
        3 => Just(Action::Start),
        2 => Just(Action::Hold),
        4 => Just(Action::Resume),
        4 => Just(Action::Approve(None)),
        1 => Just(Action::TurnBack),
        1 => Just(Action::End),
    ];
    prop_oneof![
        24 => (n(), any::<u8>()).prop_map(|(n, luck)| Do::CheckIn { n, luck }),
        1 => n().prop_map(|n| Do::PowerCut { n }),
        5 => (0u16..900).prop_map(|seconds| Do::Wait { seconds }),
        1 => (0u16..6000).prop_map(|seconds| Do::Wait { seconds }),
        4 => (any::<bool>(), action).prop_map(|(second, action)| Do::Ask { second, action }),
        1 => prop_oneof![
            n().prop_map(|n| Do::Retire { n }),
            n().prop_map(|n| Do::ByHand { n }),
            Just(Do::Restart),
        ],
        2 => n().prop_map(|n| Do::Door { n }),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn no_offer_breaks_a_rule_and_every_rollout_ends(
        begin in 0usize..4,
        ops in proptest::collection::vec(what(), 0..150),
        (turn_back, approval, windows, tolerant) in any::<(bool, bool, bool, bool)>(),
        (steps, min_check_ins, min_door_cycles) in (1u8..4, 0u32..3, 0u32..2),
    ) {
        let on_failure = if turn_back { OnFailure::TurnBack } else { OnFailure::Hold };
        let mut plan = testing::plan(&[1, 2], steps, gate(tolerant.into(), tolerant.into()), on_failure);
        plan.windows = windows.then(testing::mornings);
        for wave in &mut plan.waves {
            wave.approval = approval;
            wave.evidence = Evidence { min_check_ins, min_door_cycles };
        }
        let mut watched = Watched::new(plan);
        // Mostly one, the other or both are under way from the start.
        for second in [false, true].into_iter().take(begin) {
            watched.ask(second.into(), Action::Start);
        }
        for op in &ops {
            watched.apply(op);
        }
        let ends = watched.run_out();
        let judged = judge(&watched.plans, &watched.trace);
        let broken = judged.as_ref().err().map(|(rule, at)| (*rule, &watched.trace[..=*at]));
        prop_assert!(broken.is_none(), "{broken:#?}");
        prop_assert!(ends, "it never ended");
        prop_assert_eq!(judged.ok().unwrap().nobody_is_forgotten(), Ok(()));
    }
}

/// A whole run of both rollouts, as a right server does it.
fn right() -> Watched {
    let mut plan = testing::plan(&[1, 2], 2, gate(0, 0), OnFailure::Hold);
    plan.windows = Some(testing::mornings());
    for wave in &mut plan.waves {
        wave.approval = true;
        wave.evidence.min_check_ins = 2;
    }
    let mut watched = Watched::new(plan);
    watched.wait(86_400 - watched.yard.now % 86_400);
    watched.ask(0, Action::Start);
    watched.ask(1, Action::Start);
    assert!(watched.run_out());
    watched
}

/// A run of the first rollout that a person turns back when all of it was kept.
fn turned_back() -> Watched {
    let mut watched = Watched::new(testing::plan(&[1, 2], 2, gate(0, 0), OnFailure::Hold));
    watched.ask(0, Action::Start);
    assert!(watched.run_out());
    assert!(watched.ask(0, Action::TurnBack));
    assert!(watched.run_out());
    watched
}

fn place(trace: &[Moment], n: u8, envelope: Digest) -> usize {
    trace.iter().position(|(_, what)| *what == Happening::Offered(node(n), envelope)).unwrap()
}

fn offer(n: u8, step: u8) -> Digest {
    envelope(n, step, false)
}

/// What is said of the run after `wrong` was done to it.
fn objection(mut run: Watched, wrong: impl FnOnce(&mut [Plan; 2], &mut Vec<Moment>)) -> Option<Objection> {
    assert!(
        judge(&run.plans, &run.trace).is_ok_and(|all| all.nobody_is_forgotten().is_ok()),
        "nothing is wrong yet"
    );
    wrong(&mut run.plans, &mut run.trace);
    match judge(&run.plans, &run.trace) {
        Err(objection) => Some(objection),
        Ok(all) => all.nobody_is_forgotten().err().map(|rule| (rule, run.trace.len())),
    }
}

/// The rule that the run breaks, `wrong` having been done before an offer to a node.
fn before_offer(n: u8, step: u8, wrong: impl FnOnce(Seconds) -> Vec<Happening>) -> Rule {
    let (rule, _) = objection(right(), |_, trace| {
        let at = place(trace, n, offer(n, step));
        let now = trace[at].0;
        let more = wrong(now).into_iter().map(|what| (now, what));
        trace.splice(at..at, more);
    })
    .expect("an objection");
    rule
}

/// The rule that the run breaks without some of what happened.
fn without(run: Watched, gone: impl Fn(&Happening) -> bool) -> Rule {
    objection(run, |_, trace| trace.retain(|(_, what)| !gone(what))).expect("an objection").0
}

fn with_plan(change: impl Fn(&mut WavePlan)) -> Rule {
    objection(right(), |plans, _| change(&mut plans[0].waves[0])).expect("an objection").0
}

fn said(n: u8, idle: bool, outcome: Option<(Digest, bool)>) -> Happening {
    Happening::Said { node: node(n), idle, outcome }
}

#[test]
fn it_objects_to_an_offer_to_the_wrong_node_or_at_the_wrong_time() {
    let other = objection(right(), |_, trace| {
        let at = place(trace, 2, offer(2, 0));
        trace[at].1 = Happening::Offered(node(2), offer(3, 0));
    });
    assert_eq!(other.unwrap().0, Rule::OfItsOwnPlan);
    assert_eq!(before_offer(2, 1, |_| vec![Happening::Retired(node(2))]), Rule::NotToTheRetired);
    assert_eq!(before_offer(2, 1, |_| vec![said(2, false, None)]), Rule::NotToTheBusy);
    let refused = vec![said(2, true, Some((offer(2, 1), false)))];
    assert_eq!(before_offer(2, 1, |_| refused), Rule::NotWhatFailed);
    let afternoon = objection(right(), |_, trace| {
        let at = place(trace, 1, offer(1, 0));
        trace.iter_mut().skip(at).for_each(|(now, _)| *now += 43_200);
    });
    assert_eq!(afternoon.unwrap().0, Rule::InsideTheWindow);
}

#[test]
fn it_objects_to_what_nobody_asked_for() {
    assert_eq!(
        without(right(), |w| matches!(w, Happening::Asked(0, Action::Start))),
        Rule::OfARolloutUnderWay
    );
    assert_eq!(without(right(), |w| matches!(w, Happening::Asked(0, Action::Approve(_)))), Rule::Approved);
    assert_eq!(
        without(turned_back(), |w| matches!(w, Happening::Asked(0, Action::TurnBack))),
        Rule::BackOnlyWithReason
    );
    assert_eq!(before_offer(2, 1, |_| vec![Happening::Asked(0, Action::Hold)]), Rule::NotWhileHeld);
    assert_eq!(before_offer(2, 1, |_| vec![Happening::Asked(0, Action::End)]), Rule::OfARolloutUnderWay);
    assert_eq!(
        before_offer(2, 1, |_| vec![Happening::Asked(0, Action::TurnBack)]),
        Rule::NotForwardOnceTurnedBack
    );
}

#[test]
fn it_objects_to_steps_out_of_turn() {
    let forward = objection(right(), |_, trace| {
        let at = place(trace, 1, offer(1, 0));
        trace[at].1 = Happening::Offered(node(1), offer(1, 1));
    });
    assert_eq!(forward.unwrap().0, Rule::StepAfterStep);
    let back = objection(turned_back(), |_, trace| {
        let at = place(trace, 1, envelope(1, 1, true));
        trace[at].1 = Happening::Offered(node(1), envelope(1, 0, true));
    });
    assert_eq!(back.unwrap().0, Rule::StepAfterStep);
    let never_kept = objection(turned_back(), |_, trace| {
        for (_, what) in trace {
            if matches!(what, Happening::Said { outcome: Some((kept, true)), .. } if *kept == offer(3, 1)) {
                *what = said(3, true, None);
            }
        }
    });
    assert_eq!(never_kept.unwrap().0, Rule::StepAfterStep);
}

#[test]
fn it_objects_to_a_wave_that_opens_too_soon() {
    let failed = vec![said(3, true, Some((offer(3, 0), false)))];
    let over = objection(right(), |_, trace| {
        let at = place(trace, 2, offer(2, 1));
        let now = trace[at].0;
        trace.splice(at..at, failed.into_iter().map(|what| (now, what)));
    });
    assert_eq!(over.unwrap().0, Rule::NotAfterFailures);
    assert_eq!(with_plan(|wave| wave.soak_seconds = 50_000), Rule::EarlierWaveSoaked);
    assert_eq!(with_plan(|wave| wave.evidence.min_check_ins = 50), Rule::EvidenceSeen);
    let first = |what: &Happening| {
        matches!(what, Happening::Said { node: n, outcome: Some((kept, _)), .. }
            if *n == node(1) && *kept == offer(1, 1))
    };
    assert_eq!(without(right(), first), Rule::EarlierWaveSettled);
    let unheard = objection(right(), |_, trace| {
        let kept = trace.iter().position(|(_, what)| first(what)).unwrap();
        let mut n = 0;
        trace.retain(|(_, what)| {
            n += 1;
            n <= kept + 1 || !first(what)
        });
    });
    assert_eq!(unheard.unwrap().0, Rule::EarlierWaveHeard);
    let shows_nothing = objection(right(), |plans, trace| {
        plans[0].waves[0].gate.max_failed = 1;
        for (_, what) in trace.iter_mut().filter(|(_, what)| first(what)) {
            *what = said(1, true, Some((offer(1, 1), false)));
        }
    });
    assert_eq!(shows_nothing.unwrap().0, Rule::EarlierWaveShowsSomething);
}

#[test]
fn it_objects_to_two_rollouts_at_once_and_to_a_forgotten_node() {
    let mut second = offer(2, 0);
    second.0[3] = 0xaa;
    assert_eq!(before_offer(2, 1, |_| vec![Happening::Offered(node(2), second)]), Rule::OneRolloutAtATime);
    // Nor does the second begin with a node that the first has not come to yet.
    assert_eq!(before_offer(2, 0, |_| vec![Happening::Offered(node(2), second)]), Rule::OneRolloutAtATime);
    let forgotten = objection(right(), |plans, trace| {
        let own = |what: &Happening| matches!(what, Happening::Offered(n, _) if *n == node(3));
        let says = |what: &Happening| matches!(what, Happening::Said { node: n, .. } if *n == node(3));
        for (_, what) in trace.iter_mut().filter(|(_, what)| says(what)) {
            *what = said(3, true, None);
        }
        trace.retain(|(_, what)| !own(what));
        plans[1].waves.truncate(1);
        trace.retain(|(_, what)| !matches!(what, Happening::Offered(_, e) if e.0[3] == 0xaa));
    });
    assert_eq!(forgotten.unwrap().0, Rule::NobodyForgotten);
}
