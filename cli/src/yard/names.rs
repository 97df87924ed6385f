//! Names of nodes, boards and networks: they become file names, so they are kept plain.

use std::fmt;
use thiserror::Error;

/// A name that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error(
    "`{name}` cannot be a {what}'s name: take 1 to 32 small letters, digits and hyphens, with a letter first"
)]
pub struct BadName {
    /// What it would name.
    pub what: What,
    /// The name.
    pub name: String,
}

/// What a name is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// A node.
    Node,
    /// A board.
    Board,
    /// A Wi-Fi network.
    Network,
}

impl fmt::Display for What {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Node => "node",
            Self::Board => "board",
            Self::Network => "network",
        })
    }
}

/// Checks a name.
///
/// # Errors
/// [`BadName`] unless it is 1 to 32 small letters, digits and hyphens, with a letter first.
pub fn check(what: What, name: &str) -> Result<(), BadName> {
    let plain = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
    let good = (1..=32).contains(&name.len())
        && name.bytes().all(plain)
        && name.as_bytes().first().is_some_and(u8::is_ascii_lowercase);
    if good { Ok(()) } else { Err(BadName { what, name: name.to_owned() }) }
}

/// The name among `known` that was probably meant.
pub fn nearest<'a>(name: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    known
        .into_iter()
        .map(|k| (strsim::osa_distance(name, k), k))
        .filter(|(d, k)| *d <= 1 + k.len() / 3)
        .min()
        .map(|(_, k)| k)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_cannot_leave_their_directory() {
        for good in ["barn", "hen-house-2", "a"] {
            assert!(check(What::Node, good).is_ok());
        }
        for bad in ["", "../barn", "Barn", "-a", "2a", "a b", "a.toml", &"a".repeat(33), "caf\u{e9}"] {
            assert!(check(What::Node, bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn the_nearest_name_is_found() {
        assert_eq!(nearest("bran", ["gate", "barn"]), Some("barn"));
        assert_eq!(nearest("xyz", ["gate", "barn"]), None);
    }
}
