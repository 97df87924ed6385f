//! Keys by which check-ins were verified lately, so that most of them need no look into the database first.
//!
//! What is remembered here decides nothing: a check-in is taken only if the database has the same key for
//! the node in the moment in which it is stored.

use pintle_protocol::id::{NodeId, PublicKey};
use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

/// Keys in each half: both together stay below 4 MiB.
const HALF: usize = 28_000;

/// Remembers keys. Cloning gives another handle to the same.
#[derive(Clone, Debug, Default)]
pub(crate) struct KnownKeys(Arc<Mutex<Halves>>);

/// What was used lately is in the new half; when that is full it becomes the old one.
#[derive(Debug, Default)]
struct Halves {
    new: HashMap<NodeId, PublicKey>,
    old: HashMap<NodeId, PublicKey>,
}

impl Halves {
    fn put(&mut self, node: NodeId, key: PublicKey, half: usize) {
        if self.new.len() >= half && !self.new.contains_key(&node) {
            self.old = std::mem::take(&mut self.new);
        }
        self.new.insert(node, key);
    }

    fn get(&mut self, node: &NodeId, half: usize) -> Option<PublicKey> {
        if let Some(key) = self.new.get(node) {
            return Some(*key);
        }
        let key = self.old.remove(node)?;
        self.put(*node, key, half);
        Some(key)
    }
}

impl KnownKeys {
    /// The key by which the last check-in of this node that was verified was.
    pub(crate) fn get(&self, node: &NodeId) -> Option<PublicKey> {
        self.with(|halves| halves.get(node, HALF))
    }

    /// Remembers a key by which a check-in was verified.
    pub(crate) fn remember(&self, node: NodeId, key: PublicKey) {
        self.with(|halves| halves.put(node, key, HALF));
    }

    /// Forgets the key of a node.
    pub(crate) fn forget(&self, node: &NodeId) {
        self.with(|halves| {
            halves.new.remove(node);
            halves.old.remove(node);
        });
    }

    fn with<T>(&self, f: impl FnOnce(&mut Halves) -> T) -> T {
        // Whatever a panic elsewhere left here is still a key that once was right.
        f(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pair(n: u8) -> (NodeId, PublicKey) {
        (NodeId([n; 16]), PublicKey([n; 32]))
    }

    #[test]
    fn what_is_used_stays_and_what_is_not_goes() {
        let mut halves = Halves::default();
        for n in 0..9 {
            let (node, key) = pair(n);
            halves.put(node, key, 3);
            assert_eq!(halves.get(&pair(0).0, 3), Some(pair(0).1), "used each time");
            assert!(halves.new.len() <= 3 && halves.old.len() <= 3);
        }
        assert_eq!(halves.get(&pair(1).0, 3), None);
        assert_eq!(halves.get(&pair(8).0, 3), Some(pair(8).1));
    }

    #[test]
    fn a_key_is_forgotten_or_replaced() {
        let keys = KnownKeys::default();
        let (node, key) = pair(1);
        assert_eq!(keys.get(&node), None);
        keys.remember(node, key);
        keys.remember(node, pair(2).1);
        assert_eq!(keys.get(&node), Some(pair(2).1));
        keys.forget(&node);
        assert_eq!(keys.get(&node), None);
    }
}
