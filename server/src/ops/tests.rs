//! Whole transactions on a real database.

use super::check_in::{Refused, Verified, take, take_with};
use super::*;
use crate::config::Intervals;
use crate::contract::{Admit, Evidence, ExpectNode, Gate, OnFailure, RolloutState, WaveState};
use crate::error::ApiError;
use crate::rollout::testing::{self, envelope, gate, image, node};
use crate::rollout::{Plan, Rollout};
use crate::store::tokens::TokenRole;
use crate::store::{Db, files};
use pintle_protocol::checkin::{CheckIn, Ending, Outcome, Phase, Position, Running, Wifi};
use pintle_protocol::cose::SigningKey;
use pintle_protocol::id::{Digest, Nonce, PublicKey, Uuid16};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use proptest::prelude::*;

#[path = "bounds_tests.rs"]
mod bounds;
#[path = "oracle.rs"]
mod oracle;
#[path = "oracle_tests.rs"]
mod oracle_tests;
#[path = "parts_tests.rs"]
mod parts;

const INTERVALS: Intervals = Intervals { idle_seconds: 300, busy_seconds: 30 };

fn key(n: u8) -> PublicKey {
    crate::keys::public(&SigningKey::from_bytes(&[n; 32]))
}

fn running(digest: Digest) -> Running {
    Running {
        version: Version::new(1, 0, 0),
        digest,
        link: LinkRange { oldest: 1, newest: 1 },
        profile: ActuationProfile { id: 1, version: 1 },
        slot: 0,
    }
}

/// A virtual node as the server sees it.
#[derive(Clone, Debug)]
struct Node {
    check_in: CheckIn,
}

impl Node {
    fn new(n: u8) -> Self {
        let check_in = CheckIn {
            protocol: 1,
            node: node(n),
            counter: 0,
            nonce: Nonce([n; 16]),
            uptime_seconds: 60,
            starts: 1,
            net: running(image(n, 200, true)),
            io: Some(running(image(n, 201, true))),
            sequences: [0; 3],
            bundle: None,
            position: Position::Closed,
            phase: Phase::Idle,
            subject: None,
            holds: 0,
            outcome: None,
            wifi: Wifi { index: 0, rssi_dbm: -60, candidate: None },
            report: Default::default(),
            supply_mv: 5000,
            relay_pulses: 3,
        };
        Self { check_in }
    }

    fn advance(&mut self, luck: u8) {
        let Some(subject) = self.check_in.subject else { return };
        match self.check_in.phase {
            Phase::Idle => {}
            Phase::Fetching if luck.is_multiple_of(16) => self.end(subject, Ending::Refused),
            Phase::Fetching => self.check_in.phase = Phase::Waiting,
            Phase::Waiting => self.check_in.phase = Phase::Trial,
            Phase::Trial if luck.is_multiple_of(8) => self.end(subject, Ending::WentBack),
            Phase::Trial => self.end(subject, Ending::Kept),
        }
    }

    fn end(&mut self, envelope: Digest, ending: Ending) {
        self.check_in.phase = Phase::Idle;
        self.check_in.subject = None;
        self.check_in.outcome = Some(Outcome { envelope, ending, reason: 400, detail: 0 });
        let (n, [step, back, ..]) = (self.check_in.node.0[0], envelope.0);
        if ending == Ending::Kept && envelope == testing::envelope(n, step, back == 1) {
            let digest = image(n, step, back == 1);
            match (step, &mut self.check_in.io) {
                (0, Some(io)) => io.digest = digest,
                _ => self.check_in.net.digest = digest,
            }
        }
    }
}

/// A yard in memory: a database, nodes, and the time.
struct Yard {
    conn: Connection,
    _folder: tempfile::TempDir,
    db: Db,
    now: Seconds,
    nodes: Vec<Node>,
}

impl Yard {
    fn new(count: u8) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pintle.db");
        let db = Db::open(&path).unwrap();
        let conn = Connection::open(&path).unwrap();
        conn.execute_batch("PRAGMA synchronous = OFF; PRAGMA foreign_keys = 1").unwrap();
        let nodes = (1..=count).map(Node::new).collect();
        let yard = Self { conn, _folder: folder, db, now: 1_000_000, nodes };
        tick(&yard.conn, &[], yard.now).unwrap();
        for n in 1..=count {
            super::nodes::announce(&yard.conn, node(n), yard.wish(n), yard.now).unwrap();
            let keys = Admit { signing_key: key(n), sealing_key: PublicKey([n; 32]) };
            super::nodes::admit(&yard.conn, node(n), &keys, yard.now).unwrap();
        }
        yard
    }

    fn wish(&self, n: u8) -> ExpectNode {
        ExpectNode {
            name: format!("Door {n}"),
            class: Uuid16([1; 16]),
            code_digest: Digest([n; 32]),
            replace: false,
        }
    }

    fn add(&self, plan: &Plan) -> i64 {
        for step in plan.waves.iter().flat_map(|w| &w.targets).flat_map(|t| &t.steps) {
            for parcel in [Some(&step.forward), step.way_back.as_ref()].into_iter().flatten() {
                files::add_envelope(&self.conn, parcel, None, self.now).unwrap();
            }
        }
        let kind = crate::contract::Kind::Image;
        rows::add(&self.conn, "New firmware", kind, &Rollout::new(plan.clone()), self.now).unwrap()
    }

    fn act(&self, rollout: i64, action: rollouts::Action) -> Result<Stored, ApiError> {
        rollouts::act(&self.conn, rollout, action, None, self.now)
    }

    fn check_in(&mut self, n: u8) -> Result<check_in::Answer, Refused> {
        self.check_in_at(n, 64)
    }

    /// A check-in at a server that takes rollouts of so many nodes for small.
    fn check_in_at(&mut self, n: u8, small: u32) -> Result<check_in::Answer, Refused> {
        let at = &mut self.nodes[usize::from(n) - 1].check_in;
        at.counter += 1;
        let check_in = at.clone();
        let bytes = minicbor::to_vec(&check_in).unwrap();
        let verified = Verified { check_in, bytes, signature: [0; 64], key: key(n) };
        let answer = take_with(&self.conn, &verified, INTERVALS, small, self.now)?;
        if let Some(offer) = answer.offer {
            let at = &mut self.nodes[usize::from(n) - 1].check_in;
            if at.outcome.is_none_or(|o| o.envelope != offer.envelope) {
                at.phase = Phase::Fetching;
                at.subject = Some(offer.envelope);
            }
        }
        Ok(answer)
    }

    fn events(&self) -> Vec<String> {
        journal::page(&self.conn, 0, 500).unwrap().entries.into_iter().map(|e| e.event).collect()
    }
}

/// A small database with something in most tables, for the samples that later schemas climb from.
pub(crate) fn sample_yard(take: impl FnOnce(&Connection)) {
    let mut yard = Yard::new(3);
    let token = Digest::of(b"an invented token");
    crate::store::tokens::add(&yard.conn, "invented", TokenRole::Operator, &token, yard.now).unwrap();
    crate::store::who::add_link(&yard.conn, 1, &Digest::of(b"link"), yard.now + 600, yard.now).unwrap();
    files::add_payload(&yard.conn, &Digest::of(b"payload"), 7, yard.now).unwrap();
    for n in 1..=3 {
        yard.check_in(n).unwrap();
    }
    let rollout = yard.add(&testing::plan(&[1, 2], 2, gate(0, 1), OnFailure::TurnBack));
    yard.act(rollout, rollouts::Action::Start).unwrap();
    for _ in 0..12 {
        yard.now += 300;
        for n in 1..=3 {
            yard.nodes[usize::from(n) - 1].advance(if n == 3 { 8 } else { 1 });
            let _ = yard.check_in(n);
        }
        tick(&yard.conn, &[], yard.now).unwrap();
    }
    yard.add(&testing::plan(&[1], 1, gate(0, 0), OnFailure::Hold));
    super::nodes::announce(
        &yard.conn,
        node(9),
        ExpectNode { name: "New hatch".to_owned(), ..yard.wish(9) },
        yard.now,
    )
    .unwrap();
    take(&yard.conn);
}

#[test]
fn a_check_in_is_taken_once_and_only_by_the_admitted_key() {
    let mut yard = Yard::new(1);
    let answer = yard.check_in(1).unwrap();
    assert_eq!(answer, check_in::Answer { offer: None, next_seconds: 300 });
    yard.nodes[0].check_in.counter = 0;
    assert!(matches!(yard.check_in(1), Err(Refused::Replayed { counter: 1, last: 1 })));
    yard.nodes[0].check_in.counter = 1 << 63;
    assert!(matches!(yard.check_in(1), Err(Refused::Counter { .. })));

    let check_in = CheckIn { counter: 9, ..yard.nodes[0].check_in.clone() };
    let verified =
        Verified { bytes: minicbor::to_vec(&check_in).unwrap(), check_in, signature: [0; 64], key: key(9) };
    assert!(matches!(take(&yard.conn, &verified, INTERVALS, yard.now), Err(Refused::NotAdmitted)));
    super::nodes::retire(&yard.conn, node(1), None, yard.now).unwrap();
    yard.nodes[0].check_in.counter = 10;
    assert!(matches!(yard.check_in(1), Err(Refused::Retired)));
}

#[test]
fn what_nobody_sent_is_written_down() {
    let mut yard = Yard::new(1);
    yard.check_in(1).unwrap();
    yard.nodes[0].check_in.net.digest = Digest([0xee; 32]);
    yard.check_in(1).unwrap();
    yard.check_in(1).unwrap();
    let events = yard.events();
    assert_eq!(events.iter().filter(|e| *e == "not_sent").count(), 1, "{events:?}");
    yard.nodes[0].end(Digest([0xdd; 32]), Ending::Kept);
    yard.check_in(1).unwrap();
    assert_eq!(yard.events().iter().filter(|e| *e == "not_sent").count(), 2);
}

#[test]
fn what_was_sent_is_not_called_unsent() {
    let mut yard = Yard::new(1);
    yard.check_in(1).unwrap();
    let rollout = yard.add(&testing::plan(&[1], 1, gate(0, 0), OnFailure::Hold));
    yard.act(rollout, rollouts::Action::Start).unwrap();
    assert!(yard.check_in(1).unwrap().offer.is_some());
    yard.nodes[0].check_in.phase = Phase::Trial;
    yard.nodes[0].check_in.io = Some(running(image(1, 0, false)));
    yard.check_in(1).unwrap();
    yard.nodes[0].end(envelope(1, 0, false), Ending::WentBack);
    yard.nodes[0].check_in.io = Some(running(image(1, 201, true)));
    yard.check_in(1).unwrap();
    assert!(!yard.events().contains(&"not_sent".to_owned()), "{:?}", yard.events());
}

#[test]
fn a_second_rollout_waits_for_the_node_and_says_so() {
    let mut yard = Yard::new(1);
    let plan = testing::plan(&[1], 1, gate(0, 0), OnFailure::Hold);
    let mut other = plan.clone();
    other.waves[0].targets[0].steps[0].forward.envelope = Digest([0xaa; 32]);
    let (first, second) = (yard.add(&plan), yard.add(&other));
    yard.act(first, rollouts::Action::Start).unwrap();
    yard.act(second, rollouts::Action::Start).unwrap();
    assert_eq!(yard.check_in(1).unwrap().offer.unwrap().envelope, envelope(1, 0, false));
    let stored = rows::get(&yard.conn, second).unwrap().unwrap();
    let view = crate::views::rollout_view(&yard.conn, &stored, yard.now).unwrap();
    let reason = view.waves[0].targets[0].reason.clone().unwrap();
    assert_eq!(reason, format!("rollout {first} \"New firmware\" (under way) has it until it ends"));
    for _ in 0..3 {
        yard.nodes[0].advance(1);
        assert_eq!(yard.check_in(1).unwrap().offer, None);
    }
    yard.now += i64::from(testing::SOAK);
    let offer = yard.check_in(1).unwrap().offer.unwrap();
    assert_eq!(
        offer.envelope,
        Digest([0xaa; 32]),
        "the first is done, in the same check-in the second begins"
    );
    assert_eq!(rows::get(&yard.conn, first).unwrap().unwrap().rollout.state.state, RolloutState::Done);
    let busy = yard.act(first, rollouts::Action::TurnBack).unwrap_err();
    assert!(matches!(busy, ApiError::NodesBusy { other, .. } if other == second), "{busy}");
}

/// In a rollout too large to be evaluated at every check-in, a failure stops it at once, and the
/// rest is found at the next tick.
#[test]
fn a_large_rollout_is_evaluated_at_ticks_and_at_once_when_it_must() {
    let mut yard = Yard::new(3);
    let number = yard.add(&testing::plan(&[1, 2], 1, gate(0, 0), OnFailure::Hold));
    yard.act(number, rollouts::Action::Start).unwrap();
    let state = |yard: &Yard| rows::get(&yard.conn, number).unwrap().unwrap().rollout.state;
    yard.check_in_at(1, 0).unwrap();
    for _ in 0..3 {
        yard.nodes[0].advance(1);
        yard.check_in_at(1, 0).unwrap();
    }
    assert_eq!(state(&yard).waves[0].state, WaveState::Soaking, "its last node has ended");
    yard.now += i64::from(testing::SOAK);
    yard.check_in_at(1, 0).unwrap();
    assert_eq!(state(&yard).waves[0].state, WaveState::Soaking, "that can wait for the tick");
    tick(&yard.conn, &[], yard.now).unwrap();
    assert_eq!(state(&yard).waves[1].state, WaveState::Open);
    assert!(yard.check_in_at(2, 0).unwrap().offer.is_some());
    yard.nodes[1].advance(0);
    yard.check_in_at(2, 0).unwrap();
    assert_eq!(state(&yard).state, RolloutState::Held, "a refusal cannot");
    assert_eq!(yard.check_in_at(3, 0).unwrap().offer, None);
}

/// What a check-in reads and writes does not depend on how many nodes its rollout has: the
/// database counts the steps of its programs.
#[test]
fn a_check_in_costs_the_same_in_a_rollout_of_any_size() {
    let cost = |count: u8| {
        let mut yard = Yard::new(count);
        let mut intent = testing::plan(&[1, count - 1], 1, gate(0, 0), OnFailure::Hold);
        intent.waves.reverse();
        let number = yard.add(&intent);
        yard.act(number, rollouts::Action::Start).unwrap();
        let node = 2;
        yard.check_in_at(node, 0).unwrap();
        yard.nodes[1].advance(1);
        yard.check_in_at(node, 0).unwrap();
        let steps = std::sync::Arc::new(std::sync::atomic::AtomicU64::new(0));
        let counted = steps.clone();
        let count = move || {
            counted.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
            false
        };
        yard.conn.progress_handler(1, Some(count)).unwrap();
        yard.nodes[1].advance(1);
        yard.check_in_at(node, 0).unwrap();
        yard.nodes[1].advance(1);
        yard.check_in_at(node, 0).unwrap();
        steps.load(std::sync::atomic::Ordering::Relaxed)
    };
    let (few, many) = (cost(4), cost(200));
    assert!(few > 100, "nothing was counted: {few}");
    assert!(many <= few + few / 10, "{many} steps with 200 nodes, {few} with 4");
}

#[test]
fn a_held_rollout_that_is_ended_lets_go_of_its_nodes() {
    let mut yard = Yard::new(1);
    let plan = testing::plan(&[1], 1, gate(0, 0), OnFailure::Hold);
    let mut other = plan.clone();
    other.waves[0].targets[0].steps[0].forward.envelope = Digest([0xaa; 32]);
    let (first, second) = (yard.add(&plan), yard.add(&other));
    for number in [first, second] {
        yard.act(number, rollouts::Action::Start).unwrap();
    }
    yard.check_in(1).unwrap();
    yard.nodes[0].advance(0);
    assert_eq!(yard.check_in(1).unwrap().offer, None, "the first is held, and has the node");
    let ended = yard.act(first, rollouts::Action::End).unwrap();
    assert!(ended.rollout.was_ended_early());
    assert_eq!(yard.check_in(1).unwrap().offer.unwrap().envelope, Digest([0xaa; 32]));
    assert!(yard.events().contains(&"rollout_ended".to_owned()));
}

/// A rollout that was done did not hear that a node was retired; nobody waits for its way back.
#[test]
fn turning_back_what_was_done_waits_for_no_retired_node() {
    let mut yard = Yard::new(2);
    let rollout = yard.add(&testing::plan(&[2], 1, gate(0, 0), OnFailure::Hold));
    yard.act(rollout, rollouts::Action::Start).unwrap();
    let walk = |yard: &mut Yard, times: usize| {
        for n in (0..times).flat_map(|_| [1, 2]) {
            yard.nodes[usize::from(n) - 1].advance(1);
            let _ = yard.check_in(n);
        }
    };
    walk(&mut yard, 5);
    yard.now += i64::from(testing::SOAK);
    walk(&mut yard, 1);
    assert_eq!(rows::get(&yard.conn, rollout).unwrap().unwrap().rollout.state.state, RolloutState::Done);
    super::nodes::retire(&yard.conn, node(2), None, yard.now).unwrap();
    let turned = yard.act(rollout, rollouts::Action::TurnBack).unwrap();
    assert!(turned.rollout.is_active(), "node 1 has still to return");
    walk(&mut yard, 5);
    assert!(!rows::get(&yard.conn, rollout).unwrap().unwrap().rollout.is_active());
    assert!(yard.events().contains(&"target_retired".to_owned()));
}

#[test]
fn announcing_is_idempotent_and_guards_admitted_nodes() {
    let yard = Yard::new(1);
    let before = yard.events().len();
    super::nodes::announce(&yard.conn, node(1), yard.wish(1), yard.now).unwrap();
    assert_eq!(yard.events().len(), before);
    let other = ExpectNode { code_digest: Digest([0x77; 32]), ..yard.wish(1) };
    let refused = super::nodes::announce(&yard.conn, node(1), other.clone(), yard.now);
    assert!(matches!(refused, Err(ApiError::NodeAdmitted { .. })));
    let keys = Admit { signing_key: key(8), sealing_key: PublicKey([8; 32]) };
    let refused = super::nodes::admit(&yard.conn, node(1), &keys, yard.now);
    assert!(matches!(refused, Err(ApiError::KeysDiffer { .. })));
    let replaced = ExpectNode { replace: true, ..other };
    super::nodes::announce(&yard.conn, node(1), replaced, yard.now).unwrap();
    super::nodes::admit(&yard.conn, node(1), &keys, yard.now).unwrap();
    let same_name = ExpectNode { name: "Door 1".to_owned(), ..yard.wish(2) };
    let refused = super::nodes::announce(&yard.conn, node(2), same_name, yard.now);
    assert!(matches!(refused, Err(ApiError::BadField { .. })));
}

#[derive(Clone, Debug)]
enum Op {
    CheckIn {
        n: u8,
        luck: u8,
    },
    Wait {
        seconds: u16,
    },
    Act(rollouts::Action),
    Retire {
        n: u8,
    },
    /// A node's door moves, it starts again, its signal fades, or somebody flashes it by hand.
    Odd {
        n: u8,
        what: u8,
    },
    Restart,
}

fn op() -> impl Strategy<Value = Op> {
    use rollouts::Action;
    prop_oneof![
        16 => (1u8..4, any::<u8>()).prop_map(|(n, luck)| Op::CheckIn { n, luck }),
        5 => (0u16..4000).prop_map(|seconds| Op::Wait { seconds }),
        3 => prop_oneof![
            4 => Just(Action::Hold),
            4 => Just(Action::Resume),
            4 => Just(Action::Approve(None)),
            1 => Just(Action::TurnBack),
            1 => Just(Action::End),
        ].prop_map(Op::Act),
        2 => (1u8..4, 0u8..4).prop_map(|(n, what)| Op::Odd { n, what }),
        1 => (1u8..4).prop_map(|n| Op::Retire { n }),
        3 => Just(Op::Restart),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// The same inputs give the same decisions whether the rollout lives in memory or is stored
    /// and read back at every step, restarts included.
    #[test]
    fn storing_and_reading_back_changes_no_decision(
        ops in proptest::collection::vec(op(), 0..60),
        (turn_back, approval, windows, evidence) in any::<(bool, bool, bool, bool)>(),
    ) {
        let on_failure = if turn_back { OnFailure::TurnBack } else { OnFailure::Hold };
        let limits = Gate {
            max_waiting: Some(0),
            waiting_after_seconds: 5000,
            max_restarts: Some(1),
            min_signal_dbm: Some(-80),
            ..gate(0, 1)
        };
        let mut plan = testing::plan(&[1, 2], 2, limits, on_failure);
        plan.windows = windows.then(testing::mornings);
        for wave in &mut plan.waves {
            wave.approval = approval;
            let seen = u32::from(evidence);
            wave.evidence = Evidence { min_check_ins: 2 * seen, min_door_cycles: seen };
        }
        let mut yard = Yard::new(3);
        let number = yard.add(&plan);
        let mut memory = Rollout::new(plan);
        yard.act(number, rollouts::Action::Start).unwrap();
        memory.start(None, yard.now).unwrap();
        memory.evaluate(&known(&yard.conn, number, yard.now).unwrap(), yard.now);

        for op in ops {
            match op {
                Op::CheckIn { n, luck } => {
                    yard.nodes[usize::from(n) - 1].advance(luck);
                    let said = yard.nodes[usize::from(n) - 1].check_in.clone();
                    let Ok(answer) = yard.check_in(n) else { continue };
                    let failed = crate::store::outcomes::failed(&yard.conn, &node(n)).unwrap();
                    let report = crate::rollout::Report::new(&said, failed);
                    memory.take_in(&node(n), &report, yard.now);
                    memory.evaluate(&known(&yard.conn, number, yard.now).unwrap(), yard.now);
                    let offer = if memory.has(&node(n)) { memory.offer(&node(n), &report, yard.now, yard.now).0 } else { None };
                    prop_assert_eq!(answer.offer.map(|o| o.envelope), offer.map(|p| p.envelope));
                }
                Op::Wait { seconds } => {
                    yard.now += i64::from(seconds);
                    tick(&yard.conn, &[], yard.now).unwrap();
                    memory.evaluate(&known(&yard.conn, number, yard.now).unwrap(), yard.now);
                }
                Op::Act(action) => {
                    let known = known(&yard.conn, number, yard.now).unwrap();
                    let there = yard.act(number, action).is_ok();
                    let here = match action {
                        rollouts::Action::Start => memory.start(None, yard.now).is_ok(),
                        rollouts::Action::Hold => memory.hold(None).is_ok(),
                        rollouts::Action::Resume => memory.resume(None, &known, yard.now).is_ok(),
                        rollouts::Action::TurnBack => {
                            let turned = memory.turn_back(None, yard.now).is_ok();
                            for gone in rows::retired(&yard.conn, number).unwrap().iter().filter(|_| turned) {
                                memory.retire(gone, yard.now);
                            }
                            turned
                        }
                        rollouts::Action::Approve(_) => memory.approve(None, None, yard.now).is_ok(),
                        rollouts::Action::End => memory.end(None, yard.now).is_ok(),
                    };
                    prop_assert_eq!(there, here);
                    if here {
                        memory.evaluate(&known, yard.now);
                    }
                }
                Op::Retire { n } => {
                    let fresh = crate::store::nodes::get(&yard.conn, &node(n)).unwrap().unwrap().retired_at.is_none();
                    super::nodes::retire(&yard.conn, node(n), None, yard.now).unwrap();
                    if fresh {
                        memory.retire(&node(n), yard.now);
                        memory.evaluate(&known(&yard.conn, number, yard.now).unwrap(), yard.now);
                    }
                }
                Op::Odd { n, what } => {
                    let at = &mut yard.nodes[usize::from(n) - 1].check_in;
                    match (what, at.position) {
                        (0, Position::Closed) => at.position = Position::Open,
                        (0, _) => at.position = Position::Closed,
                        (1, _) => at.starts += 1,
                        (2, _) => at.wifi.rssi_dbm = if at.wifi.rssi_dbm < -80 { -60 } else { -85 },
                        _ => at.net.digest = Digest([0xbd; 32]),
                    }
                }
                Op::Restart => {
                    let path = yard._folder.path().join("pintle.db");
                    yard.db = Db::open(&path).unwrap();
                    yard.conn = Connection::open(&path).unwrap();
                    yard.conn.execute_batch("PRAGMA synchronous = OFF; PRAGMA foreign_keys = 1").unwrap();
                    tick(&yard.conn, &[], yard.now).unwrap();
                    memory.evaluate(&known(&yard.conn, number, yard.now).unwrap(), yard.now);
                }
            }
            let stored = rows::get(&yard.conn, number).unwrap().unwrap();
            prop_assert_eq!(&stored.rollout, &memory);
        }
        let check = journal::check(&yard.conn).unwrap();
        prop_assert_eq!(check.bad, None);
    }
}
