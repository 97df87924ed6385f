//! Frames on the link between the two chips.

use crate::code::{PINTLE_PAYLOAD_MAX, PintleCode};
use crate::raw;
use pintle_protocol::link::{FRAME_MAX, decode_frame, encode_frame};

/// A frame taken apart.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintleFrame {
    /// Kind of message: 1 to 127 for questions, 129 to 255 for answers.
    pub kind: u8,
    /// Sequence number; an answer repeats that of its question.
    pub sequence: u8,
    /// Bytes of the payload.
    pub len: u8,
    /// The payload.
    pub payload: [u8; PINTLE_PAYLOAD_MAX],
}

/// Writes a frame.
///
/// # Safety
/// As `pintle_frame_encode`, for `out` and `out_len`.
pub(crate) unsafe fn frame_out(
    kind: u8,
    sequence: u8,
    payload: &[u8],
    out: *mut u8,
    out_len: *mut usize,
) -> Result<(), PintleCode> {
    raw::writable(out)?;
    raw::writable(out_len)?;
    let mut frame = [0u8; FRAME_MAX];
    let len = encode_frame(kind, sequence, payload, &mut frame).ok_or(PintleCode::Length)?;
    // SAFETY: as promised.
    unsafe { raw::copy(&frame, out) }?;
    // SAFETY: as promised.
    unsafe { raw::put(out_len, len) }
}

/// Writes a frame of a payload of 0 to PINTLE_PAYLOAD_MAX bytes.
///
/// out: gets PINTLE_FRAME_MAX bytes, zeros behind the frame.
/// out_len: gets the frame's length.
///
/// # Safety
/// payload is good for payload_len bytes, out has room for PINTLE_FRAME_MAX, out_len can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_frame_encode(
    kind: u8,
    sequence: u8,
    payload: *const u8,
    payload_len: usize,
    out: *mut u8,
    out_len: *mut usize,
) -> PintleCode {
    if payload_len > PINTLE_PAYLOAD_MAX {
        return PintleCode::Length;
    }
    // SAFETY: as promised.
    let payload = unsafe { raw::bytes(payload, payload_len) };
    // SAFETY: as promised.
    PintleCode::of(payload.and_then(|payload| unsafe { frame_out(kind, sequence, payload, out, out_len) }))
}

/// Takes a frame apart. Bytes behind it are ignored, since an I2C peripheral pads its buffer.
/// PINTLE_CODE_FRAME: too short, a wrong length, or a wrong checksum.
///
/// # Safety
/// bytes is good for len bytes; frame can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_frame_decode(
    bytes: *const u8,
    len: usize,
    frame: *mut PintleFrame,
) -> PintleCode {
    // SAFETY: as promised.
    let bytes = unsafe { raw::bytes(bytes, len) };
    let read = bytes.and_then(|bytes| {
        let (kind, sequence, payload) = decode_frame(bytes).map_err(|_| PintleCode::Frame)?;
        let mut value = PintleFrame { kind, sequence, len: payload.len() as u8, ..PintleFrame::default() };
        for (to, from) in value.payload.iter_mut().zip(payload) {
            *to = *from;
        }
        // SAFETY: as promised.
        unsafe { raw::put(frame, value) }
    });
    PintleCode::of(read)
}
