//! Columns as values: identifiers, words, numbers.

use super::StoreFault;
use pintle_protocol::id::{Digest, NodeId, PublicKey, Role, Uuid16};
use rusqlite::Row;
use rusqlite::types::{FromSql, ValueRef};

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
    bytes_of(row.get_ref(column)?, column)
}

/// Reads a word that is one of `all`.
pub(super) fn word<T: Copy>(
    row: &Row<'_>,
    column: &'static str,
    all: &[(T, &'static str)],
) -> Result<T, StoreFault> {
    word_in(row.get_ref(column)?, column, all)?.ok_or_else(|| odd(column, "nothing"))
}

fn bytes_of<T: Bytes>(found: ValueRef<'_>, column: &str) -> Result<Option<T>, StoreFault> {
    match found.as_blob_or_null().map_err(|e| odd(column, e))? {
        None => Ok(None),
        Some(bytes) => T::take(bytes).map(Some).ok_or_else(|| odd(column, "a wrong number of bytes")),
    }
}

fn word_in<T: Copy>(
    found: ValueRef<'_>,
    column: &str,
    all: &[(T, &'static str)],
) -> Result<Option<T>, StoreFault> {
    let Some(found) = found.as_str_or_null().map_err(|e| odd(column, e))? else { return Ok(None) };
    match all.iter().find(|(_, word)| *word == found) {
        Some((value, _)) => Ok(Some(*value)),
        None => Err(odd(column, found)),
    }
}

/// The columns of a row one after the other, as they were selected: looking each up by its name takes
/// longer than everything else.
pub(super) struct Columns<'r, 's> {
    row: &'r Row<'s>,
    next: usize,
}

impl<'r, 's> Columns<'r, 's> {
    /// Begins with the first column.
    pub(super) const fn of(row: &'r Row<'s>) -> Self {
        Self { row, next: 0 }
    }

    /// The next value.
    pub(super) fn get<T: FromSql>(&mut self) -> Result<T, StoreFault> {
        let value = self.row.get(self.next)?;
        self.next += 1;
        Ok(value)
    }

    /// The next identifier.
    pub(super) fn id<T: Bytes>(&mut self) -> Result<T, StoreFault> {
        let (found, column) = self.take()?;
        bytes_of(found, column)?.ok_or_else(|| odd(column, "nothing"))
    }

    /// The next word, one of `all`.
    pub(super) fn word<T: Copy>(&mut self, all: &[(T, &'static str)]) -> Result<T, StoreFault> {
        let (found, column) = self.take()?;
        word_in(found, column, all)?.ok_or_else(|| odd(column, "nothing"))
    }

    /// The next word, one of `all`, or nothing.
    pub(super) fn maybe_word<T: Copy>(&mut self, all: &[(T, &'static str)]) -> Result<Option<T>, StoreFault> {
        let (found, column) = self.take()?;
        word_in(found, column, all)
    }

    /// Leaves out so many columns; returns `value`.
    pub(super) const fn skip<T: Copy>(&mut self, columns: usize, value: T) -> T {
        self.next += columns;
        value
    }

    fn take(&mut self) -> Result<(ValueRef<'r>, &'r str), StoreFault> {
        let found = self.row.get_ref(self.next)?;
        let column = self.row.as_ref().column_name(self.next)?;
        self.next += 1;
        Ok((found, column))
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
