//! Repeatable chance: SHA-256 of a seed and a counter.

use crate::id::Digest;

/// A stream of bytes that a seed decides. For virtual boards only.
#[derive(Clone, Debug)]
pub struct Chance {
    seed: [u8; 32],
    counter: u64,
}

impl Chance {
    /// A stream for `name` under a run's seed.
    pub fn new(seed: u64, name: &str) -> Self {
        let mut bytes = seed.to_le_bytes().to_vec();
        bytes.extend_from_slice(name.as_bytes());
        Self { seed: Digest::of(&bytes).0, counter: 0 }
    }

    /// The next 32 bytes.
    pub fn block(&mut self) -> [u8; 32] {
        let mut bytes = self.seed.to_vec();
        bytes.extend_from_slice(&self.counter.to_le_bytes());
        self.counter += 1;
        Digest::of(&bytes).0
    }

    /// Fills `into`.
    pub fn fill(&mut self, into: &mut [u8]) {
        for chunk in into.chunks_mut(32) {
            let block = self.block();
            chunk.copy_from_slice(&block[..chunk.len()]);
        }
    }

    /// A number below `bound`; 0 for a bound of 0.
    pub fn below(&mut self, bound: u32) -> u32 {
        let [a, b, c, d, ..] = self.block();
        u32::from_le_bytes([a, b, c, d]).checked_rem(bound).unwrap_or(0)
    }

    /// True once in `n` times on average; never for 0.
    pub fn once_in(&mut self, n: u32) -> bool {
        n != 0 && self.below(n) == 0
    }
}
