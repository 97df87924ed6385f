//! Identifiers, digests and keys as text in JSON: `#[serde(with = "text")]`, and
//! `#[serde(with = "text::maybe")]` for one that may be absent.

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serializer, de::Error};
use std::{borrow::Cow, fmt::Display, str::FromStr};

/// What such a text looks like in the JSON, for a number of bytes: lower-case digits as they are
/// written; as they are read, digits of either case and hyphens anywhere.
#[derive(Debug)]
pub struct Hex<const BYTES: usize>;

impl<const BYTES: usize> JsonSchema for Hex<BYTES> {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> Cow<'static, str> {
        format!("Hex{BYTES}").into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        let digits = BYTES * 2;
        let pattern = if generator.contract().is_serialize() {
            format!("^[0-9a-f]{{{digits}}}$")
        } else {
            format!("^(-*[0-9A-Fa-f]){{{digits}}}-*$")
        };
        json_schema!({ "type": "string", "pattern": pattern })
    }
}

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
