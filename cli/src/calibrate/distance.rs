//! Distances that mean open and closed, from recorded echoes.

use super::classes::{Class, NEAR, TOO_NEAR};
use super::readings::Reading;
use super::sound::{COLDEST, CORRECTED_ERROR, WARMEST, distance_mm, uncompensated_mm};
use crate::yard::tables::DistanceTable;
use thiserror::Error;

/// Where the door was for a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum At {
    /// Fully open.
    Open,
    /// In between.
    Partly,
    /// Closed.
    Closed,
}

impl At {
    /// Reads the word in a readings file.
    pub fn from_word(word: &str) -> Option<Self> {
        match word {
            "open" => Some(Self::Open),
            "partly" | "half" => Some(Self::Partly),
            "closed" => Some(Self::Closed),
            _ => None,
        }
    }
}

/// Why recorded distances give no thresholds.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum DistanceError {
    /// Fewer readings than needed.
    #[error("there are {found} readings of the door {what}; at least {MIN_READINGS} are needed")]
    TooFew {
        /// The position.
        what: &'static str,
        /// Readings found.
        found: usize,
    },
    /// Open is farther away than closed.
    #[error(
        "the open door is read at {open_mm:.0} mm, the closed one at {closed_mm:.0} mm; open must be nearer"
    )]
    Turned {
        /// Mean of open, in mm.
        open_mm: f64,
        /// Mean of closed, in mm.
        closed_mm: f64,
    },
    /// Two positions overlap.
    #[error("{what} are only {apart:.1} standard deviations apart; at least 3 are needed")]
    Overlap {
        /// Which positions.
        what: &'static str,
        /// How far apart.
        apart: f64,
    },
    /// Open and closed cannot be told apart in all weather.
    #[error(
        "from -30 to +40 degrees Celsius the distances shift by up to {shift_mm:.0} mm; the thresholds of {open_below_mm} mm and {closed_above_mm} mm are too near each other for that"
    )]
    TooNear {
        /// Threshold.
        open_below_mm: u16,
        /// Threshold.
        closed_above_mm: u16,
        /// How far distances shift, in mm.
        shift_mm: f64,
    },
    /// A distance that no ranging module reads.
    #[error("a distance of {0:.0} mm is outside the 20 to 4000 mm that ranging modules read")]
    Range(f64),
}

/// Fewest readings of each position. Common practice, no source.
pub const MIN_READINGS: usize = 5;
/// Smallest margin of a threshold, in millimetres. Common practice, no source.
const MARGIN_MM: f64 = 50.0;
/// Margin of a threshold, in standard deviations. Common practice, no source.
const MARGIN_SD: f64 = 6.0;

/// Thresholds, and what was measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// For the calibration file.
    pub table: DistanceTable,
    /// Open readings, corrected for temperature, in mm.
    pub open: Class,
    /// Closed readings, corrected for temperature, in mm.
    pub closed: Class,
    /// Smallest distance between neighbouring positions, in standard deviations.
    pub apart: f64,
    /// Whether [`Self::apart`] is small enough for a warning.
    pub near: bool,
}

/// Finds thresholds. `compensated`: whether the node corrects for temperature.
///
/// `open < mean + max(50 mm, 6 sd)` and `closed > mean - max(50 mm, 6 sd)`; all between is
/// partly open. Common practice, no source. The thresholds must stay apart in all weather:
/// for a node that corrects, by the error that remains; for one that does not, by the error of
/// a fixed divisor in winter.
///
/// # Errors
/// [`DistanceError`] if there are too few readings, or positions come too near each other.
pub fn thresholds(
    readings: &[Reading<At>],
    compensated: bool,
    hysteresis_mm: u16,
) -> Result<Found, DistanceError> {
    let corrected = |at: At| -> Vec<f64> {
        readings.iter().filter(|r| r.at == at).map(|r| distance_mm(r.value, r.temperature_c)).collect()
    };
    let class = |at, what| {
        let mm = corrected(at);
        let found = mm.len();
        let enough = if found < MIN_READINGS { None } else { Class::of(&mm) };
        enough.ok_or(DistanceError::TooFew { what, found })
    };
    let (open, closed) = (class(At::Open, "open")?, class(At::Closed, "closed")?);
    if let Some(mm) = [open.mean, closed.mean].into_iter().find(|mm| !(20.0..=4000.0).contains(mm)) {
        return Err(DistanceError::Range(mm));
    }
    if open.mean >= closed.mean {
        return Err(DistanceError::Turned { open_mm: open.mean, closed_mm: closed.mean });
    }
    let apart = check_apart(open, closed, Class::of(&corrected(At::Partly)))?;
    let margin = |c: Class| MARGIN_MM.max(MARGIN_SD * c.sd);
    // Rounded towards "partly open", which claims the least.
    let open_below_mm = (open.mean + margin(open)).floor() as u16;
    let closed_above_mm = (closed.mean - margin(closed)).ceil().max(0.0) as u16;
    let needed = f64::from(hysteresis_mm) * 2.0 + weather_shift_mm(f64::from(closed_above_mm), compensated);
    if f64::from(closed_above_mm) - f64::from(open_below_mm) <= needed {
        let shift_mm = needed - f64::from(hysteresis_mm) * 2.0;
        return Err(DistanceError::TooNear { open_below_mm, closed_above_mm, shift_mm });
    }
    let temperatures = || readings.iter().map(|r| r.temperature_c);
    let table = DistanceTable {
        open_below_mm,
        closed_above_mm,
        open_mean_mm: tenth(open.mean),
        closed_mean_mm: tenth(closed.mean),
        coldest_c: temperatures().fold(f64::INFINITY, f64::min),
        warmest_c: temperatures().fold(f64::NEG_INFINITY, f64::max),
        readings: readings.len() as u32,
    };
    Ok(Found { table, open, closed, apart, near: apart < NEAR })
}

/// How far a reading of `mm` can be off between [`COLDEST`] and [`WARMEST`]. For a node that
/// corrects: what remains. For one that does not: the larger error of a fixed divisor, the one
/// in winter.
pub fn weather_shift_mm(mm: f64, compensated: bool) -> f64 {
    if compensated {
        mm * CORRECTED_ERROR
    } else {
        let error = |celsius| (uncompensated_mm(mm, celsius) - mm).abs();
        error(COLDEST).max(error(WARMEST))
    }
}

fn check_apart(open: Class, closed: Class, partly: Option<Class>) -> Result<f64, DistanceError> {
    let pairs = match partly {
        None => vec![("open and closed", open, closed)],
        Some(partly) => vec![
            ("open and partly open", open, partly),
            ("partly open and closed", partly, closed),
            ("open and closed", open, closed),
        ],
    };
    let mut least = f64::INFINITY;
    for (what, a, b) in pairs {
        let apart = a.apart(b);
        if apart < TOO_NEAR {
            return Err(DistanceError::Overlap { what, apart });
        }
        least = least.min(apart);
    }
    Ok(least)
}

fn tenth(x: f64) -> f64 {
    (x * 10.0).round() / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::sound::echo_us;

    /// Made-up distances in cm; means, deviations and d' computed independently with numpy.
    const OPEN: [f64; 8] = [31.8, 32.1, 32.4, 31.9, 32.0, 32.6, 31.7, 32.2];
    const HALF: [f64; 8] = [118.0, 121.5, 125.2, 116.4, 123.1, 119.8, 127.0, 122.6];
    const CLOSED: [f64; 8] = [228.9, 230.4, 229.7, 231.1, 230.0, 229.3, 230.8, 229.8];

    fn at(at: At, cm: &[f64], celsius: f64) -> Vec<Reading<At>> {
        cm.iter()
            .map(|cm| Reading { at, temperature_c: celsius, value: echo_us(cm * 10.0, celsius) })
            .collect()
    }

    fn all() -> Vec<Reading<At>> {
        [at(At::Open, &OPEN, 4.0), at(At::Partly, &HALF, 18.5), at(At::Closed, &CLOSED, -7.0)].concat()
    }

    #[test]
    fn thresholds_follow_the_margins_whatever_the_weather_of_the_readings() {
        let found = thresholds(&all(), true, 20).unwrap();
        assert!((found.open.mean - 320.875).abs() < 1e-6 && (found.open.sd - 3.044_32).abs() < 1e-4);
        assert!((found.closed.mean - 2300.0).abs() < 1e-6 && (found.closed.sd - 7.406_56).abs() < 1e-4);
        // 32.0875 + 5 and 230 - 5 cm; six deviations are less than 5 cm here.
        assert_eq!((found.table.open_below_mm, found.table.closed_above_mm), (370, 2250));
        assert!((found.apart - 35.504_024).abs() < 1e-5);
        assert!(!found.near);
        assert_eq!((found.table.coldest_c, found.table.warmest_c), (-7.0, 18.5));
    }

    #[test]
    fn a_wide_class_widens_its_margin() {
        let mut readings = at(At::Open, &[30.0, 31.0, 32.0, 33.0, 34.0], 10.0);
        readings.extend(at(At::Closed, &CLOSED, 10.0));
        let found = thresholds(&readings, true, 20).unwrap();
        // sd = 1.5811 cm, so six deviations: 32 + 9.487 cm.
        assert_eq!(found.table.open_below_mm, 414);
    }

    #[test]
    fn classes_that_come_too_near_are_refused() {
        let near: Vec<f64> = OPEN.iter().map(|cm| cm + 14.0).collect();
        let readings = [at(At::Open, &OPEN, 10.0), at(At::Closed, &near, 10.0)].concat();
        assert!(matches!(thresholds(&readings, true, 20), Err(DistanceError::TooNear { .. })));
        // Far enough with a thermometer, not far enough without one: the winter error of a fixed
        // divisor at 2.2 m is 0.23 m.
        let near: Vec<f64> = CLOSED.iter().map(|cm| cm - 35.0).collect();
        let readings = [at(At::Open, &near, 10.0), at(At::Closed, &CLOSED, 10.0)].concat();
        assert!(thresholds(&readings, true, 20).is_ok());
        assert!(matches!(thresholds(&readings, false, 20), Err(DistanceError::TooNear { .. })));
    }

    #[test]
    fn overlap_few_readings_and_a_turned_sensor_are_refused() {
        let readings = [at(At::Open, &OPEN[..4], 10.0), at(At::Closed, &CLOSED, 10.0)].concat();
        assert_eq!(thresholds(&readings, true, 20), Err(DistanceError::TooFew { what: "open", found: 4 }));
        let readings = [at(At::Open, &CLOSED, 10.0), at(At::Closed, &OPEN, 10.0)].concat();
        assert!(matches!(thresholds(&readings, true, 20), Err(DistanceError::Turned { .. })));
        let blurred = [100.0, 120.0, 140.0, 160.0, 180.0];
        let shifted = [130.0, 150.0, 170.0, 190.0, 210.0];
        let readings = [at(At::Open, &blurred, 10.0), at(At::Closed, &shifted, 10.0)].concat();
        assert!(matches!(thresholds(&readings, true, 20), Err(DistanceError::Overlap { .. })));
        let readings = [at(At::Open, &[1.0; 5], 10.0), at(At::Closed, &CLOSED, 10.0)].concat();
        assert!(matches!(thresholds(&readings, true, 20), Err(DistanceError::Range(_))));
    }

    /// Error of a divisor of 58 us/cm at 250 cm and -30 degC: 25.81 cm, from ISO 9613-1:1993.
    #[test]
    fn the_winter_error_is_the_tabulated_one() {
        assert!((weather_shift_mm(2500.0, false) - 258.1).abs() < 0.2);
    }
}
