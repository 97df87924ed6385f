//! The link between the two chips: bytes in frames.
//!
//! | bytes | what |
//! | --- | --- |
//! | 0 | 7e |
//! | 1 | kind |
//! | 2 | bytes that follow before the checksum, at most [`MAX`] |
//! | 3.. | those bytes |
//! | last 2 | CRC-16/IBM-3740 over kind, length and bytes, high byte first |
//!
//! A frame that is damaged is dropped; whoever asked asks again. The checksum does not start at zero, so
//! that a dead line that reads as zeros is never taken for a frame.

use crate::note::Note;
use crate::regs::{LINK_IN, LINK_OUT, LINK_STATUS};

/// First byte of a frame.
const START: u8 = 0x7e;
/// Most bytes in a frame.
pub const MAX: usize = 16;

/// Asks who is there; the answer has the same kind. Both carry the sender's link range and profile.
pub const HELLO: u8 = 0x01;
/// Asks for the state of door and sensors; the answer has the same kind.
pub const STATE: u8 = 0x02;

/// One frame's content.
#[derive(Clone, Copy)]
pub struct Frame {
    /// What it is.
    pub kind: u8,
    bytes: [u8; MAX],
    len: usize,
}

impl Frame {
    /// A frame of up to [`MAX`] bytes; more are left out.
    pub fn new(kind: u8, from: &[u8]) -> Self {
        let mut bytes = [0; MAX];
        let len = from.len().min(MAX);
        for (to, byte) in bytes.iter_mut().zip(from) {
            *to = *byte;
        }
        Self { kind, bytes, len }
    }

    /// Its bytes.
    pub fn bytes(&self) -> &[u8] {
        self.bytes.get(..self.len).unwrap_or(&[])
    }

    /// Sends it; waits while the line is busy.
    pub fn send(&self) {
        let mut crc = Crc::new();
        raw(START);
        for byte in [self.kind, self.len as u8].into_iter().chain(self.bytes().iter().copied()) {
            crc.add(byte);
            raw(byte);
        }
        raw((crc.0 >> 8) as u8);
        raw(crc.0 as u8);
    }
}

/// A hello with this image's link range and actuation profile.
pub fn hello(note: &Note) -> Frame {
    let ([oldest, newest], (id, version)) = (note.link(), note.profile());
    let [low, high] = id.to_le_bytes();
    Frame::new(HELLO, &[oldest, newest, low, high, version])
}

/// The newest link version that both speak and the same actuation profile, from the other chip's hello.
pub fn agree(note: &Note, other: &Frame) -> Option<u8> {
    let ([oldest, newest], (id, _)) = (note.link(), note.profile());
    let &[other_oldest, other_newest, low, high, _] = other.bytes() else { return None };
    let version = newest.min(other_newest);
    (version >= oldest.max(other_oldest) && id == u16::from_le_bytes([low, high])).then_some(version)
}

/// Waits for room, then sends one byte. The line's hardware always makes room within a byte time.
fn raw(byte: u8) {
    while LINK_STATUS.get() & 2 == 0 {}
    LINK_OUT.set(u32::from(byte));
}

struct Crc(u16);

impl Crc {
    const fn new() -> Self {
        Self(0xffff)
    }

    const fn add(&mut self, byte: u8) {
        self.0 ^= (byte as u16) << 8;
        let mut bit = 0;
        while bit < 8 {
            self.0 = if self.0 & 0x8000 == 0 { self.0 << 1 } else { (self.0 << 1) ^ 0x1021 };
            bit += 1;
        }
    }
}

// The check value of the catalogue of parametrised CRC algorithms, at compile time.
const _: () = {
    let mut crc = Crc::new();
    let mut n = 0;
    while n < 9 {
        crc.add(b"123456789"[n]);
        n += 1;
    }
    assert!(crc.0 == 0x29b1);
};

/// Puts frames together from the bytes that come in.
pub struct Receiver {
    bytes: [u8; MAX + 4],
    len: usize,
    started: bool,
}

impl Receiver {
    /// Waits for the start of a frame.
    pub const fn new() -> Self {
        Self { bytes: [0; MAX + 4], len: 0, started: false }
    }

    /// Takes what has come in; gives a frame when one is whole and sound.
    pub fn poll(&mut self) -> Option<Frame> {
        while LINK_STATUS.get() & 1 == 1 {
            if let Some(frame) = self.take(LINK_IN.get() as u8) {
                return Some(frame);
            }
        }
        None
    }

    fn take(&mut self, byte: u8) -> Option<Frame> {
        if !self.started {
            self.started = byte == START;
            self.len = 0;
            return None;
        }
        if let Some(to) = self.bytes.get_mut(self.len) {
            *to = byte;
            self.len += 1;
        }
        let payload = usize::from(self.bytes[1]);
        if self.len >= 2 && payload > MAX {
            self.started = false;
        }
        if self.len < 4 || self.len < payload + 4 {
            return None;
        }
        self.started = false;
        let (body, sum) = self.bytes.get(..self.len)?.split_at_checked(self.len - 2)?;
        let mut crc = Crc::new();
        for byte in body {
            crc.add(*byte);
        }
        let &[kind, _, ref content @ ..] = body else { return None };
        (sum == crc.0.to_be_bytes()).then(|| Frame::new(kind, content))
    }
}

impl Default for Receiver {
    fn default() -> Self {
        Self::new()
    }
}
