//! The note by which an image says what it is.

use crate::code::PintleCode;
use crate::raw;
use pintle_protocol::id::{Chip, Uuid16};
use pintle_protocol::image::{ImageNote, Quirk};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};

/// What an image says about itself.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PintleNote {
    /// The chip it runs on: 1 net, 2 io.
    pub chip: u8,
    /// Oldest link version that it speaks.
    pub link_oldest: u8,
    /// Newest link version, not below the oldest.
    pub link_newest: u8,
    /// Version of its actuation profile.
    pub profile_version: u8,
    /// Its actuation profile.
    pub profile_id: u16,
    /// Its version: major, minor, patch.
    pub version: [u16; 3],
    /// The class of board it is built for (UUID).
    pub class_id: [u8; 16],
}

/// Writes the note of an image: PINTLE_NOTE_LEN bytes, to be placed at a multiple of 16 in it. For a
/// small program on a PC that makes a C table of them; an image carries exactly one.
///
/// # Safety
/// note is good; out has room for PINTLE_NOTE_LEN bytes.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_note_encode(note: *const PintleNote, out: *mut u8) -> PintleCode {
    // SAFETY: as promised.
    let written = unsafe { raw::get(note) }.and_then(|n| {
        let [major, minor, patch] = n.version;
        let note = ImageNote {
            chip: match n.chip {
                1 => Chip::Net,
                2 => Chip::Io,
                _ => return Err(PintleCode::Range),
            },
            version: Version::new(major, minor, patch),
            link: LinkRange::new(n.link_oldest, n.link_newest).ok_or(PintleCode::Range)?,
            profile: ActuationProfile { id: n.profile_id, version: n.profile_version },
            class: Uuid16(n.class_id),
            quirk: Quirk::None,
        };
        // SAFETY: as promised.
        unsafe { raw::copy(&note.encode(), out) }
    });
    PintleCode::of(written)
}

/// Finds and reads the one note in an image. PINTLE_CODE_NOTE: none, two, or a damaged one.
///
/// # Safety
/// image is good for len bytes; note can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_note_find(image: *const u8, len: usize, note: *mut PintleNote) -> PintleCode {
    // SAFETY: as promised.
    let image = unsafe { raw::bytes(image, len) };
    let read = image.and_then(|image| {
        let n = ImageNote::find(image).map_err(|_| PintleCode::Note)?;
        let value = PintleNote {
            chip: n.chip.index() as u8 + 1,
            link_oldest: n.link.oldest,
            link_newest: n.link.newest,
            profile_version: n.profile.version,
            profile_id: n.profile.id,
            version: [n.version.major, n.version.minor, n.version.patch],
            class_id: n.class.0,
        };
        // SAFETY: as promised.
        unsafe { raw::put(note, value) }
    });
    PintleCode::of(read)
}
