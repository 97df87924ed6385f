//! Packing one firmware file.

use super::{ImageFile, Library, LibraryError, Packed};
use crate::firmware::{self, Expect, FirmwareError};
use crate::seal::{self, Envelope, SealError};
use crate::yard::files::{self, FileError, Readers};
use crate::yard::sequences::SequenceError;
use crate::yard::{Unlocked, Yard, YardError};
use pintle_protocol::id::{Chip, Digest, Role, Uuid16};
use pintle_protocol::image::Quirk;
use std::path::PathBuf;
use thiserror::Error;

/// What to pack.
#[derive(Clone, Copy, Debug)]
pub struct PackRequest<'a> {
    /// Name of the firmware file, for error texts and `image.toml`.
    pub file: &'a str,
    /// Its content.
    pub bytes: &'a [u8],
    /// The chip it is for.
    pub chip: Chip,
    /// The board it is for, by the name of the board's file.
    pub board: &'a str,
    /// Whether images that misbehave on purpose are taken.
    pub rehearsal: bool,
    /// Name of the packed image that `way-back.suit` returns to.
    pub way_back_to: Option<&'a str>,
}

/// What was packed.
#[derive(Clone, Debug)]
pub struct Packing {
    /// The image.
    pub image: Packed,
    /// Its envelope; `None` if the same image was packed before.
    pub envelope: Option<Envelope>,
    /// The way back, if one was asked for.
    pub way_back: Option<Envelope>,
}

/// Why a firmware file is not packed. Nothing is written then.
#[derive(Debug, Error)]
pub enum PackError {
    /// No such board.
    #[error("there is no board `{board}` in boards/")]
    NoBoard {
        /// The name.
        board: String,
        /// The one that was probably meant.
        nearest: Option<String>,
    },
    /// The file cannot be read as firmware.
    #[error(transparent)]
    Firmware(#[from] FirmwareError),
    /// It does not fit into a slot.
    #[error("{file}: the image has {size} bytes, a {chip} slot of board `{board}` holds {room}")]
    TooLarge {
        /// The file.
        file: String,
        /// Bytes in the image.
        size: usize,
        /// The chip.
        chip: Chip,
        /// The board.
        board: String,
        /// Bytes in a slot.
        room: u32,
    },
    /// It is built for another class of board.
    #[error("{file}: it is built for board class {found}, board `{board}` is of class {expected}")]
    OtherClass {
        /// The file.
        file: String,
        /// Class in the image note.
        found: Uuid16,
        /// The board.
        board: String,
        /// Class of the board.
        expected: Uuid16,
    },
    /// It misbehaves on purpose.
    #[error("{file}: this image misbehaves on purpose ({quirk:?}); it is for rehearsals only", quirk = quirk_word(*quirk))]
    Quirk {
        /// The file.
        file: String,
        /// How.
        quirk: Quirk,
    },
    /// Another image has the same version.
    #[error("{file}: image {name} of board `{board}` is there already, with other content")]
    SameVersion {
        /// The file.
        file: String,
        /// The name.
        name: String,
        /// The board.
        board: String,
        /// Digest of the one that is there.
        there: Digest,
    },
    /// The way back leads to an image of another chip or board.
    #[error("the way back to {to} is none: it is no {chip} image of board `{board}`")]
    WayBack {
        /// The image.
        to: String,
        /// The chip.
        chip: Chip,
        /// The board.
        board: String,
    },
    /// Packed images cannot be read.
    #[error(transparent)]
    Library(#[from] LibraryError),
    /// The envelope cannot be made.
    #[error(transparent)]
    Seal(#[from] SealError),
    /// Keys or files of the yard.
    #[error(transparent)]
    Yard(#[from] YardError),
    /// No sequence number can be had.
    #[error(transparent)]
    Sequence(#[from] SequenceError),
    /// A file cannot be written.
    #[error(transparent)]
    File(#[from] FileError),
}

/// The word for how an image misbehaves.
pub(crate) const fn quirk_word(quirk: Quirk) -> &'static str {
    match quirk {
        Quirk::None => "none",
        Quirk::MuteLink => "mute-link",
        Quirk::WrongPosition => "wrong-position",
        Quirk::NoCheckIn => "no-check-in",
        Quirk::ResetLoop => "reset-loop",
    }
}

/// Packs one firmware file: checks it against its board, signs an envelope and writes both to
/// `images/`.
///
/// # Errors
/// [`PackError`]; nothing is written then, though sequence numbers may be used up.
pub fn pack(yard: &Yard, unlocked: &Unlocked, request: PackRequest<'_>) -> Result<Packing, PackError> {
    let board = yard.boards.get(request.board).ok_or_else(|| PackError::NoBoard {
        board: request.board.to_owned(),
        nearest: crate::yard::names::nearest(request.board, yard.boards.keys().map(String::as_str))
            .map(str::to_owned),
    })?;
    let (file, chip) = (request.file.to_owned(), request.chip);
    let part = match chip {
        Chip::Net => &board.net,
        Chip::Io => &board.io,
    };
    let image = firmware::read(request.bytes, request.file, Expect { machine: part.machine, chip })?;
    let board_name = request.board.to_owned();
    let size = image.bytes.len();
    let fits = u32::try_from(size).ok().filter(|size| *size <= part.slot_bytes);
    let Some(size) = fits else {
        return Err(PackError::TooLarge { file, size, chip, board: board_name, room: part.slot_bytes });
    };
    let (found, expected) = (image.note.class, yard.class_of(board, chip));
    if found != expected {
        return Err(PackError::OtherClass { file, found, board: board_name, expected });
    }
    let quirk = image.note.quirk;
    if quirk != Quirk::None && !request.rehearsal {
        return Err(PackError::Quirk { file, quirk });
    }
    let mut name = format!("{chip}-{}", image.note.version);
    if quirk != Quirk::None {
        name = format!("{name}-{}", quirk_word(quirk));
    }
    let library = Library::read(yard)?;
    let digest = Digest::of(&image.bytes);
    let dir = yard.path(format!("images/{board_name}/{name}"));
    let packed = Packed {
        name: name.clone(),
        board: board_name.clone(),
        chip,
        version: image.note.version,
        digest,
        size,
        class: found,
        link: image.note.link,
        profile: image.note.profile,
        quirk,
        dir: dir.clone(),
    };
    let back = match request.way_back_to {
        None => None,
        Some(to) => {
            let fits = |i: &&&Packed| i.chip == chip && i.board == board_name && i.digest != digest;
            let found = library.named(to)?.iter().find(fits).map(|i| (*i).clone());
            Some(found.ok_or(PackError::WayBack { to: to.to_owned(), chip, board: board_name.clone() })?)
        }
    };
    if let Some(there) = library.images.iter().find(|i| i.board == board_name && i.name == name) {
        if there.digest != digest {
            return Err(PackError::SameVersion { file, name, board: board_name, there: there.digest });
        }
        if back.is_none() {
            return Ok(Packing { image: packed, envelope: None, way_back: None });
        }
    }
    let key = unlocked.signing_key(Role::Image)?;
    let mut numbers = yard.sequences()?.take(Role::Image, 1 + u64::from(back.is_some()))?;
    let mut sign = |image: &Packed| {
        let sequence = numbers.next().ok_or(SequenceError::UsedUp(Role::Image))?;
        Ok::<_, PackError>(seal::image_envelope(yard.vendor(), image, sequence, &key)?)
    };
    let envelope = sign(&packed)?;
    let way_back = back.as_ref().map(sign).transpose()?;
    let about = ImageFile {
        chip: chip.word().to_owned(),
        version: packed.version.to_string(),
        digest: digest.to_string(),
        size,
        class: found.to_string(),
        link: [packed.link.oldest, packed.link.newest],
        profile: [packed.profile.id, packed.profile.version.into()],
        quirk: quirk.byte(),
        from: request.file.to_owned(),
        format: image.format.to_string(),
    };
    write(&dir, &image.bytes, &about, &envelope, way_back.as_ref())?;
    Ok(Packing { image: packed, envelope: Some(envelope), way_back })
}

/// Writes all files of an image beside, then renames the directory.
fn write(
    dir: &std::path::Path,
    payload: &[u8],
    about: &ImageFile,
    envelope: &Envelope,
    way_back: Option<&Envelope>,
) -> Result<(), FileError> {
    let failed = |error| FileError::Write { path: dir.to_owned(), error };
    let beside = PathBuf::from(format!("{}.{}.part", dir.display(), std::process::id()));
    let _ = std::fs::remove_dir_all(&beside);
    let fill = || -> Result<(), FileError> {
        files::make_dir(&beside)?;
        let put = |name: &str, bytes: &[u8]| files::write_new(&beside.join(name), bytes, Readers::Usual);
        put("payload.bin", payload)?;
        put("image.toml", toml::to_string(about).unwrap_or_default().as_bytes())?;
        put("envelope.suit", &envelope.bytes)?;
        if let Some(way_back) = way_back {
            put("way-back.suit", &way_back.bytes)?;
        }
        // The same image, packed again for another way back.
        let _ = std::fs::remove_dir_all(dir);
        std::fs::rename(&beside, dir).map_err(failed)
    };
    let done = fill();
    if done.is_err() {
        let _ = std::fs::remove_dir_all(&beside);
    }
    done
}
