//! Frames between the chips, and images, that count for nothing.

use super::super::samples as s;
use pintle_protocol::id::Chip;
use pintle_protocol::image::{ImageNote, MAGIC, NoteFault};
use pintle_protocol::link::{FrameFault, decode_frame};
use serde_json::{Value, json};

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

const fn frame_word(fault: FrameFault) -> &'static str {
    match fault {
        FrameFault::Short => "short",
        FrameFault::Length(_) => "length",
        FrameFault::Checksum => "checksum",
    }
}

/// Frames, and images.
pub(super) fn file() -> (Vec<Value>, Vec<Value>) {
    let frames = frames().into_iter().map(
        |(name, bytes, fault)| json!({"name": name, "frame": hex::encode(bytes), "fault": frame_word(fault)}),
    );
    let images = images().into_iter().map(
        |(name, bytes, fault)| json!({"name": name, "image": hex::encode(bytes), "fault": fault.to_string()}),
    );
    (frames.collect(), images.collect())
}

#[test]
fn foreign_frames_and_images_are_refused() {
    // Source of the check value: catalogue of parametrised CRC algorithms, CRC-16/IBM-3740.
    assert_eq!(crc(b"123456789"), 0x29b1);
    for (name, bytes, fault) in frames() {
        assert_eq!(decode_frame(&bytes), Err(fault), "{name}");
    }
    for (name, bytes, fault) in images() {
        assert_eq!(ImageNote::find(&bytes), Err(fault), "{name}");
    }
}
