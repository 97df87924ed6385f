//! Copying files so that they last, and hashing them.

use super::{BackupFault, FileEntry};
use pintle_protocol::id::Digest;
use sha2::{Digest as _, Sha256};
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

/// The error for a path.
pub(super) fn at(path: &Path) -> impl FnOnce(io::Error) -> BackupFault {
    let path = path.to_owned();
    move |source| BackupFault::File { path, source }
}

/// Hashes a file. Returns size and SHA-256.
pub(super) fn hash(path: &Path) -> Result<(u64, Digest), BackupFault> {
    let file = File::open(path).map_err(at(path))?;
    pump(file, &mut io::sink()).map_err(at(path))
}

/// Copies a file to where none is, readable by its owner only, and syncs it. Returns size and
/// SHA-256 of what was read.
pub(super) fn copy(from: &Path, to: &Path) -> Result<(u64, Digest), BackupFault> {
    let source = File::open(from).map_err(at(from))?;
    let mut target = create(to).map_err(at(to))?;
    let done = pump(source, &mut target).map_err(at(to))?;
    target.sync_all().map_err(at(to))?;
    Ok(done)
}

/// Writes a new file, readable by its owner only, and syncs it.
pub(super) fn write(to: &Path, bytes: &[u8]) -> Result<(), BackupFault> {
    create(to).and_then(|mut file| file.write_all(bytes).and_then(|()| file.sync_all())).map_err(at(to))
}

/// Hashes a file of a backup as an entry of its list.
pub(super) fn entry(root: &Path, path: &str) -> Result<FileEntry, BackupFault> {
    let (size, sha256) = hash(&root.join(path))?;
    Ok(FileEntry { path: path.to_owned(), size, sha256 })
}

/// Makes a folder that only its owner may enter.
pub(super) fn make_folder(path: &Path) -> Result<(), BackupFault> {
    let mut builder = fs::DirBuilder::new();
    #[cfg(unix)]
    {
        use std::os::unix::fs::DirBuilderExt;
        builder.mode(0o700);
    }
    builder.create(path).map_err(at(path))
}

/// Makes names in a folder last.
pub(super) fn sync_folder(path: &Path) -> Result<(), BackupFault> {
    File::open(path).and_then(|folder| folder.sync_all()).map_err(at(path))
}

/// Whether nothing is there, or an empty folder.
pub(super) fn is_free(path: &Path) -> Result<bool, BackupFault> {
    match fs::read_dir(path) {
        Ok(mut entries) => Ok(entries.next().is_none()),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(true),
        Err(source) => Err(BackupFault::File { path: path.to_owned(), source }),
    }
}

/// The path with something behind its last name.
pub(super) fn beside(path: &Path, what: &str) -> PathBuf {
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(what);
    path.with_file_name(name)
}

fn create(path: &Path) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    options.open(path)
}

fn pump(mut from: impl Read, to: &mut impl Write) -> io::Result<(u64, Digest)> {
    let (mut sha256, mut size) = (Sha256::new(), 0u64);
    let mut piece = vec![0; 64 << 10];
    loop {
        let n = match from.read(&mut piece) {
            Ok(0) => return Ok((size, Digest(sha256.finalize().into()))),
            Ok(n) => n,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        let bytes = piece.get(..n).unwrap_or_default();
        sha256.update(bytes);
        to.write_all(bytes)?;
        size += n as u64;
    }
}
