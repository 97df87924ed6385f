//! Texts for people, and versions.

use crate::code::{PINTLE_ABI, PintleCode};
use crate::raw;
use core::ffi::c_char;
use pintle_protocol::interlock::{Hold, Holds};
use pintle_protocol::reason::Reason;

/// PINTLE_ABI of the library: compare it with the header's before anything else.
#[unsafe(no_mangle)]
pub extern "C" fn pintle_abi() -> u32 {
    PINTLE_ABI
}

/// The library's version, such as "0.1.0", ended by a zero.
#[unsafe(no_mangle)]
pub extern "C" fn pintle_version() -> *const c_char {
    concat!(env!("CARGO_PKG_VERSION"), "\0").as_ptr().cast()
}

/// Copies a text with a zero behind it.
///
/// # Safety
/// `to` is null or has room for `room` bytes.
unsafe fn text_out(text: &str, to: *mut c_char, room: usize) -> Result<(), PintleCode> {
    if to.is_null() {
        return Err(PintleCode::Null);
    }
    if room <= text.len() {
        return Err(PintleCode::Length);
    }
    // SAFETY: there is room, as promised and just compared.
    unsafe { raw::copy(text.as_bytes(), to.cast()) }?;
    // SAFETY: the room is larger than the text.
    let end = unsafe { to.cast::<u8>().add(text.len()) };
    // SAFETY: as above.
    unsafe { raw::copy(&[0], end) }
}

/// Writes the sentence for a reason that an update was refused or went back for, such as "no known
/// key has signed it", ended by a zero. 128 bytes are enough. PINTLE_CODE_RANGE: no such reason.
///
/// # Safety
/// to can take room bytes.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_reason_text(reason: u16, to: *mut c_char, room: usize) -> PintleCode {
    let reason = Reason::from_code(reason).ok_or(PintleCode::Range);
    // SAFETY: as promised.
    PintleCode::of(reason.and_then(|reason| unsafe { text_out(reason.sentence(), to, room) }))
}

/// Writes the sentence for the most telling of these holds, such as "the door moves", ended by a zero,
/// and which bit it is for, so that a caller can clear it and ask again. 128 bytes are enough.
/// PINTLE_CODE_RANGE: no known hold.
///
/// # Safety
/// bit is null or can be written; to can take room bytes.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_hold_text(
    holds: u32,
    bit: *mut u32,
    to: *mut c_char,
    room: usize,
) -> PintleCode {
    let first: Result<Hold, _> = Holds::from_bits(holds).iter().next().ok_or(PintleCode::Range);
    let written = first.and_then(|hold| {
        // SAFETY: as promised.
        unsafe { text_out(hold.sentence(), to, room) }?;
        // SAFETY: as promised.
        unsafe { raw::put_if(bit, hold as u32) }
    });
    PintleCode::of(written)
}
