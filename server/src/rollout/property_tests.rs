//! Rules that hold whatever nodes report, people ask and clocks do.

use super::testing::*;
use super::*;
use crate::contract::{Evidence, Gate, OnFailure, RolloutState, WaveState};
use pintle_protocol::checkin::Phase;
use pintle_protocol::id::Digest;
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

/// A virtual node: takes up what it is offered, and ends it as it is told.
#[derive(Clone, Debug)]
struct Node {
    report: Report,
}

#[derive(Clone, Debug)]
enum Op {
    /// A node goes one stage further and checks in; `luck` decides how trials end.
    Node {
        n: u8,
        luck: u8,
    },
    /// A node loses what it was at, checks in and knows only what is in its record.
    PowerCut {
        n: u8,
    },
    /// A node's board is replaced: it remembers nothing.
    NewBoard {
        n: u8,
    },
    /// Time passes.
    Wait {
        seconds: u16,
    },
    /// A node starts again, and again.
    Restarts {
        n: u8,
    },
    /// Somebody flashes a node by hand.
    ByHand {
        n: u8,
    },
    Hold,
    Resume,
    Approve,
    TurnBack,
    End,
    Retire {
        n: u8,
    },
}

fn op(nodes: u8) -> impl Strategy<Value = Op> {
    let n = 1..=nodes;
    prop_oneof![
        20 => (n.clone(), any::<u8>()).prop_map(|(n, luck)| Op::Node { n, luck }),
        2 => n.clone().prop_map(|n| Op::PowerCut { n }),
        1 => n.clone().prop_map(|n| Op::NewBoard { n }),
        6 => (0u16..5000).prop_map(|seconds| Op::Wait { seconds }),
        1 => n.clone().prop_map(|n| Op::Restarts { n }),
        1 => n.clone().prop_map(|n| Op::ByHand { n }),
        1 => Just(Op::Hold),
        2 => Just(Op::Resume),
        2 => Just(Op::Approve),
        1 => Just(Op::TurnBack),
        1 => prop_oneof![4 => Just(Op::Resume), 1 => Just(Op::End)],
        1 => n.prop_map(|n| Op::Retire { n }),
    ]
}

impl Node {
    fn new() -> Self {
        Self { report: idle() }
    }

    /// One stage further with what it is at; 1 in 8 trials fails, 1 in 16 offers is refused.
    fn advance(&mut self, luck: u8) {
        use pintle_protocol::checkin::Position;
        let closed = self.report.position == Position::Closed;
        self.report.position = if closed { Position::Open } else { Position::Closed };
        let Some(subject) = self.report.subject else { return };
        let verdict = |refused| Verdict { refused, reason: 400, detail: 0 };
        match self.report.phase {
            Phase::Idle => {}
            Phase::Fetching if luck.is_multiple_of(16) => self.end(subject, Some(verdict(true))),
            Phase::Fetching => self.report.phase = Phase::Waiting,
            Phase::Waiting => self.report.phase = Phase::Trial,
            Phase::Trial if luck.is_multiple_of(8) => self.end(subject, Some(verdict(false))),
            Phase::Trial => self.end(subject, None),
        }
    }

    fn end(&mut self, subject: Digest, failed: Option<Verdict>) {
        self.report.phase = Phase::Idle;
        self.report.subject = None;
        match failed {
            // The store remembers every failure; the node only its last outcome.
            Some(verdict) => {
                self.report.kept = None;
                self.report.failed.insert(subject, verdict);
            }
            None => self.report.kept = Some(subject),
        }
    }

    fn take_up(&mut self, offer: Digest) {
        assert_eq!(self.report.phase, Phase::Idle, "offered to a node that was busy");
        self.report.phase = Phase::Fetching;
        self.report.subject = Some(offer);
    }
}

/// Runs ops against a rollout and checks every offer.
struct Model {
    yard: Yard,
    nodes: BTreeMap<u8, Node>,
    offered: Vec<(u8, Digest)>,
}

impl Model {
    fn new(plan: Plan) -> Self {
        let count = u8::try_from(plan.waves.iter().map(|w| w.targets.len()).sum::<usize>()).unwrap();
        let yard = Yard::started(plan);
        Self { yard, nodes: (1..=count).map(|n| (n, Node::new())).collect(), offered: Vec::new() }
    }

    fn check_in(&mut self, n: u8) {
        let node = self.nodes.get_mut(&n).unwrap();
        let before = self.yard.rollout.clone();
        let Some(offer) = self.yard.check_in(n, &node.report) else { return };
        let rollout = &self.yard.rollout;
        let (w, t) = rollout.plan.find(&super::testing::node(n)).unwrap();
        let wave = &rollout.state.waves[w];
        let run = wave.targets[t];
        match run.way {
            Way::Forward => {
                assert_eq!(rollout.state.state, RolloutState::UnderWay);
                let windows = rollout.plan.windows.as_ref();
                assert!(windows.is_none_or(|w| w.is_open(self.yard.now)), "offered outside of the window");
                assert!(!rollout.plan.waves[w].approval || wave.approved_at.is_some(), "not approved");
                assert!(matches!(wave.state, WaveState::Open | WaveState::Soaking | WaveState::Passed));
                for earlier in &rollout.state.waves[..w] {
                    assert!(earlier.opened_at.is_some(), "an earlier wave never opened");
                }
            }
            Way::Back => assert_eq!(rollout.state.state, RolloutState::TurnedBack),
        }
        assert!(!node.report.failed.contains_key(&offer), "offered again what had failed");
        assert_eq!(offer, envelope(n, u8::try_from(run.step).unwrap(), run.way == Way::Back));
        assert_ne!(run.stage, Stage::Retired);
        assert_eq!(before.plan, rollout.plan);
        self.offered.push((n, offer));
        node.take_up(offer);
    }

    fn apply(&mut self, op: &Op) {
        let (known, now) = (self.yard.known.clone(), self.yard.now);
        let rollout = &mut self.yard.rollout;
        match op {
            Op::Node { n, luck } => {
                self.nodes.get_mut(n).unwrap().advance(*luck);
                self.check_in(*n);
            }
            Op::PowerCut { n } => {
                let report = &mut self.nodes.get_mut(n).unwrap().report;
                report.phase = Phase::Idle;
                report.subject = None;
                self.check_in(*n);
            }
            Op::NewBoard { n } => {
                let report = &mut self.nodes.get_mut(n).unwrap().report;
                *report = Report { failed: std::mem::take(&mut report.failed), ..idle() };
                self.check_in(*n);
            }
            Op::Wait { seconds } => self.yard.tick(i64::from(*seconds)),
            Op::Restarts { n } => self.nodes.get_mut(n).unwrap().report.starts += 2,
            Op::ByHand { n } => {
                self.nodes.get_mut(n).unwrap().report.images = [Some(image(*n, 99, false)); 2]
            }
            Op::Approve => _ = rollout.approve(None, None, now),
            Op::End => _ = rollout.end(None, now),
            Op::Hold => _ = rollout.hold(None),
            Op::Resume => _ = rollout.resume(None, &known, now),
            Op::TurnBack => _ = rollout.turn_back(None, now),
            Op::Retire { n } => _ = rollout.retire(&node(*n), now),
        }
    }

    /// Everybody answers, doors are used, and a person resumes what is held and approves what waits,
    /// until nothing moves any more.
    fn run_out(&mut self) -> bool {
        for _ in 0..900 {
            let nodes: Vec<u8> = self.nodes.keys().copied().collect();
            for n in nodes {
                self.apply(&Op::Node { n, luck: 1 });
            }
            self.apply(&Op::Resume);
            self.apply(&Op::Approve);
            self.apply(&Op::Wait { seconds: 300 });
            if !self.yard.rollout.is_active() {
                return true;
            }
        }
        false
    }
}

fn settings() -> impl Strategy<Value = Plan> {
    let on_failure = prop_oneof![Just(OnFailure::Hold), Just(OnFailure::TurnBack)];
    let shape = (proptest::collection::vec(1u8..4, 1..4), 1u8..4, 0u32..2, 0u32..2, on_failure);
    let care = (any::<[bool; 5]>(), 0u32..3, 0u32..3);
    (shape, care).prop_map(|((sizes, steps, f, s, on), (flags, min_check_ins, min_door_cycles))| {
        let [windows, approval, restarts, waiting, unwell] = flags;
        let gate = Gate {
            max_restarts: restarts.then_some(1),
            max_waiting: waiting.then_some(1),
            waiting_after_seconds: 4000,
            max_unwell: unwell.into(),
            ..gate(f, s)
        };
        let mut plan = plan(&sizes, steps, gate, on);
        plan.windows = windows.then(mornings);
        for wave in &mut plan.waves {
            wave.approval = approval;
            wave.evidence = Evidence { min_check_ins, min_door_cycles };
        }
        plan
    })
}

/// Whether an op is about a node that there is.
fn fits(op: &Op, plan: &Plan) -> bool {
    let count = plan.waves.iter().map(|w| w.targets.len()).sum::<usize>();
    match op {
        Op::Node { n, .. }
        | Op::PowerCut { n }
        | Op::NewBoard { n }
        | Op::Restarts { n }
        | Op::ByHand { n }
        | Op::Retire { n } => usize::from(*n) <= count,
        Op::Wait { .. } | Op::Hold | Op::Resume | Op::Approve | Op::TurnBack | Op::End => true,
    }
}

proptest! {
    /// The rules of offering are asserted in [`Model::check_in`]; on top: once everybody answers,
    /// it ends.
    #[test]
    fn offers_keep_the_rules_and_every_rollout_ends(
        plan in settings(),
        ops in proptest::collection::vec(op(3), 0..120),
    ) {
        let mut model = Model::new(plan.clone());
        for op in ops.iter().filter(|op| fits(op, &plan)) {
            model.apply(op);
        }
        prop_assert!(model.run_out(), "it never ended: {:?}", model.yard.rollout.state);
        // Nodes that were returned got their ways back only for steps that they had kept.
        let mut forward = BTreeSet::new();
        for (n, offer) in &model.offered {
            if offer.0[1] == 0 {
                forward.insert((*n, offer.0[0]));
            } else {
                prop_assert!(forward.contains(&(*n, offer.0[0])), "a way back for a step never offered");
            }
        }
    }

    /// Deciding again at the same moment decides nothing new.
    #[test]
    fn evaluating_twice_changes_nothing(
        plan in settings(),
        ops in proptest::collection::vec(op(1), 0..60),
    ) {
        let mut model = Model::new(plan);
        for op in &ops {
            model.apply(op);
            model.yard.tick(0);
            let once = model.yard.rollout.clone();
            prop_assert_eq!(model.yard.rollout.evaluate(&model.yard.known, model.yard.now), Vec::new());
            prop_assert_eq!(&model.yard.rollout, &once);
        }
    }

    /// Whether deciding would change anything shows without names, steps and the nodes afterwards.
    #[test]
    fn an_outline_tells_whether_anything_would_change(
        plan in settings(),
        ops in proptest::collection::vec((op(1), 0i64..4000), 0..60),
    ) {
        let mut model = Model::new(plan);
        for (op, later) in &ops {
            model.apply(op);
            let (known, now) = (&model.yard.known, model.yard.now + later);
            let mut outline = model.yard.rollout.clone();
            for target in outline.plan.waves.iter_mut().flat_map(|wave| &mut wave.targets) {
                target.name.clear();
                target.steps.clear();
            }
            let before = outline.state.without_targets();
            let unchanged = outline.evaluate(known, now).is_empty() && outline.state.without_targets() == before;
            let mut whole = model.yard.rollout.clone();
            let events = whole.evaluate(known, now);
            prop_assert_eq!(unchanged, events.is_empty() && whole == model.yard.rollout);
        }
    }

    /// With no failure and no silence tolerated, a later wave never opens by itself after one, nor after a wave
    /// of which no node is left that kept it and runs it.
    #[test]
    fn a_strict_gate_lets_no_failure_through(
        sizes in proptest::collection::vec(1u8..4, 2..4),
        ops in proptest::collection::vec(op(2), 0..120),
    ) {
        let plan = plan(&sizes, 1, gate(0, 0), OnFailure::Hold);
        let mut model = Model::new(plan.clone());
        let by_itself = |op: &&Op| fits(op, &plan) && !matches!(op, Op::Resume);
        for op in ops.iter().filter(by_itself) {
            let before = model.yard.rollout.state.clone();
            model.apply(op);
            let waves = &model.yard.rollout.state.waves;
            for (n, pair) in waves.windows(2).enumerate() {
                if pair[1].opened_at.is_some() && before.waves[n + 1].opened_at.is_none() {
                    let (gone, here): (Vec<&TargetRun>, Vec<&TargetRun>) =
                        pair[0].targets.iter().partition(|t| t.stage == Stage::Retired);
                    prop_assert!(gone.iter().all(|t| !t.has_failed()), "after a failure that was retired");
                    prop_assert!(here.iter().all(|t| t.forward == Some(Forward::Kept)), "after one in which not all kept");
                    prop_assert!(here.iter().any(|t| !t.watch.by_hand), "after one that shows nothing");
                }
            }
        }
    }

    /// What is said to be proved counts no node as a success that did not keep it, and forgets no failure.
    #[test]
    fn no_more_is_proved_than_was_kept(
        plan in settings(),
        ops in proptest::collection::vec(op(3), 0..120),
    ) {
        let mut model = Model::new(plan.clone());
        for op in ops.iter().filter(|op| fits(op, &plan)) {
            model.apply(op);
            let targets: Vec<_> = model.yard.rollout.state.targets().copied().collect();
            let said = model.yard.proves();
            let mut numbers = said.split(' ').map(|word| word.parse::<usize>().unwrap_or(0));
            let (well, tried) = (numbers.next().unwrap(), numbers.nth(1).unwrap());
            let well_at_most = targets.iter().filter(|t| t.forward == Some(Forward::Kept)
                && t.stage != Stage::Retired && !t.watch.by_hand).count();
            prop_assert!(well <= well_at_most, "{said}");
            prop_assert!(tried - well >= targets.iter().filter(|t| t.has_failed()).count(), "{said}");
        }
    }
}
