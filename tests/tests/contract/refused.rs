//! What must be refused, and as what: `docs/vectors/refused.json`.

use super::samples as s;
use crate::server_common::Server;
use minicbor::Encoder;
use pintle_protocol::bundle::{Bundle, DoorKind, node_refuses};
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{CheckIn, Claim, Reply};
use pintle_protocol::cose::{AAD_CHECK_IN, AAD_CLAIM, AAD_REPLY, SigningKey, encrypt, key, sign1};
use pintle_protocol::id::{Chip, Digest, NodeId, Nonce, PublicKey, Role, Uuid16};
use pintle_protocol::image::{ImageNote, MAGIC, NoteFault};
use pintle_protocol::link::{FrameFault, decode_frame};
use pintle_protocol::reason::Reason;
use pintle_protocol::suit::{
    self, Answer, Ask, Failure, Manifest, Run, TrustAnchors, envelope, node_components,
};
use serde_json::{Value, json};

/// Reason and detail, as they travel in an outcome.
type Stop = (Reason, u32);

/// Carries a manifest of an image out; the slot is found to hold `measured`.
pub(crate) fn carry_out(manifest: &Manifest<'_>, measured: &[u8]) -> Result<(), Failure> {
    let mut run = Run::update(manifest);
    let mut answer = Answer::Start;
    loop {
        answer = match run.next(manifest, answer)? {
            Ask::Fetch { .. } => Answer::Done,
            Ask::Measure { .. } => {
                Answer::Measured { digest: Digest::of(measured), size: measured.len() as u64 }
            }
            Ask::Done => return Ok(()),
            other => panic!("{other:?} is not asked by an image"),
        };
    }
}

/// Takes an envelope up in the order of `docs/wire.md` section 4, as the node of the vectors.
/// `payload`: what its URI brings.
pub(crate) fn take(bytes: &[u8], payload: &[u8], kept: [u64; 3]) -> Result<(), Stop> {
    let authentic = envelope::open(bytes, &s::anchors()).map_err(|r| (r.reason(), r.detail()))?;
    let specs = node_components(s::net_class(), s::io_class());
    let device = suit::Device { vendor: s::vendor(), device: s::node(), components: &specs };
    let manifest = authentic.manifest(&device).map_err(|r| (r.reason(), r.detail()))?;
    if manifest.sequence() <= kept[authentic.role().index()] {
        return Err((Reason::SequenceOld, manifest.sequence() as u32));
    }
    let mut run = Run::update(&manifest);
    let (mut answer, mut holds) = (Answer::Start, payload.to_vec());
    loop {
        answer = match run.next(&manifest, answer).map_err(|f| (f.reason(), f.detail()))? {
            Ask::Fetch { .. } => Answer::Done,
            Ask::Write { content, encryption: Some(info), .. } => {
                holds = content.to_vec();
                let len =
                    encrypt::decrypt(info, &mut holds, &s::sealing()).map_err(|_| (Reason::SealWrong, 0))?;
                holds.truncate(len);
                let bundle: Bundle =
                    decode_message(&holds).map_err(|f| (Reason::BundleBroken, f.at() as u32))?;
                if let Some(rule) = node_refuses(&bundle) {
                    return Err((Reason::BundleRule, rule));
                }
                Answer::Done
            }
            Ask::Write { content, encryption: None, .. } => {
                holds = content.to_vec();
                let anchors: TrustAnchors =
                    decode_message(&holds).map_err(|f| (Reason::KeysBroken, f.at() as u32))?;
                anchors.check().map_err(|_| (Reason::KeysBroken, 0))?;
                Answer::Done
            }
            Ask::Measure { .. } => Answer::Measured { digest: Digest::of(&holds), size: holds.len() as u64 },
            Ask::Done => return Ok(()),
            other => panic!("{other:?} is not asked by these manifests"),
        };
    }
}

/// `bytes` with the only `from` in it replaced.
fn replaced(bytes: &[u8], from: &str, to: &str) -> Vec<u8> {
    let (text, from) = (hex::encode(bytes), from.to_owned());
    assert_eq!(text.matches(&from).count(), 1, "{from} in {text}");
    hex::decode(text.replacen(&from, to, 1)).unwrap()
}

/// An envelope around any manifest, written by hand.
fn wrapped(manifest: &[u8], signer: &SigningKey) -> Vec<u8> {
    let bytes = |write: &dyn Fn(&mut Encoder<Vec<u8>>)| {
        let mut e = Encoder::new(Vec::new());
        write(&mut e);
        e.into_writer()
    };
    let encoded = bytes(&|e| {
        e.bytes(manifest).unwrap();
    });
    let signed = bytes(&|e| {
        e.array(2).unwrap().i8(-16).unwrap().bytes(&Digest::of(&encoded).0).unwrap();
    });
    let kid = key::kid(&PublicKey(signer.verifying_key().to_bytes()));
    let mut block = [0; 256];
    let len = sign1::sign_detached(signer, Some(&kid), &signed, b"", &mut block).unwrap();
    let wrapper = bytes(&|e| {
        e.array(2).unwrap().bytes(&signed).unwrap().bytes(&block[..len]).unwrap();
    });
    bytes(&|e| {
        e.tag(minicbor::data::Tag::new(107)).unwrap().map(2).unwrap();
        e.u8(2).unwrap().bytes(&wrapper).unwrap().u8(3).unwrap().bytes(manifest).unwrap();
    })
}

struct Refused {
    name: &'static str,
    bytes: Vec<u8>,
    payload: Vec<u8>,
    kept: [u64; 3],
    reason: Reason,
}

fn envelopes() -> Vec<Refused> {
    let good = s::image_envelope(Chip::Net, 7, s::IMAGE);
    let manifest = envelope::open(&good, &s::anchors()).unwrap().manifest_bytes().to_vec();
    let image_key = s::signing(s::IMAGE);
    let changed = |from: &str, to: &str| wrapped(&replaced(&manifest, from, to), &image_key);
    assert_eq!(wrapped(&manifest, &image_key), good, "written by hand, it is the same");
    let row =
        |name, reason, bytes| Refused { name, bytes, payload: s::image(Chip::Net), kept: [0; 3], reason };
    let last = good.len() - 1;
    let mut damaged = good.clone();
    damaged[last] ^= 1;
    let mut cut = good.clone();
    cut.truncate(last);
    let conf = |change: &dyn Fn(&mut Bundle)| {
        let mut bundle = s::bundle();
        change(&mut bundle);
        s::bundle_envelope(&bundle, s::public(s::SEALING), s::BUNDLE)
    };
    let vendor = s::vendor().to_string();
    let class = s::net_class().to_string();
    let other = "00".repeat(16);
    use Reason as R;
    vec![
        row("manifest changed after signing", R::EnvelopeBroken, damaged),
        row("cut short", R::EnvelopeBroken, cut),
        row("a byte too much", R::EnvelopeBroken, [&good[..], &[0]].concat()),
        row(
            "sequence number not in its shortest form",
            R::EnvelopeBroken,
            changed("a701010207", "a70101021807"),
        ),
        row("reporting policy with an unknown bit", R::EnvelopeBroken, changed("1502030f", "15020310")),
        row(
            "signed by a key that is not trusted",
            R::SignatureWrong,
            s::image_envelope(Chip::Net, 7, s::NODE),
        ),
        row(
            "signed by the server's online key",
            R::SignatureWrong,
            s::image_envelope(Chip::Net, 7, s::SERVER),
        ),
        row(
            "signature that names algorithm -8",
            R::SignatureWrong,
            replaced(&good, "d28443a10132", "d28443a10127"),
        ),
        row("image signed by the bundle key", R::RoleWrong, s::image_envelope(Chip::Net, 7, s::BUNDLE)),
        row("image signed by the root key", R::RoleWrong, s::image_envelope(Chip::Net, 7, s::ROOT)),
        row(
            "bundle signed by the image key",
            R::RoleWrong,
            s::bundle_envelope(&s::bundle(), s::public(s::SEALING), s::IMAGE),
        ),
        row("trust anchors signed by the image key", R::RoleWrong, s::keys_envelope(s::IMAGE)),
        row("image for another vendor", R::ClassOther, changed(&vendor, &other)),
        row("image for another class", R::ClassOther, changed(&class, &other)),
        row("image that does not test the class", R::ClassOther, changed("010f020f", "010f010f")),
        row("bundle for another node", R::NodeOther, conf(&|b| b.node = NodeId([9; 16]))),
        Refused {
            kept: [0, 7, 0],
            ..row("sequence number that was kept already", R::SequenceOld, good.clone())
        },
        row("manifest version 2", R::Unsupported, changed("a701010207", "a701020207")),
        row("unknown command 13", R::Unsupported, changed("1502030f", "0d02030f")),
        row("unknown parameter -300", R::Unsupported, changed("390101", "39012b")),
        row("unknown component", R::Unsupported, changed("436e6574", "436e6575")),
        Refused {
            payload: b"something else".to_vec(),
            ..row("payload that is not the one signed", R::PayloadWrong, good.clone())
        },
        row(
            "bundle sealed to another key",
            R::SealWrong,
            s::bundle_envelope(&s::bundle(), s::public(s::EPHEMERAL), s::BUNDLE),
        ),
        row(
            "bundle with a warning of 4.9 s before an unattended close",
            R::BundleRule,
            conf(&|b| b.close.warn_tenths = 49),
        ),
        row(
            "bundle that closes a swinging door unattended",
            R::BundleRule,
            conf(&|b| b.door.kind = DoorKind::Swinging),
        ),
        row("bundle of schema 2", R::BundleRule, conf(&|b| b.schema = 2)),
    ]
}

/// A message that a server refuses, or takes where the number is `None`.
struct Sent {
    name: &'static str,
    path: &'static str,
    bytes: Vec<u8>,
    status: u16,
    number: Option<u8>,
}

/// Sent one after the other to a server that has admitted the node of the vectors and has taken
/// its first check-in, with counter 1024.
fn sent() -> Vec<Sent> {
    let key = s::signing(s::NODE);
    let first = s::first_check_in();
    let check_in = |change: &dyn Fn(&mut CheckIn)| {
        let mut message = CheckIn { counter: 2000, ..first.clone() };
        change(&mut message);
        s::plain(&message)
    };
    let claim = |change: &dyn Fn(&mut Claim)| {
        let mut message = s::claim();
        change(&mut message);
        s::plain(&message)
    };
    let as_check_in = |payload: &[u8]| s::signed(&key, payload, AAD_CHECK_IN);
    let next = as_check_in(&check_in(&|_| ()));
    let mut damaged = next.clone();
    *damaged.last_mut().unwrap() ^= 1;
    let mut detached = vec![0; 256];
    let len = sign1::sign_detached(&key, None, &check_in(&|_| ()), AAD_CHECK_IN, &mut detached).unwrap();
    detached.truncate(len);
    // One field more, 99: 0.
    let newer = [replaced(&check_in(&|_| ()), "af000101", "b0000101"), vec![0x18, 0x63, 0x00]].concat();
    let to_check_in =
        |name, status, number, bytes| Sent { name, path: "/node/check-in", bytes, status, number };
    let to_claim = |name, status, number, bytes| Sent { name, path: "/node/claim", bytes, status, number };
    vec![
        to_check_in("a check-in that was taken already", 409, Some(4), as_check_in(&s::plain(&first))),
        to_check_in("a lower counter", 409, Some(4), as_check_in(&check_in(&|m| m.counter = 1000))),
        to_check_in(
            "a counter beyond 63 bits",
            400,
            Some(7),
            as_check_in(&check_in(&|m| m.counter = u64::MAX)),
        ),
        to_check_in(
            "a node that is not announced",
            404,
            Some(1),
            as_check_in(&check_in(&|m| m.node = NodeId([9; 16]))),
        ),
        to_check_in("another protocol version", 426, Some(5), as_check_in(&check_in(&|m| m.protocol = 2))),
        to_check_in("signature damaged", 401, Some(3), damaged),
        to_check_in(
            "signed by another key",
            401,
            Some(3),
            s::signed(&s::signing(s::ROOT), &check_in(&|_| ()), AAD_CHECK_IN),
        ),
        to_check_in(
            "signed with the external data of a claim",
            401,
            Some(3),
            s::signed(&key, &check_in(&|_| ()), AAD_CLAIM),
        ),
        to_check_in("algorithm -8", 400, Some(7), replaced(&next, "d28443a10132", "d28443a10127")),
        to_check_in(
            "an unknown header parameter",
            400,
            Some(7),
            replaced(&next, "d28443a10132a0", "d28443a10132a1054100"),
        ),
        to_check_in("payload left out", 400, Some(7), detached),
        to_check_in("a byte too much", 400, Some(7), [&next[..], &[0]].concat()),
        to_check_in(
            "counter not in its shortest form",
            400,
            Some(7),
            as_check_in(&replaced(&check_in(&|_| ()), "021907d0", "021a000007d0")),
        ),
        to_check_in("a field of a newer writer is passed over", 200, None, as_check_in(&newer)),
        to_claim(
            "a claim of an admitted node with its own keys",
            200,
            None,
            s::signed(&key, &claim(&|_| ()), AAD_CLAIM),
        ),
        to_claim(
            "a claim of an admitted node with another key",
            403,
            Some(8),
            s::signed(&key, &claim(&|m| m.sealing_key = s::public(s::EPHEMERAL)), AAD_CLAIM),
        ),
        to_claim(
            "a claim signed by another key than the one inside",
            401,
            Some(3),
            s::signed(&s::signing(s::ROOT), &claim(&|_| ()), AAD_CLAIM),
        ),
        to_claim(
            "a claim signed with the external data of a check-in",
            401,
            Some(3),
            s::signed(&key, &claim(&|_| ()), AAD_CHECK_IN),
        ),
        to_claim(
            "a claim of another protocol version",
            426,
            Some(5),
            s::signed(&key, &claim(&|m| m.protocol = 2), AAD_CLAIM),
        ),
        to_claim("no CBOR", 400, Some(7), b"rubbish".to_vec()),
    ]
}

/// Replies that the node of the vectors must pass over; it waits for one to its first check-in.
fn replies() -> Vec<(&'static str, Vec<u8>)> {
    let server = s::signing(s::SERVER);
    let with = |change: &dyn Fn(&mut Reply)| {
        let mut reply = s::reply(None);
        change(&mut reply);
        s::plain(&reply)
    };
    let good = with(&|_| ());
    let mut damaged = s::signed(&server, &good, AAD_REPLY);
    damaged[20] ^= 1;
    vec![
        ("another nonce", s::signed(&server, &with(&|r| r.nonce = Nonce([0; 16])), AAD_REPLY)),
        ("for another node", s::signed(&server, &with(&|r| r.node = NodeId([9; 16])), AAD_REPLY)),
        ("another protocol version", s::signed(&server, &with(&|r| r.protocol = 2), AAD_REPLY)),
        ("signed by the image key", s::signed(&s::signing(s::IMAGE), &good, AAD_REPLY)),
        ("signed with the external data of a check-in", s::signed(&server, &good, AAD_CHECK_IN)),
        ("damaged", damaged),
    ]
}

/// Whether the node of the vectors believes a reply to its first check-in.
pub(crate) fn believes(bytes: &[u8]) -> bool {
    let Ok(payload) = sign1::open(bytes, &s::public(s::SERVER), AAD_REPLY) else { return false };
    let asked = s::first_check_in();
    decode_message::<Reply>(payload)
        .is_ok_and(|r| (r.protocol, r.nonce, r.node) == (asked.protocol, asked.nonce, asked.node))
}

fn frames() -> Vec<(&'static str, Vec<u8>, FrameFault)> {
    let good = hex::decode("020100").unwrap();
    let sum = crc(&good);
    let whole = [&good[..], &sum.to_be_bytes()].concat();
    let mut flipped = whole.clone();
    flipped[1] ^= 1;
    vec![
        ("a dead bus that reads zeros", vec![0; 32], FrameFault::Checksum),
        ("a dead bus that reads ones", vec![0xff; 32], FrameFault::Length(255)),
        ("nothing", Vec::new(), FrameFault::Short),
        ("a payload length beyond 27", [&[2, 1, 28][..], &[0; 29]].concat(), FrameFault::Length(28)),
        ("a payload length beyond what came", vec![2, 1, 4, 0, 0], FrameFault::Length(4)),
        ("one bit flipped", flipped, FrameFault::Checksum),
        ("checksum little-endian", [&good[..], &sum.to_le_bytes()].concat(), FrameFault::Checksum),
    ]
}

/// CRC-16/IBM-3740, bit by bit.
fn crc(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xffff, |sum, byte| {
        (0..8).fold(sum ^ (u16::from(*byte) << 8), |sum: u16, _| {
            if sum & 0x8000 == 0 { sum << 1 } else { (sum << 1) ^ 0x1021 }
        })
    })
}

fn images() -> Vec<(&'static str, Vec<u8>, NoteFault)> {
    let good = s::image(Chip::Net);
    let twice = [&good[..], &[0; 8][..], &s::note(Chip::Net).encode()].concat();
    let mut shifted = vec![0; 8];
    shifted.extend_from_slice(&good);
    let mut flipped = good.clone();
    flipped[64 + 14] ^= 1;
    let mut other = s::note(Chip::Net);
    other.link.oldest = 3;
    let mut empty = good.clone();
    empty[64..128].copy_from_slice(&other.encode());
    vec![
        ("no note", vec![0; 200], NoteFault::Missing),
        ("two notes", twice, NoteFault::Twice { first: 64, second: 208 }),
        ("a note that does not start at a multiple of 16", shifted, NoteFault::Missing),
        ("a flipped bit in the note", flipped, NoteFault::Checksum { at: 64 }),
        ("an empty link range", empty, NoteFault::Field { at: 73, field: "the link range" }),
        ("a note that is cut", [&[0; 16][..], &MAGIC].concat(), NoteFault::Checksum { at: 16 }),
    ]
}

pub(crate) fn file() -> Value {
    let envelopes = envelopes().into_iter().map(|r| {
        let detail = take(&r.bytes, &r.payload, r.kept).err().map(|stop| stop.1);
        json!({"name": r.name, "message": hex::encode(r.bytes), "payload": hex::encode(r.payload),
            "kept": {"root": r.kept[0], "image": r.kept[1], "bundle": r.kept[2]},
            "reason": r.reason.code(), "detail": detail})
    });
    let sent = sent().into_iter().map(|m| {
        json!({"name": m.name, "path": m.path, "message": hex::encode(m.bytes), "status": m.status,
            "number": m.number})
    });
    let replies =
        replies().into_iter().map(|(name, bytes)| json!({"name": name, "message": hex::encode(bytes)}));
    let frames = frames().into_iter().map(
        |(name, bytes, fault)| json!({"name": name, "frame": hex::encode(bytes), "fault": frame_word(fault)}),
    );
    let images = images().into_iter().map(
        |(name, bytes, fault)| json!({"name": name, "image": hex::encode(bytes), "fault": fault.to_string()}),
    );
    json!({
        "about": "What must be refused. Reasons: docs/wire.md section 9; statuses and numbers: section 5.",
        "envelopes": envelopes.collect::<Vec<_>>(),
        "sent_in_turn": sent.collect::<Vec<_>>(),
        "replies": replies.collect::<Vec<_>>(),
        "frames": frames.collect::<Vec<_>>(),
        "images": images.collect::<Vec<_>>(),
    })
}

const fn frame_word(fault: FrameFault) -> &'static str {
    match fault {
        FrameFault::Short => "short",
        FrameFault::Length(_) => "length",
        FrameFault::Checksum => "checksum",
    }
}

#[test]
fn envelopes_are_refused_with_their_reasons() {
    assert_eq!(take(&s::image_envelope(Chip::Net, 7, s::IMAGE), &s::image(Chip::Net), [0, 6, 0]), Ok(()));
    assert_eq!(take(&s::image_envelope(Chip::Io, 7, s::IMAGE), &s::image(Chip::Io), [0; 3]), Ok(()));
    assert_eq!(
        take(&s::bundle_envelope(&s::bundle(), s::public(s::SEALING), s::BUNDLE), b"", [0; 3]),
        Ok(())
    );
    assert_eq!(take(&s::keys_envelope(s::ROOT), b"", [1, 9, 9]), Ok(()));
    for r in envelopes() {
        let stop = take(&r.bytes, &r.payload, r.kept).expect_err(r.name);
        assert_eq!(stop.0, r.reason, "{}", r.name);
    }
    assert_eq!(Role::Bundle.index(), 2, "as the kept numbers are written");
    assert_ne!(Uuid16([0; 16]), s::vendor());
}

#[test]
fn a_server_answers_each_message_as_the_vectors_say() {
    let server = Server::start();
    let path = format!("/api/v1/nodes/{}", s::node());
    let wish = json!({"name": "Cart shed", "class": s::net_class().to_string(),
        "code_digest": Digest::of(&s::CLAIM_CODE).to_string()});
    server.good("PUT", &path, &wish);
    let claim = s::signed(&s::signing(s::NODE), &s::plain(&s::claim()), AAD_CLAIM);
    assert_eq!(server.send("POST", "/node/claim", &[], &claim).status, 202);
    let first = s::signed(&s::signing(s::NODE), &s::plain(&s::first_check_in()), AAD_CHECK_IN);
    assert_eq!(server.send("POST", "/node/check-in", &[], &first).node_error(), (403, 2));
    server.good(
        "POST",
        &format!("{path}/admit"),
        &json!({"signing_key": s::NODE.2, "sealing_key": s::SEALING.2}),
    );
    assert_eq!(server.send("POST", "/node/check-in", &[], &first).status, 200);
    for m in sent() {
        let answer = server.send_anything("POST", m.path, &[], &m.bytes);
        assert_eq!(answer.status, m.status, "{}: {}", m.name, answer.text());
        if let Some(number) = m.number {
            assert_eq!(answer.node_error(), (m.status, number), "{}", m.name);
        }
    }
    let full = s::signed(&s::signing(s::NODE), &s::plain(&s::full_check_in()), AAD_CHECK_IN);
    assert_eq!(server.send("POST", "/node/check-in", &[], &full).status, 200);
}

#[test]
fn foreign_replies_frames_and_images_are_refused() {
    assert!(believes(&s::signed(&s::signing(s::SERVER), &s::plain(&s::reply(None)), AAD_REPLY)));
    for (name, bytes) in replies() {
        assert!(!believes(&bytes), "{name}");
    }
    // Source of the check value: catalogue of parametrised CRC algorithms, CRC-16/IBM-3740.
    assert_eq!(crc(b"123456789"), 0x29b1);
    for (name, bytes, fault) in frames() {
        assert_eq!(decode_frame(&bytes), Err(fault), "{name}");
    }
    for (name, bytes, fault) in images() {
        assert_eq!(ImageNote::find(&bytes), Err(fault), "{name}");
    }
}
