use super::care::Care;
use super::images::steps_of;
use super::rollout::{BundleRollout, ImageRollout, start_bundles, start_images};
use super::wifi::{NewNetwork, Stand, WifiError};
use super::*;
use crate::api::{Client, Request, Response, Transport};
use crate::firmware::samples;
use crate::image::{Library, PackRequest, pack};
use crate::random::from_seed;
use crate::yard::tables::CandidateTable;
use crate::yard::{LATCHBOARD, Unlocked, Yard, testing};
use pintle_protocol::cose::{SigningKey, StaticSecret};
use pintle_protocol::id::{NodeId, PublicKey};
use pintle_protocol::suit::peek;
use pintle_server::contract::{
    EnvelopeStored, Kind, NewRollout, NodeView, OnFailure, OutcomeView, PayloadStored, ReportView,
    RolloutState, RolloutView, RunningView, Status, WifiView,
};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::fs;
use std::rc::Rc;

/// Two admitted nodes on the samples' board, and these images packed.
fn yard(images: &[&str]) -> (tempfile::TempDir, Yard, Unlocked) {
    let dir = tempfile::tempdir().unwrap();
    let made = testing::yard(dir.path());
    fs::write(made.path("boards/latchboard.toml"), LATCHBOARD).unwrap();
    let sealing = x25519_dalek::PublicKey::from(&StaticSecret::from([9; 32])).to_bytes();
    let keys = format!("\n[keys]\nsigning = \"{}\"\nsealing = \"{}\"\n", "11".repeat(32), PublicKey(sealing));
    // A board with a gas sensor that is not used: told so.
    let accept = "accept = [{ rule = \"R27\", why = \"not wired yet\" }]\nboard =";
    let node = testing::GOOD_NODE.replace("two-chip", "latchboard").replace("board =", accept) + &keys;
    fs::write(made.path("nodes/barn.toml"), &node).unwrap();
    fs::write(made.path("nodes/gate.toml"), node.replace("Barn", "Yard")).unwrap();
    let key = PublicKey(SigningKey::from_bytes(&[77; 32]).verifying_key().to_bytes());
    let server = format!("\n[server]\naddresses = [\"http://192.0.2.7\"]\nkey = \"{key}\"\n");
    let file = fs::read_to_string(made.path("yard.toml")).unwrap() + &server;
    fs::write(made.path("yard.toml"), file).unwrap();
    let yard = Yard::open(made.dir()).unwrap();
    let unlocked = yard.unlock(testing::PASSPHRASE).unwrap();
    for name in images {
        let s = samples::find(name).unwrap();
        let (file, bytes, chip) = (s.file, s.bytes, s.chip);
        let request =
            PackRequest { file, bytes, chip, board: "latchboard", rehearsal: true, way_back_to: None };
        pack(&yard, &unlocked, request).unwrap();
    }
    (dir, yard, unlocked)
}

fn running(library: &Library, name: &str) -> RunningView {
    let image = library.named(name).unwrap()[0];
    RunningView {
        version: image.version.to_string(),
        digest: image.digest,
        link_oldest: image.link.oldest,
        link_newest: image.link.newest,
        profile_id: image.profile.id,
        profile_version: image.profile.version,
        slot: 0,
    }
}

fn view(yard: &Yard, name: &str, net: &str, io: &str) -> NodeView {
    let library = Library::read(yard).unwrap();
    let plan = yard.plan(name).unwrap();
    NodeView {
        id: plan.id,
        name: name.to_owned(),
        class: plan.classes[0],
        status: Status::UpToDate,
        admitted: true,
        signing_key: plan.keys.map(|keys| keys.signing),
        sealing_key: plan.keys.map(|keys| keys.sealing),
        last_seen: Some(0),
        silent: false,
        report: Some(ReportView {
            counter: 1,
            uptime_seconds: 1,
            starts: 1,
            net: running(&library, net),
            io: Some(running(&library, io)),
            sequences: [0, 0, 0],
            bundle: None,
            position: "closed".into(),
            phase: "idle".into(),
            subject: None,
            holds: Vec::new(),
            outcome: None,
            wifi: WifiView { index: 0, rssi_dbm: -50, candidate: None },
            supply_mv: 5000,
            relay_pulses: 0,
        }),
        waits_for: Vec::new(),
        left_behind: Vec::new(),
    }
}

/// A server that takes everything and remembers it.
#[derive(Default)]
struct Memory {
    nodes: Vec<NodeView>,
    envelopes: BTreeMap<String, Vec<u8>>,
    payloads: Vec<Vec<u8>>,
    rollouts: Vec<NewRollout>,
    actions: Vec<String>,
}

struct Fake(Rc<RefCell<Memory>>);

impl Transport for Fake {
    fn send(&self, request: &Request) -> Result<Response, ApiError> {
        let mut memory = self.0.borrow_mut();
        let path = request.path.as_str();
        let json = |value: serde_json::Value| value.to_string().into_bytes();
        let body = if path == "/api/v1/nodes" {
            serde_json::to_vec(&memory.nodes).unwrap()
        } else if path.starts_with("/api/v1/payloads/") {
            memory.payloads.push(request.body.clone());
            let digest = Digest::of(&request.body);
            serde_json::to_vec(&PayloadStored { digest, size: 1, already: false }).unwrap()
        } else if path.starts_with("/api/v1/envelopes/") {
            let seen = peek(&request.body).unwrap();
            memory.envelopes.insert(seen.digest.to_string(), request.body.clone());
            let (digest, sequence) = (seen.digest, seen.sequence);
            serde_json::to_vec(&EnvelopeStored {
                digest,
                size: 1,
                sequence,
                components: vec![],
                already: false,
            })
            .unwrap()
        } else {
            if path == "/api/v1/rollouts" {
                memory.rollouts.push(serde_json::from_slice(&request.body).unwrap());
            } else {
                memory.actions.push(path.to_owned());
            }
            serde_json::to_vec(&RolloutView {
                id: 1,
                title: String::new(),
                kind: Kind::Image,
                state: RolloutState::Ready,
                held_because: None,
                ended_early: false,
                windows: None,
                on_failure: OnFailure::Hold,
                created_at: 0,
                started_at: None,
                ended_at: None,
                waves: Vec::new(),
                proves: String::new(),
            })
            .unwrap()
        };
        let _ = json;
        Ok(Response { status: 200, body })
    }
    fn address(&self) -> &str {
        "http://192.0.2.7"
    }
}

fn server(mut nodes: Vec<NodeView>) -> (Client, Rc<RefCell<Memory>>) {
    nodes.sort_by_key(|node| node.id);
    let memory = Rc::new(RefCell::new(Memory { nodes, ..Memory::default() }));
    (Client::over(Fake(Rc::clone(&memory))), memory)
}

fn images<'a>(images: &'a [String]) -> ImageRollout<'a> {
    ImageRollout { title: "t", images, waves: &[], care: Care::default(), rehearsal: false }
}

fn names(list: &[&str]) -> Vec<String> {
    list.iter().map(|n| (*n).to_owned()).collect()
}

const ALL: [&str; 6] = ["net-1.0.0", "io-1.0.0", "net-1.1.0", "io-1.1.0", "net-2.0.0", "io-2.0.0"];

#[test]
fn a_rollout_of_images_has_waves_and_ways_back_with_rising_numbers() {
    let (_dir, yard, unlocked) = yard(&ALL);
    let both = ["barn", "gate"].map(|n| view(&yard, n, "net-1.0.0", "io-1.0.0")).to_vec();
    let (client, memory) = server(both);
    let wanted = names(&["net-2.0.0", "io-2.0.0"]);
    start_images(&yard, &unlocked, &client, &images(&wanted), &mut |_| ()).unwrap();
    let memory = memory.borrow();
    let new = &memory.rollouts[0];
    assert_eq!(new.waves.len(), 2, "one node first, then the rest");
    let steps = &new.waves[0].targets[0].steps;
    // 1.0.0 speaks link 1, 2.0.0 link 2 only: the way leads over 1.1.0 on one chip.
    assert_eq!(steps.len(), 3);
    assert_eq!(new.waves[1].targets[0].steps, *steps, "same board, same way, same envelopes");
    let sequence = |digest: &Digest| peek(&memory.envelopes[&digest.to_string()]).unwrap().sequence;
    let forward: Vec<u64> = steps.iter().map(|s| sequence(&s.envelope)).collect();
    let back: Vec<u64> = steps.iter().rev().map(|s| sequence(&s.way_back.unwrap())).collect();
    let all: Vec<u64> = forward.iter().chain(&back).copied().collect();
    assert!(all.windows(2).all(|w| w[0] < w[1]), "{all:?}");
    // Each way back returns the chip of its step to what it ran before.
    let digest = |d: &Digest| peek(&memory.envelopes[&d.to_string()]).unwrap().digests[0];
    let library = Library::read(&yard).unwrap();
    let first = digest(&steps[0].way_back.unwrap());
    assert!(library.with_digest(&first).unwrap().name.ends_with("-1.0.0"));
    assert_eq!(memory.actions, ["/api/v1/rollouts/1/start"]);
    assert_eq!(memory.payloads.len(), 5, "both ends and one stone, once each");
}

#[test]
fn a_missing_stone_stops_the_rollout_before_anything_is_signed() {
    let (_dir, yard, unlocked) = yard(&["net-1.0.0", "io-1.0.0", "net-2.0.0", "io-2.0.0"]);
    let before = yard.sequences().unwrap().last(pintle_protocol::id::Role::Image);
    let (client, memory) = server(["barn", "gate"].map(|n| view(&yard, n, "net-1.0.0", "io-1.0.0")).to_vec());
    let wanted = names(&["net-2.0.0", "io-2.0.0"]);
    let error = start_images(&yard, &unlocked, &client, &images(&wanted), &mut |_| ()).unwrap_err();
    assert!(matches!(error, RolloutError::Order { fault: NoRoute::Missing(_), .. }), "{error}");
    assert!(memory.borrow().envelopes.is_empty() && memory.borrow().rollouts.is_empty());
    assert_eq!(yard.sequences().unwrap().last(pintle_protocol::id::Role::Image), before);
}

#[test]
fn what_a_node_runs_must_be_at_hand_for_the_way_back() {
    let (_dir, yard, unlocked) = yard(&ALL);
    let mut foreign = view(&yard, "barn", "net-1.0.0", "io-1.0.0");
    foreign.report.as_mut().unwrap().net.digest = Digest([9; 32]);
    let (client, _) = server(vec![foreign]);
    let error =
        start_images(&yard, &unlocked, &client, &images(&names(&["net-1.1.0"])), &mut |_| ()).unwrap_err();
    assert!(matches!(error, RolloutError::NoWayBack { chip: Chip::Net, .. }), "{error}");
}

#[test]
fn misbehaving_images_are_never_stepping_stones() {
    let (_dir, yard, _) = yard(&[
        "net-1.0.0",
        "io-1.0.0",
        "net-2.0.0",
        "io-2.0.0",
        "net-1.2.0-mute-link",
        "io-1.2.0-mute-link",
    ]);
    let library = Library::read(&yard).unwrap();
    let wanted: Vec<_> = ["net-2.0.0", "io-2.0.0"].iter().map(|n| library.named(n).unwrap()[0]).collect();
    let (plan, view) = (yard.plan("barn").unwrap(), view(&yard, "barn", "net-1.0.0", "io-1.0.0"));
    for rehearsal in [false, true] {
        assert!(matches!(
            steps_of(&plan, &view, &wanted, &library, rehearsal),
            Err(RolloutError::Order { .. })
        ));
    }
}

#[test]
fn nodes_that_cannot_take_part_are_named() {
    let (_dir, yard, unlocked) = yard(&ALL);
    let good = view(&yard, "barn", "net-1.0.0", "io-1.0.0");
    let refused = |node: NodeView| {
        let (client, _) = server(vec![node]);
        let (images, waves) = (names(&["net-1.1.0"]), names(&["barn"]));
        let request = ImageRollout { waves: &waves, ..super::tests::images(&images) };
        start_images(&yard, &unlocked, &client, &request, &mut |_| ()).unwrap_err()
    };
    assert!(matches!(refused(NodeView { admitted: false, ..good.clone() }), RolloutError::NotAdmitted(_)));
    assert!(matches!(refused(NodeView { report: None, ..good.clone() }), RolloutError::NeverSeen(_)));
    assert!(matches!(refused(NodeView { id: NodeId([1; 16]), ..good.clone() }), RolloutError::Unknown(_)));
    let mut silent = good.clone();
    silent.report.as_mut().unwrap().io = None;
    assert!(matches!(refused(silent), RolloutError::IoSilent(_)));
    let done = view(&yard, "barn", "net-1.1.0", "io-1.0.0");
    assert!(matches!(refused(done), RolloutError::NothingToDo));
    let mut ahead = good;
    ahead.report.as_mut().unwrap().sequences = [0, u64::MAX, 0];
    assert!(matches!(refused(ahead), RolloutError::Sequence(SequenceError::TooFarAhead { .. })));
}

fn bundles<'a>(nodes: &'a [String], care: Care) -> BundleRollout<'a> {
    BundleRollout { title: "t", kind: Kind::Bundle, nodes, waves: &[], care }
}

#[test]
fn a_first_bundle_holds_and_the_second_has_a_way_back() {
    let (_dir, yard, unlocked) = yard(&ALL);
    let mut node = view(&yard, "barn", "net-1.0.0", "io-1.0.0");
    let (client, memory) = server(vec![node.clone()]);
    let care = Care { on_failure: OnFailure::TurnBack, ..Care::default() };
    let mut rng = from_seed(1);
    start_bundles(&yard, &unlocked, &client, &bundles(&[], care.clone()), &mut rng, &mut |_| ()).unwrap();
    let first = memory.borrow().rollouts[0].clone();
    assert_eq!((first.on_failure, first.waves[0].targets[0].steps[0].way_back), (OnFailure::Hold, None));

    // It is in force, and says the same: nothing to do.
    node.report.as_mut().unwrap().bundle = Some(first.waves[0].targets[0].steps[0].envelope);
    let (client, memory) = server(vec![node.clone()]);
    let again = start_bundles(&yard, &unlocked, &client, &bundles(&[], care.clone()), &mut rng, &mut |_| ());
    assert!(matches!(again, Err(RolloutError::NothingToDo)));

    let text = fs::read_to_string(yard.path("nodes/barn.toml")).unwrap();
    fs::write(yard.path("nodes/barn.toml"), text.replace("travel_seconds = 20", "travel_seconds = 22"))
        .unwrap();
    let yard = Yard::open(yard.dir()).unwrap();
    start_bundles(&yard, &unlocked, &client, &bundles(&[], care.clone()), &mut rng, &mut |_| ()).unwrap();
    let second = memory.borrow().rollouts[0].clone();
    assert_eq!(second.on_failure, OnFailure::TurnBack);
    let step = second.waves[0].targets[0].steps[0];
    let sequence = |d: &Digest| peek(&memory.borrow().envelopes[&d.to_string()]).unwrap().sequence;
    assert!(sequence(&step.envelope) < sequence(&step.way_back.unwrap()));

    node.report.as_mut().unwrap().bundle = Some(Digest([7; 32]));
    let (client, _) = server(vec![node]);
    let error = start_bundles(&yard, &unlocked, &client, &bundles(&[], care.clone()), &mut rng, &mut |_| ())
        .unwrap_err();
    assert!(matches!(error, RolloutError::ForeignBundle { .. }));
}

fn change(yard: &Yard, unlocked: &Unlocked, nodes: &[&str]) -> Result<Yard, WifiError> {
    let new = NewNetwork { name: "new", ssid: "Larkfield 2", passphrase: "another latch" };
    let candidate =
        CandidateTable { replaces: "house".into(), after_loss_minutes: None, nodes: names(nodes) };
    wifi::change(yard, unlocked, new, candidate, &mut from_seed(5))?;
    Ok(Yard::open(yard.dir()).unwrap())
}

#[test]
fn a_change_of_wifi_is_tallied_and_finished_only_when_all_have_proved() {
    let (_dir, yard, unlocked) = yard(&ALL);
    let yard = change(&yard, &unlocked, &["barn", "gate"]).unwrap();
    assert!(matches!(change(&yard, &unlocked, &["barn"]), Err(WifiError::UnderWay(_))));
    let with = |name: &str, candidate: Option<&str>| {
        let mut v = view(&yard, name, "net-1.0.0", "io-1.0.0");
        let report = v.report.as_mut().unwrap();
        report.wifi.candidate = candidate.map(str::to_owned);
        report.bundle = Some(Digest([0xb1; 32]));
        v
    };
    let tally = |barn: Option<&str>, gate: Option<&str>, in_force: bool| {
        wifi::tally(&yard, &[with("barn", barn), with("gate", gate)], &|_, _| in_force).unwrap()
    };
    let some = tally(Some("proved"), Some("wrong passphrase"), true);
    assert_eq!(some.nodes[0].1, Stand::Proved);
    assert_eq!(some.nodes[1].1, Stand::Failed { reason: "wrong passphrase".into() });
    assert_eq!((some.lost(), some.safe()), (vec!["gate"], false));
    assert!(matches!(wifi::finish(&yard, &some, &[]), Err(WifiError::NotProved(n)) if n == ["gate"]));
    let waiting = tally(Some("proved"), Some("waits for the old network to go"), true);
    assert_eq!((waiting.safe(), waiting.untested()), (true, vec!["gate"]));
    assert!(matches!(wifi::finish(&yard, &waiting, &[]), Err(WifiError::NotProved(_))));
    assert_eq!(tally(None, None, false).nodes[0].1, Stand::NoBundle);
    let mut silent = with("gate", Some("proved"));
    silent.silent = true;
    let unheard = wifi::tally(&yard, &[with("barn", Some("proved")), silent], &|_, _| true).unwrap();
    assert_eq!(unheard.nodes[1].1, Stand::NotHeard);

    // A node that went back says why; how something else ended says nothing about the network.
    let brought = Digest([0xca; 32]);
    let went_back = |envelope| {
        let mut v = with("gate", None);
        v.report.as_mut().unwrap().outcome = Some(OutcomeView {
            envelope,
            ending: "went back".to_owned(),
            reason: 411,
            sentence: Some("the new network refused the passphrase".to_owned()),
            detail: 0,
        });
        let views = [with("barn", None), v];
        wifi::tally(&yard, &views, &|_, digest| *digest == brought).unwrap().nodes[1].1.clone()
    };
    let reason = "the new network refused the passphrase".to_owned();
    assert_eq!(went_back(brought), Stand::Failed { reason });
    assert_eq!(went_back(Digest([0xcb; 32])), Stand::NoBundle);

    let all = tally(Some("proved"), Some("proved"), true);
    assert!(all.safe());
    let file = wifi::finish(&yard, &all, &[]).unwrap();
    assert_eq!(file.networks.iter().map(|n| n.name.as_str()).collect::<Vec<_>>(), ["new"]);
    let plan = Yard::open(yard.dir()).unwrap().plan("barn").unwrap();
    assert_eq!((plan.networks.as_slice(), plan.draft.wifi_change), (&["new".to_owned()][..], None));
}

#[test]
fn a_node_that_is_not_asked_would_be_lost() {
    let (_dir, yard, unlocked) = yard(&ALL);
    let yard = change(&yard, &unlocked, &["barn"]).unwrap();
    let mut barn = view(&yard, "barn", "net-1.0.0", "io-1.0.0");
    let report = barn.report.as_mut().unwrap();
    report.wifi.candidate = Some("proved".into());
    report.bundle = Some(Digest([0xb1; 32]));
    let gate = view(&yard, "gate", "net-1.0.0", "io-1.0.0");
    let tally = wifi::tally(&yard, &[barn, gate], &|_, _| true).unwrap();
    assert_eq!(tally.lost(), ["gate"]);
    wifi::give_up(&yard).unwrap();
    assert!(wifi::candidate_of(&Yard::open(yard.dir()).unwrap()).is_none());
}

#[test]
fn a_bad_passphrase_changes_no_file() {
    let (_dir, yard, unlocked) = yard(&[]);
    let before = fs::read(yard.path("networks.toml")).unwrap();
    let new = NewNetwork { name: "new", ssid: "x", passphrase: "seven77" };
    assert!(wifi::add(&yard, &unlocked, new, &mut from_seed(1)).is_err());
    assert_eq!(fs::read(yard.path("networks.toml")).unwrap(), before);
    assert!(!yard.path("secrets/wifi-new.box").exists());
}
