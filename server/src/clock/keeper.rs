//! Both clocks, read together, and the changes that are still to be written down.

use super::Clock;
use super::steady::{Change, Hands, Steady};
use crate::contract::Seconds;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

/// Keeps the server's own time. Cloning gives another handle to the same.
#[derive(Clone, Debug)]
pub(crate) struct Keeper(Arc<Kept>);

#[derive(Debug)]
struct Kept {
    clock: Clock,
    began: Instant,
    state: Mutex<(Steady, Vec<Change>)>,
}

/// Changes that wait to be written down, at most: a clock that jumps to and fro while nothing can
/// be written must not fill the memory. The oldest go first; what counts is the newest.
const MOST_WAITING: usize = 100;

impl Keeper {
    /// Goes on from an earlier run; see [`Steady::resume`].
    pub(crate) fn resume(clock: Clock, last: Option<Seconds>, ahead: Seconds) -> Self {
        let began = Instant::now();
        let (steady, change) = Steady::resume(last, ahead, hands(&clock, began));
        let state = Mutex::new((steady, change.into_iter().collect()));
        Self(Arc::new(Kept { clock, began, state }))
    }

    /// The server's own time. Never goes back, and no setting of a clock moves it.
    pub(crate) fn now(&self) -> Seconds {
        let mut state = self.0.state.lock().unwrap_or_else(PoisonError::into_inner);
        let (now, change) = state.0.look(hands(&self.0.clock, self.0.began));
        wait(&mut state.1, change);
        now
    }

    /// [`Self::now`]. Changes that are still to be written down are handed to `tell` before anybody is given a
    /// later time, so that whatever is queued with that comes after them. `tell` must not wait, nor ask for the
    /// time.
    pub(crate) fn now_telling(&self, tell: impl FnOnce(Vec<Change>)) -> Seconds {
        let mut state = self.0.state.lock().unwrap_or_else(PoisonError::into_inner);
        let (now, change) = state.0.look(hands(&self.0.clock, self.0.began));
        wait(&mut state.1, change);
        if !state.1.is_empty() {
            tell(std::mem::take(&mut state.1));
        }
        now
    }

    /// What the clock on the wall shows.
    pub(crate) fn wall(&self) -> Seconds {
        self.0.clock.now()
    }

    /// Seconds that were counted since the program started, whatever became of the clock on the wall.
    pub(crate) fn counted(&self) -> Seconds {
        hands(&self.0.clock, self.0.began).passed
    }

    /// Whether the clock is set by hand.
    pub(crate) fn is_manual(&self) -> bool {
        self.0.clock.is_manual()
    }

    /// Takes the changes that are still to be written down, oldest first.
    pub(crate) fn take_changes(&self) -> Vec<Change> {
        std::mem::take(&mut self.0.state.lock().unwrap_or_else(PoisonError::into_inner).1)
    }

    /// Gives back changes that could not be written down.
    pub(crate) fn give_back(&self, mut changes: Vec<Change>) {
        let mut state = self.0.state.lock().unwrap_or_else(PoisonError::into_inner);
        let newer = std::mem::take(&mut state.1);
        wait(&mut changes, newer);
        state.1 = changes;
    }
}

fn wait(waiting: &mut Vec<Change>, more: impl IntoIterator<Item = Change>) {
    waiting.extend(more);
    let over = waiting.len().saturating_sub(MOST_WAITING);
    waiting.drain(..over);
}

fn hands(clock: &Clock, began: Instant) -> Hands {
    let passed = match clock {
        Clock::System => Seconds::try_from(began.elapsed().as_secs()).unwrap_or(Seconds::MAX),
        Clock::Manual(hands) => hands.passed.load(std::sync::atomic::Ordering::SeqCst),
    };
    Hands { wall: clock.now(), passed }
}
