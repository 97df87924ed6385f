//! Packed images: a chip's firmware, checked against its board, with its signed envelope.
//!
//! ```text
//! images/BOARD/net-1.2.0/payload.bin     the image as it will lie in flash
//!                        image.toml      what it is
//!                        envelope.suit   signed with the image key
//!                        way-back.suit   signed beforehand: returns to another image
//! ```

mod pack;
#[cfg(test)]
mod tests;

pub use pack::{PackError, PackRequest, Packing, pack};

use crate::yard::files::{self, FileError};
use crate::yard::strict::{self, ReadError};
use crate::yard::{Yard, YardError};
use pintle_protocol::id::{Chip, Digest, Uuid16};
use pintle_protocol::image::Quirk;
use pintle_protocol::order::Speaks;
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use thiserror::Error;

/// Largest payload that is read back from a yard, in bytes.
const MAX_PAYLOAD: u64 = 64 << 20;

/// A packed image.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Packed {
    /// Its name within the board: `net-1.2.0`.
    pub name: String,
    /// The board, by the name of its file.
    pub board: String,
    /// The chip.
    pub chip: Chip,
    /// Version, from its note.
    pub version: Version,
    /// SHA-256 of the payload.
    pub digest: Digest,
    /// Bytes in the payload.
    pub size: u32,
    /// Class identifier.
    pub class: Uuid16,
    /// Link versions, from its note.
    pub link: LinkRange,
    /// Actuation profile, from its note.
    pub profile: ActuationProfile,
    /// How it misbehaves; anything but `None` is for rehearsals.
    pub quirk: Quirk,
    dir: PathBuf,
}

impl Packed {
    /// What it speaks, for the order of updates.
    pub const fn speaks(&self) -> Speaks {
        Speaks { link: self.link, profile: self.profile }
    }

    /// Its directory.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// Reads its payload, and checks that it is what was packed.
    ///
    /// # Errors
    /// [`LibraryError`] if it cannot be read or has changed.
    pub fn payload(&self) -> Result<Vec<u8>, LibraryError> {
        let path = self.dir.join("payload.bin");
        let bytes = files::read_bytes(&path, MAX_PAYLOAD)?;
        if Digest::of(&bytes) != self.digest {
            return Err(LibraryError::Changed { path, expected: self.digest, found: Digest::of(&bytes) });
        }
        Ok(bytes)
    }
}

/// `image.toml`.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ImageFile {
    chip: String,
    version: String,
    digest: String,
    size: u32,
    class: String,
    /// Oldest and newest.
    link: [u8; 2],
    /// Identifier and version.
    profile: [u16; 2],
    #[serde(default)]
    quirk: u8,
    /// The file it was packed from.
    from: String,
    /// Its format.
    format: String,
}

/// Why packed images cannot be read.
#[derive(Debug, Error)]
pub enum LibraryError {
    /// A file cannot be read.
    #[error(transparent)]
    File(#[from] FileError),
    /// An `image.toml` is not what it should be.
    #[error(transparent)]
    Unreadable(#[from] strict::Unreadable),
    /// An `image.toml` with an impossible value.
    #[error("{}: `{key}` is `{found}`, which cannot be", path.display())]
    Value {
        /// The file.
        path: PathBuf,
        /// The key.
        key: &'static str,
        /// What stands there.
        found: String,
    },
    /// A payload that is another than it was.
    #[error("{} has changed since it was packed: its digest is {found}, not {expected}", path.display())]
    Changed {
        /// The file.
        path: PathBuf,
        /// Digest when it was packed.
        expected: Digest,
        /// Digest now.
        found: Digest,
    },
    /// No image of that name.
    #[error("there is no packed image `{name}`")]
    NoImage {
        /// The name.
        name: String,
        /// The one that was probably meant.
        nearest: Option<String>,
    },
}

impl From<ReadError> for LibraryError {
    fn from(error: ReadError) -> Self {
        match error {
            ReadError::File(e) => Self::File(e),
            ReadError::Unreadable(e) => Self::Unreadable(e),
        }
    }
}

impl From<LibraryError> for YardError {
    fn from(error: LibraryError) -> Self {
        Self::Library(Box::new(error))
    }
}

/// Every packed image of a yard, by board and version.
#[derive(Clone, Debug, Default)]
pub struct Library {
    /// The images.
    pub images: Vec<Packed>,
}

impl Library {
    /// Reads what is in `images/`.
    ///
    /// # Errors
    /// [`LibraryError`], naming file and key.
    pub fn read(yard: &Yard) -> Result<Self, LibraryError> {
        let mut images = Vec::new();
        for (board, board_dir) in directories(&yard.path("images"))? {
            for (name, dir) in directories(&board_dir)? {
                // What was being packed when the power went is not there.
                if name.ends_with(".part") {
                    continue;
                }
                images.push(read_one(&board, &name, &dir)?);
            }
        }
        images.sort_by(|a, b| {
            (&a.board, a.chip, a.version, &a.name).cmp(&(&b.board, b.chip, b.version, &b.name))
        });
        Ok(Self { images })
    }

    /// Those called `name`, one for each board that has one.
    ///
    /// # Errors
    /// [`LibraryError::NoImage`] if there is none.
    pub fn named(&self, name: &str) -> Result<Vec<&Packed>, LibraryError> {
        let found: Vec<_> = self.images.iter().filter(|i| i.name == name).collect();
        if found.is_empty() {
            let known = self.images.iter().map(|i| i.name.as_str());
            let nearest = crate::yard::names::nearest(name, known).map(str::to_owned);
            return Err(LibraryError::NoImage { name: name.to_owned(), nearest });
        }
        Ok(found)
    }

    /// The image with this digest.
    pub fn with_digest(&self, digest: &Digest) -> Option<&Packed> {
        self.images.iter().find(|i| i.digest == *digest)
    }
}

fn directories(dir: &Path) -> Result<Vec<(String, PathBuf)>, FileError> {
    let failed = |error| FileError::Read { path: dir.to_owned(), error };
    let entries = match std::fs::read_dir(dir) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(failed(e)),
    };
    let mut found = Vec::new();
    for entry in entries {
        let path = entry.map_err(failed)?.path();
        let name = path.file_name().and_then(|n| n.to_str()).filter(|_| path.is_dir());
        if let Some(name) = name {
            found.push((name.to_owned(), path.clone()));
        }
    }
    found.sort();
    Ok(found)
}

fn read_one(board: &str, name: &str, dir: &Path) -> Result<Packed, LibraryError> {
    let path = dir.join("image.toml");
    let file: ImageFile = strict::read(&path)?;
    let wrong = |key, found: &dyn std::fmt::Display| LibraryError::Value {
        path: path.clone(),
        key,
        found: found.to_string(),
    };
    let chip = Chip::ALL.into_iter().find(|c| c.word() == file.chip);
    let [oldest, newest] = file.link;
    let [id, version] = file.profile;
    let profile_version = u8::try_from(version).map_err(|_| wrong("profile", &version))?;
    Ok(Packed {
        name: name.to_owned(),
        board: board.to_owned(),
        chip: chip.ok_or_else(|| wrong("chip", &file.chip))?,
        version: Version::parse(&file.version).ok_or_else(|| wrong("version", &file.version))?,
        digest: Digest::parse(&file.digest).map_err(|_| wrong("digest", &file.digest))?,
        size: file.size,
        class: Uuid16::parse(&file.class).map_err(|_| wrong("class", &file.class))?,
        link: LinkRange::new(oldest, newest).ok_or_else(|| wrong("link", &format!("{oldest}, {newest}")))?,
        profile: ActuationProfile { id, version: profile_version },
        quirk: Quirk::ALL
            .into_iter()
            .find(|q| q.byte() == file.quirk)
            .ok_or_else(|| wrong("quirk", &file.quirk))?,
        dir: dir.to_owned(),
    })
}
