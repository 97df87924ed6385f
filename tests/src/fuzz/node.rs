//! Signed manifests, whatever they say, offered to a whole node on a virtual board.

use super::seeds::{self, image};
use super::{Target, must, processor, way};
use pintle_protocol::board::Flash;
use pintle_protocol::bundle::Bundle;
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::Outcome;
use pintle_protocol::cose::key::thumbprint;
use pintle_protocol::id::{Chip, Digest, PublicKey, Role};
use pintle_protocol::sim::rig::{Rig, Yard};
use pintle_protocol::sim::{Advert, Door, LAYOUT};
use pintle_protocol::slots::Part;
use pintle_protocol::suit::TrustAnchors;
use std::cell::RefCell;

/// Seconds that a node gets for an offer. Longer than a trial of the seeds' bundle.
const SECONDS: u32 = 200;

pub(super) fn targets() -> Vec<Target> {
    vec![offers(), flash(), found()]
}

/// Where an input of `node-flash` may lie.
const SECTORS: [u32; 8] = [
    LAYOUT.record[0],
    LAYOUT.record[1],
    LAYOUT.secrets,
    LAYOUT.card,
    LAYOUT.conf[0],
    LAYOUT.conf[1],
    LAYOUT.keys[0],
    LAYOUT.keys[1],
];

/// Whatever one sector holds, the node starts or says why not, and never without what it is known by.
/// The input: which sector, then what is in it.
fn flash() -> Target {
    let (mut rig, _) = commissioned();
    rig.power_cycle();
    let seeds = SECTORS.iter().zip(0u8..).map(|(sector, n)| {
        let held = rig.board().flash.peek(*sector, 4096);
        let used = held.iter().rposition(|byte| *byte != 0xff).map_or(0, |last| last + 1);
        [&[n], &held[..used]].concat()
    });
    let seeds = seeds.collect();
    let rig = RefCell::new(rig);
    let check = move |bytes: &[u8]| {
        let Some((n, held)) = bytes.split_first() else { return Ok(0) };
        let n = usize::from(*n) % SECTORS.len();
        let mut rig = rig.borrow_mut().fork();
        let board = rig.board();
        board.flash.erase(SECTORS[n]).map_err(|fault| format!("{fault:?}"))?;
        board.flash.burn(SECTORS[n], &held[..held.len().min(4096)]);
        let started = rig.until(20, |_| false);
        // Keys and card are there once; all else is there twice, or on the card.
        let alone = [LAYOUT.secrets, LAYOUT.card].contains(&SECTORS[n]);
        match started {
            Err(fault) => {
                must(alone, "it does not start")?;
                Ok(way(&(n, fault)))
            }
            Ok(_) => {
                must(rig.board().io.relay_pulses() == 0, "the relay was pulsed")?;
                let record = rig.record().map(|r| (r.trial.is_some(), r.staged.is_some()));
                Ok(way(&(n, record, rig.node.as_ref().map(|node| node.agent().bundle().is_some()))))
            }
        }
    };
    let mut target = Target::new("node-flash", 4000, seeds, Box::new(check));
    target.longest = 4097;
    target
}

/// Whoever is heard on the local link, the node still comes back to its server. The input: whether the
/// server's own key is named, then the address.
fn found() -> Target {
    let (rig, _) = commissioned();
    let key = thumbprint(&rig.yard.anchors().server);
    let seeds = ["https://pintle-0102.local:8443", "http://192.0.2.9:80", "https://", ""]
        .iter()
        .flat_map(|base| [0, 1].map(|own| [&[own], base.as_bytes()].concat()))
        .collect();
    let rig = RefCell::new(rig);
    let check = move |bytes: &[u8]| {
        let Some((own, base)) = bytes.split_first() else { return Ok(0) };
        let mut rig = rig.borrow_mut().fork();
        rig.server.next_seconds = 20;
        let base = String::from_utf8_lossy(base);
        let key = if own % 2 == 1 { key } else { [*own; 32] };
        // Nobody answers, so that what was heard is asked; then everybody does.
        for second in 0..90 {
            rig.server.down = second < 60;
            rig.board().adverts = vec![Advert { base: base.to_string(), key }];
            rig.second().map_err(|fault| format!("the node does not start: {fault:?}"))?;
        }
        let last = rig.server.seen.as_ref().map_or(0, |s| s.counter);
        let alive = rig.until(240, |r| r.server.seen.as_ref().is_some_and(|s| s.counter > last));
        must(matches!(alive, Ok(true)), "the node no longer checks in")?;
        Ok(way(&(own % 2, base.len().min(70), base.starts_with("http"))))
    };
    let mut target = Target::new("node-found", 1000, seeds, Box::new(check));
    target.longest = 100;
    target
}

fn offers() -> Target {
    let (rig, public) = commissioned();
    let seeds = processor::manifests(&Yard::default(), public);
    let rig = RefCell::new(rig);
    let check = move |bytes: &[u8]| {
        let mut rig = rig.borrow_mut().fork();
        offered(&mut rig, bytes)
    };
    Target::new("node", 4000, seeds, Box::new(check))
}

/// A node with a bundle in force, and its key for bundles.
fn commissioned() -> (Rig, PublicKey) {
    let bundle = seeds::bundle();
    let network = bundle.networks[0].clone();
    let mut rig = Rig::new(&image(Chip::Net, 0), &image(Chip::Io, 0), Door::at_rest(false), network);
    rig.server.heard = crate::held::heard;
    let claimed = rig.until(120, |r| r.server.claim.is_some() && r.server.seen.is_some());
    let Some(public) = rig.server.claim.as_ref().map(|c| c.sealing_key) else {
        unreachable!("a new virtual node claims: {claimed:?}")
    };
    let first = seeds::envelopes(&rig.yard, public, &bundle).swap_remove(2);
    // A sequence number of its own is not needed: what is offered later is changed, or has run.
    rig.offer(first, None);
    let kept = rig.until(900, |r| r.server.seen.as_ref().is_some_and(|s| s.sequences[2] > 0));
    assert!(matches!(kept, Ok(true)), "the first bundle is not kept: {kept:?}");
    for chip in Chip::ALL {
        let payload = image(chip, 1);
        rig.server.payloads.insert(Digest::of(&payload), payload);
    }
    rig.server.offer = None;
    (rig, public)
}

fn outcome(rig: &Rig) -> Option<Outcome> {
    rig.server.seen.as_ref().and_then(|s| s.outcome)
}

/// Offers it. What is in force stays whole, the relay stays quiet, and the node goes on checking in.
fn offered(rig: &mut Rig, manifest: &[u8]) -> Result<u64, String> {
    let role = Role::ALL[manifest.len() % 3];
    let envelope = seeds::signed(manifest, seeds::signer(&rig.yard, role));
    let before = outcome(rig);
    let digest = rig.offer(envelope, None);
    let mut generation = 0;
    for _ in 0..SECONDS {
        rig.second().map_err(|fault| format!("the node does not start: {fault:?}"))?;
        must(rig.board().io.relay_pulses() == 0, "the relay was pulsed")?;
        if rig.record().is_some_and(|r| r.generation != generation) {
            generation = rig.record().map_or(0, |r| r.generation);
            in_force(rig)?;
        }
        let now = outcome(rig);
        if now != before && now.is_some_and(|o| o.envelope == digest) {
            break;
        }
    }
    in_force(rig)?;
    let end = outcome(rig).filter(|o| o.envelope == digest);
    let last = rig.server.seen.as_ref().map_or(0, |s| s.counter);
    let alive = rig.until(240, |r| r.server.seen.as_ref().is_some_and(|s| s.counter > last));
    must(matches!(alive, Ok(true)), "the node no longer checks in")?;
    Ok(way(&end.map(|o| (o.ending, o.reason))))
}

/// What the record says is in force lies in flash, byte for byte.
fn in_force(rig: &mut Rig) -> Result<(), String> {
    let Some(record) = rig.record().cloned() else { return Ok(()) };
    let said = [
        (Part::Net, record.net.current().map(|i| (i.digest, i.size))),
        (Part::Io, record.io.current().map(|i| (i.digest, i.size))),
        (Part::Conf, record.conf.current().map(|t| (t.digest, t.size))),
        (Part::Keys, record.keys.current().map(|t| (t.digest, t.size))),
    ];
    for (part, text) in said {
        let Some((digest, size)) = text else { return Err(format!("nothing of {part:?} is in force")) };
        let address = LAYOUT.slot(part, record.active(part));
        let held = rig.board().flash.peek(address, size);
        must(Digest::of(&held) == digest, "what is in force was written over")?;
        let read = match part {
            Part::Conf => decode_message::<Bundle>(&held).is_ok(),
            Part::Keys => decode_message::<TrustAnchors>(&held).is_ok_and(|keys| keys.check().is_ok()),
            Part::Net | Part::Io => true,
        };
        must(read, "what is in force cannot be read")?;
    }
    Ok(())
}
