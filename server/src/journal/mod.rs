//! The journal's chain of hashes, as pure functions.
//!
//! Each entry's hash is `SHA-256(hash of the entry before || bytes of this entry)`; the first
//! follows 32 zero bytes. The bytes of an entry are the CBOR array (RFC 8949, deterministic
//! encoding of section 4.2.1) `[number, at, event, sentence, node / null, rollout / null]`.
//! Whoever changes, swaps or drops an entry changes every hash after it. A journal cut short, or
//! written anew, shows only against a hash that was noted elsewhere: the server signs its newest
//! one ([`head`]), and the operator's command keeps it and follows ([`follow`]).

pub mod follow;
pub mod head;
pub mod quota;

use crate::contract::{BadEntry, JournalCheck, JournalEntry, Seconds};
use minicbor::Encoder;
use pintle_protocol::id::{Digest, NodeId};

/// What the first entry follows.
pub const START: Digest = Digest([0; 32]);

/// Something to be written down.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// Stable word for the kind of thing.
    pub event: &'static str,
    /// The sentence for people; no secrets.
    pub sentence: String,
    /// The node that it is about.
    pub node: Option<NodeId>,
    /// The rollout that it is about.
    pub rollout: Option<i64>,
}

impl Line {
    /// About neither a node nor a rollout.
    pub fn new(event: &'static str, sentence: impl Into<String>) -> Self {
        Self { event, sentence: sentence.into(), node: None, rollout: None }
    }

    /// About this node.
    #[must_use]
    pub fn about(mut self, node: NodeId) -> Self {
        self.node = Some(node);
        self
    }

    /// About this rollout.
    #[must_use]
    pub fn of_rollout(mut self, rollout: i64) -> Self {
        self.rollout = Some(rollout);
        self
    }

    /// The entry that follows the one with `number - 1` and the hash `before`.
    pub fn chained(self, number: i64, at: Seconds, before: Digest) -> JournalEntry {
        let mut entry = JournalEntry {
            number,
            at,
            event: self.event.to_owned(),
            sentence: self.sentence,
            node: self.node,
            rollout: self.rollout,
            hash: START,
        };
        entry.hash = hash(before, &entry);
        entry
    }
}

/// The hash that `entry` must carry after an entry with the hash `before`.
pub fn hash(before: Digest, entry: &JournalEntry) -> Digest {
    let mut bytes = before.0.to_vec();
    bytes.extend(canonical(entry));
    Digest::of(&bytes)
}

fn canonical(entry: &JournalEntry) -> Vec<u8> {
    let mut e = Encoder::new(Vec::new());
    let written = (|| {
        e.array(6)?.i64(entry.number)?.i64(entry.at)?.str(&entry.event)?.str(&entry.sentence)?;
        match entry.node {
            Some(node) => e.bytes(&node.0)?,
            None => e.null()?,
        };
        match entry.rollout {
            Some(rollout) => e.i64(rollout)?,
            None => e.null()?,
        };
        Ok::<(), minicbor::encode::Error<std::convert::Infallible>>(())
    })();
    match written {
        Ok(()) => e.into_writer(),
        // A vector takes everything: its writer's error type has no value, and no custom encoder ran.
        Err(_) => Vec::new(),
    }
}

/// Checks entries one after the other, so that a long journal need not be held at once.
#[derive(Clone, Debug)]
pub struct Chain {
    good: i64,
    head: Digest,
    bad: Option<BadEntry>,
}

impl Default for Chain {
    fn default() -> Self {
        Self { good: 0, head: START, bad: None }
    }
}

impl Chain {
    /// Goes on after an entry with this number and hash.
    pub const fn after(number: i64, hash: Digest) -> Self {
        Self { good: number, head: hash, bad: None }
    }

    /// Checks the next entry; everything after the first bad one is passed over.
    pub fn next(&mut self, entry: &JournalEntry) {
        if self.bad.is_some() {
            return;
        }
        let number = self.good + 1;
        let why = if entry.number != number {
            format!("entry {number} is missing; the next one there is {}", entry.number)
        } else if entry.hash != hash(self.head, entry) {
            "its hash does not fit its text and the entry before it".to_owned()
        } else {
            self.good = number;
            self.head = entry.hash;
            return;
        };
        self.bad = Some(BadEntry { number, why });
    }

    /// What was found.
    pub fn finish(self) -> JournalCheck {
        JournalCheck { good: self.good, head: self.head, bad: self.bad }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn chain(n: i64) -> Vec<JournalEntry> {
        let mut head = START;
        (1..=n)
            .map(|i| {
                let line =
                    Line::new("kept", format!("Sentence {i}")).about(NodeId([i as u8; 16])).of_rollout(i);
                let entry = line.chained(i, 1_000 + i, head);
                head = entry.hash;
                entry
            })
            .collect()
    }

    fn check(entries: &[JournalEntry]) -> JournalCheck {
        let mut chain = Chain::default();
        entries.iter().for_each(|e| chain.next(e));
        chain.finish()
    }

    #[test]
    fn a_good_chain_is_good_to_its_end() {
        let entries = chain(5);
        let found = check(&entries);
        assert_eq!((found.good, found.head, found.bad), (5, entries[4].hash, None));
        assert_eq!(check(&[]).head, START);
    }

    #[test]
    fn bytes_of_an_entry_are_as_documented() {
        // Hand-encoded by RFC 8949 section 3: array(6), 1, 1001, "kept", "Sentence 1", bytes(16), 1.
        let mut want = vec![0x86, 0x01, 0x19, 0x03, 0xe9, 0x64];
        want.extend(b"kept");
        want.push(0x6a);
        want.extend(b"Sentence 1");
        want.push(0x50);
        want.extend([1; 16]);
        want.push(0x01);
        assert_eq!(canonical(&chain(1)[0]), want);
    }

    proptest! {
        #[test]
        fn any_change_names_the_first_bad_entry(at in 0usize..6, what in 0u8..6) {
            let mut entries = chain(6);
            let bad = at as i64 + 1;
            match what {
                0 => entries[at].sentence.push('!'),
                1 => entries[at].at += 1,
                2 => entries[at].node = None,
                3 => entries[at].rollout = None,
                4 => entries[at].hash.0[7] ^= 1,
                _ => { entries.remove(at); }
            }
            let found = check(&entries);
            if what == 5 && at == 5 {
                prop_assert_eq!(found.bad, None);
            } else {
                prop_assert_eq!(found.bad.map(|b| b.number), Some(bad));
                prop_assert_eq!(found.good, bad - 1);
            }
        }
    }
}
