//! The pieces that are used alone: interlock, frames, loader, envelopes, notes, texts.

#![allow(
    clippy::multiple_unsafe_ops_per_block,
    reason = "callbacks that hand on what they were given; refusals of several calls in a row"
)]

use pintle_c::*;
use pintle_protocol::cbor::encode_message;
use pintle_protocol::cose::SigningKey;
use pintle_protocol::id::{Chip, Digest, Uuid16};
use pintle_protocol::image::ImageNote;
use pintle_protocol::interlock::Hold;
use pintle_protocol::link::{Answer, Ask, Transfer, TransferEnd, decode_frame, encode_frame};
use pintle_protocol::reason::Reason;
use pintle_protocol::sim::rig::{self, IO, NET, NODE, VENDOR};
use pintle_protocol::sim::sample;
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use proptest::prelude::*;
use std::ffi::{CStr, c_char, c_void};
use std::ptr::{null, null_mut};

const GOOD: PintleDoorFacts = PintleDoorFacts {
    io_answers: 2,
    position: 3,
    moving: 1,
    relay_pulse: 1,
    close_pending: 1,
    warning: 1,
    button: 1,
    gas_alarm: 1,
    consent: 2,
    rest_seconds: 60,
    supply_mv: 5000,
};
const AGREE: PintlePairFacts =
    PintlePairFacts { link_now: 2, profile_now: 2, link_after: 2, profile_after: 2 };
const POLICY: PintlePolicy =
    PintlePolicy { rest_seconds: 30, supply_min_mv: 4750, supply_max_mv: 5250, consent: 2 };

fn decide(
    touches: u8,
    door: &PintleDoorFacts,
    policy: &PintlePolicy,
    pair: &PintlePairFacts,
) -> (PintleCode, u32) {
    let mut holds = 7;
    // SAFETY: all are good.
    let code = unsafe { pintle_interlock_decide(touches, door, policy, pair, &raw mut holds) };
    (code, holds)
}

#[test]
fn zeros_are_a_hold_and_only_a_clear_yes_is_clearance() {
    let zeros = (PintleDoorFacts::default(), PintlePairFacts::default());
    let (code, holds) = decide(0, &zeros.0, &POLICY, &zeros.1);
    assert_eq!(code, PintleCode::Hold);
    assert_eq!(holds, Hold::ALL.iter().fold(0, |all, h| all | *h as u32), "every reason to wait");
    assert_eq!(decide(2, &GOOD, &POLICY, &AGREE), (PintleCode::Ok, 0));
    assert_eq!(decide(1, &zeros.0, &POLICY, &zeros.1), (PintleCode::Ok, 0), "touches no actuation");
    assert_eq!(decide(2, &GOOD, &PintlePolicy::default(), &AGREE), (PintleCode::Range, u32::MAX));
    // SAFETY: null is what is tried.
    let code = unsafe { pintle_interlock_decide(1, null(), &POLICY, &AGREE, null_mut()) };
    assert_eq!(code, PintleCode::Null);
}

type Change = fn(&mut PintleDoorFacts);

#[test]
fn each_fact_holds_for_its_own_reason() {
    let door = |change: Change| {
        let mut facts = GOOD;
        change(&mut facts);
        decide(2, &facts, &POLICY, &AGREE)
    };
    let cases: [(Change, Hold); 10] = [
        (|f| f.position = 0, Hold::PositionUnknown),
        (|f| f.position = 9, Hold::PositionUnknown),
        (|f| f.moving = 2, Hold::DoorMoving),
        (|f| f.relay_pulse = 0, Hold::RelayPulse),
        (|f| f.close_pending = 3, Hold::ClosePending),
        (|f| f.warning = 2, Hold::Warning),
        (|f| f.button = 2, Hold::ButtonInUse),
        (|f| f.gas_alarm = 2, Hold::GasAlarm),
        (|f| f.rest_seconds = 29, Hold::NotYetAtRest),
        (|f| f.consent = 1, Hold::ConsentMissing),
    ];
    for (change, hold) in cases {
        assert_eq!(door(change), (PintleCode::Hold, hold as u32), "{hold:?}");
    }
    assert_eq!(door(|f| f.supply_mv = 4749), (PintleCode::Hold, Hold::Supply as u32));
    let pair = PintlePairFacts { profile_after: 1, ..AGREE };
    assert_eq!(decide(2, &GOOD, &POLICY, &pair), (PintleCode::Hold, Hold::PairAfter as u32));
}

#[test]
fn the_first_bundle_needs_an_io_chip_without_an_alarm() {
    let first = |facts: &PintleDoorFacts| {
        let mut holds = 0;
        // SAFETY: both are good.
        (unsafe { pintle_interlock_decide_first(facts, &raw mut holds) }, holds)
    };
    let unknown = PintleDoorFacts { position: 0, rest_seconds: 0, ..GOOD };
    assert_eq!(first(&unknown), (PintleCode::Ok, 0));
    let alarm = PintleDoorFacts { gas_alarm: 2, ..unknown };
    assert_eq!(first(&alarm), (PintleCode::Hold, Hold::GasAlarm as u32));
    assert_eq!(first(&PintleDoorFacts::default()).0, PintleCode::Hold);
}

proptest! {
    /// Whatever C hands over: clearance only if every single fact says so.
    #[test]
    fn nothing_but_the_whole_truth_clears(
        f in any::<[u8; 9]>(), p in any::<[u8; 4]>(), touches in any::<u8>(),
        rest in any::<u32>(), supply in any::<u16>(), consent in any::<u8>(),
    ) {
        // Small numbers, so that good ones come up.
        let f = f.map(|n| n % 4);
        let p = p.map(|n| n % 4);
        let door = PintleDoorFacts {
            io_answers: f[0], position: f[1], moving: f[2], relay_pulse: f[3], close_pending: f[4],
            warning: f[5], button: f[6], gas_alarm: f[7], consent: f[8], rest_seconds: rest,
            supply_mv: supply,
        };
        let pair = PintlePairFacts {
            link_now: p[0], profile_now: p[1], link_after: p[2], profile_after: p[3],
        };
        let policy = PintlePolicy { consent, ..POLICY };
        let (code, holds) = decide(touches, &door, &policy, &pair);
        let good = touches == 1 || (f[0] == 2 && f[1] != 0 && f[2..8] == [1; 6]
            && (f[8] == 2 || consent == 1) && p == [2; 4] && rest >= 30
            && (4750..=5250).contains(&supply));
        prop_assert_eq!(code == PintleCode::Ok, good);
        prop_assert_eq!(holds == 0, good);
    }

    /// Any bytes as a frame: the same as the core says, and never anything else.
    #[test]
    fn frames_are_read_as_the_core_reads_them(
        mut bytes in proptest::collection::vec(any::<u8>(), 0..40), fix in any::<bool>(),
    ) {
        if fix && bytes.len() >= 3 {
            let n = bytes.len().min(30);
            let mut whole = [0; 32];
            let len = encode_frame(bytes[0], bytes[1], &bytes[3..n], &mut whole).unwrap();
            bytes = whole[..len].to_vec();
        }
        let mut frame = PintleFrame::default();
        // SAFETY: both are good.
        let code = unsafe { pintle_frame_decode(bytes.as_ptr(), bytes.len(), &raw mut frame) };
        match decode_frame(&bytes) {
            Ok((kind, sequence, payload)) => {
                prop_assert_eq!(code, PintleCode::Ok);
                prop_assert_eq!((frame.kind, frame.sequence), (kind, sequence));
                prop_assert_eq!(&frame.payload[..usize::from(frame.len)], payload);
            }
            Err(_) => prop_assert_eq!(code, PintleCode::Frame),
        }
        let mut ask = PintleAsk::default();
        // SAFETY: both are good.
        let code = unsafe { pintle_ask_decode(bytes.as_ptr(), bytes.len(), &raw mut ask) };
        let known = decode_frame(&bytes).ok().and_then(|(kind, _, payload)| Ask::decode(kind, payload));
        let takes = matches!(known, Some(ref ask) if !matches!(ask, Ask::Setting { key: 26.., .. }));
        prop_assert_eq!(code == PintleCode::Ok, takes);
    }
}

proptest! {
    /// Any bytes of any length as an envelope, as trust anchors, or both: refused, and nothing given out.
    #[test]
    fn no_bytes_pass_for_an_envelope_or_for_anchors(
        noise in proptest::collection::vec(any::<u8>(), 0..600), at in any::<proptest::sample::Index>(),
        bit in 0..8u8, cut in any::<proptest::sample::Index>(), which in 0..6u8, kept in 0..9u64,
    ) {
        let image = image(Chip::Net);
        let good = envelope(&image, NET, &rig::Yard::default().image);
        let anchors = anchors();
        prop_assert_eq!(verify(&good, &anchors, 0).0, PintleCode::Ok);
        let flipped = |bytes: &[u8]| {
            let mut bytes = bytes.to_vec();
            let at = at.index(bytes.len());
            bytes[at] ^= 1 << bit;
            bytes
        };
        let (bytes, keys) = match which {
            0 => (noise, anchors),
            1 => (good, noise),
            2 => (flipped(&good), anchors),
            3 => (good, flipped(&anchors)),
            4 => (good[..cut.index(good.len())].to_vec(), anchors),
            _ => (good, anchors[..cut.index(anchors.len())].to_vec()),
        };
        let (code, brings, reason) = verify(&bytes, &keys, kept);
        // A flipped bit in a key that signed nothing here is another set that verifies it all the same.
        if code == PintleCode::Ok {
            prop_assert!(which == 3 && kept < brings.sequence, "{}", which);
        } else {
            prop_assert!(matches!(code, PintleCode::Refused | PintleCode::Anchors), "{:?}", code);
            prop_assert_eq!(code == PintleCode::Refused, reason != 0);
            prop_assert_eq!((brings.sequence, brings.payload), (0, [0; 32]));
        }
    }

    /// Any questions in any order, whole frames and broken ones: flash is never written outside the image
    /// begun, and nothing is marked whole that does not measure so.
    #[test]
    fn a_loader_takes_any_frames(
        asked in proptest::collection::vec((0..12u8, any::<[u8; 4]>(), 0..30usize, any::<bool>()), 1..60),
    ) {
        let mut chip = Chip2::default();
        let store = store(&mut chip);
        let mut loader = loader();
        for (kind, number, len, whole) in asked {
            // Small numbers, so that offsets and sizes fit now and then.
            let number = u32::from_le_bytes(number) % if kind % 2 == 0 { 64 } else { 5000 };
            let payload = [&number.to_le_bytes()[..], &[7; 23]].concat();
            let mut frame = [0; 32];
            let encoded = encode_frame(kind, 5, &payload[..len.min(27)], &mut frame).unwrap();
            let len = if whole { encoded } else { len };
            let (mut out, mut out_len) = ([0u8; 32], 77);
            // SAFETY: all are good.
            let code = unsafe {
                pintle_loader_frame(&raw mut loader, &raw const store, frame.as_ptr(), len, out.as_mut_ptr(), &raw mut out_len)
            };
            match code {
                PintleCode::Ok | PintleCode::Start => {
                    let answered = decode_frame(&out[..out_len]).map(|(_, sequence, _)| sequence);
                    prop_assert_eq!(answered, Ok(5));
                }
                PintleCode::Frame | PintleCode::Message | PintleCode::NotForLoader => {
                    prop_assert_eq!(out_len, 77, "{:?}", code);
                }
                other => prop_assert!(false, "{:?}", other),
            }
            if let Some((size, digest)) = chip.marked {
                prop_assert_eq!(Digest::of(&chip.bytes[..size as usize]), Digest(digest));
            }
        }
    }

    /// Any bytes as an image, any room for a text, any number of settings.
    #[test]
    fn notes_texts_and_settings_take_any_length(
        bytes in proptest::collection::vec(any::<u8>(), 0..300), number in any::<u16>(), room in 0..80usize,
    ) {
        let mut note = PintleNote::default();
        // SAFETY: both are good.
        let code = unsafe { pintle_note_find(bytes.as_ptr(), bytes.len(), &raw mut note) };
        prop_assert_eq!(code == PintleCode::Ok, ImageNote::find(&bytes).is_ok());
        let mut text = [0x55 as c_char; 80];
        // SAFETY: there is room.
        let code = unsafe { pintle_reason_text(number % 600, text.as_mut_ptr(), room) };
        prop_assert!(text[room..].iter().all(|c| *c == 0x55), "written behind the room");
        if code == PintleCode::Ok {
            // SAFETY: it is ended by a zero, as the code says.
            let said = unsafe { CStr::from_ptr(text.as_ptr()) }.to_str().unwrap();
            prop_assert_eq!(Some(said), Reason::from_code(number % 600).map(Reason::sentence));
        }
        let values = vec![u32::from(number); 2 * PINTLE_SETTINGS];
        let (count, mut sum) = (room, 0);
        let count = count.min(values.len());
        // SAFETY: both are good.
        let code = unsafe { pintle_settings_sum(values.as_ptr(), count, &raw mut sum) };
        prop_assert_eq!(code == PintleCode::Ok, count == PINTLE_SETTINGS);
    }
}

#[test]
fn a_frame_of_c_is_the_frame_of_the_core() {
    let (mut out, mut len) = ([1u8; PINTLE_FRAME_MAX], 0);
    // SAFETY: all are good.
    let code = unsafe { pintle_frame_encode(2, 9, null(), 0, out.as_mut_ptr(), &raw mut len) };
    let mut own = [0; PINTLE_FRAME_MAX];
    let own_len = encode_frame(2, 9, &[], &mut own);
    assert_eq!((code, Some(len), out), (PintleCode::Ok, own_len, own));
    let long = [0u8; PINTLE_PAYLOAD_MAX + 1];
    // SAFETY: all are good.
    let code =
        unsafe { pintle_frame_encode(2, 9, long.as_ptr(), long.len(), out.as_mut_ptr(), &raw mut len) };
    assert_eq!((code, out), (PintleCode::Length, own));
}

/// An io chip's flash whose callbacks can fail.
#[derive(Default)]
struct Chip2 {
    bytes: Vec<u8>,
    marked: Option<(u32, [u8; 32])>,
    fails: bool,
}

unsafe fn chip<'a>(context: *mut c_void) -> &'a mut Chip2 {
    // SAFETY: the tests hand over nothing else.
    unsafe { &mut *context.cast::<Chip2>() }
}

unsafe extern "C" fn erase(c: *mut c_void, size: u32) -> i32 {
    // SAFETY: as above.
    unsafe { chip(c) }.bytes = vec![0xff; size as usize];
    0
}

unsafe extern "C" fn program(c: *mut c_void, offset: u32, bytes: *const u8, len: usize) -> i32 {
    // SAFETY: as above.
    let chip = unsafe { chip(c) };
    // SAFETY: the loader promises len bytes.
    let bytes = unsafe { std::slice::from_raw_parts(bytes, len) };
    chip.bytes[offset as usize..][..len].copy_from_slice(bytes);
    i32::from(chip.fails)
}

unsafe extern "C" fn read(c: *mut c_void, offset: u32, into: *mut u8, len: usize) -> i32 {
    // SAFETY: as above.
    let from = &unsafe { chip(c) }.bytes[offset as usize..][..len];
    // SAFETY: the loader promises room for len bytes.
    unsafe { into.copy_from_nonoverlapping(from.as_ptr(), len) };
    0
}

unsafe extern "C" fn mark(c: *mut c_void, size: u32, digest: *const u8) -> i32 {
    // SAFETY: null, or 32 bytes.
    let digest = unsafe { digest.cast::<[u8; 32]>().as_ref() };
    // SAFETY: as above.
    unsafe { chip(c) }.marked = digest.map(|d| (size, *d));
    0
}

fn store(chip: &mut Chip2) -> PintleLoaderStore {
    PintleLoaderStore {
        size: size_of::<PintleLoaderStore>() as u32,
        room: 4096,
        context: (&raw mut *chip).cast(),
        erase: Some(erase),
        program: Some(program),
        read: Some(read),
        mark: Some(mark),
    }
}

fn loader() -> PintleLoader {
    let mut loader = PintleLoader { state: [0; 8] };
    // SAFETY: it can be written.
    assert_eq!(unsafe { pintle_loader_init(&raw mut loader) }, PintleCode::Ok);
    loader
}

fn ask_loader(
    loader: &mut PintleLoader,
    store: &PintleLoaderStore,
    ask: &Ask,
) -> (PintleCode, Option<Answer>) {
    let (kind, payload) = ask.encode();
    let mut frame = [0; 32];
    let len = encode_frame(kind, 5, &payload, &mut frame).unwrap();
    let (mut out, mut out_len) = ([0u8; 32], 0);
    // SAFETY: all are good.
    let code = unsafe {
        pintle_loader_frame(loader, store, frame.as_ptr(), len, out.as_mut_ptr(), &raw mut out_len)
    };
    let answer = (out_len > 0).then(|| {
        let (kind, sequence, payload) = decode_frame(&out[..out_len]).unwrap();
        assert_eq!(sequence, 5);
        Answer::decode(kind, payload).unwrap()
    });
    (code, answer)
}

#[test]
fn an_image_travels_through_the_loader_and_a_damaged_one_is_not_whole() {
    let image: Vec<u8> = (0..1001u32).map(|n| (n * 7 % 253) as u8).collect();
    for spoil in [false, true] {
        let mut chip = Chip2::default();
        let store = store(&mut chip);
        let mut loader = loader();
        let mut transfer = Transfer::new(image.len() as u32, Digest::of(&image));
        let (mut last, mut codes) = (None, Vec::new());
        loop {
            let piece = transfer.wants().map(|(at, len)| image[at as usize..][..len].to_vec());
            let Some(ask) = transfer.ask(&piece.unwrap_or_default()) else { break };
            if spoil && ask == Ask::Finish {
                chip.bytes[500] ^= 1;
            }
            let (code, answer) = ask_loader(&mut loader, &store, &ask);
            codes.push(code);
            if let Some(answer) = answer {
                transfer.answered(&answer);
            }
            last = transfer.ended();
            if last.is_some() {
                break;
            }
        }
        if spoil {
            assert_eq!(last, Some(TransferEnd::WrongDigest));
            assert_eq!(chip.marked, None);
            assert!(!codes.contains(&PintleCode::Start));
        } else {
            assert_eq!(last, Some(TransferEnd::Taken));
            assert_eq!(chip.marked, Some((1001, Digest::of(&image).0)));
            assert_eq!(codes.last(), Some(&PintleCode::Start));
            let mut digest = [0; 32];
            // SAFETY: all are good.
            let code = unsafe { pintle_loader_measure(&raw const store, 1001, digest.as_mut_ptr()) };
            assert_eq!((code, digest), (PintleCode::Ok, Digest::of(&image).0));
        }
    }
}

#[test]
fn the_loader_says_what_is_not_its_own_and_says_no_when_flash_fails() {
    let mut chip = Chip2::default();
    let mut table = store(&mut chip);
    let mut it = loader();
    assert_eq!(ask_loader(&mut it, &table, &Ask::Status), (PintleCode::NotForLoader, None));
    assert_eq!(ask_loader(&mut it, &table, &Ask::Begin { size: 5000 }), (PintleCode::Ok, Some(Answer::No)));
    assert_eq!(ask_loader(&mut it, &table, &Ask::Start), (PintleCode::Ok, Some(Answer::No)));
    ask_loader(&mut it, &table, &Ask::Begin { size: 4 });
    for half in [0, 1] {
        ask_loader(&mut it, &table, &Ask::Digest { half, bytes: [0; 16] });
    }
    chip.fails = true;
    let data = Ask::Data { offset: 0, bytes: [1, 2, 3, 4].into_iter().collect() };
    assert_eq!(ask_loader(&mut it, &table, &data), (PintleCode::Flash, Some(Answer::No)));
    // It does not go on as if nothing had been.
    chip.fails = false;
    assert_eq!(ask_loader(&mut it, &table, &data), (PintleCode::Ok, Some(Answer::No)));
    table.mark = None;
    assert_eq!(ask_loader(&mut it, &table, &data), (PintleCode::Callback, None));
    table.size = 0;
    assert_eq!(ask_loader(&mut it, &table, &data), (PintleCode::Version, None));
    let mut never = PintleLoader { state: [0; 8] };
    assert_eq!(ask_loader(&mut never, &store(&mut chip), &data), (PintleCode::Ended, None));
}

fn image(chip: Chip) -> Vec<u8> {
    let note = sample::note(chip, 2, LinkRange { oldest: 1, newest: 2 });
    let profile = ActuationProfile { id: 1, version: 4 };
    sample::image(&ImageNote { version: Version::new(1, 2, 3), profile, ..note }, 628)
}

fn envelope(image: &[u8], class: Uuid16, key: &SigningKey) -> Vec<u8> {
    let note = ImageNote { class, ..ImageNote::find(image).unwrap() };
    sample::image_envelope(image, &note, 7, key).unwrap()
}

fn anchors() -> Vec<u8> {
    let mut anchors = vec![0; 1024];
    let len = encode_message(&rig::Yard::default().anchors(), &mut anchors).unwrap();
    anchors.truncate(len);
    anchors
}

fn verify(bytes: &[u8], anchors: &[u8], kept: u64) -> (PintleCode, PintleEnvelope, u16) {
    let device = PintleDevice { vendor: VENDOR.0, node: NODE.0, net_class: NET.0, io_class: IO.0 };
    let (mut out, mut refusal) = (PintleEnvelope::default(), PintleRefusal::default());
    // SAFETY: all are good.
    let code = unsafe {
        pintle_envelope_verify(
            bytes.as_ptr(),
            bytes.len(),
            anchors.as_ptr(),
            anchors.len(),
            &raw const device,
            kept,
            &raw mut out,
            &raw mut refusal,
        )
    };
    (code, out, refusal.reason)
}

#[test]
fn the_capability_report_is_the_cores() {
    let (mut out, mut len) = ([7; PINTLE_CAPABILITIES_MAX], 0);
    // SAFETY: both are good.
    let code = unsafe { pintle_capability_report(out.as_mut_ptr(), &raw mut len) };
    assert_eq!(code, PintleCode::Ok);
    let mut wanted = [0; PINTLE_CAPABILITIES_MAX];
    let wanted_len = pintle_protocol::agent::CAPABILITIES.write(&mut wanted).unwrap();
    assert_eq!((len, out), (wanted_len, wanted));
    // SAFETY: null is allowed, and refused.
    let code = unsafe { pintle_capability_report(null_mut(), &raw mut len) };
    assert_eq!(code, PintleCode::Null);
}

#[test]
fn an_envelope_is_verified_and_says_what_it_brings() {
    let yard = rig::Yard::default();
    let anchors = anchors();
    let image = image(Chip::Io);
    let good = envelope(&image, IO, &yard.image);
    let (code, brings, reason) = verify(&good, &anchors, 6);
    assert_eq!((code, reason), (PintleCode::Ok, 0));
    assert_eq!((brings.component, brings.fetched, brings.sequence), (1, 1, 7));
    assert_eq!((brings.payload, brings.payload_size), (Digest::of(&image).0, image.len() as u32));
    assert_eq!((brings.version, brings.link), ([1, 2, 3], [1, 2]));
    assert_eq!((brings.profile_id, brings.profile_version), (1, 4));

    let refused = |bytes: &[u8], kept| {
        let (code, brings, reason) = verify(bytes, &anchors, kept);
        assert_eq!((code, brings.payload, brings.sequence), (PintleCode::Refused, [0; 32], 0));
        Reason::from_code(reason).unwrap()
    };
    assert_eq!(refused(&good, 7), Reason::SequenceOld);
    assert_eq!(refused(&envelope(&image, NET, &yard.image), 6), Reason::ClassOther);
    assert_eq!(refused(&envelope(&image, IO, &yard.bundle), 6), Reason::RoleWrong);
    assert_eq!(refused(&envelope(&image, IO, &SigningKey::from_bytes(&[99; 32])), 6), Reason::SignatureWrong);
    assert_eq!(refused(&[], 6), Reason::EnvelopeBroken);
    // One flipped bit anywhere.
    for at in 0..good.len() {
        let mut bad = good.clone();
        bad[at] ^= 1;
        refused(&bad, 6);
    }
    assert_eq!(verify(&good, &anchors[1..], 6).0, PintleCode::Anchors);
    assert_eq!(verify(&good, &[], 6).0, PintleCode::Anchors);
}

#[test]
fn notes_read_back_and_impossible_ones_are_refused() {
    let note = PintleNote {
        chip: 2,
        link_oldest: 1,
        link_newest: 3,
        profile_version: 4,
        profile_id: 5,
        version: [6, 7, 8],
        class_id: [9; 16],
    };
    let encode = |note: &PintleNote| {
        let mut bytes = [0; PINTLE_NOTE_LEN];
        // SAFETY: both are good.
        (unsafe { pintle_note_encode(note, bytes.as_mut_ptr()) }, bytes)
    };
    let (code, bytes) = encode(&note);
    let mut back = PintleNote::default();
    // SAFETY: all are good.
    let found = unsafe { pintle_note_find(bytes.as_ptr(), bytes.len(), &raw mut back) };
    assert_eq!((code, found, back), (PintleCode::Ok, PintleCode::Ok, note));
    assert_eq!(encode(&PintleNote { chip: 3, ..note }).0, PintleCode::Range);
    assert_eq!(encode(&PintleNote { link_oldest: 4, ..note }).0, PintleCode::Range);
    // SAFETY: all are good.
    let found = unsafe { pintle_note_find(bytes.as_ptr(), 63, &raw mut back) };
    assert_eq!(found, PintleCode::Note);
}

#[test]
fn every_reason_and_hold_has_a_sentence_and_short_rooms_are_left_alone() {
    let mut room = [0x55 as c_char; 128];
    for reason in Reason::ALL {
        // SAFETY: there is room.
        let code = unsafe { pintle_reason_text(reason.code(), room.as_mut_ptr(), room.len()) };
        // SAFETY: it was ended by a zero.
        let text = unsafe { CStr::from_ptr(room.as_ptr()) };
        assert_eq!((code, text.to_str()), (PintleCode::Ok, Ok(reason.sentence())));
    }
    let mut left = u32::MAX;
    let mut said = Vec::new();
    let mut bit = 0;
    // SAFETY: all are good.
    while unsafe { pintle_hold_text(left, &raw mut bit, room.as_mut_ptr(), room.len()) } == PintleCode::Ok {
        // SAFETY: it was ended by a zero.
        said.push(unsafe { CStr::from_ptr(room.as_ptr()) }.to_str().unwrap().to_owned());
        left &= !bit;
    }
    assert_eq!(said, Hold::ALL.map(Hold::sentence));
    let mut short = [0x55 as c_char; 16];
    // SAFETY: all are good.
    let code = unsafe { pintle_reason_text(101, short.as_mut_ptr(), short.len()) };
    assert_eq!((code, short), (PintleCode::Length, [0x55; 16]));
    // SAFETY: all are good.
    assert_eq!(unsafe { pintle_reason_text(9999, room.as_mut_ptr(), room.len()) }, PintleCode::Range);
}
