//! Reading and writing files so that nothing is half written and nothing is lost.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use thiserror::Error;

/// A file that could not be read or written.
#[derive(Debug, Error)]
pub enum FileError {
    /// Reading failed.
    #[error("{} cannot be read: {error}", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// Why.
        error: io::Error,
    },
    /// Writing failed.
    #[error("{} cannot be written: {error}", path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// Why.
        error: io::Error,
    },
    /// The file is there already and is not overwritten.
    #[error("{} is there already; nothing was changed", .0.display())]
    Exists(PathBuf),
    /// The file is larger than anything that belongs there.
    #[error("{} has {size} bytes; {most} are the most that belong there", path.display())]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// Its size in bytes.
        size: u64,
        /// The most allowed.
        most: u64,
    },
    /// The file is no UTF-8 text.
    #[error("{} is no text: byte {at} is no UTF-8", path.display())]
    NotText {
        /// The file.
        path: PathBuf,
        /// Offset of the first bad byte.
        at: usize,
    },
}

/// Largest text file of a yard, in bytes.
const MAX_TEXT: u64 = 1 << 20;

/// Reads at most `most` bytes.
///
/// # Errors
/// [`FileError::Read`] or [`FileError::TooLarge`].
pub fn read_bytes(path: &Path, most: u64) -> Result<Vec<u8>, FileError> {
    use io::Read;
    let failed = |error| FileError::Read { path: path.to_owned(), error };
    let file = File::open(path).map_err(failed)?;
    let mut bytes = Vec::new();
    file.take(most + 1).read_to_end(&mut bytes).map_err(failed)?;
    if bytes.len() as u64 > most {
        let size = fs::metadata(path).map_or(most + 1, |m| m.len());
        return Err(FileError::TooLarge { path: path.to_owned(), size, most });
    }
    Ok(bytes)
}

/// Reads a text file of a yard, at most 1 MiB.
///
/// # Errors
/// [`FileError`] if it is missing, too large or no UTF-8.
pub fn read_text(path: &Path) -> Result<String, FileError> {
    String::from_utf8(read_bytes(path, MAX_TEXT)?)
        .map_err(|e| FileError::NotText { path: path.to_owned(), at: e.utf8_error().valid_up_to() })
}

/// Who may read a new file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Readers {
    /// As the system is set.
    Usual,
    /// The owner alone, where the system knows owners.
    Owner,
}

/// Writes a file that must not be there yet.
///
/// # Errors
/// [`FileError::Exists`] if it is there, [`FileError::Write`] otherwise.
pub fn write_new(path: &Path, bytes: &[u8], readers: Readers) -> Result<(), FileError> {
    let failed = |error: io::Error| match error.kind() {
        io::ErrorKind::AlreadyExists => FileError::Exists(path.to_owned()),
        _ => FileError::Write { path: path.to_owned(), error },
    };
    let mut file = create(path, readers).map_err(failed)?;
    file.write_all(bytes).and_then(|()| file.sync_all()).map_err(failed)?;
    sync_dir(path)
}

/// Replaces a file, or makes it: writes another one beside it, then renames. A power cut
/// leaves the old one or the new one.
///
/// # Errors
/// [`FileError::Write`].
pub fn replace(path: &Path, bytes: &[u8], readers: Readers) -> Result<(), FileError> {
    let failed = |error| FileError::Write { path: path.to_owned(), error };
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(format!(".{}.part", std::process::id()));
    let beside = path.with_file_name(name);
    let _ = fs::remove_file(&beside);
    let written = create(&beside, readers)
        .and_then(|mut file| file.write_all(bytes).and_then(|()| file.sync_all()))
        .and_then(|()| fs::rename(&beside, path));
    if written.is_err() {
        let _ = fs::remove_file(&beside);
    }
    written.map_err(failed)?;
    sync_dir(path)
}

/// Makes a directory and those above it.
///
/// # Errors
/// [`FileError::Write`].
pub fn make_dir(path: &Path) -> Result<(), FileError> {
    fs::create_dir_all(path).map_err(|error| FileError::Write { path: path.to_owned(), error })
}

/// The files in a directory whose name ends with `.extension`, by their name without it, in
/// order. A missing directory holds none.
///
/// # Errors
/// [`FileError::Read`].
pub fn list(dir: &Path, extension: &str) -> Result<Vec<(String, PathBuf)>, FileError> {
    let failed = |error| FileError::Read { path: dir.to_owned(), error };
    let entries = match fs::read_dir(dir) {
        Ok(entries) => entries,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(failed(e)),
    };
    let mut found = Vec::new();
    for entry in entries {
        let path = entry.map_err(failed)?.path();
        let stem = path.file_stem().and_then(|s| s.to_str());
        if let Some(stem) = stem.filter(|_| path.extension().is_some_and(|e| e == extension)) {
            found.push((stem.to_owned(), path.clone()));
        }
    }
    found.sort();
    Ok(found)
}

fn create(path: &Path, readers: Readers) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    if readers == Readers::Owner {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    #[cfg(not(unix))]
    let _ = readers;
    options.open(path)
}

/// Makes a rename or a new name durable, where directories can be synced.
fn sync_dir(path: &Path) -> Result<(), FileError> {
    #[cfg(unix)]
    if let Some(dir) = path.parent().filter(|d| !d.as_os_str().is_empty()) {
        File::open(dir)
            .and_then(|d| d.sync_all())
            .map_err(|error| FileError::Write { path: dir.to_owned(), error })?;
    }
    #[cfg(not(unix))]
    let _ = path;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn new_files_never_overwrite_and_replaced_ones_leave_nothing_beside() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.toml");
        write_new(&path, b"one", Readers::Usual).unwrap();
        assert!(matches!(write_new(&path, b"two", Readers::Usual), Err(FileError::Exists(_))));
        assert_eq!(read_text(&path).unwrap(), "one");
        replace(&path, b"three", Readers::Owner).unwrap();
        assert_eq!(read_text(&path).unwrap(), "three");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
        assert_eq!(list(dir.path(), "toml").unwrap(), vec![("a".to_owned(), path)]);
    }

    #[test]
    fn what_is_no_text_or_too_large_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("x");
        write_new(&path, b"ab\xff", Readers::Usual).unwrap();
        assert!(matches!(read_text(&path), Err(FileError::NotText { at: 2, .. })));
        assert!(matches!(read_bytes(&path, 2), Err(FileError::TooLarge { size: 3, most: 2, .. })));
    }

    #[cfg(unix)]
    #[test]
    fn secrets_are_for_the_owner_alone() {
        use std::os::unix::fs::PermissionsExt;
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("s");
        replace(&path, b"", Readers::Owner).unwrap();
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
    }
}
