//! The link between the two chips: the net chip asks, the io chip answers, one frame each.
//!
//! | bytes | what |
//! | --- | --- |
//! | 0 | kind: 1 to 127 for questions, 129 to 255 for answers |
//! | 1 | sequence number; an answer repeats that of its question |
//! | 2 | bytes in the payload, 0 to 27 |
//! | 3.. | payload |
//! | last 2 | CRC-16/IBM-3740 of everything before, high byte first |
//!
//! The format is that of `pintle_protocol::link`, written out by hand for the same reason as the image note. A
//! damaged frame is dropped; whoever asked asks again. The checksum does not start at zero, so that a dead
//! line that reads as zeros is never taken for a frame. Nothing on this link moves the door.

use crate::note::Note;
use crate::regs::{LINK_IN, LINK_OUT, LINK_SEND, LINK_STATUS};

/// Longest frame, in bytes.
const FRAME_MAX: usize = 32;
/// Longest payload, in bytes.
pub const PAYLOAD_MAX: usize = FRAME_MAX - 5;

/// Who are you? Payload: oldest and newest link version of the asker, profile id (2), profile version.
pub const HELLO: u8 = 1;
/// How is the door?
pub const STATUS: u8 = 2;
/// Keep the relay off (payload 1), or stop doing so (0).
pub const INHIBIT: u8 = 3;
/// Leave the application for the loader.
pub const ENTER_LOADER: u8 = 4;
/// From here to [`START`] the questions are about images, and for the loader.
pub const BEGIN: u8 = 5;
/// Start the application.
pub const START: u8 = 9;
/// One setting. Payload: key, value (4). They count only when the last one has come.
pub const SETTING: u8 = 10;
/// Added to a question's kind by the two answers of their own.
pub const ANSWER: u8 = 128;
/// Done. Payload: next offset wanted (4).
pub const DONE: u8 = 131;
/// Not done.
pub const NO: u8 = 132;

/// Where the answer to [`HELLO`] has the oldest link version; newest, profile id and profile version follow.
const HELLO_LINK_AT: usize = 7;

/// One sound frame.
pub struct Frame {
    bytes: [u8; FRAME_MAX],
    payload: usize,
}

impl Frame {
    /// A frame with a payload of up to [`PAYLOAD_MAX`] bytes; more are left out.
    pub fn new(kind: u8, sequence: u8, from: &[u8]) -> Self {
        let payload = from.len().min(PAYLOAD_MAX);
        let mut bytes = [0; FRAME_MAX];
        bytes[0] = kind;
        bytes[1] = sequence;
        bytes[2] = payload as u8;
        for (to, byte) in bytes[3..].iter_mut().zip(&from[..payload]) {
            *to = *byte;
        }
        let sum = crc16(bytes[..3 + payload].iter().copied()).to_be_bytes();
        bytes[3 + payload] = sum[0];
        bytes[4 + payload] = sum[1];
        Self { bytes, payload }
    }

    /// What it is.
    pub const fn kind(&self) -> u8 {
        self.bytes[0]
    }

    /// Its sequence number.
    pub const fn sequence(&self) -> u8 {
        self.bytes[1]
    }

    /// Its payload.
    pub fn payload(&self) -> &[u8] {
        &self.bytes[3..3 + self.payload]
    }

    /// Sends it. The hardware has room, since there is one answer to one question.
    pub fn send(&self) {
        for byte in &self.bytes[..self.payload + 5] {
            LINK_OUT.set(u32::from(*byte));
        }
        LINK_SEND.set(1);
    }

    /// The frame that has come in, if there is one and it is sound.
    pub fn receive() -> Option<Self> {
        let status = LINK_STATUS.get();
        if status & 1 == 0 {
            return None;
        }
        // Every byte is taken, whatever it is, so that the next frame starts at its start.
        let size = (status >> 8 & 0xff) as usize;
        let mut bytes = [0; FRAME_MAX];
        for n in 0..size {
            let byte = LINK_IN.get() as u8;
            if let Some(to) = bytes.get_mut(n) {
                *to = byte;
            }
        }
        let payload = usize::from(bytes[2]);
        if size > FRAME_MAX || payload > PAYLOAD_MAX || payload + 5 > size {
            return None;
        }
        let sum = crc16(bytes[..3 + payload].iter().copied()).to_be_bytes();
        (bytes[3 + payload..5 + payload] == sum).then_some(Self { bytes, payload })
    }
}

/// The payload of a question who the other chip is.
pub fn hello(note: &Note) -> [u8; 5] {
    let ([oldest, newest], (id, version)) = (note.link(), note.profile());
    let [low, high] = id.to_le_bytes();
    [oldest, newest, low, high, version]
}

/// Whether both chips speak a common link version and mean the same by moving the door, from the payload of
/// the io chip's answer to a hello.
pub fn agree(note: &Note, answer: &[u8]) -> bool {
    let ([oldest, newest], (id, _)) = (note.link(), note.profile());
    let Some(&[other_oldest, other_newest, low, high, _]) = answer.get(HELLO_LINK_AT..HELLO_LINK_AT + 5)
    else {
        return false;
    };
    newest.min(other_newest) >= oldest.max(other_oldest) && id == u16::from_le_bytes([low, high])
}

/// CRC-16/IBM-3740.
pub fn crc16(bytes: impl Iterator<Item = u8>) -> u16 {
    bytes.fold(0xffff, crc16_step)
}

const fn crc16_step(mut crc: u16, byte: u8) -> u16 {
    crc ^= (byte as u16) << 8;
    let mut bit = 0;
    while bit < 8 {
        crc = if crc & 0x8000 == 0 { crc << 1 } else { (crc << 1) ^ 0x1021 };
        bit += 1;
    }
    crc
}

// The check value of the catalogue of parametrised CRC algorithms, at compile time.
const _: () = {
    let mut crc = 0xffff;
    let mut n = 0;
    while n < 9 {
        crc = crc16_step(crc, b"123456789"[n]);
        n += 1;
    }
    assert!(crc == 0x29b1);
};
