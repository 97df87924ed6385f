use super::*;
use crate::api::{Client, Request, Response, Transport};
use crate::random::from_seed;
use crate::yard::{NodeKeys, Unlocked, Yard, testing};
use pintle_protocol::checkin::{Claim, PROTOCOL, claim_proof};
use pintle_protocol::cose::{AAD_CLAIM, SigningKey, sign1};
use pintle_protocol::id::{Digest, PublicKey, Uuid16};
use pintle_server::contract::{ClaimView, NodeView, Status};
use std::cell::RefCell;
use std::rc::Rc;

const CODE: [u8; 16] = [5; 16];

fn joined() -> (tempfile::TempDir, Yard, Unlocked) {
    let dir = tempfile::tempdir().unwrap();
    let mut yard = testing::yard(dir.path());
    let key = SigningKey::from_bytes(&[77; 32]).verifying_key().to_bytes();
    yard.file.server = Some(crate::yard::tables::ServerTable {
        addresses: vec!["http://192.0.2.7".into()],
        ca: None,
        key: PublicKey(key).to_string(),
    });
    let unlocked = yard.unlock(testing::PASSPHRASE).unwrap();
    (dir, yard, unlocked)
}

/// A claim as the node with `code` would make it.
fn claim(yard: &Yard, code: [u8; 16], change: impl FnOnce(&mut Claim)) -> Vec<u8> {
    let plan = yard.plan_for_card("barn").unwrap();
    let signer = SigningKey::from_bytes(&[9; 32]);
    let (signing_key, sealing_key) = (PublicKey(signer.verifying_key().to_bytes()), PublicKey([3; 32]));
    let mut claim = Claim {
        protocol: PROTOCOL,
        node: plan.id,
        signing_key,
        sealing_key,
        class: plan.classes[0],
        code_digest: Digest::of(&code),
        proof: claim_proof(&code, &plan.id, &signing_key, &sealing_key, &plan.classes[0]),
    };
    change(&mut claim);
    let payload = minicbor::to_vec(&claim).unwrap();
    let mut out = vec![0; 1024];
    let len = sign1::sign_attached(&signer, None, &payload, AAD_CLAIM, &mut out).unwrap();
    out.truncate(len);
    out
}

fn checked(yard: &Yard, body: &[u8]) -> Result<NodeKeys, NodeError> {
    admit::check(&yard.plan_for_card("barn").unwrap(), &CODE, body)
}

#[test]
fn a_genuine_claim_gives_its_keys() {
    let (_dir, yard, _) = joined();
    let keys = checked(&yard, &claim(&yard, CODE, |_| ())).unwrap();
    assert_eq!(keys.sealing, PublicKey([3; 32]));
}

#[test]
fn keys_that_were_slipped_in_are_noticed() {
    let (_dir, yard, _) = joined();
    // The server knows the digest of the code, but not the code.
    let forged = claim(&yard, [6; 16], |c| c.code_digest = Digest::of(&CODE));
    assert!(matches!(checked(&yard, &forged), Err(NodeError::NotGenuine(_))));
    let slipped = claim(&yard, CODE, |c| c.sealing_key = PublicKey([4; 32]));
    assert!(matches!(checked(&yard, &slipped), Err(NodeError::NotGenuine(_))));
    let slipped = claim(&yard, CODE, |c| {
        c.signing_key = PublicKey(SigningKey::from_bytes(&[8; 32]).verifying_key().to_bytes())
    });
    assert!(matches!(checked(&yard, &slipped), Err(NodeError::Signature { .. })));
    let other_board = claim(&yard, CODE, |c| {
        c.class = Uuid16([1; 16]);
        c.proof = claim_proof(&CODE, &c.node, &c.signing_key, &c.sealing_key, &c.class);
    });
    assert!(matches!(checked(&yard, &other_board), Err(NodeError::OtherClass { .. })));
    let mut damaged = claim(&yard, CODE, |_| ());
    let last = damaged.len() - 1;
    damaged[last] ^= 1;
    assert!(matches!(checked(&yard, &damaged), Err(NodeError::Signature { .. })));
    assert!(matches!(checked(&yard, b"no claim"), Err(NodeError::Damaged { .. })));
}

/// A server that has the claims given, and remembers what was asked.
struct Fake {
    claims: Vec<ClaimView>,
    seen: Rc<RefCell<Vec<Request>>>,
}

impl Transport for Fake {
    fn send(&self, request: &Request) -> Result<Response, crate::api::ApiError> {
        self.seen.borrow_mut().push(request.clone());
        let view = NodeView {
            id: pintle_protocol::id::NodeId([0; 16]),
            name: "barn".into(),
            class: Uuid16([0; 16]),
            status: Status::Expected,
            admitted: false,
            signing_key: None,
            sealing_key: None,
            last_seen: None,
            silent: false,
            report: None,
            waits_for: Vec::new(),
            left_behind: Vec::new(),
        };
        let body = match request.path.as_str() {
            "/api/v1/claims" => serde_json::to_vec(&self.claims).unwrap(),
            _ => serde_json::to_vec(&view).unwrap(),
        };
        Ok(Response { status: 200, body })
    }
    fn address(&self) -> &str {
        "http://192.0.2.7"
    }
}

#[test]
fn admitting_takes_the_one_genuine_claim_and_can_be_repeated() {
    let (_dir, yard, unlocked) = joined();
    unlocked.put_claim_code("barn", &CODE, &mut from_seed(1)).unwrap();
    let node = yard.node_id("barn");
    let of = |body: Vec<u8>| ClaimView { node, body: hex::encode(body), at: 0 };
    let forged = of(claim(&yard, [6; 16], |_| ()));
    let genuine = of(claim(&yard, CODE, |_| ()));
    let client = |claims: &[&ClaimView]| {
        let seen = Rc::new(RefCell::new(Vec::new()));
        let claims = claims.iter().map(|c| (*c).clone()).collect();
        (Client::over(Fake { claims, seen: Rc::clone(&seen) }), seen)
    };
    let (only_forged, seen) = client(&[&forged]);
    assert!(matches!(admit::admit(&yard, &unlocked, &only_forged, "barn"), Err(NodeError::NotGenuine(_))));
    assert!(seen.borrow().iter().all(|r| r.method == "GET"));
    let (none, _) = client(&[]);
    assert!(matches!(admit::admit(&yard, &unlocked, &none, "barn"), Err(NodeError::NoClaim(_))));

    let (both, seen) = client(&[&forged, &genuine]);
    let keys = admit::admit(&yard, &unlocked, &both, "barn").unwrap();
    assert!(seen.borrow().iter().any(|r| r.path.ends_with("/admit")));
    let yard = Yard::open(yard.dir()).unwrap();
    assert_eq!(yard.plan("barn").unwrap().keys, Some(keys));
    assert!(unlocked.claim_code("barn").is_err());
    // The rest of the file is as it was.
    let text = std::fs::read_to_string(yard.path("nodes/barn.toml")).unwrap();
    assert!(text.starts_with(testing::GOOD_NODE));
    assert!(!write_keys(&yard, "barn", keys).unwrap());
    let others = NodeKeys { signing: PublicKey([1; 32]), ..keys };
    assert!(matches!(write_keys(&yard, "barn", others), Err(NodeError::OtherKeys(_))));
}

#[test]
fn a_card_reads_back_and_is_never_overwritten() {
    let (dir, yard, unlocked) = joined();
    let out = dir.path().join("card");
    let seen = Rc::default();
    let client = Client::over(Fake { claims: Vec::new(), seen: Rc::clone(&seen) });
    let issue = |seed| card::issue(&yard, &unlocked, &client, "barn", &out, false, &mut from_seed(seed));
    let path = issue(1).unwrap();
    let bytes = std::fs::read(&path).unwrap();
    let read: pintle_protocol::card::StarterCard = pintle_protocol::cbor::decode_message(&bytes).unwrap();
    assert_eq!((read.node, read.code), (yard.node_id("barn"), unlocked.claim_code("barn").unwrap()));
    assert_eq!(read.network.passphrase.as_str(), "correct hinges");
    assert_eq!(read.anchors, card::anchors(&yard).unwrap());
    // The server hears of the code's digest, never of the code.
    let announced = String::from_utf8(seen.borrow()[0].body.clone()).unwrap();
    assert!(announced.contains(&Digest::of(&read.code).to_string()));
    assert!(!announced.contains(&hex::encode(read.code)));

    assert!(matches!(issue(2), Err(NodeError::File(crate::yard::files::FileError::Exists(_)))));
    assert_eq!(std::fs::read(&path).unwrap(), bytes);
    assert_eq!(unlocked.claim_code("barn").unwrap(), read.code);
}

#[test]
fn a_new_nodes_file_reads_back_and_is_safe_until_filled_in() {
    let (_dir, yard, _) = joined();
    let new = NewNode { name: "hen-house", board: "two-chip", label: "Hen \"house\"\nhatch" };
    add(&yard, new).unwrap();
    let yard = Yard::open(yard.dir()).unwrap();
    assert_eq!(yard.nodes["hen-house"].label, new.label);
    assert!(!yard.nodes["hen-house"].close.enabled);
    assert!(matches!(add(&yard, new), Err(NodeError::Exists(_))));
    let bad = |name, board| add(&yard, NewNode { name, board, label: "x" }).unwrap_err();
    assert!(matches!(bad("Shed", "two-chip"), NodeError::Name(_)));
    assert!(
        matches!(bad("shed", "two-chop"), NodeError::NoBoard { nearest: Some(n), .. } if n == "two-chip")
    );
    assert!(!yard.path("nodes/shed.toml").exists());
}
