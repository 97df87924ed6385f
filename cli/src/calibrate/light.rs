//! The photocell reading that means that the light is on.

use super::classes::{Class, NEAR, TOO_NEAR};
use super::readings::Reading;
use crate::yard::tables::LightCalibration;
use thiserror::Error;

/// What the light was for a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Lit {
    /// Off.
    Dark,
    /// On.
    Light,
}

impl Lit {
    /// Reads the word in a readings file.
    pub fn from_word(word: &str) -> Option<Self> {
        match word {
            "dark" => Some(Self::Dark),
            "light" => Some(Self::Light),
            _ => None,
        }
    }
}

/// Why recorded readings give no threshold.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum LightError {
    /// Fewer readings than needed.
    #[error("there are {found} readings of {what}; at least {MIN_READINGS} are needed")]
    TooFew {
        /// Dark or light.
        what: &'static str,
        /// Readings found.
        found: usize,
    },
    /// Dark and light overlap.
    #[error("dark and light are only {apart:.1} standard deviations apart; at least 3 are needed")]
    Overlap {
        /// How far apart.
        apart: f64,
    },
    /// The photocell reads less in the light.
    #[error("light is read as {light:.0} counts, dark as {dark:.0}; the reading must rise with light")]
    Turned {
        /// Mean of dark.
        dark: f64,
        /// Mean of light.
        light: f64,
    },
    /// The threshold is outside what a bundle holds.
    #[error("a threshold of {0:.0} counts is outside 0 to 65535")]
    Range(f64),
}

/// Fewest readings of each. Common practice, no source.
pub const MIN_READINGS: usize = 5;

/// Threshold, and what was measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// For the calibration file.
    pub table: LightCalibration,
    /// Dark readings, in counts.
    pub dark: Class,
    /// Light readings, in counts.
    pub light: Class,
    /// Whether they are near enough for a warning.
    pub near: bool,
}

/// Finds the threshold where the two normal curves cross.
///
/// A photocell spreads more in the light than in the dark, so the middle between the means
/// would be too high; the crossing is not. Readings are counts, since the resistance of one
/// photocell says little about lux.
///
/// # Errors
/// [`LightError`] if there are too few readings, or dark and light overlap.
pub fn threshold(readings: &[Reading<Lit>]) -> Result<Found, LightError> {
    let class = |lit: Lit, what| {
        let counts: Vec<f64> = readings.iter().filter(|r| r.at == lit).map(|r| r.value).collect();
        let found = counts.len();
        let enough = if found < MIN_READINGS { None } else { Class::of(&counts) };
        enough.ok_or(LightError::TooFew { what, found })
    };
    let (dark, light) = (class(Lit::Dark, "dark")?, class(Lit::Light, "light")?);
    if light.mean <= dark.mean {
        return Err(LightError::Turned { dark: dark.mean, light: light.mean });
    }
    let apart = dark.apart(light);
    let crossing = dark.crossing(light).filter(|_| apart >= TOO_NEAR).ok_or(LightError::Overlap { apart })?;
    let on_above = crossing.round();
    if !(0.0..=65535.0).contains(&on_above) {
        return Err(LightError::Range(crossing));
    }
    let table = LightCalibration { on_above: on_above as u16, apart: (apart * 100.0).round() / 100.0 };
    Ok(Found { table, dark, light, near: apart < NEAR })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::classes::tests::{DARK_A, HIGH_B, LIGHT_A, LOW_B};

    fn readings(dark: &[f64], light: &[f64]) -> Vec<Reading<Lit>> {
        let of = |at, counts: &[f64]| -> Vec<_> {
            counts.iter().map(|value| Reading { at, temperature_c: 20.0, value: *value }).collect()
        };
        [of(Lit::Dark, dark), of(Lit::Light, light)].concat()
    }

    /// Crossing of the made-up set with unequal spread: 57.411074, computed with scipy.
    #[test]
    fn the_threshold_is_the_crossing() {
        let found = threshold(&readings(&DARK_A, &LIGHT_A)).unwrap();
        assert_eq!((found.table.on_above, found.table.apart), (57, 4.36));
        assert!(found.near);
    }

    #[test]
    fn overlapping_readings_are_refused() {
        let error = threshold(&readings(&LOW_B, &HIGH_B)).unwrap_err();
        assert!(matches!(error, LightError::Overlap { apart } if (apart - 2.575_492).abs() < 1e-5));
    }

    #[test]
    fn few_and_turned_readings_are_refused() {
        let few = threshold(&readings(&DARK_A[..4], &LIGHT_A));
        assert_eq!(few, Err(LightError::TooFew { what: "dark", found: 4 }));
        assert!(matches!(threshold(&readings(&LIGHT_A, &DARK_A)), Err(LightError::Turned { .. })));
    }
}
