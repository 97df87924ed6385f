//! The files in `docs/vectors`: what is in them, and that they still are what the library writes.
//!
//! `PINTLE_WRITE_VECTORS=1 cargo test -p pintle-tests --test contract` writes them anew.

use super::refused;
use super::samples::{self as s, Key};
use super::schema;
use crate::server_common::Server;
use pintle_protocol::checkin::{CheckIn, Offer};
use pintle_protocol::cose::encrypt::{CONTEXT, ENC_STRUCTURE};
use pintle_protocol::cose::{AAD_CHECK_IN, AAD_CLAIM, AAD_REPLY, AAD_REPORT, StaticSecret, key};
use pintle_protocol::id::{Chip, Digest, PublicKey};
use pintle_protocol::link::{Answer, Ask, FRAME_MAX, encode_frame};
use pintle_protocol::slots::RecordStore;
use pintle_protocol::suit::{
    self, Answer as Told, Ask as Asked, Failure, Manifest, Run, Stopped, envelope, node_components, peek,
    write_report,
};
use serde_json::{Map, Value, json};
use std::path::PathBuf;

/// Every file, by its name.
pub(crate) fn files() -> Vec<(&'static str, Value)> {
    vec![
        ("keys.json", keys()),
        ("messages.json", messages()),
        ("envelopes.json", envelopes()),
        ("files.json", card_and_record()),
        ("link.json", link()),
        ("images.json", images()),
        ("refused.json", refused::file()),
    ]
}

pub(crate) fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../docs/vectors")
}

#[test]
fn the_committed_vectors_are_what_the_library_writes() {
    let write = std::env::var_os("PINTLE_WRITE_VECTORS").is_some();
    for (name, value) in files() {
        let text = serde_json::to_string_pretty(&value).unwrap() + "\n";
        let path = folder().join(name);
        if write {
            std::fs::write(&path, text).unwrap();
        } else {
            let found = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
            let differs = found.lines().zip(text.lines()).position(|(a, b)| a != b);
            assert!(
                found == text,
                "docs/vectors/{name} is not what is written now, from line {:?} on; nodes in the field go by \
                 the old bytes. If the change is meant: PINTLE_WRITE_VECTORS=1, and a new protocol version",
                differs.map(|n| n + 1)
            );
        }
    }
}

#[test]
fn every_vector_holds_against_the_cddl() {
    let mut held = 0;
    for (file, value) in files() {
        if file == "refused.json" {
            continue;
        }
        let errors = value["errors"].as_array().into_iter().flatten();
        for vector in value["vectors"].as_array().unwrap().iter().chain(errors) {
            if let Some(rule) = vector["rule"].as_str() {
                schema::holds(rule, &hex::decode(vector["message"].as_str().unwrap()).unwrap());
                held += 1;
            }
        }
    }
    assert_eq!(held, 27);
}

fn diagnostic(bytes: &[u8]) -> String {
    minicbor::display(bytes).to_string()
}

fn keys() -> Value {
    let row = |(name, private, public, source): Key| {
        let bytes = PublicKey(s::array(public));
        let x25519 = matches!(name, "sealing" | "ephemeral");
        let (kid, thumbprint) = if x25519 {
            (key::sealing_kid(&bytes), key::sealing_thumbprint(&bytes))
        } else {
            (key::kid(&bytes), key::thumbprint(&bytes))
        };
        json!({
            "name": name, "curve": if x25519 { "X25519" } else { "Ed25519" }, "private": private,
            "public": public, "source": source, "kid": hex::encode(kid), "thumbprint": hex::encode(thumbprint),
        })
    };
    let all = [s::ROOT, s::IMAGE, s::BUNDLE, s::SERVER, s::NODE, s::SEALING, s::EPHEMERAL];
    json!({
        "about": "Published test keys. Never use them for anything else.",
        "vectors": all.map(row),
        "claim_code": hex::encode(s::CLAIM_CODE),
        "vendor_domain": "larkfield.example", "vendor": s::vendor().to_string(),
        "net_class_name": "latchboard rev A net", "net_class": s::net_class().to_string(),
        "io_class_name": "latchboard rev A io", "io_class": s::io_class().to_string(),
        "node_name": "cart-shed", "node": s::node().to_string(),
    })
}

/// `["Signature1", protected, external data, payload]`, written out by hand.
pub(crate) fn sig_structure(aad: &[u8], payload: &[u8]) -> Vec<u8> {
    let mut e = minicbor::Encoder::new(Vec::new());
    e.array(4).unwrap().str("Signature1").unwrap().bytes(&[0xa1, 0x01, 0x32]).unwrap();
    e.bytes(aad).unwrap().bytes(payload).unwrap();
    e.into_writer()
}

fn message(name: &str, rule: &str, key: Key, aad: &[u8], payload: &[u8]) -> Value {
    json!({
        "name": name, "rule": rule, "signed_by": key.0,
        "external_aad": String::from_utf8_lossy(aad),
        "payload": hex::encode(payload), "payload_diagnostic": diagnostic(payload),
        "sig_structure": hex::encode(sig_structure(aad, payload)),
        "message": hex::encode(s::signed(&s::signing(key), payload, aad)),
    })
}

/// What a server answers otherwise than with 2xx: status, number, and a sentence for the log.
const ERRORS: [(u16, u8, &str); 8] = [
    (404, 1, "the node is not known here"),
    (403, 2, "the node's keys are not admitted"),
    (401, 3, "the signature does not verify"),
    (409, 4, "the counter is 1024, it must be higher than 1024"),
    (426, 5, "the message has protocol version 2, this server speaks 1"),
    (410, 9, "the node was taken out of service"),
    (404, 10, "there is nothing here"),
    (416, 11, "the range is beyond the 200 bytes that there are"),
];

fn error(number: u8, sentence: &str) -> Vec<u8> {
    let mut e = minicbor::Encoder::new(Vec::new());
    e.map(2).unwrap().u8(0).unwrap().u8(number).unwrap().u8(1).unwrap().str(sentence).unwrap();
    e.into_writer()
}

/// A real server says each of them, byte for byte.
#[test]
fn a_server_says_the_errors_of_the_vectors() {
    let server = Server::start();
    let path = format!("/api/v1/nodes/{}", s::node());
    let check_in = |change: &dyn Fn(&mut CheckIn)| {
        let mut message = s::first_check_in();
        change(&mut message);
        s::signed(&s::signing(s::NODE), &s::plain(&message), AAD_CHECK_IN)
    };
    let first = check_in(&|_| ());
    let other = s::signed(&s::signing(s::ROOT), &s::plain(&s::first_check_in()), AAD_CHECK_IN);
    let newer = check_in(&|m| m.protocol = 2);
    let image = s::image(Chip::Net);
    let payload = format!("/api/v1/payloads/{}", Digest::of(&image));
    let parcel = format!("/node/payload/{}", Digest::of(&image));
    let post = |body: &[u8]| server.send_anything("POST", "/node/check-in", &[], body);
    let mut said = vec![post(&first)];
    let wish = json!({"name": "Cart shed", "class": s::net_class().to_string(),
        "code_digest": Digest::of(&s::CLAIM_CODE).to_string()});
    server.good("PUT", &path, &wish);
    let claim = s::signed(&s::signing(s::NODE), &s::plain(&s::claim()), AAD_CLAIM);
    assert_eq!(server.send("POST", "/node/claim", &[], &claim).status, 202);
    said.push(post(&first));
    let keys = json!({"signing_key": s::NODE.2, "sealing_key": s::SEALING.2});
    server.good("POST", &format!("{path}/admit"), &keys);
    assert_eq!(post(&first).status, 200);
    said.extend([post(&other), post(&first), post(&newer)]);
    server.good("POST", &format!("{path}/retire"), &Value::Null);
    said.push(post(&first));
    said.push(server.send_anything("GET", &parcel, &[], b""));
    assert_eq!(server.operator("PUT", &payload, &image).status, 200);
    said.push(server.send_anything("GET", &parcel, &[("Range", "bytes=200-300")], b""));
    let said: Vec<_> = said.into_iter().map(|answer| (answer.status, answer.body)).collect();
    assert_eq!(said, ERRORS.map(|(status, number, sentence)| (status, error(number, sentence))));
}

fn messages() -> Value {
    let offer = Offer { envelope: Digest::of(b"what is offered"), size: 612 };
    let claim = s::claim();
    let mut first = message("claim", "claim-message", s::NODE, AAD_CLAIM, &s::plain(&claim));
    first["proof_input"] = json!(hex::encode(
        [&claim.node.0[..], &claim.signing_key.0, &claim.sealing_key.0, &claim.class.0].concat()
    ));
    json!({
        "about": "Signed messages: docs/wire.md section 3.",
        "vectors": [
            first,
            message("first check-in", "check-in-message", s::NODE, AAD_CHECK_IN, &s::plain(&s::first_check_in())),
            message("full check-in", "check-in-message", s::NODE, AAD_CHECK_IN, &s::plain(&s::full_check_in())),
            message("reply without an offer", "reply-message", s::SERVER, AAD_REPLY, &s::plain(&s::reply(None))),
            message("reply with an offer", "reply-message", s::SERVER, AAD_REPLY, &s::plain(&s::reply(Some(offer)))),
            message("report of a pass", "report-message", s::NODE, AAD_REPORT, &passed_report()),
            message("report of a failure", "report-message", s::NODE, AAD_REPORT, &failed_report()),
        ],
        "errors": ERRORS.map(|(status, number, sentence)| {
            let bytes = error(number, sentence);
            json!({"rule": "node-error", "status": status, "number": number,
                "message": hex::encode(&bytes), "diagnostic": diagnostic(&bytes)})
        }),
    })
}

/// Carries a manifest of an image out; the slot is found to hold `measured`.
fn carry_out(manifest: &Manifest<'_>, measured: &[u8]) -> Result<(), Failure> {
    let mut run = Run::update(manifest);
    let mut answer = Told::Start;
    loop {
        answer = match run.next(manifest, answer)? {
            Asked::Fetch { .. } => Told::Done,
            Asked::Measure { .. } => {
                Told::Measured { digest: Digest::of(measured), size: measured.len() as u64 }
            }
            Asked::Done => return Ok(()),
            other => panic!("{other:?} is not asked by an image"),
        };
    }
}

/// A report on the image envelope; `measured`: what the component was found to hold.
fn report(measured: &[u8]) -> Vec<u8> {
    let bytes = s::image_envelope(Chip::Net, 7, s::IMAGE);
    let specs = node_components(s::net_class(), s::io_class());
    let device = suit::Device { vendor: s::vendor(), device: s::node(), components: &specs };
    let authentic = envelope::open(&bytes, &s::anchors()).unwrap();
    let manifest = authentic.manifest(&device).unwrap();
    let stopped = carry_out(&manifest, measured).map_err(|failure| Stopped::from(&failure));
    let uri = manifest.reference_uri().unwrap();
    let mut out = [0; 256];
    let len = write_report(manifest.digest(), uri, stopped.as_ref().copied(), &mut out).unwrap();
    out[..len].to_vec()
}

fn passed_report() -> Vec<u8> {
    report(&s::image(Chip::Net))
}

pub(crate) fn failed_report() -> Vec<u8> {
    report(b"something else")
}

fn envelope_vector(name: &str, rule: &str, key: Key, bytes: &[u8]) -> Map<String, Value> {
    let looked = peek(bytes).unwrap();
    let authentic = envelope::open(bytes, &s::anchors()).unwrap();
    let mut signed = vec![0x82, 0x2f, 0x58, 0x20];
    signed.extend_from_slice(&looked.digest.0);
    let manifest = authentic.manifest_bytes();
    let fields = json!({
        "name": name, "rule": rule, "signed_by": key.0, "external_aad": "",
        "manifest": hex::encode(manifest), "manifest_diagnostic": diagnostic(manifest),
        "manifest_digest": looked.digest.to_string(),
        "signed_digest": hex::encode(&signed), "sig_structure": hex::encode(sig_structure(b"", &signed)),
        "message": hex::encode(bytes),
    });
    match fields {
        Value::Object(map) => map,
        _ => unreachable!("an object was written"),
    }
}

fn envelopes() -> Value {
    let image = |chip, name| {
        let mut v = envelope_vector(name, "image-envelope", s::IMAGE, &s::image_envelope(chip, 7, s::IMAGE));
        v.insert("payload".to_owned(), json!(hex::encode(s::image(chip))));
        v
    };
    let mut conf = envelope_vector(
        "bundle",
        "bundle-envelope",
        s::BUNDLE,
        &s::bundle_envelope(&s::bundle(), s::public(s::SEALING), s::BUNDLE),
    );
    let random = s::random();
    let (info, ciphertext) =
        pintle_protocol::cose::encrypt::seal(&s::public(s::SEALING), &random, None, &s::bundle_plain())
            .unwrap();
    let shared = StaticSecret::from(random.ephemeral)
        .diffie_hellman(&x25519_dalek::PublicKey::from(s::public(s::SEALING).0));
    let mut kek = [0; 16];
    hkdf::Hkdf::<sha2::Sha256>::new(None, shared.as_bytes()).expand(&CONTEXT, &mut kek).unwrap();
    for (name, value) in [
        ("plaintext", hex::encode(s::bundle_plain())),
        ("plaintext_diagnostic", diagnostic(&s::bundle_plain())),
        ("recipient", s::SEALING.2.to_owned()),
        ("ephemeral_private", s::EPHEMERAL.1.to_owned()),
        ("content_key", s::CONTENT_KEY.to_owned()),
        ("content_nonce", s::CONTENT_NONCE.to_owned()),
        ("shared_secret", hex::encode(shared.as_bytes())),
        ("kdf_context", hex::encode(CONTEXT)),
        ("key_encryption_key", hex::encode(kek)),
        ("enc_structure", hex::encode(ENC_STRUCTURE)),
        ("encryption_info", hex::encode(&info)),
        ("encryption_info_diagnostic", diagnostic(&info)),
        ("ciphertext_and_tag", hex::encode(ciphertext)),
    ] {
        conf.insert(name.to_owned(), json!(value));
    }
    let mut keys = envelope_vector("trust anchors", "keys-envelope", s::ROOT, &s::keys_envelope(s::ROOT));
    keys.insert("plaintext".to_owned(), json!(hex::encode(s::plain(&s::anchors()))));
    let mut vectors =
        vec![image(Chip::Net, "image of the net chip"), image(Chip::Io, "image of the io chip"), conf, keys];
    let again: Vec<_> = vectors
        .iter()
        .map(|v| {
            let mut generic = Map::new();
            generic.insert("name".to_owned(), json!(format!("{} once more", v["name"].as_str().unwrap())));
            generic.insert("rule".to_owned(), json!("suit-envelope"));
            generic.insert("message".to_owned(), v["message"].clone());
            generic
        })
        .collect();
    vectors.extend(again);
    json!({"about": "SUIT envelopes: docs/wire.md section 4.", "vectors": vectors})
}

pub(crate) fn capabilities() -> Vec<u8> {
    let mut out = [0; 128];
    let len = pintle_protocol::agent::CAPABILITIES.write(&mut out).unwrap();
    out[..len].to_vec()
}

fn card_and_record() -> Value {
    let plain = |name: &str, rule: &str, bytes: &[u8]| json!({"name": name, "rule": rule, "message": hex::encode(bytes), "diagnostic": diagnostic(bytes)});
    let mut record = s::boot_record();
    let mut flash = pintle_protocol::sim::SimFlash::new(8192);
    RecordStore { sectors: [0, 4096] }.save(&mut flash, &mut record).unwrap();
    let bytes = s::plain(&record);
    let mut kept = plain("boot record", "boot-record", &bytes);
    kept["place"] = json!(hex::encode(flash.peek(0, 12 + bytes.len() as u32)));
    json!({
        "about": "Files: docs/wire.md sections 3.5, 6 and 8.",
        "vectors": [
            plain("starter card", "starter-card", &s::plain(&s::starter_card())),
            plain("trust anchors", "trust-anchors", &s::plain(&s::anchors())),
            kept,
            plain("capability report", "suit-capability-report", &capabilities()),
        ],
    })
}

fn frame(name: &str, kind: u8, sequence: u8, payload: &[u8]) -> Value {
    let mut out = [0; FRAME_MAX];
    let len = encode_frame(kind, sequence, payload, &mut out).unwrap();
    json!({"name": name, "kind": kind, "sequence": sequence, "payload": hex::encode(payload),
        "crc": hex::encode(&out[len - 2..len]), "frame": hex::encode(&out[..len])})
}

/// Things with their names.
type Named<T> = Vec<(&'static str, T)>;

/// Every question and every answer.
fn link_messages() -> (Named<Ask>, Named<Answer>) {
    let note = s::note(Chip::Io);
    let image = s::image(Chip::Io);
    let digest = Digest::of(&image).0;
    let half = |n: usize| digest[n * 16..n * 16 + 16].try_into().unwrap();
    let asks = vec![
        ("hello", Ask::Hello { link: note.link, profile: note.profile }),
        ("status", Ask::Status),
        ("inhibit", Ask::Inhibit(true)),
        ("enter loader", Ask::EnterLoader),
        ("begin", Ask::Begin { size: image.len() as u32 }),
        ("digest, first half", Ask::Digest { half: 0, bytes: half(0) }),
        ("digest, second half", Ask::Digest { half: 1, bytes: half(1) }),
        ("data", Ask::Data { offset: 0, bytes: heapless::Vec::from_slice(&image[..20]).unwrap() }),
        ("finish", Ask::Finish),
        ("start", Ask::Start),
        ("setting", Ask::Setting { key: 1, value: 450 }),
    ];
    let (hello, status) = (s::hello(), s::status());
    let answers = vec![
        ("hello", Answer::Hello(hello)),
        ("status", Answer::Status(status)),
        ("done", Answer::Done { next: 20 }),
        ("no", Answer::No),
    ];
    (asks, answers)
}

fn link() -> Value {
    let (asks, answers) = link_messages();
    let mut frames = Vec::new();
    for (n, (name, ask)) in asks.iter().enumerate() {
        let (kind, payload) = ask.encode();
        frames.push(frame(&format!("question: {name}"), kind, n as u8 + 1, &payload));
    }
    for (n, (name, answer)) in answers.iter().enumerate() {
        let (kind, payload) = answer.encode();
        frames.push(frame(&format!("answer: {name}"), kind, n as u8 + 1, &payload));
    }
    let settings = pintle_protocol::bundle::settings(&s::bundle());
    json!({
        "about": "Frames between the two chips: docs/wire.md section 7. The settings are those of the bundle in envelopes.json.",
        "vectors": frames,
        "transfers": super::transfers::vectors(),
        "crc_check": {"input": hex::encode(b"123456789"), "crc": "29b1",
            "source": "catalogue of parametrised CRC algorithms, CRC-16/IBM-3740"},
        "settings": settings.map(|(_, value)| value),
        "settings_sum": pintle_protocol::bundle::settings_sum(&s::bundle()),
    })
}

fn images() -> Value {
    let row = |chip, name: &str| {
        let bytes = s::image(chip);
        json!({"name": name, "note": hex::encode(s::note(chip).encode()), "note_at": 64,
            "image": hex::encode(&bytes), "size": bytes.len(), "sha256": Digest::of(&bytes).to_string(),
            "version": "1.2.3", "link": [1, 2], "profile": [1, 2]})
    };
    json!({
        "about": "Images with their note: docs/wire.md section 6.2.",
        "vectors": [row(Chip::Net, "net chip"), row(Chip::Io, "io chip")],
    })
}
