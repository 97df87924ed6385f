//! Following a journal from outside: whether it is still the one that was seen before.

use super::{Chain, hash};
use crate::contract::{BadEntry, JournalEntry};
use pintle_protocol::id::Digest;

/// The newest entry of a journal that was verified before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seen {
    /// Its number, from 1.
    pub number: i64,
    /// Its hash.
    pub hash: Digest,
}

/// What is wrong with a journal.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Broken {
    /// An entry was changed, dropped, added or moved.
    #[error("the journal was changed: entry {}: {}", .0.number, .0.why)]
    Entry(BadEntry),
    /// Newest entries are gone.
    #[error("the journal was cut short: it ends with entry {last}, entry {seen} was seen before")]
    CutShort {
        /// Its last entry.
        last: i64,
        /// The entry that was seen.
        seen: i64,
    },
    /// The chain holds by itself, but it is not the one that was seen.
    #[error("the journal has another history: entry {number} was seen with hash {seen}, it has {found} now")]
    OtherHistory {
        /// The entry that was seen.
        number: i64,
        /// Its hash then.
        seen: Digest,
        /// Its hash now.
        found: Digest,
    },
    /// The entries do not end in the head that was signed.
    #[error(
        "the journal's entries do not lead to the head that the server signed: entry {number} has hash \
         {found}, the signed head {signed}"
    )]
    OtherHead {
        /// The entry.
        number: i64,
        /// Its hash in the journal.
        found: Digest,
        /// The hash that was signed.
        signed: Digest,
    },
}

/// Takes entries one after the other and finds the first thing that is wrong.
#[derive(Clone, Debug)]
pub struct Follow {
    chain: Chain,
    seen: Option<Seen>,
    broken: Option<Broken>,
}

impl Follow {
    /// From the first entry on. With `seen`, the journal must have that entry.
    pub fn from_start(seen: Option<Seen>) -> Self {
        Self { chain: Chain::default(), seen, broken: None }
    }

    /// From the entry that was seen; the next one given must be that one, as it is now.
    pub fn from_seen(seen: Seen) -> Self {
        // The entry itself is compared in `next`; what it follows was verified when it was seen.
        Self { chain: Chain::after(seen.number - 1, seen.hash), seen: Some(seen), broken: None }
    }

    /// Number of the entry that comes next.
    pub const fn wants(&self) -> i64 {
        self.chain.good + 1
    }

    /// Takes the next entry; everything after the first fault is passed over.
    pub fn next(&mut self, entry: &JournalEntry) {
        if self.broken.is_some() {
            return;
        }
        // Only where reading began with the entry that was seen does the chain stand like this.
        let is_first =
            self.seen.is_some_and(|seen| self.chain.good == seen.number - 1 && self.chain.head == seen.hash);
        match self.seen.filter(|seen| seen.number == entry.number) {
            Some(seen) if entry.hash != seen.hash => {
                // An entry that does not fit its own chain is told as that: it says more.
                let fits = self.chain.good == entry.number - 1
                    && (is_first || entry.hash == hash(self.chain.head, entry));
                if fits {
                    let (number, seen, found) = (seen.number, seen.hash, entry.hash);
                    self.broken = Some(Broken::OtherHistory { number, seen, found });
                    return;
                }
            }
            Some(seen) if is_first => {
                self.chain = Chain::after(seen.number, seen.hash);
                return;
            }
            _ => {}
        }
        self.chain.next(entry);
        if let Some(bad) = &self.chain.bad {
            self.broken = Some(Broken::Entry(bad.clone()));
        }
    }

    /// What was found, once all entries were given: the newest one.
    ///
    /// # Errors
    /// [`Broken`].
    pub fn finish(self) -> Result<Seen, Broken> {
        if let Some(broken) = self.broken {
            return Err(broken);
        }
        let (last, head) = (self.chain.good, self.chain.head);
        match self.seen.filter(|seen| last < seen.number) {
            Some(seen) => Err(Broken::CutShort { last, seen: seen.number }),
            None => Ok(Seen { number: last, hash: head }),
        }
    }

    /// [`Self::finish`], and the newest one must be what the server signed.
    ///
    /// # Errors
    /// [`Broken`].
    pub fn finish_at(self, signed: Seen) -> Result<Seen, Broken> {
        let found = self.finish()?;
        if found.number < signed.number {
            return Err(Broken::CutShort { last: found.number, seen: signed.number });
        }
        if found != signed {
            let (number, found, signed) = (found.number, found.hash, signed.hash);
            return Err(Broken::OtherHead { number, found, signed });
        }
        Ok(found)
    }
}

#[cfg(test)]
#[path = "follow_tests.rs"]
mod tests;
