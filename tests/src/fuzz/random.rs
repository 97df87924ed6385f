//! Repeatable chance, fast and not fit for keys.

/// SplitMix64.
#[derive(Clone, Debug)]
pub(super) struct Random(u64);

impl Random {
    /// A stream for a name under a seed.
    pub(super) fn new(seed: u64, name: &str) -> Self {
        Self(seed ^ super::way(&name))
    }

    /// A stream that bytes decide.
    pub(super) fn of(bytes: &[u8]) -> Self {
        Self(super::way(&bytes))
    }

    pub(super) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `bound`; 0 for a bound of 0.
    pub(super) fn below(&mut self, bound: usize) -> usize {
        self.next().checked_rem(bound as u64).unwrap_or(0) as usize
    }

    pub(super) fn once_in(&mut self, n: usize) -> bool {
        self.below(n) == 0
    }

    pub(super) fn pick<'a, T>(&mut self, from: &'a [T]) -> Option<&'a T> {
        from.get(self.below(from.len()))
    }
}
