//! From recorded readings to the numbers in a bundle.

pub mod classes;
pub mod distance;
pub mod gas;
pub mod light;
pub mod readings;
pub mod sound;

use readings::{BadReadings, Reading, Table};
use std::path::Path;

/// Columns of a file of distances.
pub const DISTANCE_COLUMNS: [&str; 3] = ["position", "temperature_c", "echo_us"];
/// Columns of a file of light readings.
pub const LIGHT_COLUMNS: [&str; 2] = ["light", "counts"];
/// Columns of a file with points of a gas sensor's curve.
pub const GAS_COLUMNS: [&str; 2] = ["ppm", "ratio"];

/// Reads a file of distances.
///
/// # Errors
/// [`BadReadings`], naming line and column.
pub fn read_distances(path: &Path, text: &str) -> Result<Vec<Reading<distance::At>>, BadReadings> {
    let table = Table::read(path, text, &DISTANCE_COLUMNS)?;
    (0..table.len())
        .map(|n| {
            Ok(Reading {
                at: table.word(n, 0, "open, partly or closed", distance::At::from_word)?,
                temperature_c: table.number(n, 1, -40.0..=60.0)?,
                // Modules give up after about 38 ms (data sheets of the HC-SR04 class).
                value: table.number(n, 2, 100.0..=38_000.0)?,
            })
        })
        .collect()
}

/// Reads a file of light readings.
///
/// # Errors
/// [`BadReadings`], naming line and column.
pub fn read_light(path: &Path, text: &str) -> Result<Vec<Reading<light::Lit>>, BadReadings> {
    let table = Table::read(path, text, &LIGHT_COLUMNS)?;
    (0..table.len())
        .map(|n| {
            Ok(Reading {
                at: table.word(n, 0, "dark or light", light::Lit::from_word)?,
                temperature_c: f64::NAN,
                value: table.number(n, 1, 0.0..=65_535.0)?,
            })
        })
        .collect()
}

/// Reads points of a gas sensor's curve: ratio Rs/R0 and ppm.
///
/// # Errors
/// [`BadReadings`], naming line and column.
pub fn read_curve(path: &Path, text: &str) -> Result<Vec<(f64, f64)>, BadReadings> {
    let table = Table::read(path, text, &GAS_COLUMNS)?;
    (0..table.len()).map(|n| Ok((table.number(n, 1, 1e-4..=1e4)?, table.number(n, 0, 1.0..=1e5)?))).collect()
}
