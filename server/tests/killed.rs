//! The program is killed two hundred times at random moments while nodes check in, a rollout in waves
//! is under way and the operator plans the next one. What was acknowledged is there, what was
//! decided goes on, and nothing is offered that may not be.

mod common;
mod world;

use common::Node;
use pintle_protocol::author::{ImageManifest, payload_uri};
use pintle_protocol::checkin::{Ending, Outcome, Phase, Reply};
use pintle_protocol::cose::SigningKey;
use pintle_protocol::id::{Chip, Digest, NodeId, Role, Uuid16};
use pintle_protocol::suit::peek;
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::SeqCst};
use std::sync::{Mutex, MutexGuard};
use std::time::{Duration, Instant, SystemTime};
use world::{Door, Luck, Program};

const KILLS: u32 = 200;
/// Every so many starts, connections are protected by TLS.
const TLS_EVERY: u32 = 8;
/// Every so many kills, the next start is killed too, before or soon after it listens.
const STARTED_ONLY_EVERY: u32 = 10;
/// Nodes of each wave. The first of each keeps everything, so that no wave fails.
const WAVES: [&[u8]; 3] = [&[1], &[2, 3], &[4, 5, 6]];
/// Two, for moments are whole seconds: at least one has passed then.
const SOAK: Duration = Duration::from_secs(2);

/// Nodes that take part in no rollout and check in less than once a second, so that each check-in is a row of
/// its own in what is kept of them.
const UNHURRIED: [&[u8]; 4] = [
    &[11, 12, 13, 14, 15, 16],
    &[21, 22, 23, 24, 25, 26],
    &[31, 32, 33, 34, 35, 36],
    &[41, 42, 43, 44, 45, 46],
];

/// An acknowledged check-in: its counter, and the seconds in which it was sent and acknowledged.
type Acknowledged = (u64, i64, i64);

/// What one rollout brings.
#[derive(Clone, Debug)]
struct Step {
    number: usize,
    sequence: u64,
    image: Vec<u8>,
}

/// What the outside knows: more than the server may forget.
#[derive(Default)]
struct Seen {
    /// Steps by the envelope that brings them.
    steps: BTreeMap<Digest, Step>,
    /// When each node last said how a step ended, by number of the step.
    ended: BTreeMap<(usize, u8), Instant>,
    /// What each node refused or kept.
    over: BTreeSet<(u8, Digest)>,
    /// Every check-in that was acknowledged, by node.
    acknowledged: BTreeMap<u8, Vec<Acknowledged>>,
}

struct World {
    door: Mutex<Option<Door>>,
    token: String,
    seen: Mutex<Seen>,
    /// By node: the highest counter that was acknowledged, and the highest that was sent.
    counters: BTreeMap<u8, (AtomicU64, AtomicU64)>,
    acknowledged: AtomicU64,
    offers: AtomicU64,
    over: AtomicBool,
}

impl World {
    fn seen(&self) -> MutexGuard<'_, Seen> {
        self.seen.lock().unwrap()
    }

    /// The way to the server, if there is one now.
    fn door(&self) -> Option<Door> {
        self.door.lock().unwrap().clone()
    }

    /// Asks the operator's API until it answers.
    fn operator(&self, method: &str, path: &str, body: &[u8]) -> Option<Value> {
        while !self.over.load(SeqCst) {
            let field = format!("Authorization: Bearer {}", self.token);
            let answer = self.door().and_then(|door| door.ask(method, path, &field, body));
            match answer {
                Some(answer) => {
                    assert!((200..300).contains(&answer.status), "{method} {path}: {}", answer.text());
                    return Some(answer.json());
                }
                None => std::thread::sleep(Duration::from_millis(10)),
            }
        }
        None
    }

    fn rollouts(&self) -> Option<Value> {
        self.operator("GET", "/api/v1/rollouts", b"")
    }
}

fn envelope(step: &Step) -> (Digest, Vec<u8>) {
    let digest = Digest::of(&step.image);
    let manifest = ImageManifest {
        vendor: Uuid16([0xaa; 16]),
        class: Uuid16([0xc1; 16]),
        chip: Chip::Io,
        sequence: step.sequence,
        version: Version::new(1, 1, 0),
        digest,
        size: step.image.len() as u32,
        uri: &payload_uri(&digest),
        link: LinkRange { oldest: 1, newest: 2 },
        profile: ActuationProfile { id: 1, version: 1 },
        reference_uri: "https://larkfield.example/image",
    };
    let bytes = manifest.envelope(&SigningKey::from_bytes(&[0x51; 32])).unwrap();
    let digest = peek(&bytes).unwrap().digest;
    (digest, bytes)
}

/// The operator: plans a rollout whenever the one before is done.
fn plan_on_and_on(world: &World) -> Option<()> {
    for number in 1.. {
        let title = format!("Firmware 1.{number}");
        let step = |sequence, what: &str| Step { number, sequence, image: format!("{what} {number}").into() };
        let (forward, back) = (step(2 * number as u64, "new"), step(2 * number as u64 + 1, "before"));
        let mut digests = Vec::new();
        for step in [&forward, &back] {
            let (digest, bytes) = envelope(step);
            world.operator("PUT", &format!("/api/v1/payloads/{}", Digest::of(&step.image)), &step.image)?;
            world.operator("PUT", &format!("/api/v1/envelopes/{digest}"), &bytes)?;
            digests.push(digest);
        }
        world.seen().steps.insert(digests[0], forward);
        let wave = |nodes: &&[u8]| {
            let target = |n: &u8| {
                json!({"node": NodeId([*n; 16]).to_string(), "steps":
                    [{"envelope": digests[0].to_string(), "way_back": digests[1].to_string()}]})
            };
            json!({"targets": nodes.iter().map(target).collect::<Vec<_>>(), "soak_seconds": SOAK.as_secs(),
                "gate": {"max_failed": 2, "max_silent": 0, "silent_after_seconds": 600}})
        };
        let wish = json!({"title": title, "kind": "image", "on_failure": "hold",
            "waves": WAVES.iter().map(wave).collect::<Vec<_>>()});
        // If the answer was lost, it was planned or it was not; in no case twice.
        let id = loop {
            let all = world.rollouts()?;
            let mine: Vec<&Value> =
                all.as_array().unwrap().iter().filter(|r| r["title"] == title.as_str()).collect();
            assert!(mine.len() < 2, "{title} was planned twice: {mine:?}");
            if let Some(mine) = mine.first() {
                break mine["id"].as_i64().unwrap();
            }
            let field = format!("Authorization: Bearer {}", world.token);
            let body = serde_json::to_vec(&wish).unwrap();
            let answer = world.door().and_then(|door| door.ask("POST", "/api/v1/rollouts", &field, &body));
            assert!(answer.is_none_or(|a| a.status == 201), "it was not planned");
        };
        loop {
            let view = world.operator("GET", &format!("/api/v1/rollouts/{id}"), b"")?;
            match view["state"].as_str().unwrap() {
                "ready" => {
                    let field = format!("Authorization: Bearer {}", world.token);
                    let path = format!("/api/v1/rollouts/{id}/start");
                    world.door().and_then(|door| door.ask("POST", &path, &field, b""));
                }
                "under way" => std::thread::sleep(Duration::from_millis(100)),
                "done" => break,
                other => panic!("{title} is {other}: {view}"),
            }
        }
    }
    Some(())
}

fn second() -> i64 {
    SystemTime::UNIX_EPOCH.elapsed().unwrap().as_secs() as i64
}

/// Checks in once: the reply, if there is one. What is kept of each check-in carries its counter, as pulses of
/// the relay.
fn check_in(world: &World, node: &mut Node) -> Option<Reply> {
    let n = node.state.nonce.0[0];
    let (acknowledged, sent) = &world.counters[&n];
    let door = world.door()?;
    node.state.relay_pulses = node.state.counter as u32 + 1;
    let message = node.next_check_in();
    let began = second();
    sent.store(node.state.counter, SeqCst);
    let answer = door.ask("POST", "/node/check-in", "Accept: */*", &message)?;
    let reply = common::reply(&answer, &door.server_key);
    world.seen().acknowledged.entry(n).or_default().push((node.state.counter, began, second()));
    acknowledged.store(node.state.counter, SeqCst);
    world.acknowledged.fetch_add(1, SeqCst);
    Some(reply)
}

/// Some nodes that check in one after the other, and then pause for more than a second.
fn check_in_without_hurry(world: &World, mut nodes: Vec<Node>) {
    let mut luck = Luck::new(u64::from(nodes[0].state.nonce.0[0]));
    while !world.over.load(SeqCst) {
        std::thread::sleep(Duration::from_millis(1020 + luck.below(100)));
        for node in &mut nodes {
            assert!(check_in(world, node).is_none_or(|reply| reply.offer.is_none()));
        }
    }
}

/// Every check-in that was acknowledged is in the database, whichever kill came after it: as a row of its own,
/// or, where a node checked in more than once in a second, as the last one of that second. How many rows there
/// are of the unhurried nodes.
fn all_are_kept(data: &Path, world: &World) -> usize {
    let database = rusqlite::Connection::open(data.join("pintle.db")).unwrap();
    let mut rows = database.prepare("SELECT relay_pulses, at FROM history WHERE node = ?1").unwrap();
    let mut own = 0;
    for (n, acknowledged) in &world.seen().acknowledged {
        let kept: BTreeMap<u64, i64> = rows
            .query_map([[*n; 16]], |row| Ok((row.get::<_, u32>(0)?.into(), row.get(1)?)))
            .unwrap()
            .collect::<Result<_, _>>()
            .unwrap();
        assert!(kept.keys().all(|counter| *counter <= world.counters[n].1.load(SeqCst)), "node {n}");
        let is_unhurried = UNHURRIED.iter().any(|nodes| nodes.contains(n));
        for (counter, sent, answered) in acknowledged {
            if is_unhurried {
                let at = kept.get(counter);
                let at = at.unwrap_or_else(|| panic!("node {n}: check-in {counter} was lost"));
                assert!(
                    (sent - 1..=answered + 1).contains(at),
                    "node {n}: {counter} came at {at}, not {sent}"
                );
                own += 1;
            } else {
                let (by, at) = kept.range(counter..).next().expect("the newest is there");
                assert!(
                    (sent - 1..=answered + 1).contains(at),
                    "node {n}: check-in {counter} of second {sent} was lost; the next one is {by}, at {at}"
                );
            }
        }
    }
    own
}

/// A node: checks in on and on, takes up what it is offered, keeps most of it.
fn check_in_on_and_on(world: &World, mut node: Node) {
    let n = node.state.nonce.0[0];
    let mut luck = Luck::new(u64::from(n));
    while !world.over.load(SeqCst) {
        std::thread::sleep(Duration::from_millis(luck.below(12)));
        let Some(reply) = check_in(world, &mut node) else { continue };
        if let Some(offer) = reply.offer {
            take_up(world, &mut node, n, offer.envelope);
        } else {
            advance(world, &mut node, n, &mut luck);
        }
    }
}

/// Checks that the offer is one that may be made, and takes it up.
fn take_up(world: &World, node: &mut Node, n: u8, envelope: Digest) {
    world.offers.fetch_add(1, SeqCst);
    assert_eq!(node.state.phase, Phase::Idle, "node {n} was offered something while it was busy");
    let step = {
        let seen = world.seen();
        assert!(!seen.over.contains(&(n, envelope)), "node {n} was offered again what it had ended");
        let step = seen.steps.get(&envelope).expect("a way back or something unknown was offered").clone();
        let mine = WAVES.iter().position(|wave| wave.contains(&n)).unwrap();
        for earlier in WAVES[..mine].iter().flat_map(|wave| wave.iter()) {
            let ended = seen.ended.get(&(step.number, *earlier));
            let ended =
                ended.unwrap_or_else(|| panic!("node {n} was offered before node {earlier} had ended"));
            assert!(ended.elapsed() >= SOAK - Duration::from_secs(1), "node {n} was offered during the soak");
        }
        step
    };
    let title = format!("Firmware 1.{}", step.number);
    let Some(all) = world.rollouts() else { return };
    let rollout = all.as_array().unwrap().iter().find(|r| r["title"] == title.as_str()).unwrap();
    for (wave, nodes) in rollout["waves"].as_array().unwrap().iter().zip(WAVES) {
        if nodes.contains(&n) {
            assert_ne!(wave["state"], "not open", "{rollout}");
            break;
        }
        assert_eq!(wave["state"], "passed", "node {n}: {rollout}");
    }
    node.state.phase = Phase::Fetching;
    node.state.subject = Some(envelope);
}

/// One stage further with what it is at; some nodes refuse now and then.
fn advance(world: &World, node: &mut Node, n: u8, luck: &mut Luck) {
    let Some(envelope) = node.state.subject else { return };
    let may_refuse = WAVES.iter().all(|wave| wave[0] != n);
    let ending = match node.state.phase {
        Phase::Idle => return,
        Phase::Fetching if may_refuse && luck.below(3) == 0 => Ending::Refused,
        Phase::Fetching => return node.state.phase = Phase::Waiting,
        Phase::Waiting => return node.state.phase = Phase::Trial,
        Phase::Trial => Ending::Kept,
    };
    let mut seen = world.seen();
    let step = seen.steps[&envelope].clone();
    seen.ended.insert((step.number, n), Instant::now());
    seen.over.insert((n, envelope));
    if ending == Ending::Kept {
        node.state.sequences[Role::Image.index()] = step.sequence;
        if let Some(io) = &mut node.state.io {
            io.digest = Digest::of(&step.image);
        }
    }
    let reason = if ending == Ending::Kept { 0 } else { 105 };
    node.state.outcome = Some(Outcome { envelope, ending, reason, detail: 0 });
    node.state.phase = Phase::Idle;
    node.state.subject = None;
}

/// What a server must know after it was killed; `before`: number and hash of an entry of the journal
/// that was seen, and the counters acknowledged before.
fn check(door: &Door, world: &World, before: &mut (i64, String), acknowledged: &BTreeMap<u8, u64>) {
    let ask = |path: &str| {
        let answer = door.ask("GET", path, &format!("Authorization: Bearer {}", world.token), b"");
        answer.expect("the server does not answer").json()
    };
    for node in ask("/api/v1/nodes").as_array().unwrap() {
        let n = u8::from_str_radix(&node["id"].as_str().unwrap()[..2], 16).unwrap();
        let had = node["report"]["counter"].as_u64().unwrap_or(0);
        let sent = world.counters[&n].1.load(SeqCst);
        assert!(had >= acknowledged[&n], "node {n}: {had} is known, {} was acknowledged", acknowledged[&n]);
        assert!(had <= sent, "node {n}: {had} is known, {sent} was sent");
        assert_eq!(node["silent"], false);
    }
    let found = ask("/api/v1/journal/check");
    assert_eq!(found["bad"], Value::Null);
    if before.0 > 0 {
        let page = ask(&format!("/api/v1/journal?after={}&limit=1", before.0 - 1));
        assert_eq!(page["entries"][0]["hash"], before.1.as_str(), "entry {} was another one", before.0);
    }
    *before = (found["good"].as_i64().unwrap(), found["head"].as_str().unwrap().to_owned());
}

#[test]
fn killed_two_hundred_times_it_forgets_nothing_that_it_acknowledged() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let mut program = Program::start(&data, false);
    let token = program.token.clone().unwrap();
    let admitted = |n| Node::new(n).admitted(program.door.addr, &token);
    let nodes: Vec<Node> = (1..=6).map(admitted).collect();
    let unhurried = UNHURRIED.map(|nodes| nodes.iter().map(|n| admitted(*n)).collect::<Vec<_>>());
    let world = World {
        door: Mutex::new(Some(program.door.clone())),
        token,
        seen: Mutex::default(),
        counters: (1..=50).map(|n| (n, Default::default())).collect(),
        acknowledged: AtomicU64::new(0),
        offers: AtomicU64::new(0),
        over: AtomicBool::new(false),
    };
    let mut luck = Luck::new(200);
    let mut journal = (0, String::new());
    let began = Instant::now();
    std::thread::scope(|scope| {
        // However this ends, the threads do.
        let _ends = world::SetAtEnd(&world.over);
        let mut threads: Vec<_> =
            nodes.into_iter().map(|node| scope.spawn(|| check_in_on_and_on(&world, node))).collect();
        threads
            .extend(unhurried.into_iter().map(|nodes| scope.spawn(|| check_in_without_hurry(&world, nodes))));
        threads.push(scope.spawn(|| _ = plan_on_and_on(&world)));
        for kill in 1..=KILLS {
            std::thread::sleep(Duration::from_millis(luck.below(300)));
            assert!(threads.iter().all(|thread| !thread.is_finished()), "a node or the operator gave up");
            // What was acknowledged until now must outlive what comes.
            let acknowledged =
                world.counters.iter().map(|(n, (acknowledged, _))| (*n, acknowledged.load(SeqCst))).collect();
            program.kill();
            *world.door.lock().unwrap() = None;
            if kill % STARTED_ONLY_EVERY == 0 {
                Program::start_and_kill(&data, Duration::from_millis(luck.below(80)));
            }
            program = Program::start(&data, kill % TLS_EVERY == 0);
            check(&program.door, &world, &mut journal, &acknowledged);
            *world.door.lock().unwrap() = Some(program.door.clone());
        }
        // Left alone, what is under way goes on.
        let number = || world.seen().steps.len();
        let (planned, until) = (number(), Instant::now() + Duration::from_secs(60));
        while number() < planned + 1 {
            assert!(Instant::now() < until, "after the last start nothing went on");
            assert!(threads.iter().all(|thread| !thread.is_finished()), "a node or the operator gave up");
            std::thread::sleep(Duration::from_millis(100));
        }
    });
    program.kill();
    let own = all_are_kept(&data, &world);
    let done = world.seen().steps.len() - 1;
    let acknowledged = world.acknowledged.load(SeqCst);
    println!(
        "{KILLS} kills in {} s: {acknowledged} check-ins acknowledged, {own} of them with rows of their own, {} offers, {done} rollouts done, {} entries",
        began.elapsed().as_secs(),
        world.offers.load(SeqCst),
        journal.0
    );
    assert!(done >= 3, "{done} rollouts were done");
    assert!(acknowledged >= 2000, "{acknowledged} check-ins were acknowledged");
    assert!(own >= 300, "{own} check-ins of unhurried nodes were acknowledged");
}
