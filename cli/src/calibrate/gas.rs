//! The curve of a metal-oxide carbon monoxide sensor.
//!
//! Such a sensor shows a rise; it is no certified alarm, drifts with temperature and humidity, and
//! must never be the only thing that warns of carbon monoxide.

use thiserror::Error;

/// `ppm = a * (Rs/R0)^b`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Curve {
    /// a, in ppm.
    pub a: f64,
    /// b, negative: resistance falls as gas rises.
    pub b: f64,
    /// Part of the spread of log ppm that the curve explains, 0 to 1.
    pub r2: f64,
}

/// Why points give no curve, or a voltage no resistance.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum GasError {
    /// Fewer points than needed.
    #[error("there are {0} points; a curve takes at least 3")]
    TooFew(usize),
    /// A value that is no positive number.
    #[error("point {number}: {what} is {value}; a positive number is expected")]
    NotPositive {
        /// Point, counted from 1.
        number: usize,
        /// Which value.
        what: &'static str,
        /// The value.
        value: f64,
    },
    /// All points have the same ratio, or the curve rises.
    #[error("the points do not fall as gas rises; they are no curve of such a sensor")]
    NotFalling,
    /// The points lie off a straight line in the double-logarithmic plot.
    #[error(
        "the points lie off a power law (r2 = {r2:.4}, at least {MIN_R2} is needed): one of them is wrong"
    )]
    Crooked {
        /// Part of the spread explained.
        r2: f64,
    },
    /// A voltage outside the divider's range.
    #[error("a reading of {vout} V is outside 0 to {vcc} V: is the sensor connected?")]
    Voltage {
        /// Voltage read.
        vout: f64,
        /// Supply of the divider.
        vcc: f64,
    },
}

/// Least part of the spread that a curve must explain. Common practice, no source; data-sheet
/// points give 0.999.
pub const MIN_R2: f64 = 0.98;
/// Concentrations that such sensors are specified for, in ppm (component data sheets).
pub const SPECIFIED_PPM: std::ops::RangeInclusive<f64> = 20.0..=2000.0;

/// Fits `log10 ppm` on `log10 ratio` by least squares, so that errors are taken to be in ppm.
/// `points`: ratio Rs/R0 and ppm.
///
/// # Errors
/// [`GasError`] for fewer than three points, values that are not positive, or points that are
/// no falling power law.
pub fn fit(points: &[(f64, f64)]) -> Result<Curve, GasError> {
    if points.len() < 3 {
        return Err(GasError::TooFew(points.len()));
    }
    for (n, (ratio, ppm)) in points.iter().enumerate() {
        for (what, value) in [("the ratio", *ratio), ("the concentration", *ppm)] {
            if !(value.is_finite() && value > 0.0) {
                return Err(GasError::NotPositive { number: n + 1, what, value });
            }
        }
    }
    let logs: Vec<(f64, f64)> = points.iter().map(|(r, p)| (r.log10(), p.log10())).collect();
    let n = logs.len() as f64;
    let mean = |f: fn(&(f64, f64)) -> f64| logs.iter().map(f).sum::<f64>() / n;
    let (mx, my) = (mean(|l| l.0), mean(|l| l.1));
    let sum = |f: &dyn Fn(f64, f64) -> f64| logs.iter().map(|(x, y)| f(x - mx, y - my)).sum::<f64>();
    let (sxx, sxy, syy) = (sum(&|x, _| x * x), sum(&|x, y| x * y), sum(&|_, y| y * y));
    if sxx <= 0.0 || syy <= 0.0 || sxy >= 0.0 {
        return Err(GasError::NotFalling);
    }
    let b = sxy / sxx;
    let r2 = sxy * sxy / (sxx * syy);
    if r2 < MIN_R2 {
        return Err(GasError::Crooked { r2 });
    }
    Ok(Curve { a: 10f64.powf(my - b * mx), b, r2 })
}

impl Curve {
    /// Concentration in ppm at a ratio Rs/R0.
    pub fn ppm(self, ratio: f64) -> f64 {
        self.a * ratio.powf(self.b)
    }

    /// Ratio Rs/R0 at a concentration in ppm.
    pub fn ratio(self, ppm: f64) -> f64 {
        (ppm / self.a).powf(1.0 / self.b)
    }
}

/// Resistance of the sensor in ohms, from the voltage over the load of `load_ohms`:
/// `Rs = RL * (Vc - Vout) / Vout`. Source: component data sheets.
///
/// # Errors
/// [`GasError::Voltage`] at or outside the ends: no sensor, or a short.
pub fn resistance(vout: f64, vcc: f64, load_ohms: f64) -> Result<f64, GasError> {
    if vout.is_finite() && 0.0 < vout && vout < vcc {
        Ok(load_ohms * (vcc - vout) / vout)
    } else {
        Err(GasError::Voltage { vout, vcc })
    }
}

/// R0 in ohms, from the resistance in clean air and the ratio Rs/R0 that the data sheet gives for
/// clean air.
pub fn r0(clean_air_ohms: f64, clean_air_ratio: f64) -> f64 {
    clean_air_ohms / clean_air_ratio
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Ratio and ppm, read off the curves of the components' data sheets.
    const MQ7: [(f64, f64); 5] =
        [(1.605, 50.0), (1.000, 100.0), (0.381, 400.0), (0.217, 1000.0), (0.090, 4000.0)];
    const MQ9: [(f64, f64); 4] = [(1.631, 200.0), (1.068, 500.0), (0.869, 800.0), (0.785, 1000.0)];

    fn close(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() <= within, "{found} is not {expected} within {within}");
    }

    /// Fits computed independently with numpy's `polyfit` on the logarithms.
    #[test]
    fn data_sheet_points_give_the_computed_fits() {
        let seven = fit(&MQ7).unwrap();
        close(seven.a, 99.2690, 0.01);
        close(seven.b, -1.518_033, 1e-5);
        close(seven.r2, 0.999_359, 1e-5);
        for ((ratio, _), ppm) in MQ7.iter().zip([48.41, 99.27, 429.52, 1009.46, 3839.79]) {
            close(seven.ppm(*ratio), ppm, 0.05);
        }
        let nine = fit(&MQ9).unwrap();
        close(nine.a, 584.8169, 0.01);
        close(nine.b, -2.202_368, 1e-5);
        close(nine.r2, 0.999_878, 1e-5);
    }

    /// A worked chain: load 10 kohm, 5 V, 0.20 V in clean air, clean-air ratio 25.836.
    #[test]
    fn voltage_to_ppm_and_back_as_worked_by_hand() {
        let curve = fit(&MQ7).unwrap();
        let air = resistance(0.20, 5.0, 10e3).unwrap();
        close(air, 240e3, 1e-6);
        let r0 = r0(air, 25.836);
        close(r0, 9289.364, 0.001);
        for (vout, ppm) in [(1.0, 10.82), (2.0, 47.96), (2.5, 88.76), (3.0, 164.26), (3.5, 321.23)] {
            close(curve.ppm(resistance(vout, 5.0, 10e3).unwrap() / r0), ppm, 0.01);
        }
        for (ppm, ratio) in [(30.0, 2.1996), (70.0, 1.2588), (150.0, 0.7619), (400.0, 0.3993)] {
            close(curve.ratio(ppm), ratio, 1e-4);
        }
    }

    #[test]
    fn a_point_with_the_wrong_label_is_noticed() {
        // The first point of the second set labelled 50 ppm instead of 200: r2 falls to 0.9624.
        let mut wrong = MQ9;
        wrong[0].1 = 50.0;
        assert!(matches!(fit(&wrong), Err(GasError::Crooked { r2 }) if (r2 - 0.9624).abs() < 1e-4));
    }

    #[test]
    fn impossible_points_and_voltages_are_refused() {
        assert_eq!(fit(&MQ7[..2]), Err(GasError::TooFew(2)));
        assert!(matches!(fit(&[(0.0, 1.0); 3]), Err(GasError::NotPositive { number: 1, .. })));
        assert_eq!(fit(&[(1.0, 50.0), (2.0, 60.0), (3.0, 70.0)]), Err(GasError::NotFalling));
        assert_eq!(fit(&[(1.0, 50.0); 3]), Err(GasError::NotFalling));
        for vout in [0.0, 5.0, -0.1, 5.1, f64::NAN] {
            assert!(resistance(vout, 5.0, 10e3).is_err(), "{vout}");
        }
    }

    proptest! {
        #[test]
        fn an_exact_power_law_is_found_again(a in 1.0..1e4f64, b in -4.0..-0.2f64) {
            let points: Vec<_> = [0.1, 0.3, 0.9, 2.0].iter().map(|r: &f64| (*r, a * r.powf(b))).collect();
            let found = fit(&points).unwrap();
            prop_assert!((found.a / a - 1.0).abs() < 1e-9 && (found.b / b - 1.0).abs() < 1e-9);
        }
    }
}
