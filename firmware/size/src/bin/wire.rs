//! The parts of the node core that touch the wire, without the node's own decisions around them: opens an
//! envelope, runs its manifest, decrypts a bundle, signs a check-in and opens the reply.
//!
//! For firmware that has its own update loop. See `lib.rs` for what it is for.
#![no_std]
#![no_main]

use pintle_protocol::bundle::Bundle;
use pintle_protocol::cbor::{decode_message, encode_message};
use pintle_protocol::checkin::{CheckIn, Ending, Outcome, PROTOCOL, Phase, Position, Reply, Running, Wifi};
use pintle_protocol::cose::{self, NodeKey, StaticSecret, encrypt, sign1};
use pintle_protocol::id::{Digest, NodeId, Nonce, PublicKey, Uuid16};
use pintle_protocol::suit::{Answer, Ask, Device, Run, TrustAnchors, envelope, node_components};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use size_probe::{get, get_all, set, set_all};

fn array<const N: usize>() -> [u8; N] {
    let mut bytes = [0; N];
    get_all(&mut bytes);
    bytes
}

/// Takes an envelope as far as it goes. `None` for whatever is wrong with it.
fn take(anchors: &TrustAnchors, sealing: &StaticSecret) -> Option<()> {
    let bytes = array::<4096>();
    let authentic = envelope::open(&bytes, anchors).ok()?;
    let components = node_components(Uuid16(array()), Uuid16(array()));
    let device = Device { vendor: Uuid16(array()), device: NodeId(array()), components: &components };
    let manifest = authentic.manifest(&device).ok()?;
    let mut run = Run::update(&manifest);
    let mut answer = Answer::Start;
    loop {
        answer = match run.next(&manifest, answer).ok()? {
            Ask::Slot { component } => Answer::Slot(u64::from(component)),
            Ask::Fetch { uri, .. } => {
                set_all(uri.as_bytes());
                Answer::Done
            }
            Ask::Write { content, encryption, .. } => {
                let mut plain = array::<2048>();
                let buffer = plain.get_mut(..content.len())?;
                // A panic that the compiler keeps: a search for panics that does not find this one is broken.
                buffer.copy_from_slice(content);
                let len = encrypt::decrypt(encryption?, buffer, sealing).ok()?;
                let bundle: Bundle = decode_message(buffer.get(..len)?).ok()?;
                set_all(bundle.name.as_bytes());
                Answer::Done
            }
            Ask::Measure { .. } => Answer::Measured { digest: Digest(array()), size: u64::from(get()) },
            Ask::Version { .. } => Answer::Version([1, 0, 0]),
            Ask::Authorized { .. } => Answer::Yes,
            Ask::Copy { .. } | Ask::Content { .. } | Ask::Invoke { .. } => Answer::Failed,
            Ask::Done => return Some(()),
        };
    }
}

fn running() -> Running {
    Running {
        version: Version::new(get() as u16, get() as u16, get() as u16),
        digest: Digest(array()),
        link: LinkRange { oldest: get() as u8, newest: get() as u8 },
        profile: ActuationProfile { id: get() as u16, version: get() as u8 },
        slot: get() as u8,
    }
}

/// Signs a check-in and opens its reply.
fn check_in(signing: &NodeKey, server: &PublicKey) -> Option<()> {
    let check_in = CheckIn {
        protocol: PROTOCOL,
        node: NodeId(array()),
        counter: u64::from(get()),
        nonce: Nonce(array()),
        uptime_seconds: get(),
        starts: get(),
        net: running(),
        io: (get() == 0).then(running),
        sequences: [u64::from(get()); 3],
        bundle: (get() == 0).then(|| Digest(array())),
        position: if get() == 0 { Position::Open } else { Position::Closed },
        phase: if get() == 0 { Phase::Idle } else { Phase::Waiting },
        subject: (get() == 0).then(|| Digest(array())),
        holds: get(),
        outcome: (get() == 0).then(|| Outcome {
            envelope: Digest(array()),
            ending: if get() == 0 { Ending::Kept } else { Ending::WentBack },
            reason: get() as u16,
            detail: get(),
        }),
        wifi: Wifi { index: get() as u8, rssi_dbm: get() as i8, candidate: None },
        report: array::<64>().into_iter().collect(),
        supply_mv: get() as u16,
        relay_pulses: get(),
    };
    let mut plain = [0; 1024];
    let len = encode_message(&check_in, &mut plain)?;
    let mut signed = [0; 1280];
    let len = sign1::sign_attached(signing, None, plain.get(..len)?, cose::AAD_CHECK_IN, &mut signed).ok()?;
    set_all(signed.get(..len)?);
    let answer = array::<512>();
    let reply: Reply = decode_message(sign1::open(&answer, server, cose::AAD_REPLY).ok()?).ok()?;
    set(reply.next_seconds);
    Some(())
}

#[unsafe(no_mangle)]
#[unsafe(link_section = ".start")]
extern "C" fn start() -> ! {
    loop {
        let kept = array::<1024>();
        let Ok(anchors) = decode_message::<TrustAnchors>(&kept) else { continue };
        let signing = NodeKey::new(&array());
        let sealing = StaticSecret::from(array());
        set(u32::from(take(&anchors, &sealing).is_some()));
        set(u32::from(check_in(&signing, &anchors.server).is_some()));
    }
}
