//! Everything that reads CBOR, frames, notes and records.

use super::random::Random;
use super::seeds::{self, column, encoded, vectors};
use super::{Target, cbor, must, way};
use crate::samples::status;
use pintle_protocol::board::Flash;
use pintle_protocol::bundle::{Bundle, node_refuses, settings, settings_sum};
use pintle_protocol::card::StarterCard;
use pintle_protocol::cbor::{Limits, check, decode_message, encode_message};
use pintle_protocol::checkin::{CheckIn, Claim, Offer, PROTOCOL, Reply};
use pintle_protocol::cose::{self, SigningKey, encrypt, sign1};
use pintle_protocol::id::{Chip, Digest, Nonce, PublicKey};
use pintle_protocol::image::ImageNote;
use pintle_protocol::link::{Answer, Ask, FRAME_MAX, Hello, Mode, Status, decode_frame, encode_frame};
use pintle_protocol::sim::rig::{NODE, Rig, Yard};
use pintle_protocol::sim::{Door, SimFlash};
use pintle_protocol::slots::{PLACE, RecordStore, SECTOR};
use pintle_protocol::suit::{TrustAnchors, envelope, peek};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use std::fmt::Debug;
use x25519_dalek::StaticSecret;

const RECORD: [u32; 2] = [0, SECTOR];

pub(super) fn targets() -> Vec<Target> {
    let yard = Yard::default();
    let (claim, check_in) = spoken();
    let reply = Reply {
        protocol: PROTOCOL,
        nonce: Nonce([3; 16]),
        node: NODE,
        time: 1_800_000_000,
        next_seconds: 300,
        offer: Some(Offer { envelope: Digest([6; 32]), size: 700 }),
    };
    let network = seeds::bundle().networks[0].clone();
    let published = column(include_str!("../../vectors/cbor_rfc8949.txt"), 1);
    let reports = column(include_str!("../../vectors/suit_reports.txt"), 1);
    let messages = [encoded(&claim), encoded(&check_in), encoded(&reply), seeds::plain_bundle()];
    vec![
        Target::new(
            "cbor",
            12_000,
            published.into_iter().chain(reports).chain(messages).collect(),
            Box::new(plain_cbor),
        ),
        signed_messages(),
        sealed(),
        envelopes(&yard),
        message::<Bundle>("bundle", and(seeds::plain_bundle(), vectors("envelopes", "plaintext")), |b| {
            let _ = (node_refuses(b), settings(b), settings_sum(b));
            Ok(())
        }),
        message::<CheckIn>("check-in", and(encoded(&check_in), vectors("messages", "payload")), |_| Ok(())),
        message::<Claim>("claim", and(encoded(&claim), vectors("messages", "payload")), |c| {
            let _ = pintle_protocol::checkin::claim_is_genuine(&[5; 16], c);
            Ok(())
        }),
        message::<Reply>("reply", and(encoded(&reply), vectors("messages", "payload")), |_| Ok(())),
        message::<StarterCard>("card", and(yard.card(network), vectors("files", "message")), |c| {
            let _ = c.anchors.check();
            Ok(())
        }),
        message::<TrustAnchors>("anchors", and(encoded(&yard.anchors()), vectors("files", "message")), |a| {
            let _ = a.check();
            Ok(())
        }),
        frames(),
        notes(),
        records(),
    ]
}

fn and(first: Vec<u8>, mut more: Vec<Vec<u8>>) -> Vec<Vec<u8>> {
    more.push(first);
    more
}

/// A claim and a check-in as a virtual node makes them.
fn spoken() -> (Claim, CheckIn) {
    let network = seeds::bundle().networks[0].clone();
    let mut rig =
        Rig::new(&seeds::image(Chip::Net, 0), &seeds::image(Chip::Io, 0), Door::at_rest(false), network);
    let done = rig.until(120, |r| r.server.seen.is_some());
    match (done, rig.server.claim, rig.server.seen) {
        (Ok(true), Some(claim), Some(check_in)) => (claim, check_in),
        _ => unreachable!("a new virtual node claims and checks in"),
    }
}

/// The scan takes exactly what a second, plainer reader takes; in any order it takes no less.
fn plain_cbor(bytes: &[u8]) -> Result<u64, String> {
    let got = check(bytes, Limits::default());
    must(got.is_ok() == cbor::strict(bytes, 8), "two readers disagree about strict CBOR")?;
    let loose = check(bytes, Limits::COSE);
    let many = matches!(loose, Err(f) if f.kind == pintle_protocol::cbor::CborKind::TooManyKeys);
    must(got.is_err() || loose.is_ok() || many, "sorted keys pass, any order does not")?;
    if let Err(fault) = &got {
        must(fault.at <= bytes.len(), "a fault lies behind the end")?;
    }
    for depth in [0, 1, 16, 255] {
        let _ = check(bytes, Limits { depth, ..Limits::default() });
    }
    Ok(way(&got.map_err(|f| f.kind)))
}

/// Whatever decodes is one strict item, and comes back the same after encoding.
fn message<T>(name: &'static str, seeds: Vec<Vec<u8>>, more: fn(&T) -> Result<(), String>) -> Target
where
    T: pintle_protocol::cbor::Item + PartialEq + Debug + 'static,
{
    let check = move |bytes: &[u8]| {
        let found: T = match decode_message(bytes) {
            Ok(found) => found,
            Err(fault) => return Ok(way(&fault)),
        };
        must(cbor::strict(bytes, 8), "what is not strict CBOR decodes")?;
        let mut out = vec![0; 16_384];
        let Some(len) = encode_message(&found, &mut out) else {
            return Err("what was decoded does not encode".to_owned());
        };
        let again: T = decode_message(&out[..len]).map_err(|f| format!("does not decode again: {f:?}"))?;
        must(again == found, "decodes to something else the second time")?;
        more(&found)?;
        Ok(1)
    };
    Target::new(name, 2500, seeds, Box::new(check))
}

/// Nothing opens but what was signed.
fn signed_messages() -> Target {
    let key = SigningKey::from_bytes(&[9; 32]);
    let public = PublicKey(key.verifying_key().to_bytes());
    let payload = seeds::plain_bundle();
    let mut own = vec![0; 4096];
    let len = sign1::sign_attached(&key, Some(&[1; 8]), &payload, cose::AAD_CHECK_IN, &mut own).unwrap_or(0);
    own.truncate(len);
    let mut all = column(include_str!("../../vectors/cose_sign1.txt"), 1);
    all.push(own);
    all.extend(vectors("messages", "message"));
    let check = move |bytes: &[u8]| {
        if let Ok(parts) = sign1::layout(bytes) {
            let _ = parts.algorithm();
        }
        let _ = sign1::parse(bytes).map(|m| (m.kid().map(<[u8]>::len), m.unverified_payload().is_some()));
        match sign1::open(bytes, &public, cose::AAD_CHECK_IN) {
            Ok(opened) => {
                must(opened == payload, "another payload verifies")?;
                Ok(1)
            }
            Err(fault) => Ok(way(&std::mem::discriminant(&fault))),
        }
    };
    Target::new("cose-sign1", 3000, all, Box::new(check))
}

/// Nothing is decrypted but what was sealed. The input: length of the info, the info, the sealed text.
fn sealed() -> Target {
    let secret = StaticSecret::from([8; 32]);
    let public = PublicKey(x25519_dalek::PublicKey::from(&secret).to_bytes());
    let text = seeds::plain_bundle();
    let random = encrypt::SealRandom { ephemeral: [5; 32], content_key: [6; 32], nonce: [7; 12] };
    let mut seeds = Vec::new();
    if let Ok((info, cipher)) = encrypt::seal(&public, &random, None, &text) {
        let mut seed = (info.len() as u16).to_le_bytes().to_vec();
        seed.extend(info);
        seed.extend(cipher);
        seeds.push(seed);
    }
    let check = move |bytes: &[u8]| {
        let [a, b, rest @ ..] = bytes else { return Ok(0) };
        let (info, cipher) = rest.split_at(usize::from(u16::from_le_bytes([*a, *b])).min(rest.len()));
        let mut buffer = cipher.to_vec();
        match encrypt::decrypt(info, &mut buffer, &secret) {
            Ok(len) => {
                must(buffer.get(..len) == Some(&text[..]), "another text is decrypted")?;
                Ok(1)
            }
            Err(fault) => {
                must(buffer == cipher, "the buffer changed although nothing was decrypted")?;
                Ok(way(&std::mem::discriminant(&fault)))
            }
        }
    };
    Target::new("cose-encrypt", 2500, seeds, Box::new(check))
}

/// No envelope opens whose manifest was not signed.
fn envelopes(yard: &Yard) -> Target {
    let public = PublicKey(x25519_dalek::PublicKey::from(&StaticSecret::from([8; 32])).to_bytes());
    let own = seeds::envelopes(yard, public, &seeds::bundle());
    let known: Vec<Digest> = own.iter().filter_map(|e| peek(e).ok().map(|p| p.digest)).collect();
    let mut all = own;
    all.extend(column(include_str!("../../vectors/suit_profile.txt"), 1));
    all.extend(column(include_str!("../../vectors/suit_examples.txt"), 1));
    all.extend(vectors("envelopes", "message"));
    all.extend(vectors("refused", "message"));
    let anchors = yard.anchors();
    let check = move |bytes: &[u8]| {
        let _ = peek(bytes);
        match envelope::open(bytes, &anchors) {
            Ok(authentic) => {
                must(known.contains(&authentic.digest()), "an envelope opens that nobody signed")?;
                Ok(1)
            }
            Err(refusal) => Ok(way(&std::mem::discriminant(&refusal))),
        }
    };
    Target::new("envelope", 4000, all, Box::new(check))
}

/// A frame that is taken is the one that was sent, and so is its message.
fn frames() -> Target {
    let asks = [
        Ask::Hello {
            link: LinkRange { oldest: 1, newest: 2 },
            profile: ActuationProfile { id: 1, version: 1 },
        },
        Ask::Status,
        Ask::Inhibit(true),
        Ask::EnterLoader,
        Ask::Begin { size: 4096 },
        Ask::Digest { half: 1, bytes: [3; 16] },
        Ask::Data { offset: 20, bytes: [9; 20].into_iter().collect() },
        Ask::Finish,
        Ask::Start,
        Ask::Setting { key: 25, value: u32::MAX },
    ];
    let answers = [
        Answer::Hello(Hello {
            mode: Mode::Application,
            version: Version::new(1, 2, 3),
            link: LinkRange { oldest: 1, newest: 2 },
            profile: ActuationProfile { id: 1, version: 1 },
            digest: [4; 8],
        }),
        Answer::Status(Status { supply_mv: 5000, relay_pulses: 7, settings: 0x1234, ..status() }),
        Answer::Done { next: 40 },
        Answer::No,
    ];
    let said = asks.iter().map(Ask::encode).chain(answers.iter().map(Answer::encode));
    let seeds: Vec<_> = said
        .filter_map(|(kind, payload)| {
            let mut frame = [0; FRAME_MAX];
            let len = encode_frame(kind, 1, &payload, &mut frame)?;
            Some(frame[..len].to_vec())
        })
        .chain(["frame", "question", "answer"].into_iter().flat_map(|name| vectors("link", name)))
        .chain(vectors("refused", "frame"))
        .collect();
    let check = |bytes: &[u8]| {
        let (kind, sequence, payload) = match decode_frame(bytes) {
            Ok(frame) => frame,
            Err(fault) => return Ok(way(&fault)),
        };
        let mut out = [0; FRAME_MAX];
        let len = encode_frame(kind, sequence, payload, &mut out).ok_or("a frame that cannot be sent")?;
        must(bytes.starts_with(&out[..len]), "a frame comes back as another")?;
        let (ask, answer) = (Ask::decode(kind, payload), Answer::decode(kind, payload));
        must(ask.is_none() || answer.is_none(), "a frame is a question and an answer")?;
        let again = ask.map(|a| a.encode()).or(answer.map(|a| a.encode()));
        if let Some((k, p)) = again {
            must(k == kind && p == payload, "a message comes back as another")?;
        }
        Ok(way(&kind))
    };
    let mut target = Target::new("link-frame", 12_000, seeds, Box::new(check));
    target.longest = 64;
    target.repair = Some(|bytes| {
        const CRC: crc::Crc<u16> = crc::Crc::<u16>::new(&crc::CRC_16_IBM_3740);
        let Some(n) = bytes.get(2).map(|n| usize::from(*n)) else { return };
        bytes.resize((n + 5).max(bytes.len()), 0);
        let sum = CRC.checksum(&bytes[..3 + n]).to_be_bytes();
        bytes[3 + n..5 + n].copy_from_slice(&sum);
    });
    target
}

/// A note that is taken says what its bytes say.
fn notes() -> Target {
    let mut seeds = Chip::ALL.map(|chip| seeds::image(chip, 3)[496..640].to_vec()).to_vec();
    seeds.extend(vectors("images", "image"));
    seeds.extend(vectors("refused", "image"));
    let check = |bytes: &[u8]| match ImageNote::find(bytes) {
        Ok(note) => {
            must(bytes.windows(64).any(|w| w == note.encode()), "a note comes back as another")?;
            Ok(1)
        }
        Err(fault) => Ok(way(&std::mem::discriminant(&fault))),
    };
    let mut target = Target::new("image-note", 8000, seeds, Box::new(check));
    target.repair = Some(|bytes| {
        const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);
        for at in (0..bytes.len()).step_by(16) {
            if let Some(note) = bytes.get_mut(at..at + 64) {
                let sum = CRC.checksum(&note[..60]).to_le_bytes();
                note[60..].copy_from_slice(&sum);
            }
        }
    });
    target
}

/// Whatever lies in the record's two sectors, the store reads it, writes a record and reads that back.
fn records() -> Target {
    let store = RecordStore { sectors: RECORD };
    let mut flash = SimFlash::new(2 * SECTOR as usize);
    let mut record = pintle_protocol::slots::BootRecord::default();
    let mut seeds = Vec::new();
    for _ in 0..3 {
        record.reserve_counters();
        record.on_start();
        if store.save(&mut flash, &mut record).is_ok() {
            seeds.push(flash.peek(0, 2 * SECTOR));
        }
    }
    seeds.extend(vectors("files", "place"));
    let check = move |bytes: &[u8]| {
        let mut flash = SimFlash::new(2 * SECTOR as usize);
        flash.burn(0, &bytes[..bytes.len().min(2 * SECTOR as usize)]);
        let found = store.load(&mut flash).map_err(|f| format!("{f:?}"))?;
        let mut next = found.clone().unwrap_or_default();
        if next.generation > u32::MAX - 2 {
            // Four thousand million writes: no flash lives to see them.
            return Ok(2);
        }
        next.on_start();
        next.reserve_counters();
        match store.save(&mut flash, &mut next) {
            Ok(()) => {
                let back = store.load(&mut flash).map_err(|f| format!("{f:?}"))?;
                must(back.as_ref() == Some(&next), "a saved record does not come back")?;
                // Once more over what is there now, as the next start does.
                flash.erase(RECORD[0]).map_err(|f| format!("{f:?}"))?;
                let back = store.load(&mut flash).map_err(|f| format!("{f:?}"))?;
                must(back == Some(next), "only one sector holds the record")?;
            }
            Err(fault) => return Ok(way(&fault)),
        }
        Ok(way(&found.is_some()))
    };
    let mut target = Target::new("boot-record", 1500, seeds, Box::new(check));
    target.repair = Some(|bytes| {
        const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);
        for at in (0..bytes.len()).step_by(PLACE) {
            let Some(place) = bytes.get_mut(at..at + PLACE) else { continue };
            let mut random = Random::of(place);
            // A length that fits, mostly: or else there is no record at all.
            let len = usize::from(u16::from_le_bytes([place[4], place[5]]));
            let len = if len > PLACE - 12 { random.below(PLACE - 12) } else { len };
            place[4..6].copy_from_slice(&(len as u16).to_le_bytes());
            let mut digest = CRC.digest();
            digest.update(&place[..8]);
            digest.update(&place[12..12 + len]);
            let sum = digest.finalize().to_le_bytes();
            place[8..12].copy_from_slice(&sum);
        }
    });
    target
}
