//! Sequence numbers: one for each role, and they only go up.
//!
//! A number is written to disk before it is used, so that a crash can waste numbers but never
//! use one twice.

use super::files::{self, FileError, Readers};
use super::strict::{self, ReadError};
use pintle_protocol::id::Role;
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::ops::Range;
use std::path::{Path, PathBuf};
use thiserror::Error;

/// How far ahead of the yard a node's number may be and still be followed. A yard restored from
/// an old copy is a little behind; a number far ahead comes from a server that makes things up,
/// and following it would use up the numbers there are.
pub const MAX_LEAP: u64 = 100_000;

/// The last number used, by role.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Last {
    /// Root: trust anchors.
    pub root: u64,
    /// Image.
    pub image: u64,
    /// Bundle.
    pub bundle: u64,
}

impl Last {
    fn of(&mut self, role: Role) -> &mut u64 {
        match role {
            Role::Root => &mut self.root,
            Role::Image => &mut self.image,
            Role::Bundle => &mut self.bundle,
        }
    }
}

/// Why no number can be had.
#[derive(Debug, Error)]
pub enum SequenceError {
    /// A node has kept a number that is far ahead of the yard's.
    #[error("{who} has kept {role} sequence number {kept}, the yard is at {ours}: too far ahead to follow")]
    TooFarAhead {
        /// The node.
        who: String,
        /// The role.
        role: Role,
        /// The node's number.
        kept: u64,
        /// The yard's.
        ours: u64,
    },
    /// There are no more numbers.
    #[error("there are no more {0} sequence numbers")]
    UsedUp(Role),
    /// The file cannot be read or written.
    #[error(transparent)]
    File(#[from] ReadError),
}

/// The yard's sequence numbers, in their file.
#[derive(Clone, Debug)]
pub struct Sequences {
    path: PathBuf,
    last: Last,
}

impl Sequences {
    /// Reads them.
    ///
    /// # Errors
    /// [`ReadError`] if the file is missing or wrong. A missing file is never taken for zero:
    /// nodes would refuse everything that follows.
    pub fn open(path: &Path) -> Result<Self, ReadError> {
        Ok(Self { path: path.to_owned(), last: strict::read(path)? })
    }

    /// Makes the file of a new yard.
    ///
    /// # Errors
    /// [`ReadError`] if it is there already or cannot be written.
    pub fn create(path: &Path) -> Result<Self, ReadError> {
        files::write_new(path, text(&Last::default()).as_bytes(), Readers::Usual)?;
        Ok(Self { path: path.to_owned(), last: Last::default() })
    }

    /// The last number used.
    pub fn last(&self, role: Role) -> u64 {
        self.last.clone().of(role).to_owned()
    }

    /// Takes the next `count` numbers, all higher than any used before.
    ///
    /// # Errors
    /// [`SequenceError`] if there are no more, or the file cannot be written; then none is taken.
    pub fn take(&mut self, role: Role, count: u64) -> Result<Range<u64>, SequenceError> {
        let _only_we = self.lock()?;
        let mut next = self.last;
        let last = next.of(role);
        let first = last.checked_add(1).ok_or(SequenceError::UsedUp(role))?;
        let end = first.checked_add(count).ok_or(SequenceError::UsedUp(role))?;
        *last = end - 1;
        self.save(next)?;
        Ok(first..end)
    }

    /// Raises the last number to what a node has kept, if that is higher: after the yard was
    /// restored from an older copy.
    ///
    /// # Errors
    /// [`SequenceError::TooFarAhead`] beyond [`MAX_LEAP`]; then nothing is changed.
    pub fn follow(&mut self, role: Role, who: &str, kept: u64) -> Result<bool, SequenceError> {
        let _only_we = self.lock()?;
        let mut next = self.last;
        let last = next.of(role);
        if kept <= *last {
            return Ok(false);
        }
        if kept - *last > MAX_LEAP {
            return Err(SequenceError::TooFarAhead { who: who.to_owned(), role, kept, ours: *last });
        }
        *last = kept;
        self.save(next)?;
        Ok(true)
    }

    /// Keeps other runs of the command out until the file is dropped, and reads what they left.
    fn lock(&mut self) -> Result<File, SequenceError> {
        let path = self.path.with_extension("lock");
        let failed = |error| ReadError::from(FileError::Write { path: path.clone(), error });
        let file = File::options()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .and_then(|file| file.lock().map(|()| file))
            .map_err(failed)?;
        self.last = strict::read(&self.path)?;
        Ok(file)
    }

    fn save(&mut self, next: Last) -> Result<(), SequenceError> {
        files::replace(&self.path, text(&next).as_bytes(), Readers::Usual).map_err(ReadError::from)?;
        self.last = next;
        Ok(())
    }
}

fn text(last: &Last) -> String {
    format!(
        "# The last sequence number used, by role. They only go up; nodes refuse what is not higher.\n\
         root = {}\nimage = {}\nbundle = {}\n",
        last.root, last.image, last.bundle
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_only_go_up_across_restarts() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("sequences.toml");
        let mut all = Sequences::create(&path).unwrap();
        assert_eq!(all.take(Role::Bundle, 2).unwrap(), 1..3);
        let mut again = Sequences::open(&path).unwrap();
        assert_eq!(again.take(Role::Bundle, 1).unwrap(), 3..4);
        assert_eq!(again.take(Role::Image, 1).unwrap(), 1..2);
        assert_eq!((again.last(Role::Root), again.last(Role::Bundle)), (0, 3));
        assert!(Sequences::create(&path).is_err());
    }

    #[test]
    fn a_node_ahead_is_followed_but_not_into_the_blue() {
        let dir = tempfile::tempdir().unwrap();
        let mut all = Sequences::create(&dir.path().join("s.toml")).unwrap();
        assert!(all.follow(Role::Image, "barn", 40).unwrap());
        assert!(!all.follow(Role::Image, "barn", 7).unwrap());
        assert_eq!(all.take(Role::Image, 1).unwrap(), 41..42);
        let far = all.follow(Role::Image, "barn", u64::MAX).unwrap_err();
        assert!(matches!(far, SequenceError::TooFarAhead { ours: 41, .. }));
        assert_eq!(all.last(Role::Image), 41);
    }

    #[test]
    fn two_runs_at_once_never_share_a_number() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("s.toml");
        Sequences::create(&path).unwrap();
        let runs: Vec<_> = (0..4)
            .map(|_| {
                let mut mine = Sequences::open(&path).unwrap();
                std::thread::spawn(move || {
                    (0..8).map(|_| mine.take(Role::Image, 1).unwrap().start).collect::<Vec<_>>()
                })
            })
            .collect();
        let mut all: Vec<u64> = runs.into_iter().flat_map(|r| r.join().unwrap()).collect();
        all.sort_unstable();
        assert_eq!(all, (1..=32).collect::<Vec<_>>());
    }

    #[test]
    fn a_missing_file_is_not_zero() {
        let dir = tempfile::tempdir().unwrap();
        assert!(Sequences::open(&dir.path().join("none.toml")).is_err());
    }
}
