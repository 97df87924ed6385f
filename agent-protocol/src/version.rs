//! Versions of images, of the link between the chips, and of what they mean by "open the door".

use crate::cbor::fields;
use core::fmt;
use minicbor::{Decode, Encode};

/// An image's version, `major.minor.patch`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Encode, Decode)]
pub struct Version {
    /// Raised when something that worked before no longer does.
    #[n(0)]
    pub major: u16,
    /// Raised for additions.
    #[n(1)]
    pub minor: u16,
    /// Raised for repairs.
    #[n(2)]
    pub patch: u16,
}

fields!(Version, List: major, minor, patch);

impl Version {
    /// From its three numbers.
    pub const fn new(major: u16, minor: u16, patch: u16) -> Self {
        Self { major, minor, patch }
    }

    /// Reads `major.minor.patch`; nothing may be missing and nothing may follow.
    pub fn parse(text: &str) -> Option<Self> {
        let mut parts = text.split('.');
        let mut next = || {
            let part = parts.next()?;
            let plain = !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
            if plain { part.parse::<u16>().ok() } else { None }
        };
        let version = Self::new(next()?, next()?, next()?);
        if parts.next().is_some() { None } else { Some(version) }
    }
}

impl fmt::Display for Version {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}.{}", self.major, self.minor, self.patch)
    }
}

/// The versions of the link protocol that an image speaks, both ends included.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Encode, Decode)]
pub struct LinkRange {
    /// Oldest version spoken.
    #[n(0)]
    pub oldest: u8,
    /// Newest version spoken, not below `oldest`.
    #[n(1)]
    pub newest: u8,
}

fields!(LinkRange, List: oldest, newest);

impl LinkRange {
    /// A range, or `None` if it is empty.
    pub const fn new(oldest: u8, newest: u8) -> Option<Self> {
        if oldest <= newest { Some(Self { oldest, newest }) } else { None }
    }

    /// The newest version that both speak.
    pub const fn common(self, other: Self) -> Option<u8> {
        let newest = if self.newest < other.newest { self.newest } else { other.newest };
        let oldest = if self.oldest > other.oldest { self.oldest } else { other.oldest };
        if oldest <= newest { Some(newest) } else { None }
    }
}

impl fmt::Display for LinkRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.oldest == self.newest {
            write!(f, "{}", self.oldest)
        } else {
            write!(f, "{} to {}", self.oldest, self.newest)
        }
    }
}

/// What an image means by moving the door: which commands there are, and what each does.
///
/// Two chips agree if the `id` is the same; a higher `version` only adds, so that the lower
/// one of the two counts. Another `id` is another meaning and never agrees.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Encode, Decode)]
pub struct ActuationProfile {
    /// Which meaning.
    #[n(0)]
    pub id: u16,
    /// How much of it is known.
    #[n(1)]
    pub version: u8,
}

fields!(ActuationProfile, List: id, version);

impl ActuationProfile {
    /// The profile that both implement, if they mean the same.
    pub const fn common(self, other: Self) -> Option<Self> {
        if self.id != other.id {
            return None;
        }
        let version = if self.version < other.version { self.version } else { other.version };
        Some(Self { id: self.id, version })
    }
}

impl fmt::Display for ActuationProfile {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.id, self.version)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn versions_order_by_number_and_refuse_rests() {
        assert!(Version::new(1, 10, 0) > Version::new(1, 9, 9));
        assert_eq!(Version::parse("1.2.3"), Some(Version::new(1, 2, 3)));
        for bad in ["", "1", "1.2", "1.2.3.4", "1.2.x", "+1.2.3", "1..3", "1.2.70000"] {
            assert_eq!(Version::parse(bad), None, "{bad}");
        }
    }

    proptest! {
        #[test]
        fn common_version_is_the_highest_in_both(a in 0u8..12, b in 0u8..12, c in 0u8..12, d in 0u8..12) {
            let (Some(x), Some(y)) = (LinkRange::new(a, b), LinkRange::new(c, d)) else { return Ok(()) };
            let brute = (0..12).filter(|v| (a..=b).contains(v) && (c..=d).contains(v)).max();
            prop_assert_eq!(x.common(y), brute);
            prop_assert_eq!(y.common(x), brute);
        }
    }
}
