//! Numbers as people write them, in the integers that a bundle holds.

use serde::de::{Error, Unexpected, Visitor};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;

/// A number with at most one decimal, kept in tenths: `5`, `5.0`, `2.5`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Tenths(pub u16);

impl fmt::Display for Tenths {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.0 / 10, self.0 % 10)
    }
}

impl Serialize for Tenths {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_f64(f64::from(self.0) / 10.0)
    }
}

impl<'de> Deserialize<'de> for Tenths {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        struct Number;
        impl Visitor<'_> for Number {
            type Value = Tenths;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a number from 0 to 6553.5 with at most one decimal")
            }
            fn visit_f64<E: Error>(self, v: f64) -> Result<Tenths, E> {
                let tenths = (v * 10.0).round();
                let close = (v * 10.0 - tenths).abs() < 1e-6;
                if close && (0.0..=65535.0).contains(&tenths) {
                    Ok(Tenths(tenths as u16))
                } else {
                    Err(E::invalid_value(Unexpected::Float(v), &self))
                }
            }
            fn visit_i64<E: Error>(self, v: i64) -> Result<Tenths, E> {
                let tenths = v.checked_mul(10).and_then(|t| u16::try_from(t).ok());
                tenths.map(Tenths).ok_or_else(|| E::invalid_value(Unexpected::Signed(v), &self))
            }
        }
        d.deserialize_any(Number)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, Deserialize)]
    struct T {
        t: Tenths,
    }

    fn read(text: &str) -> Option<u16> {
        toml::from_str::<T>(&format!("t = {text}")).ok().map(|t| t.t.0)
    }

    #[test]
    fn tenths_are_exact_or_refused() {
        for (text, tenths) in [("5", 50), ("5.0", 50), ("4.9", 49), ("0", 0), ("6553.5", 65535)] {
            assert_eq!(read(text), Some(tenths), "{text}");
        }
        for text in ["4.95", "-1", "-0.1", "6554", "nan", "inf", "\"5\"", "true"] {
            assert_eq!(read(text), None, "{text}");
        }
        assert_eq!(Tenths(49).to_string(), "4.9");
    }
}
