use super::*;
use crate::api::{Request, Response, Transport};
use crate::yard::testing;
use pintle_protocol::checkin::{Candidate, Ending, Outcome, PROTOCOL, Phase, Position, Running, Wifi};
use pintle_protocol::cose::SigningKey;
use pintle_protocol::id::{Digest, Nonce};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use pintle_server::contract::{CheckInView, ErrorBody};
use pintle_server::rollout::wifi::Stand;
use serde_json::json;
use std::collections::BTreeMap;
use std::fs;

fn key(n: u8) -> SigningKey {
    SigningKey::from_bytes(&[n; 32])
}

/// A check-in of this node.
fn said(node: NodeId) -> CheckIn {
    let runs = Running {
        version: Version::new(1, 0, 0),
        digest: Digest([1; 32]),
        link: LinkRange { oldest: 1, newest: 2 },
        profile: ActuationProfile { id: 1, version: 1 },
        slot: 0,
    };
    CheckIn {
        protocol: PROTOCOL,
        node,
        counter: 5,
        nonce: Nonce([6; 16]),
        uptime_seconds: 120,
        starts: 2,
        net: runs,
        io: Some(runs),
        sequences: [0, 1, 2],
        bundle: Some(Digest([3; 32])),
        position: Position::Open,
        phase: Phase::Idle,
        subject: None,
        holds: 0,
        outcome: None,
        wifi: Wifi { index: 0, rssi_dbm: -61, candidate: None },
        report: Default::default(),
        supply_mv: 5010,
        relay_pulses: 12,
    }
}

/// Barn and gate, admitted with the keys 7 and 8.
fn yard() -> (tempfile::TempDir, Yard) {
    let dir = tempfile::tempdir().unwrap();
    let made = testing::yard(dir.path());
    for (file, name, n) in [("barn", "Barn", 7), ("gate", "Yard", 8)] {
        let signing = PublicKey(key(n).verifying_key().to_bytes());
        let keys = format!("\n[keys]\nsigning = \"{signing}\"\nsealing = \"{}\"\n", "09".repeat(32));
        let node = testing::GOOD_NODE.replace("Barn", name) + &keys;
        fs::write(made.path(format!("nodes/{file}.toml")), node).unwrap();
    }
    let yard = Yard::open(made.dir()).unwrap();
    (dir, yard)
}

/// A server that says of each node what is made up here, and shows these messages as their check-ins.
struct Liar {
    nodes: Vec<NodeView>,
    messages: BTreeMap<String, Vec<u8>>,
}

impl Transport for Liar {
    fn send(&self, request: &Request) -> Result<Response, ApiError> {
        let path = request.path.as_str();
        if path.starts_with("/api/v1/nodes?") || path == "/api/v1/nodes" {
            let after = path.contains("after=");
            let body = if after { b"[]".to_vec() } else { serde_json::to_vec(&self.nodes).unwrap() };
            return Ok(Response { status: 200, body });
        }
        let id = path.trim_start_matches("/api/v1/nodes/").trim_end_matches("/check-in");
        let (status, body) = match self.messages.get(id) {
            Some(message) => {
                (200, serde_json::to_vec(&CheckInView { at: 1, message: hex::encode(message) }).unwrap())
            }
            None => {
                let error = json!({"error": {"code": "no_check_in", "message": "none", "hint": null}});
                let body: ErrorBody = serde_json::from_value(error).unwrap();
                (404, serde_json::to_vec(&body).unwrap())
            }
        };
        Ok(Response { status, body })
    }
    fn address(&self) -> &str {
        "http://192.0.2.7"
    }
}

fn view(yard: &Yard, name: &str) -> NodeView {
    let runs = json!({"version": "9.9.9", "digest": "ee".repeat(32), "link_oldest": 1, "link_newest": 1,
        "profile_id": 1, "profile_version": 1, "slot": 0});
    serde_json::from_value(json!({"id": yard.node_id(name).to_string(), "name": name, "class": "00".repeat(16),
        "status": "kept", "admitted": true, "signing_key": null, "sealing_key": null, "last_seen": 1, "silent": false,
        "report": {"counter": 1, "uptime_seconds": 1, "starts": 1, "net": runs, "io": runs, "sequences": [99, 99, 99],
            "bundle": null, "position": "closed", "phase": "idle", "subject": null, "holds": [], "outcome": null,
            "wifi": {"index": 0, "rssi_dbm": -60, "candidate": "proved"}, "supply_mv": 5000, "relay_pulses": 0},
        "waits_for": [], "left_behind": []}))
    .unwrap()
}

/// A check-in of this node, signed by this key under these external data.
fn signed(yard: &Yard, name: &str, by: u8, aad: &[u8]) -> Vec<u8> {
    let said = said(yard.node_id(name));
    let mut message = [0; 1024];
    let len =
        sign1::sign_attached(&key(by), None, &minicbor::to_vec(&said).unwrap(), aad, &mut message).unwrap();
    message[..len].to_vec()
}

fn heard(yard: &Yard, messages: &[(&str, Vec<u8>)]) -> Result<Vec<NodeView>, ApiError> {
    let mut nodes = vec![view(yard, "barn"), view(yard, "gate")];
    nodes.sort_by_key(|node| node.id);
    let messages =
        messages.iter().map(|(name, bytes)| (yard.node_id(name).to_string(), bytes.clone())).collect();
    nodes_of(yard, Liar { nodes, messages })
}

fn nodes_of(yard: &Yard, liar: Liar) -> Result<Vec<NodeView>, ApiError> {
    super::nodes(yard, &Client::over(liar))
}

#[test]
fn what_a_node_signed_stands_in_place_of_what_the_server_says() {
    let (_dir, yard) = yard();
    let barn = signed(&yard, "barn", 7, AAD_CHECK_IN);
    let views = heard(&yard, &[("barn", barn)]).unwrap();
    let of = |name: &str| views.iter().find(|v| v.id == yard.node_id(name)).unwrap().report.clone();
    assert_eq!(of("barn"), Some(ReportView::of(&said(yard.node_id("barn")))));
    // The other was made up from end to end: it has not been heard.
    assert_eq!(of("gate"), None);
}

#[test]
fn what_the_node_did_not_sign_is_refused_with_its_name() {
    let (_dir, yard) = yard();
    let good = signed(&yard, "barn", 7, AAD_CHECK_IN);
    let mut spoilt = good.clone();
    *spoilt.last_mut().unwrap() ^= 1;
    let other_aad = signed(&yard, "barn", 7, b"pintle claim 1");
    for (what, message) in [
        ("another node's, signed by that one", signed(&yard, "gate", 8, AAD_CHECK_IN)),
        ("another node's, signed by this one", signed(&yard, "gate", 7, AAD_CHECK_IN)),
        ("its own, signed by another node", signed(&yard, "barn", 8, AAD_CHECK_IN)),
        ("its own, signed by the server's key", signed(&yard, "barn", 77, AAD_CHECK_IN)),
        ("one flipped bit", spoilt),
        ("signed as something else", other_aad),
        ("cut off", good[..good.len() - 1].to_vec()),
        ("nothing", Vec::new()),
        ("noise", vec![0x5a; 300]),
    ] {
        let error = heard(&yard, &[("barn", message)]).unwrap_err();
        assert!(matches!(&error, ApiError::Forged { node, .. } if node == "barn"), "{what}: {error}");
        assert!(error.hint().is_some());
    }
}

#[test]
fn nodes_of_others_and_retired_ones_are_left_as_they_are_shown() {
    let (_dir, yard) = yard();
    let mut stranger = view(&yard, "barn");
    stranger.id = NodeId([0xee; 16]);
    let mut retired = view(&yard, "gate");
    retired.status = pintle_server::contract::Status::Retired;
    let mut nodes = vec![stranger.clone(), retired];
    nodes.sort_by_key(|node| node.id);
    let views = nodes_of(&yard, Liar { nodes, messages: BTreeMap::new() }).unwrap();
    assert!(views.contains(&stranger));
    assert!(views.iter().any(|v| v.report.is_none()), "of a retired one nothing is believed");
}

#[test]
fn whatever_a_node_says_of_the_new_network_reaches_the_tally_with_its_reason() {
    let (_dir, yard) = yard();
    let brought = Digest([3; 32]);
    let stand = |change: &dyn Fn(&mut CheckIn)| {
        let mut said = said(yard.node_id("barn"));
        change(&mut said);
        let shown = NodeView { report: Some(ReportView::of(&said)), ..view(&yard, "barn") };
        Stand::of(&shown, &|bundle| *bundle == brought).phrase()
    };
    // While the bundle is in force.
    for (candidate, phrase) in [
        (Candidate::Untried, "not tried yet"),
        (Candidate::Proved, "proved"),
        (Candidate::WaitsForLoss, "waits for the old network to go"),
        (Candidate::NotFound, "failed: not on the air"),
        (Candidate::WrongPassphrase, "failed: wrong passphrase"),
        (Candidate::NoAddress, "failed: no address"),
        (Candidate::NoServer, "failed: no server"),
    ] {
        assert_eq!(stand(&|said| said.wifi.candidate = Some(candidate)), phrase);
    }
    // After it went back.
    for (reason, phrase) in [
        (410, "failed: the new network is not on the air here"),
        (411, "failed: the new network refused the passphrase"),
        (412, "failed: the new network gave no address"),
        (413, "failed: the server was not reached through the new network"),
    ] {
        let phrase_of = stand(&|said| {
            said.bundle = Some(Digest([4; 32]));
            said.outcome = Some(Outcome { envelope: brought, ending: Ending::WentBack, reason, detail: 0 });
        });
        assert_eq!(phrase_of, phrase);
    }
}
