//! What a reader expected to find, in words.

use core::fmt;

/// What should stand where something else was found.
///
/// The words are for people, and nobody reads them on a chip: without the feature `std` they are left out, which takes
/// some 6 KiB less flash on ARMv6-M. All such values are equal then.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Expected {
    #[cfg(feature = "std")]
    words: &'static str,
}

impl Expected {
    /// In these words.
    pub const fn new(words: &'static str) -> Self {
        #[cfg(not(feature = "std"))]
        let _ = words;
        Self {
            #[cfg(feature = "std")]
            words,
        }
    }
}

impl From<&'static str> for Expected {
    fn from(words: &'static str) -> Self {
        Self::new(words)
    }
}

impl fmt::Display for Expected {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        #[cfg(feature = "std")]
        let words = self.words;
        #[cfg(not(feature = "std"))]
        let words = "something else";
        f.write_str(words)
    }
}
