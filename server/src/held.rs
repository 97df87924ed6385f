//! Payloads that are being fetched, read once for all who fetch them.
//!
//! In a rollout many nodes fetch the same few images. What is held in memory is bounded: what does not fit is
//! read from its file piece by piece, and what somebody is still being sent counts until it was sent.

use actix_web::web::Bytes;
use pintle_protocol::id::Digest;
use std::fs::File;
use std::io::{self, Read};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::{OnceCell, OwnedSemaphorePermit, Semaphore};

/// Bytes held at most: images of both chips in two versions.
const MOST: usize = 8 << 20;

/// Payloads in memory. Cloning gives another handle to the same.
#[derive(Clone)]
pub(crate) struct Held(Arc<Inside>);

struct Inside {
    /// A permit for each byte.
    room: Arc<Semaphore>,
    /// Last used last.
    slots: Mutex<Vec<(Digest, Slot)>>,
}

/// A payload, or the place of one that whoever came first is reading.
type Slot = Arc<OnceCell<Arc<Placed>>>;

/// Bytes with their room, which is free again when nobody is sent them any more.
struct Placed {
    bytes: Vec<u8>,
    _room: OwnedSemaphorePermit,
}

/// A payload that somebody is sent.
struct Sent(Arc<Placed>);

impl AsRef<[u8]> for Sent {
    fn as_ref(&self) -> &[u8] {
        &self.0.bytes
    }
}

/// Why a payload is not held.
enum Absent {
    NoRoom,
    File(io::Error),
}

impl Default for Held {
    fn default() -> Self {
        Self::new(MOST)
    }
}

impl Held {
    fn new(most: usize) -> Self {
        Self(Arc::new(Inside { room: Arc::new(Semaphore::new(most)), slots: Mutex::default() }))
    }

    /// The payload with this digest, of which `len` of `size` bytes are wanted. It is read from `path` if most of
    /// it is wanted and it is not held; nothing if it is not worth that, or there is no room.
    ///
    /// # Errors
    /// What the system answered when the file was read.
    pub(crate) async fn get(
        &self,
        digest: &Digest,
        (size, len): (u64, u64),
        path: PathBuf,
    ) -> io::Result<Option<Bytes>> {
        let Some(slot) = self.slot(digest, len > size / 2) else { return Ok(None) };
        match slot.get_or_try_init(|| self.read(size, path)).await {
            Ok(placed) => Ok(Some(Bytes::from_owner(Sent(placed.clone())))),
            Err(absent) => {
                self.slots().retain(|(held, slot)| held != digest || slot.initialized());
                match absent {
                    Absent::NoRoom => Ok(None),
                    Absent::File(source) => Err(source),
                }
            }
        }
    }

    fn slots(&self) -> MutexGuard<'_, Vec<(Digest, Slot)>> {
        // A panic elsewhere cannot leave the list half-changed: it is only pushed to and removed from.
        self.0.slots.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The slot of a payload, used last now; a new one if `make`.
    fn slot(&self, digest: &Digest, make: bool) -> Option<Slot> {
        let mut slots = self.slots();
        let slot = match slots.iter().position(|(held, _)| held == digest) {
            Some(at) => slots.remove(at).1,
            None if make => Slot::default(),
            None => return None,
        };
        slots.push((*digest, slot.clone()));
        Some(slot)
    }

    async fn read(&self, size: u64, path: PathBuf) -> Result<Arc<Placed>, Absent> {
        let room = self.make_room(size).ok_or(Absent::NoRoom)?;
        let read = tokio::task::spawn_blocking(move || {
            let mut bytes = vec![0; room.num_permits()];
            File::open(path)?.read_exact(&mut bytes)?;
            Ok(Arc::new(Placed { bytes, _room: room }))
        });
        read.await.unwrap_or_else(|stopped| Err(io::Error::other(stopped))).map_err(Absent::File)
    }

    /// Room for so many bytes; what was not used for longest and is sent to nobody goes for it.
    fn make_room(&self, size: u64) -> Option<OwnedSemaphorePermit> {
        let size = u32::try_from(size).ok()?;
        loop {
            if let Ok(room) = self.0.room.clone().try_acquire_many_owned(size) {
                return Some(room);
            }
            let mut slots = self.slots();
            let is_idle = |slot: &Slot| slot.get().is_some_and(|placed| Arc::strong_count(placed) == 1);
            let at = slots.iter().position(|(_, slot)| is_idle(slot))?;
            slots.remove(at);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A folder with files of so many bytes each, named by their digests.
    fn files(sizes: &[usize]) -> (tempfile::TempDir, Vec<(Digest, u64, PathBuf)>) {
        let folder = tempfile::tempdir().unwrap();
        let file = |(n, size): (usize, &usize)| {
            let bytes = vec![n as u8; *size];
            let digest = Digest::of(&bytes);
            let path = folder.path().join(digest.to_string());
            std::fs::write(&path, &bytes).unwrap();
            (digest, *size as u64, path)
        };
        let made = sizes.iter().enumerate().map(file).collect();
        (folder, made)
    }

    async fn get(held: &Held, (digest, size, path): &(Digest, u64, PathBuf)) -> Option<Bytes> {
        let bytes = held.get(digest, (*size, *size), path.clone()).await.unwrap();
        assert!(bytes.as_ref().is_none_or(|bytes| Digest::of(bytes) == *digest));
        bytes
    }

    #[tokio::test]
    async fn what_is_sent_counts_and_what_is_not_makes_room() {
        let (_folder, files) = files(&[40, 40, 40, 101]);
        let held = Held::new(100);
        let first = get(&held, &files[0]).await.unwrap();
        let second = get(&held, &files[1]).await.unwrap();
        assert!(get(&held, &files[2]).await.is_none(), "both are being sent");
        assert!(get(&held, &files[3]).await.is_none(), "it never fits");
        drop(first);
        let part = second.slice(10..20);
        drop(second);
        let third = get(&held, &files[2]).await.unwrap();
        assert!(get(&held, &files[0]).await.is_none(), "a part of the second is being sent");
        drop((third, part));
        assert!(get(&held, &files[0]).await.is_some());
        assert!(held.slots().len() <= 2);
    }

    #[tokio::test]
    async fn one_payload_is_read_once_and_a_small_part_not_at_all() {
        let (_folder, files) = files(&[40]);
        let (digest, size, path) = &files[0];
        let held = Held::new(100);
        assert!(held.get(digest, (*size, 20), path.clone()).await.unwrap().is_none());
        let first = get(&held, &files[0]).await.unwrap();
        std::fs::remove_file(path).unwrap();
        let again = held.get(digest, (*size, 20), path.clone()).await.unwrap().unwrap();
        assert_eq!(first.as_ptr(), again.as_ptr());
    }

    #[tokio::test]
    async fn a_file_that_cannot_be_read_is_tried_again() {
        let (_folder, files) = files(&[40]);
        let (digest, size, path) = &files[0];
        let held = Held::new(100);
        for beyond in [1, 1] {
            let fault = held.get(digest, (size + beyond, *size), path.clone()).await.unwrap_err();
            assert_eq!(fault.kind(), io::ErrorKind::UnexpectedEof);
        }
        assert!(get(&held, &files[0]).await.is_some());
        assert_eq!(held.0.room.available_permits(), 60);
    }
}
