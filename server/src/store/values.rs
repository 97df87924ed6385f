//! Columns as values: identifiers, words, numbers.

use super::StoreFault;
use pintle_protocol::id::{Digest, NodeId, PublicKey, Role, Uuid16};
use rusqlite::Row;

/// An identifier that is stored as its bytes.
pub(super) trait Bytes: Sized {
    /// Takes exactly as many bytes as it has.
    fn take(bytes: &[u8]) -> Option<Self>;
}

macro_rules! bytes {
    ($($name:ident),*) => {
        $(impl Bytes for $name {
            fn take(bytes: &[u8]) -> Option<Self> {
                Self::from_slice(bytes)
            }
        })*
    };
}
bytes!(Digest, NodeId, PublicKey, Uuid16);

/// Reads an identifier.
pub(super) fn id<T: Bytes>(row: &Row<'_>, column: &'static str) -> Result<T, StoreFault> {
    maybe_id(row, column)?.ok_or_else(|| odd(column, "nothing"))
}

/// Reads an identifier that may be absent.
pub(super) fn maybe_id<T: Bytes>(row: &Row<'_>, column: &'static str) -> Result<Option<T>, StoreFault> {
    match row.get_ref(column)?.as_blob_or_null().map_err(|e| odd(column, e))? {
        None => Ok(None),
        Some(bytes) => T::take(bytes).map(Some).ok_or_else(|| odd(column, "a wrong number of bytes")),
    }
}

/// Reads a word that is one of `all`.
pub(super) fn word<T: Copy>(
    row: &Row<'_>,
    column: &'static str,
    all: &[(T, &'static str)],
) -> Result<T, StoreFault> {
    maybe_word(row, column, all)?.ok_or_else(|| odd(column, "nothing"))
}

/// Reads a word that is one of `all`, or nothing.
pub(super) fn maybe_word<T: Copy>(
    row: &Row<'_>,
    column: &'static str,
    all: &[(T, &'static str)],
) -> Result<Option<T>, StoreFault> {
    let Some(found) = row.get::<_, Option<String>>(column)? else { return Ok(None) };
    match all.iter().find(|(_, word)| *word == found) {
        Some((value, _)) => Ok(Some(*value)),
        None => Err(odd(column, found)),
    }
}

/// The word for a value in `all`.
pub(super) fn word_of<T: Copy + PartialEq>(value: T, all: &[(T, &'static str)]) -> &'static str {
    // Every table lists every value; a test walks each.
    all.iter().find(|(v, _)| *v == value).map_or("", |(_, word)| word)
}

/// A stored value that this program never writes.
pub(super) fn odd(column: &str, found: impl std::fmt::Display) -> StoreFault {
    StoreFault::Value { what: format!("{found} in {column}") }
}

/// Roles by word.
pub(super) const ROLES: &[(Role, &str)] =
    &[(Role::Root, "root"), (Role::Image, "image"), (Role::Bundle, "bundle")];
