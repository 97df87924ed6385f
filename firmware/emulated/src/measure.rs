//! How much memory the node takes, and how many instructions.
//!
//! Prints lines `name value`, in bytes or instructions. Instructions are right only with `-icount shift=0`.

use crate::board::{Chip, LAYOUT, Pending};
use crate::host::{done, read_file, stop};
use crate::machine::{count_from_now, counted, stack_bottom, stack_pointer};
use crate::memory::{Area, Nor};
use crate::say;
use crate::server::Server;
use crate::update::{FLASH_BYTES, IMAGE};
use core::hint::black_box;
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use pintle_protocol::agent::{CARD_MAX, ENVELOPE_MAX, Node};
use pintle_protocol::board::Event;
use pintle_protocol::cose::key;
use pintle_protocol::id::PublicKey;
use pintle_protocol::slots::{RecordStore, Slot, slot_to_start};
use pintle_protocol::suit::envelope;
use sha2::{Digest as _, Sha256};

static NODE: Area<Option<Node<Chip>>> = Area::new(None);
static BUNDLE_ENVELOPE: Area<[u8; ENVELOPE_MAX]> = Area::new([0; ENVELOPE_MAX]);
static IMAGE_ENVELOPE: Area<[u8; ENVELOPE_MAX]> = Area::new([0; ENVELOPE_MAX]);
/// The key that signs images in the pretend yard.
const IMAGE_KEY: [u8; 32] = [2; 32];
/// Bytes that a signature over a manifest's digest covers: Sig_structure of RFC 9052 section 4.4.
const SIGNED: usize = 55;
/// Seconds in which a new board makes its claim and brings the io chip its image.
const FIRST_SECONDS: u64 = 120;
/// The flash of a new board's io chip.
static IO_FLASH: Area<[u8; 0x4000]> = Area::new([0xff; 0x4000]);
/// A starter card.
static CARD: Area<[u8; CARD_MAX]> = Area::new([0; CARD_MAX]);
const PAINT: u32 = 0xa5a5_5a5a;
/// Left unpainted below the frame that paints.
const MARGIN: usize = 64;

/// Measures, with `flash.bin`, a bundle in `bundle.bin`, an image in `image.bin` and its envelope in `envelope.bin`.
pub(crate) fn run() -> ! {
    say!("node {}", size_of::<Node<Chip>>() - size_of::<Chip>());
    let bundle = BUNDLE_ENVELOPE.take();
    let len = read_file("bundle.bin", bundle);
    let bundle = &bundle[..len];
    let image_envelope = IMAGE_ENVELOPE.take();
    let len = read_file("envelope.bin", image_envelope);
    let image_envelope = &image_envelope[..len];
    let image = IMAGE.take();
    let size = read_file("image.bin", image);
    let image = &image[..size];

    let mut nor = Nor::new(FLASH_BYTES.take(), "flash.bin", false, 0);
    let Ok(Some(record)) = (RecordStore { sectors: LAYOUT.record }).load(&mut nor) else {
        stop("no boot record")
    };
    let top = paint();
    let slot = black_box(slot_to_start(&mut nor, &LAYOUT, &record));
    say!("stack-slot {}", deepest_since(top));
    if slot != Ok(Some(Slot::A)) {
        stop("the boot loader would start another slot");
    }
    let Some(chip) = Chip::new(nor) else { stop("there is no valid boot record") };
    // The node's own place is not on the stack; what is painted is the stack that making and starting it takes.
    let place = NODE.take();
    let top = paint();
    let started = Node::start_in(place, chip);
    let deepest = deepest_since(top);
    say!("stack-start {deepest}");
    let Ok(node) = started else { stop("the node does not start") };

    let mut now = 0;
    let (bundle_stack, _) = update(node, &mut now, Server::new(bundle, &[], 600));
    say!("stack-bundle {bundle_stack}");
    let (image_stack, process) = update(node, &mut now, Server::new(image_envelope, image, 600));
    say!("stack-image {image_stack}");
    say!("process {process}");

    let anchors = node.agent().anchors();
    let from = count_from_now();
    let opened = black_box(envelope::open(black_box(image_envelope), anchors));
    say!("verify {}", counted(from));
    let Ok(opened) = opened else { stop("the envelope is not authentic") };

    let key = SigningKey::from_bytes(&IMAGE_KEY);
    if PublicKey(key.verifying_key().to_bytes()) != anchors.image[0] {
        stop("the image key is another one");
    }
    let mut message = [0x5a; SIGNED];
    message[..32].copy_from_slice(&opened.digest().0);
    let signature: Signature = key.sign(&message);
    let public = key.verifying_key().to_bytes();
    let from = count_from_now();
    let verified = VerifyingKey::from_bytes(black_box(&public))
        .and_then(|key| key.verify_strict(black_box(&message), black_box(&signature)));
    say!("verify-bare {}", counted(from));
    if verified.is_err() {
        stop("a good signature does not verify");
    }

    let own = PublicKey(public);
    let from = count_from_now();
    let verified = key::verifying_key(black_box(&own))
        .is_ok_and(|key| key::verifies(&key, &[black_box(&message)], &signature.to_bytes()));
    say!("verify-own {}", counted(from));
    if !verified {
        stop("a good signature does not verify");
    }

    let from = count_from_now();
    let digest = black_box(Sha256::digest(black_box(image)));
    say!("hash-bare {}", counted(from));
    say!("bytes {size} {:02x}", digest[0]);
    done()
}

/// Measures the first start of a new board, with `fresh.bin` and its card in `card.bin`: keys are made, a claim is
/// signed, and the io chip is brought its image. That chip's loader runs on the same stack here.
pub(crate) fn first() -> ! {
    let card = CARD.take();
    let len = read_file("card.bin", card);
    let nor = Nor::new(FLASH_BYTES.take(), "fresh.bin", false, 0);
    let chip = Chip::fresh(nor, IO_FLASH.take(), &card[..len]);
    let place = NODE.take();
    let top = paint();
    let started = Node::start_in(place, chip);
    let mut deepest = deepest_since(top);
    let Ok(node) = started else { stop("the new board does not start") };
    say!("stack-first {deepest}");
    let mut claims = 0;
    for second in 1..FIRST_SECONDS {
        let event = match core::mem::replace(&mut node.board.pending, Pending::Nothing) {
            Pending::Nothing => Event::Nothing,
            Pending::Join => Event::Joined { rssi_dbm: -60 },
            // The claim is taken, and nobody has admitted it.
            Pending::Other => {
                claims += 1;
                Event::Response { status: 202, body: &[] }
            }
            Pending::CheckIn => Event::Response { status: 403, body: &[] },
            Pending::Envelope | Pending::Payload { .. } => stop("a new board asks for an update"),
        };
        let top = paint();
        let polled = node.poll(second * 1000, event);
        deepest = deepest.max(deepest_since(top));
        if polled.is_err() {
            stop("the new board has to be started again");
        }
    }
    if claims == 0 {
        stop("no claim was made");
    }
    if !node.board.io.runs() {
        stop("the io chip was not brought its image");
    }
    say!("stack-claim {deepest}");
    done()
}

/// Lets the node take an update up to where it is staged; the deepest stack, and the instructions from the envelope's
/// arrival on.
fn update(node: &mut Node<Chip>, now: &mut u64, server: Option<Server>) -> (usize, u32) {
    let Some(mut server) = server else { stop("no envelope") };
    let mut reply = [0; 512];
    let (mut deep, mut sum, mut counts) = (0, 0u32, false);
    for _ in 0..4_000 {
        *now += 1000;
        counts |= matches!(node.board.pending, crate::board::Pending::Envelope);
        let event = server.serve(&mut node.board, &mut reply);
        let top = paint();
        let from = count_from_now();
        let polled = node.poll(*now, event);
        let took = counted(from);
        deep = deep.max(deepest_since(top));
        if polled.is_err() {
            stop("the node has to be started again");
        }
        if counts {
            sum = sum.saturating_add(took);
        }
        let record = node.agent().record();
        if counts && record.staged.is_some() {
            counts = false;
        }
        if server.ended().is_some() || node.board.restarts {
            return (deep, sum);
        }
    }
    stop("the update does not end")
}

/// Paints the stack below the frame of whoever calls this; returns where that is.
#[inline(always)]
fn paint() -> usize {
    let top = stack_pointer();
    let bottom = stack_bottom();
    for n in 0..(top - MARGIN - bottom.addr()) / 4 {
        // SAFETY: below the stack pointer, above the lowest word; nobody's yet.
        unsafe { bottom.wrapping_add(n).write_volatile(PAINT) };
    }
    top
}

/// The stack that was taken below `top` since it was painted, in bytes.
#[inline(never)]
fn deepest_since(top: usize) -> usize {
    let bottom = stack_bottom();
    let words = (top - bottom.addr()) / 4;
    // SAFETY: as above; what was there is no longer used.
    let untouched = |n: &usize| unsafe { bottom.wrapping_add(*n).read_volatile() } == PAINT;
    let untouched = (0..words).take_while(untouched).count();
    if untouched == 0 {
        stop("the stack is too small");
    }
    top - (bottom.addr() + untouched * 4)
}
