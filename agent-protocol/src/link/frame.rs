//! Frames.
//!
//! | bytes | what |
//! | --- | --- |
//! | 0 | kind of message, 1 to 127 for questions, 129 to 255 for answers |
//! | 1 | sequence number; an answer repeats that of its question |
//! | 2 | bytes in the payload, 0 to 27 |
//! | 3.. | payload |
//! | last 2 | CRC-16/IBM-3740 of everything before, big-endian |
//!
//! The CRC starts at `ffff`, not at zero: a dead bus that reads all zeros would pass one that
//! starts at zero (four zero bytes give `84c0` here and `0000` there). A bus that reads all
//! ones fails by its length.

use crate::copy::copy;

/// Longest frame, in bytes.
pub const FRAME_MAX: usize = 32;
/// Longest payload, in bytes.
pub const PAYLOAD_MAX: usize = FRAME_MAX - 5;

/// What [`crc16`] begins with.
pub(crate) const CRC_START: u16 = 0xffff;

/// CRC-16/IBM-3740 over more bytes, `sum` being that over those before. Bytewise without a table: the library's
/// without one takes five times as many instructions, and its smallest table half a KiB.
///
/// # Source
/// Catalogue of parametrised CRC algorithms, polynomial 1021; a test compares with another implementation.
pub(crate) fn crc16(sum: u16, bytes: &[u8]) -> u16 {
    bytes.iter().fold(sum, |sum, byte| {
        // The quotient of the byte that goes out: its upper half comes down to its lower half.
        let out = (sum >> 8) ^ u16::from(*byte);
        let out = out ^ out >> 4;
        sum << 8 ^ out << 12 ^ out << 5 ^ out
    })
}

/// Why bytes are no frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FrameFault {
    /// Fewer bytes than a frame has.
    Short,
    /// A payload length beyond [`PAYLOAD_MAX`] or beyond the bytes that came.
    Length(u8),
    /// The checksum does not match.
    Checksum,
}

/// Writes a frame into `out` and returns its length; `None` if the payload is too long.
pub fn encode_frame(kind: u8, sequence: u8, payload: &[u8], out: &mut [u8; FRAME_MAX]) -> Option<usize> {
    if payload.len() > PAYLOAD_MAX {
        return None;
    }
    let end = 3 + payload.len();
    out.get_mut(..3)?.copy_from_slice(&[kind, sequence, payload.len() as u8]);
    copy(payload, out.get_mut(3..end)?);
    let sum = crc16(CRC_START, out.get(..end)?);
    out.get_mut(end..end + 2)?.copy_from_slice(&sum.to_be_bytes());
    Some(end + 2)
}

/// Reads a frame: kind, sequence number, payload. Bytes behind it are ignored, since an I2C
/// peripheral pads its buffer.
///
/// # Errors
/// [`FrameFault`].
pub fn decode_frame(bytes: &[u8]) -> Result<(u8, u8, &[u8]), FrameFault> {
    let [kind, sequence, len, rest @ ..] = bytes else { return Err(FrameFault::Short) };
    let n = usize::from(*len);
    if n > PAYLOAD_MAX || rest.len() < n + 2 {
        return Err(FrameFault::Length(*len));
    }
    let (payload, tail) = rest.split_at_checked(n).ok_or(FrameFault::Short)?;
    let covered = bytes.get(..3 + n).ok_or(FrameFault::Short)?;
    if tail.get(..2) != Some(&crc16(CRC_START, covered).to_be_bytes()[..]) {
        return Err(FrameFault::Checksum);
    }
    Ok((*kind, *sequence, payload))
}
