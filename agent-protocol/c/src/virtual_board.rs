//! A virtual board behind C functions, to try firmware on a PC. Never part of firmware.

use crate::board::{PintleFlashFault, PintleLayout};
use crate::code::PintleCode;
use crate::event::{PintleEvent, PintleEventKind, PintleJoinFault, PintleRequest};
use crate::raw;
use crate::virtual_yard::Yard;
use core::ffi::{CStr, c_char};
use pintle_protocol::board::{Board, Flash, FlashFault, JoinFault, Request};
use pintle_protocol::id::Digest;
use pintle_protocol::link::FRAME_MAX;
use pintle_protocol::sim::{Advert, Air, Pending, VirtualBoard};
use std::boxed::Box;
use std::string::String;
use std::vec;
use std::vec::Vec;

/// A virtual board at a door, with a yard and a server beside it. Only the hardware is virtual.
pub struct PintleVirtual {
    pub(crate) board: VirtualBoard,
    pub(crate) air: Air,
    pub(crate) yard: Yard,
    body: Vec<u8>,
    /// The only address at which the server answers; any, if `None`.
    only_at: Option<String>,
    base: String,
}

/// Makes a virtual board fresh from the bench: first images in its slots, a starter card, an erased
/// boot record, a closed door. To be given to pintle_virtual_free.
#[unsafe(no_mangle)]
pub extern "C" fn pintle_virtual_new() -> *mut PintleVirtual {
    let (yard, board, air) = Yard::new();
    Box::into_raw(Box::new(PintleVirtual {
        board,
        air,
        yard,
        body: Vec::new(),
        only_at: None,
        base: String::new(),
    }))
}

/// Frees a virtual board; null is allowed.
///
/// # Safety
/// it comes from pintle_virtual_new, and is not used any more.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_free(it: *mut PintleVirtual) {
    if !it.is_null() {
        // SAFETY: as promised.
        drop(unsafe { Box::from_raw(it) });
    }
}

/// The virtual board.
///
/// # Safety
/// If not null, it comes from `pintle_virtual_new`, and nobody else has a reference to it.
pub(crate) unsafe fn board<'a>(it: *mut PintleVirtual) -> Result<&'a mut PintleVirtual, PintleCode> {
    raw::writable(it)?;
    // SAFETY: as promised.
    Ok(unsafe { &mut *it })
}

/// Runs `work` on the virtual board.
///
/// # Safety
/// As [`board`].
pub(crate) unsafe fn with(
    it: *mut PintleVirtual,
    work: impl FnOnce(&mut PintleVirtual) -> Result<(), PintleCode>,
) -> PintleCode {
    // SAFETY: as promised.
    PintleCode::of(unsafe { board(it) }.and_then(work))
}

/// Where things lie in its flash.
///
/// # Safety
/// it comes from pintle_virtual_new; layout can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_layout(
    it: *mut PintleVirtual,
    layout: *mut PintleLayout,
) -> PintleCode {
    let work = |it: &mut PintleVirtual| {
        let l = it.board.layout();
        let value = PintleLayout {
            record: l.record,
            secrets: l.secrets,
            card: l.card,
            conf: l.conf,
            keys: l.keys,
            net: l.net,
            net_room: l.net_room,
            io: l.io,
            io_room: l.io_room,
            factory: l.factory,
        };
        // SAFETY: as promised.
        unsafe { raw::put(layout, value) }
    };
    // SAFETY: as promised.
    unsafe { with(it, work) }
}

fn flash_code(result: Result<(), FlashFault>) -> i32 {
    match result {
        Ok(()) => 0,
        Err(FlashFault::Range { .. }) => PintleFlashFault::Range as i32,
        Err(FlashFault::Worn { .. }) => PintleFlashFault::Worn as i32,
        Err(FlashFault::Chip) => PintleFlashFault::Chip as i32,
        Err(FlashFault::PowerLost) => PintleFlashFault::Power as i32,
    }
}

/// Reads its flash, as the callback flash_read has to.
///
/// # Safety
/// it comes from pintle_virtual_new; into has room for len bytes.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_flash_read(
    it: *mut PintleVirtual,
    address: u32,
    into: *mut u8,
    len: usize,
) -> i32 {
    // SAFETY: as promised.
    let Ok(it) = (unsafe { board(it) }) else { return PintleFlashFault::Chip as i32 };
    let mut bytes = std::vec![0; len];
    let read = it.board.flash().read(address, &mut bytes);
    // SAFETY: as promised.
    let copied = unsafe { raw::copy(&bytes, into) };
    if copied.is_err() { PintleFlashFault::Chip as i32 } else { flash_code(read) }
}

/// Programs its flash, as the callback flash_program has to.
///
/// # Safety
/// it comes from pintle_virtual_new; bytes is good for len bytes.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_flash_program(
    it: *mut PintleVirtual,
    address: u32,
    bytes: *const u8,
    len: usize,
) -> i32 {
    // SAFETY: as promised.
    let it = unsafe { board(it) };
    // SAFETY: as promised.
    let bytes = unsafe { raw::bytes(bytes, len) };
    match (it, bytes) {
        (Ok(it), Ok(bytes)) => flash_code(it.board.flash().program(address, bytes)),
        _ => PintleFlashFault::Chip as i32,
    }
}

/// Erases a sector of its flash, as the callback flash_erase has to.
///
/// # Safety
/// it comes from pintle_virtual_new.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_flash_erase(it: *mut PintleVirtual, address: u32) -> i32 {
    // SAFETY: as promised.
    let it = unsafe { board(it) };
    it.map_or(PintleFlashFault::Chip as i32, |it| flash_code(it.board.flash().erase(address)))
}

/// Repeatable bytes, the same in every run: fit for trying out, never for keys.
///
/// # Safety
/// it comes from pintle_virtual_new; into has room for len bytes.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_random(
    it: *mut PintleVirtual,
    into: *mut u8,
    len: usize,
) -> PintleCode {
    let work = |it: &mut PintleVirtual| {
        let mut bytes = std::vec![0; len];
        it.board.random(&mut bytes);
        // SAFETY: as promised.
        unsafe { raw::copy(&bytes, into) }
    };
    // SAFETY: as promised.
    unsafe { with(it, work) }
}

/// One exchange with its virtual io chip, as the callback exchange has to.
///
/// # Safety
/// it comes from pintle_virtual_new; frame is good for len bytes; answer has room for
/// PINTLE_FRAME_MAX.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_exchange(
    it: *mut PintleVirtual,
    frame: *const u8,
    len: usize,
    answer: *mut u8,
) -> i32 {
    // SAFETY: as promised.
    let it = unsafe { board(it) };
    // SAFETY: as promised.
    let frame = unsafe { raw::bytes(frame, len) };
    let (Ok(it), Ok(frame)) = (it, frame) else { return 0 };
    let mut said = [0; FRAME_MAX];
    let came = it.board.exchange(frame, &mut said);
    // SAFETY: as promised.
    let copied = unsafe { raw::copy(&said, answer) };
    i32::from(came && copied.is_ok())
}

/// Its starter card, as the callback card has to.
///
/// # Safety
/// it comes from pintle_virtual_new; bytes and len can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_card(
    it: *mut PintleVirtual,
    bytes: *mut *const u8,
    len: *mut usize,
) -> i32 {
    // SAFETY: as promised.
    let Ok(it) = (unsafe { board(it) }) else { return 0 };
    let Some(card) = it.board.card() else { return 0 };
    // SAFETY: as promised.
    let written = unsafe { raw::put(bytes, card.as_ptr()) };
    // SAFETY: as promised.
    let written = written.and(unsafe { raw::put(len, card.len()) });
    i32::from(written.is_ok())
}

/// Begins to join a network, as the callback join has to.
///
/// # Safety
/// it comes from pintle_virtual_new; the texts are good for their lengths.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_join(
    it: *mut PintleVirtual,
    ssid: *const u8,
    ssid_len: usize,
    passphrase: *const c_char,
    passphrase_len: usize,
) -> PintleCode {
    let work = |it: &mut PintleVirtual| {
        // SAFETY: as promised.
        let ssid = unsafe { raw::bytes(ssid, ssid_len) }?;
        // SAFETY: as promised.
        let passphrase = unsafe { raw::bytes(passphrase.cast(), passphrase_len) }?;
        let passphrase = core::str::from_utf8(passphrase).map_err(|_| PintleCode::Range)?;
        it.board.join(ssid, passphrase);
        Ok(())
    };
    // SAFETY: as promised.
    unsafe { with(it, work) }
}

/// A text that is ended by a zero.
///
/// # Safety
/// If not null, it is ended by a zero and stays as it is during `'a`.
unsafe fn text<'a>(p: *const c_char) -> Result<&'a str, PintleCode> {
    if p.is_null() {
        return Err(PintleCode::Null);
    }
    // SAFETY: as promised.
    unsafe { CStr::from_ptr(p) }.to_str().map_err(|_| PintleCode::Range)
}

/// Begins a request, as the callback request has to. Method, path and range are read as a server
/// would read them.
///
/// # Safety
/// it comes from pintle_virtual_new; request is the one that the callback was given.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_request(
    it: *mut PintleVirtual,
    request: *const PintleRequest,
) -> PintleCode {
    let work = |it: &mut PintleVirtual| {
        // SAFETY: as promised.
        let r = unsafe { raw::get(request) }?;
        // SAFETY: as promised.
        let method = unsafe { text(r.method) }?;
        // SAFETY: as promised.
        let base = unsafe { text(r.base) }?;
        // SAFETY: as promised.
        let path = unsafe { text(r.path) }?;
        // SAFETY: as promised.
        let body = unsafe { raw::bytes(r.body, r.body_len) }?;
        let digest = |prefix| path.strip_prefix(prefix).and_then(|hex| Digest::parse(hex).ok());
        let asked = match (method, path, digest("/node/envelope/"), digest("/node/payload/")) {
            ("POST", "/node/claim", _, _) => Request::Claim(body),
            ("POST", "/node/check-in", _, _) => Request::CheckIn(body),
            ("GET", _, Some(digest), _) => Request::Envelope(digest),
            ("GET", _, _, Some(digest)) => {
                Request::Payload { digest, offset: r.range_first, len: r.range_len }
            }
            _ => return Err(PintleCode::Range),
        };
        it.board.request(base, asked);
        Ok(())
    };
    // SAFETY: as promised.
    unsafe { with(it, work) }
}

/// Begins to look for servers, as the callback search has to.
///
/// # Safety
/// it comes from pintle_virtual_new.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_search(it: *mut PintleVirtual) -> PintleCode {
    let work = |it: &mut PintleVirtual| {
        it.board.search();
        Ok(())
    };
    // SAFETY: as promised.
    unsafe { with(it, work) }
}

/// The server moves: it answers at this address alone, and is heard there when the local link is
/// searched.
///
/// # Safety
/// it comes from pintle_virtual_new; base is ended by a zero.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_move_server(
    it: *mut PintleVirtual,
    base: *const c_char,
) -> PintleCode {
    let work = |it: &mut PintleVirtual| {
        // SAFETY: as promised.
        let base = String::from(unsafe { text(base) }?);
        it.board.adverts = vec![Advert { base: base.clone(), key: it.yard.server_thumbprint() }];
        it.only_at = Some(base);
        Ok(())
    };
    // SAFETY: as promised.
    unsafe { with(it, work) }
}

/// The net chip has started again: nothing is joined, nothing is under way.
///
/// # Safety
/// it comes from pintle_virtual_new.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_reset(it: *mut PintleVirtual) -> PintleCode {
    let work = |it: &mut PintleVirtual| {
        it.board.reset();
        Ok(())
    };
    // SAFETY: as promised.
    unsafe { with(it, work) }
}

/// Time goes on by one second; event gets what the radio reports. Its body is good until the next
/// call.
///
/// # Safety
/// it comes from pintle_virtual_new; event can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_virtual_second(
    it: *mut PintleVirtual,
    event: *mut PintleEvent,
) -> PintleCode {
    let work = |it: &mut PintleVirtual| {
        it.board.second(&it.air);
        it.yard.second();
        let mut out = PintleEvent {
            kind: PintleEventKind::Nothing as u8,
            join_fault: 0,
            rssi_dbm: 0,
            status: 0,
            body: core::ptr::null(),
            body_len: 0,
            base: core::ptr::null(),
            base_len: 0,
            key: [0; 32],
        };
        let kind = match it.board.take_pending() {
            None => PintleEventKind::Nothing,
            Some(Pending::Join(Ok(rssi_dbm))) => {
                out.rssi_dbm = rssi_dbm;
                PintleEventKind::Joined
            }
            Some(Pending::Join(Err(why))) => {
                out.join_fault = match why {
                    JoinFault::NotFound => PintleJoinFault::NotFound,
                    JoinFault::WrongPassphrase => PintleJoinFault::WrongPassphrase,
                    JoinFault::NoAddress => PintleJoinFault::NoAddress,
                } as u8;
                PintleEventKind::JoinFailed
            }
            Some(Pending::Lost) => PintleEventKind::Lost,
            Some(Pending::Silence) => PintleEventKind::NoResponse,
            Some(Pending::Found(advert)) => {
                it.base = advert.base;
                (out.base, out.base_len, out.key) = (it.base.as_ptr().cast(), it.base.len(), advert.key);
                PintleEventKind::Found
            }
            Some(Pending::Request { base, .. }) if it.only_at.as_ref().is_some_and(|only| *only != base) => {
                PintleEventKind::NoResponse
            }
            Some(Pending::Request { request, .. }) => {
                (out.status, it.body) = it.yard.answer(&request);
                (out.body, out.body_len) = (it.body.as_ptr(), it.body.len());
                PintleEventKind::Response
            }
        };
        out.kind = kind as u8;
        // SAFETY: as promised.
        unsafe { raw::put(event, out) }
    };
    // SAFETY: as promised.
    unsafe { with(it, work) }
}
