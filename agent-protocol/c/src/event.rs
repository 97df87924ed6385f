//! What goes to the server and what the radio reports.

use crate::code::PintleCode;
use crate::raw;
use core::ffi::c_char;
use pintle_protocol::board::{Event, JoinFault, Request};

/// A request to the server, in HTTP/1.1. All pointers are good until the callback returns.
#[repr(C)]
pub struct PintleRequest {
    /// "GET" or "POST", ended by a zero.
    pub method: *const c_char,
    /// The server's base address, such as "https://192.0.2.7:8443", ended by a zero.
    pub base: *const c_char,
    /// What to put behind it, such as "/node/check-in", ended by a zero.
    pub path: *const c_char,
    /// What to send, with the content type application/cbor; null for GET.
    pub body: *const u8,
    /// Its bytes; 0 for GET.
    pub body_len: usize,
    /// First byte wanted: with range_len, for the header `Range: bytes=<first>-<last>`.
    pub range_first: u32,
    /// Bytes wanted; 0: all, no Range.
    pub range_len: u32,
}

/// Translates a request. `base` and `path` are ended by zeros.
pub(crate) fn request_out(base: &[u8], path: &[u8], request: &Request<'_>) -> PintleRequest {
    let body = request.body();
    let (range_first, range_len) = request.range().unwrap_or((0, 0));
    let method = if body.is_some() { c"POST" } else { c"GET" };
    PintleRequest {
        method: method.as_ptr(),
        base: base.as_ptr().cast(),
        path: path.as_ptr().cast(),
        body: body.map_or(core::ptr::null(), <[u8]>::as_ptr),
        body_len: body.map_or(0, <[u8]>::len),
        range_first,
        range_len,
    }
}

/// Kinds of event.
#[repr(u8)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PintleEventKind {
    /// Nothing.
    Nothing = 0,
    /// The network is joined: rssi_dbm.
    Joined = 1,
    /// The network was not joined: join_fault.
    JoinFailed = 2,
    /// The network is gone.
    Lost = 3,
    /// The server answered: status, body, body_len.
    Response = 4,
    /// The server did not answer, or is not the one whose certificate is pinned.
    NoResponse = 5,
    /// A server was heard on the local link: base, base_len, key. Nothing it says is believed for that.
    Found = 6,
}

/// Why a network was not joined.
#[repr(u8)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PintleJoinFault {
    /// Not on the air.
    NotFound = 0,
    /// The passphrase was refused.
    WrongPassphrase = 1,
    /// No address was given.
    NoAddress = 2,
}

/// Something that the radio reports.
#[repr(C)]
pub struct PintleEvent {
    /// A PintleEventKind; only the members that stand with it are looked at.
    pub kind: u8,
    /// A PintleJoinFault.
    pub join_fault: u8,
    /// Signal, in dBm.
    pub rssi_dbm: i8,
    /// HTTP status, 100 to 599.
    pub status: u16,
    /// The answer's body; null for none. Of one longer than PINTLE_BODY_MAX, hand over the first
    /// PINTLE_BODY_MAX + 1 bytes: the node will refuse it.
    pub body: *const u8,
    /// Its bytes.
    pub body_len: usize,
    /// Base address of a server that was heard: "https://" ("http://" if TXT tls is 0), the SRV record's
    /// target without the last dot, ":" and its port.
    pub base: *const c_char,
    /// Its characters, at most 64; a zero behind them is not needed.
    pub base_len: usize,
    /// The 32 bytes that TXT key has in hex.
    pub key: [u8; 32],
}

/// Reads an event.
///
/// # Safety
/// If `event` is not null, it points to an event whose body and base are good for their lengths during `'a`.
pub(crate) unsafe fn event_in<'a>(event: *const PintleEvent) -> Result<Event<'a>, PintleCode> {
    const JOINED: u8 = PintleEventKind::Joined as u8;
    const JOIN_FAILED: u8 = PintleEventKind::JoinFailed as u8;
    const LOST: u8 = PintleEventKind::Lost as u8;
    const RESPONSE: u8 = PintleEventKind::Response as u8;
    const NO_RESPONSE: u8 = PintleEventKind::NoResponse as u8;
    const FOUND: u8 = PintleEventKind::Found as u8;
    if event.is_null() {
        return Ok(Event::Nothing);
    }
    // SAFETY: the caller promised an event.
    let event = unsafe { raw::get(event) }?;
    Ok(match event.kind {
        0 => Event::Nothing,
        JOINED => Event::Joined { rssi_dbm: event.rssi_dbm },
        JOIN_FAILED => Event::JoinFailed(match event.join_fault {
            0 => JoinFault::NotFound,
            1 => JoinFault::WrongPassphrase,
            2 => JoinFault::NoAddress,
            _ => return Err(PintleCode::Range),
        }),
        LOST => Event::Lost,
        RESPONSE => {
            if !(100..=599).contains(&event.status) {
                return Err(PintleCode::Range);
            }
            // SAFETY: the caller promised a body that is good for its length.
            let body = unsafe { raw::bytes(event.body, event.body_len) }?;
            Event::Response { status: event.status, body }
        }
        NO_RESPONSE => Event::NoResponse,
        FOUND => {
            // SAFETY: the caller promised a base that is good for its length.
            let base = unsafe { raw::bytes(event.base.cast::<u8>(), event.base_len) }?;
            let base = core::str::from_utf8(base).map_err(|_| PintleCode::Range)?;
            Event::Found { base, key: event.key }
        }
        _ => return Err(PintleCode::Range),
    })
}
