//! Identifiers, digests and keys as text in JSON: `#[serde(with = "text")]`, and
//! `#[serde(with = "text::maybe")]` for one that may be absent.

use serde::{Deserialize, Deserializer, Serializer, de::Error};
use std::{fmt::Display, str::FromStr};

/// Writes it as text.
pub fn serialize<T: Display, S: Serializer>(value: &T, s: S) -> Result<S::Ok, S::Error> {
    s.collect_str(value)
}

/// Reads it from text.
pub fn deserialize<'de, T, D>(d: D) -> Result<T, D::Error>
where
    T: FromStr<Err: Display>,
    D: Deserializer<'de>,
{
    let text = String::deserialize(d)?;
    text.parse().map_err(D::Error::custom)
}

/// The same for something that may be absent.
pub mod maybe {
    use super::{Deserialize, Deserializer, Display, Error, FromStr, Serializer};

    /// Writes text or null.
    pub fn serialize<T: Display, S: Serializer>(value: &Option<T>, s: S) -> Result<S::Ok, S::Error> {
        match value {
            Some(value) => s.collect_str(value),
            None => s.serialize_none(),
        }
    }

    /// Reads text or null; use together with `#[serde(default)]`.
    pub fn deserialize<'de, T, D>(d: D) -> Result<Option<T>, D::Error>
    where
        T: FromStr<Err: Display>,
        D: Deserializer<'de>,
    {
        let text = Option::<String>::deserialize(d)?;
        text.map(|t| t.parse().map_err(D::Error::custom)).transpose()
    }
}
