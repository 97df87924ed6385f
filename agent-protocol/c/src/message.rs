//! The io chip's side of the link: questions read, answers written.

use crate::code::{PINTLE_DATA_MAX, PINTLE_SETTINGS, PintleCode};
use crate::frame::frame_out;
use crate::raw;
use pintle_protocol::bundle::sum_of;
use pintle_protocol::checkin::Position;
use pintle_protocol::link::{Answer, Ask, Hello, Mode, Status, decode_frame};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};

/// What the net chip asks. There is no question that moves the door.
#[repr(u8)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PintleAskKind {
    /// Who are you? link_oldest, link_newest, profile_id, profile_version: the net chip's.
    Hello = 1,
    /// How is the door?
    Status = 2,
    /// Keep the relay off (on is 1), or stop doing so (on is 0).
    Inhibit = 3,
    /// Leave the application for the loader.
    EnterLoader = 4,
    /// An image of value bytes comes.
    Begin = 5,
    /// Half of the image's digest: on (0 or 1), bytes.
    Digest = 6,
    /// Image bytes: value (their offset), bytes.
    Data = 7,
    /// Check the digest.
    Finish = 8,
    /// Start the application.
    Start = 9,
    /// One setting of the bundle in force: key, value. They count only when the last one has come.
    Setting = 10,
}

/// A question of the net chip, taken apart. Members that do not belong to its kind are 0.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintleAsk {
    /// A PintleAskKind.
    pub kind: u8,
    /// Sequence number, to be repeated in the answer.
    pub sequence: u8,
    /// Oldest link version that the net chip speaks.
    pub link_oldest: u8,
    /// Newest link version that it speaks.
    pub link_newest: u8,
    /// Its actuation profile.
    pub profile_id: u16,
    /// Version of that.
    pub profile_version: u8,
    /// 1 or 0.
    pub on: u8,
    /// Key of a setting, 0 to PINTLE_SETTINGS - 1.
    pub key: u8,
    /// Bytes in bytes.
    pub len: u8,
    /// Size, offset, or a setting's value.
    pub value: u32,
    /// Half a digest, or image bytes.
    pub bytes: [u8; PINTLE_DATA_MAX],
}

/// What the io chip runs.
#[repr(u8)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PintleMode {
    /// Its loader; the relay is off.
    Loader = 0,
    /// Its application.
    Application = 1,
}

/// Who the io chip is.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintleHello {
    /// A PintleMode.
    pub mode: u8,
    /// Oldest link version that its application speaks.
    pub link_oldest: u8,
    /// Newest link version, not below the oldest.
    pub link_newest: u8,
    /// Version of its actuation profile.
    pub profile_version: u8,
    /// Its actuation profile.
    pub profile_id: u16,
    /// Its version: major, minor, patch.
    pub version: [u16; 3],
    /// First eight bytes of its SHA-256 as the loader measured it; all 0 while there is no whole image.
    pub digest: [u8; 8],
}

/// What the io chip sees of the door. For each yes or no: 0 is no, anything else is yes. What is not
/// known must be said so that an update waits: position 0, moving 1, plausible 0.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintleDoorStatus {
    /// A PintlePosition.
    pub position: u8,
    /// It moves.
    pub moving: u8,
    /// A relay pulse is in progress.
    pub relay_pulse: u8,
    /// An unattended close is pending.
    pub close_pending: u8,
    /// The warning before one sounds.
    pub warning: u8,
    /// Somebody is at the button.
    pub button: u8,
    /// The gas alarm sounds.
    pub gas_alarm: u8,
    /// All fitted sensors give plausible readings.
    pub plausible: u8,
    /// The relay is inhibited.
    pub inhibited: u8,
    /// At rest for this many seconds; stays at 65535.
    pub rest_seconds: u16,
    /// Supply voltage, in millivolts.
    pub supply_mv: u16,
    /// pintle_settings_sum of the settings in force; 0 before the first.
    pub settings: u16,
    /// Pulses that the relay has given since the board was made.
    pub relay_pulses: u32,
}

fn flat(sequence: u8, ask: &Ask) -> PintleAsk {
    let mut out = PintleAsk { sequence, ..PintleAsk::default() };
    let mut bytes: &[u8] = &[];
    let kind = match ask {
        Ask::Hello { link, profile } => {
            (out.link_oldest, out.link_newest) = (link.oldest, link.newest);
            (out.profile_id, out.profile_version) = (profile.id, profile.version);
            PintleAskKind::Hello
        }
        Ask::Status => PintleAskKind::Status,
        Ask::Inhibit(on) => {
            out.on = (*on).into();
            PintleAskKind::Inhibit
        }
        Ask::EnterLoader => PintleAskKind::EnterLoader,
        Ask::Begin { size } => {
            out.value = *size;
            PintleAskKind::Begin
        }
        Ask::Digest { half, bytes: part } => {
            (out.on, bytes) = (*half, part);
            PintleAskKind::Digest
        }
        Ask::Data { offset, bytes: part } => {
            (out.value, bytes) = (*offset, part);
            PintleAskKind::Data
        }
        Ask::Finish => PintleAskKind::Finish,
        Ask::Start => PintleAskKind::Start,
        Ask::Setting { key, value } => {
            (out.key, out.value) = (*key, *value);
            PintleAskKind::Setting
        }
    };
    out.kind = kind as u8;
    out.len = bytes.len() as u8;
    for (to, from) in out.bytes.iter_mut().zip(bytes) {
        *to = *from;
    }
    out
}

/// The question in a frame, with its sequence number.
pub(crate) fn ask_in(frame: &[u8]) -> Result<(u8, Ask), PintleCode> {
    let (kind, sequence, payload) = decode_frame(frame).map_err(|_| PintleCode::Frame)?;
    let ask = Ask::decode(kind, payload).ok_or(PintleCode::Message)?;
    if let Ask::Setting { key, .. } = ask
        && usize::from(key) >= PINTLE_SETTINGS
    {
        return Err(PintleCode::Message);
    }
    Ok((sequence, ask))
}

/// Writes an answer.
///
/// # Safety
/// `out` is null or has room for a frame; `out_len` is null or can be written.
pub(crate) unsafe fn answer_out(
    sequence: u8,
    answer: &Answer,
    out: *mut u8,
    out_len: *mut usize,
) -> Result<(), PintleCode> {
    let (kind, payload) = answer.encode();
    // SAFETY: as promised.
    unsafe { frame_out(kind, sequence, &payload, out, out_len) }
}

/// Reads a question of the net chip from a frame. A chip does not answer what is no question.
///
/// # Safety
/// frame is good for len bytes; ask can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_ask_decode(frame: *const u8, len: usize, ask: *mut PintleAsk) -> PintleCode {
    // SAFETY: as promised.
    let frame = unsafe { raw::bytes(frame, len) };
    let read = frame.and_then(ask_in).and_then(|(sequence, found)| {
        // SAFETY: as promised.
        unsafe { raw::put(ask, flat(sequence, &found)) }
    });
    PintleCode::of(read)
}

/// Writes the answer to PINTLE_ASK_KIND_HELLO: a frame of *out_len bytes, with zeros behind it.
///
/// # Safety
/// hello is good; out has room for PINTLE_FRAME_MAX bytes; out_len can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_answer_hello(
    sequence: u8,
    hello: *const PintleHello,
    out: *mut u8,
    out_len: *mut usize,
) -> PintleCode {
    // SAFETY: as promised.
    let written = unsafe { raw::get(hello) }.and_then(|h| {
        let [major, minor, patch] = h.version;
        let answer = Answer::Hello(Hello {
            mode: match h.mode {
                0 => Mode::Loader,
                1 => Mode::Application,
                _ => return Err(PintleCode::Range),
            },
            version: Version::new(major, minor, patch),
            link: LinkRange::new(h.link_oldest, h.link_newest).ok_or(PintleCode::Range)?,
            profile: ActuationProfile { id: h.profile_id, version: h.profile_version },
            digest: h.digest,
        });
        // SAFETY: as promised.
        unsafe { answer_out(sequence, &answer, out, out_len) }
    });
    PintleCode::of(written)
}

/// Writes the answer to PINTLE_ASK_KIND_STATUS: a frame of *out_len bytes, with zeros behind it.
///
/// # Safety
/// door is good; out has room for PINTLE_FRAME_MAX bytes; out_len can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_answer_status(
    sequence: u8,
    door: *const PintleDoorStatus,
    out: *mut u8,
    out_len: *mut usize,
) -> PintleCode {
    // SAFETY: as promised.
    let written = unsafe { raw::get(door) }.and_then(|d| {
        let answer = Answer::Status(Status {
            position: position_in(d.position).ok_or(PintleCode::Range)?,
            moving: d.moving != 0,
            relay_pulse: d.relay_pulse != 0,
            close_pending: d.close_pending != 0,
            warning: d.warning != 0,
            button: d.button != 0,
            gas_alarm: d.gas_alarm != 0,
            plausible: d.plausible != 0,
            inhibited: d.inhibited != 0,
            rest_seconds: d.rest_seconds,
            supply_mv: d.supply_mv,
            relay_pulses: d.relay_pulses,
            settings: d.settings,
        });
        // SAFETY: as promised.
        unsafe { answer_out(sequence, &answer, out, out_len) }
    });
    PintleCode::of(written)
}

/// Reads a PintlePosition.
pub(crate) const fn position_in(position: u8) -> Option<Position> {
    Some(match position {
        0 => Position::Unknown,
        1 => Position::Open,
        2 => Position::PartlyOpen,
        3 => Position::Closed,
        _ => return None,
    })
}

/// Writes the answer "done": a frame of *out_len bytes, with zeros behind it. next is 0, but for
/// image questions, which pintle_loader_frame answers by itself.
///
/// # Safety
/// out has room for PINTLE_FRAME_MAX bytes; out_len can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_answer_done(
    sequence: u8,
    next: u32,
    out: *mut u8,
    out_len: *mut usize,
) -> PintleCode {
    // SAFETY: as promised.
    PintleCode::of(unsafe { answer_out(sequence, &Answer::Done { next }, out, out_len) })
}

/// Writes the answer "not done": a frame of *out_len bytes, with zeros behind it.
///
/// # Safety
/// out has room for PINTLE_FRAME_MAX bytes; out_len can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_answer_no(sequence: u8, out: *mut u8, out_len: *mut usize) -> PintleCode {
    // SAFETY: as promised.
    PintleCode::of(unsafe { answer_out(sequence, &Answer::No, out, out_len) })
}

/// The sum over all settings in the order of their keys, by which both chips know that they go by the
/// same. count must be PINTLE_SETTINGS.
///
/// # Safety
/// values is good for count numbers; sum can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_settings_sum(values: *const u32, count: usize, sum: *mut u16) -> PintleCode {
    if count != PINTLE_SETTINGS {
        return PintleCode::Length;
    }
    // SAFETY: as promised, and the count is right.
    let values = unsafe { raw::get(values.cast::<[u32; PINTLE_SETTINGS]>()) };
    // SAFETY: as promised.
    PintleCode::of(values.and_then(|v| unsafe { raw::put(sum, sum_of(v.iter().copied())) }))
}
