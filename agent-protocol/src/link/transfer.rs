//! Bringing an image to the io chip over a lossy link: one question at a time, repeated until
//! answered, resumed where the io chip says it stands.
//!
//! ```text
//! Entering -> Beginning -> Digest 0 -> Digest 1 -> Sending ... -> Finishing -> Starting -> End(Taken)
//!     Entering --tries spent--> End(NoAnswer)     any later state --tries spent--> End(BrokenOff)
//!     any later state --no, or less taken than before--> Entering, and after two of these End(BrokenOff)
//!     Finishing --no for the second time--> End(WrongDigest)
//! ```
//!
//! A loader that was reset says *no* to finish just as one that measured another digest does: only when
//! it says so again after a new beginning has the digest been heard to differ.

use super::message::{Answer, Ask, DATA_MAX};
use crate::id::Digest;
use heapless::Vec;

/// How often one question is repeated before the transfer gives up.
pub const RETRIES: u16 = 200;
/// How often one transfer begins again: each time erases flash, and may do so for ever on a chip that
/// is wearing out.
pub const RESTARTS: u8 = 2;

/// How a transfer ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum TransferEnd {
    /// The io chip holds the image, checked its digest, and starts it.
    Taken,
    /// The io chip measured another digest.
    WrongDigest,
    /// The io chip answered nothing at all: it has been asked for nothing that wears its flash.
    NoAnswer,
    /// The io chip answered at first. Then it did so no more, lost its place too often, has no room
    /// for the image, or its flash fails.
    BrokenOff {
        /// Bytes that it had taken.
        taken: u32,
    },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
enum State {
    Entering,
    Beginning,
    Digest(u8),
    Sending { next: u32 },
    Finishing,
    Starting,
    Ended(TransferEnd),
}

/// One image on its way to the io chip. The caller owns the link and the image.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Transfer {
    size: u32,
    digest: Digest,
    state: State,
    tries: u16,
    restarts: u8,
    /// It has said no to finish.
    differed: bool,
}

impl Transfer {
    /// Starts a transfer of `size` bytes whose SHA-256 is `digest`.
    pub const fn new(size: u32, digest: Digest) -> Self {
        Self { size, digest, state: State::Entering, tries: 0, restarts: 0, differed: false }
    }

    /// How it ended, if it has.
    pub const fn ended(&self) -> Option<TransferEnd> {
        match self.state {
            State::Ended(end) => Some(end),
            _ => None,
        }
    }

    /// The piece of the image that the next question carries: offset and length.
    pub fn wants(&self) -> Option<(u32, usize)> {
        match self.state {
            State::Sending { next } => Some((next, DATA_MAX.min(self.size.saturating_sub(next) as usize))),
            _ => None,
        }
    }

    /// The next question; `piece` are the image bytes that [`Self::wants`] named. `None` when
    /// the transfer has ended, or the piece is not the one wanted.
    pub fn ask(&mut self, piece: &[u8]) -> Option<Ask> {
        if self.tries >= RETRIES {
            self.state = match self.state {
                State::Ended(_) => return None,
                State::Entering if self.restarts == 0 => State::Ended(TransferEnd::NoAnswer),
                _ => self.broken_off(),
            };
            return None;
        }
        self.tries += 1;
        let (first, second) = self.digest.0.split_at(16);
        let half = |bytes: &[u8]| bytes.try_into().unwrap_or([0; 16]);
        Some(match self.state {
            State::Entering => Ask::EnterLoader,
            State::Beginning => Ask::Begin { size: self.size },
            State::Digest(0) => Ask::Digest { half: 0, bytes: half(first) },
            State::Digest(_) => Ask::Digest { half: 1, bytes: half(second) },
            State::Sending { next } => {
                let (_, len) = self.wants()?;
                if piece.len() != len {
                    return None;
                }
                Ask::Data { offset: next, bytes: Vec::from_slice(piece).ok()? }
            }
            State::Finishing => Ask::Finish,
            State::Starting => Ask::Start,
            State::Ended(_) => return None,
        })
    }

    /// An answer came. Foreign answers change nothing.
    pub fn answered(&mut self, answer: &Answer) {
        let next = match (self.state, answer) {
            (State::Entering, Answer::Done { .. }) => State::Beginning,
            (State::Beginning, Answer::Done { .. }) => State::Digest(0),
            (State::Digest(0), Answer::Done { .. }) => State::Digest(1),
            (State::Sending { next: before }, Answer::Done { next }) if *next < before => self.again(),
            // Still the same piece: that spends a try.
            (State::Sending { next: before }, Answer::Done { next }) if *next == before => return,
            (State::Digest(_) | State::Sending { .. }, Answer::Done { next }) => {
                if *next >= self.size {
                    State::Finishing
                } else {
                    State::Sending { next: *next }
                }
            }
            (State::Finishing, Answer::Done { .. }) => State::Starting,
            (State::Starting, Answer::Done { .. }) => State::Ended(TransferEnd::Taken),
            // It lost its place, for instance by a reset; or its flash fails.
            (
                State::Beginning
                | State::Digest(_)
                | State::Sending { .. }
                | State::Finishing
                | State::Starting,
                Answer::No,
            ) => self.again(),
            (State::Entering, Answer::No)
            | (_, Answer::Hello(_) | Answer::Status(_))
            | (State::Ended(_), Answer::Done { .. } | Answer::No) => return,
        };
        self.tries = 0;
        self.state = next;
    }

    /// The state that follows when it has to begin again.
    fn again(&mut self) -> State {
        let finishing = self.state == State::Finishing;
        if finishing && self.differed {
            return State::Ended(TransferEnd::WrongDigest);
        }
        self.differed |= finishing;
        if self.restarts < RESTARTS {
            self.restarts += 1;
            State::Entering
        } else {
            self.broken_off()
        }
    }

    const fn broken_off(&self) -> State {
        let taken = match self.state {
            State::Sending { next } => next,
            State::Finishing | State::Starting => self.size,
            State::Entering | State::Beginning | State::Digest(_) | State::Ended(_) => 0,
        };
        State::Ended(TransferEnd::BrokenOff { taken })
    }
}
