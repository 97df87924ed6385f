//! Distance from the time of an ultrasonic echo.

/// Speed of sound in dry air, in metres per second, at `celsius`.
///
/// # Source
/// ISO 9613-1:1993: `343.2 * sqrt(T / 293.15 K)`.
pub fn speed(celsius: f64) -> f64 {
    343.2 * ((celsius + 273.15) / 293.15).sqrt()
}

/// Distance in millimetres from an echo of `echo_us` microseconds, there and back, in air of
/// `celsius`.
pub fn distance_mm(echo_us: f64, celsius: f64) -> f64 {
    echo_us * 1e-6 * speed(celsius) / 2.0 * 1e3
}

/// Echo in microseconds from a distance of `mm` in air of `celsius`.
pub fn echo_us(mm: f64, celsius: f64) -> f64 {
    mm * 1e-3 * 2.0 / speed(celsius) * 1e6
}

/// Microseconds of echo for one centimetre that firmware without a thermometer divides by; right
/// at 22.8 degC. Source: data sheets of ranging modules of the HC-SR04 class.
pub const FIXED_US_PER_CM: f64 = 58.0;

/// What firmware without a thermometer reads, in millimetres, for a distance of `mm` in air of
/// `celsius`.
pub fn uncompensated_mm(mm: f64, celsius: f64) -> f64 {
    echo_us(mm, celsius) / FIXED_US_PER_CM * 10.0
}

/// The coldest air that thresholds must hold in, in degrees Celsius.
pub const COLDEST: f64 = -30.0;
/// The warmest air that thresholds must hold in, in degrees Celsius.
pub const WARMEST: f64 = 40.0;

/// Part of a corrected distance that may still be wrong: moist air carries sound up to 0.665 %
/// faster than dry air (30 degC, 0 to 100 % relative humidity; Cramer, J. Acoust. Soc. Am. 93,
/// 2510-2516, 1993), and a thermometer that is 1 K off costs 0.17 % (from ISO 9613-1).
pub const CORRECTED_ERROR: f64 = 0.006_65 + 0.001_7;

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() <= within, "{found} is not {expected} within {within}");
    }

    /// Source: the formula of ISO 9613-1:1993, computed independently in double precision.
    #[test]
    fn speed_follows_iso_9613_1() {
        let table = [
            (-30.0, 312.56),
            (-20.0, 318.93),
            (-10.0, 325.17),
            (0.0, 331.29),
            (10.0, 337.30),
            (20.0, 343.20),
            (30.0, 349.00),
            (40.0, 354.71),
        ];
        for (celsius, metres) in table {
            close(speed(celsius), metres, 0.01);
        }
    }

    /// Echo of 250.0 cm and what a divisor of 58 us/cm makes of it. Source: ISO 9613-1:1993 and
    /// the divisor of the modules' data sheets, computed independently in double precision.
    #[test]
    fn a_fixed_divisor_errs_as_tabulated() {
        let table = [
            (-30.0, 15996.7, 275.81),
            (-20.0, 15677.6, 270.30),
            (-10.0, 15376.8, 265.12),
            (0.0, 15092.7, 260.22),
            (10.0, 14823.8, 255.58),
            (20.0, 14568.8, 251.19),
            (30.0, 14326.5, 247.01),
            (40.0, 14095.9, 243.03),
        ];
        for (celsius, echo, cm) in table {
            close(echo_us(2500.0, celsius), echo, 0.2);
            close(uncompensated_mm(2500.0, celsius) / 10.0, cm, 0.02);
            close(distance_mm(echo, celsius), 2500.0, 0.2);
        }
        close(distance_mm(15678.0, -20.0) / 10.0, 250.00, 0.02);
        close(distance_mm(15997.0, -30.0) / 10.0, 250.00, 0.02);
    }
}
