//! The io chip's side of a transfer: its loader.

use super::message::{Answer, Ask};
use crate::board::FlashFault;
use crate::copy::copy;
use crate::id::Digest;

/// The io chip's own application flash.
pub trait LoaderStore {
    /// Room for an image, in bytes.
    fn room(&self) -> u32;
    /// Erases what `size` bytes need.
    ///
    /// # Errors
    /// [`FlashFault`].
    fn erase(&mut self, size: u32) -> Result<(), FlashFault>;
    /// Programs bytes at an offset in the image. Offsets come in order and are multiples of 4; only the last piece may
    /// have a length that is none.
    ///
    /// # Errors
    /// [`FlashFault`].
    fn program(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FlashFault>;
    /// SHA-256 of the first `size` bytes, read back.
    ///
    /// # Errors
    /// [`FlashFault`].
    fn measure(&mut self, size: u32) -> Result<Digest, FlashFault>;
    /// Marks the image whole, with its size and digest, or not whole; reads the mark back.
    ///
    /// # Errors
    /// [`FlashFault`].
    fn mark(&mut self, whole: Option<(u32, Digest)>) -> Result<(), FlashFault>;
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum State {
    Ready,
    Begun { size: u32, digest: [u8; 32], halves: u8, next: u32 },
    Whole,
}

/// The loader's state.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Loader {
    state: State,
}

impl Default for Loader {
    fn default() -> Self {
        Self::new()
    }
}

impl Loader {
    /// A loader that has just started.
    pub const fn new() -> Self {
        Self { state: State::Ready }
    }

    /// Answers an image question. `None` for questions that are not about images.
    ///
    /// # Errors
    /// [`FlashFault`] from the store; the image is then not whole, and the answer is [`Answer::No`].
    pub fn handle<S: LoaderStore>(&mut self, ask: &Ask, store: &mut S) -> Result<Option<Answer>, FlashFault> {
        let answer = self.answer(ask, store);
        if answer.is_err() {
            // What it holds now is not known: the next transfer erases first.
            self.state = State::Ready;
        }
        answer
    }

    fn answer<S: LoaderStore>(&mut self, ask: &Ask, store: &mut S) -> Result<Option<Answer>, FlashFault> {
        let answer = match (ask, self.state) {
            (Ask::EnterLoader, _) => Answer::Done { next: 0 },
            (Ask::Begin { size }, _) if *size == 0 || *size > store.room() => Answer::No,
            // A repeated question must not erase again what has been taken since; nor need a transfer
            // that was broken off begin at 0. Whether it is the same image its digest tells.
            (Ask::Begin { size }, State::Begun { size: same, .. }) if *size == same => {
                Answer::Done { next: 0 }
            }
            (Ask::Begin { size }, _) => {
                store.mark(None)?;
                store.erase(*size)?;
                self.state = State::Begun { size: *size, digest: [0; 32], halves: 0, next: 0 };
                Answer::Done { next: 0 }
            }
            (Ask::Digest { half, bytes }, State::Begun { size, mut digest, halves, mut next }) => {
                let at = usize::from(*half) * 16;
                if let Some(place) = digest.get_mut(at..at + 16)
                    && *place != *bytes
                {
                    if next > 0 {
                        // Another image of the same size.
                        self.state = State::Ready;
                        store.erase(size)?;
                        next = 0;
                    }
                    copy(bytes, place);
                }
                self.state = State::Begun { size, digest, halves: halves | (1 << half), next };
                Answer::Done { next }
            }
            (Ask::Data { offset, bytes }, State::Begun { size, digest, halves: 3, next }) => {
                let end = offset.saturating_add(bytes.len() as u32);
                if *offset == next && end <= size {
                    store.program(*offset, bytes)?;
                    self.state = State::Begun { size, digest, halves: 3, next: end };
                    Answer::Done { next: end }
                } else {
                    // A repeat or a gap: say where we stand.
                    Answer::Done { next }
                }
            }
            (Ask::Finish, State::Begun { size, digest, halves: 3, next }) if next == size => {
                if store.measure(size)? == Digest(digest) {
                    store.mark(Some((size, Digest(digest))))?;
                    self.state = State::Whole;
                    Answer::Done { next: size }
                } else {
                    self.state = State::Ready;
                    Answer::No
                }
            }
            (Ask::Finish | Ask::Start, State::Whole) => Answer::Done { next: 0 },
            (Ask::Digest { .. } | Ask::Data { .. } | Ask::Finish | Ask::Start, _) => Answer::No,
            (Ask::Hello { .. } | Ask::Status | Ask::Inhibit(_) | Ask::Setting { .. }, _) => return Ok(None),
        };
        Ok(Some(answer))
    }
}
