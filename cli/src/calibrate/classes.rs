//! Telling two kinds of readings apart.

/// Mean and standard deviation (n - 1) of one kind of readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Class {
    /// Mean.
    pub mean: f64,
    /// Standard deviation, with n - 1.
    pub sd: f64,
    /// Readings.
    pub count: usize,
}

impl Class {
    /// Of at least two readings; `None` for fewer, or if one is no number.
    pub fn of(readings: &[f64]) -> Option<Self> {
        let count = readings.len();
        if count < 2 || readings.iter().any(|r| !r.is_finite()) {
            return None;
        }
        let n = count as f64;
        let mean = readings.iter().sum::<f64>() / n;
        let squares: f64 = readings.iter().map(|r| (r - mean).powi(2)).sum();
        Some(Self { mean, sd: (squares / (n - 1.0)).sqrt(), count })
    }

    /// How far apart two classes are, in standard deviations:
    /// `d' = |m1 - m2| / sqrt((s1^2 + s2^2) / 2)`. Infinite if neither spreads.
    ///
    /// # Source
    /// Green & Swets, Signal Detection Theory and Psychophysics, 1966 (from memory).
    pub fn apart(self, other: Self) -> f64 {
        let spread = f64::midpoint(self.sd.powi(2), other.sd.powi(2)).sqrt();
        let gap = (self.mean - other.mean).abs();
        if gap == 0.0 { 0.0 } else { gap / spread }
    }

    /// Where two normal curves of equal weight cross between their means; `None` if they do not
    /// cross there, or have the same mean. Where a class does not spread at all, the crossing
    /// is beside it; with neither spreading, the middle.
    ///
    /// Setting both densities equal gives `a x^2 + b x + c = 0` with
    /// `a = 1/s1^2 - 1/s2^2`, `b = -2 (m1/s1^2 - m2/s2^2)`,
    /// `c = m1^2/s1^2 - m2^2/s2^2 + 2 ln(s1/s2)`.
    pub fn crossing(self, other: Self) -> Option<f64> {
        let (low, high) = if self.mean < other.mean { (self, other) } else { (other, self) };
        if low.mean >= high.mean {
            return None;
        }
        let middle = f64::midpoint(low.mean, high.mean);
        // A spread of exactly zero comes from a coarse reading; half a count stands in for it.
        let (s1, s2) = (low.sd.max(0.5).powi(2), high.sd.max(0.5).powi(2));
        let (m1, m2) = (low.mean, high.mean);
        if (s1 - s2).abs() < 1e-12 * s1 {
            return Some(middle);
        }
        let a = 1.0 / s1 - 1.0 / s2;
        let b = -2.0 * (m1 / s1 - m2 / s2);
        let c = m1 * m1 / s1 - m2 * m2 / s2 + (s1 / s2).ln();
        let root = (b * b - 4.0 * a * c).sqrt();
        // The form that does not lose digits where `b` and `root` are nearly the same.
        let q = -0.5 * (b + b.signum() * root);
        [q / a, c / q].into_iter().find(|x| m1 < *x && *x < m2)
    }
}

/// Below this many standard deviations two classes are refused. Common practice, no source.
pub const TOO_NEAR: f64 = 3.0;
/// Below this many there is a warning. Common practice, no source.
pub const NEAR: f64 = 5.0;

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use proptest::prelude::*;

    fn class(readings: &[f64]) -> Class {
        Class::of(readings).unwrap()
    }

    fn close(found: f64, expected: f64) {
        assert!((found - expected).abs() <= 1e-5, "{found} is not {expected}");
    }

    pub(crate) const DARK_A: [f64; 12] = [38., 41., 44., 47., 40., 52., 45., 43., 49., 36., 46., 42.];
    pub(crate) const LIGHT_A: [f64; 12] = [95., 120., 88., 132., 104., 76., 141., 110., 99., 125., 83., 117.];
    pub(crate) const LOW_B: [f64; 12] = [38., 41., 44., 47., 40., 52., 45., 43., 59., 36., 46., 66.];
    pub(crate) const HIGH_B: [f64; 12] = [58., 72., 61., 80., 69., 55., 84., 74., 66., 77., 63., 71.];

    /// Made-up readings with unequal spread; results computed independently with numpy and scipy.
    #[test]
    fn unequal_spread_crosses_nearer_to_the_narrow_class() {
        let (dark, light) = (class(&DARK_A), class(&LIGHT_A));
        close(dark.mean, 43.583_333);
        close(light.mean, 107.5);
        close(dark.sd, 4.581_749);
        close(light.sd, 20.214_756);
        close(dark.apart(light), 4.360_963);
        close(dark.crossing(light).unwrap(), 57.411_074);
        close(light.crossing(dark).unwrap(), 57.411_074);
    }

    /// Made-up readings with nearly equal spread; results computed independently with numpy and
    /// scipy.
    #[test]
    fn overlapping_classes_are_seen_to_overlap() {
        let (low, high) = (class(&LOW_B), class(&HIGH_B));
        close(low.sd, 8.753_787);
        close(high.sd, 8.912_028);
        close(low.apart(high), 2.575_492);
        close(low.crossing(high).unwrap(), 57.751_208);
        assert!(low.apart(high) < TOO_NEAR);
    }

    #[test]
    fn odd_cases_have_an_answer() {
        assert_eq!(Class::of(&[1.0]), None);
        assert_eq!(Class::of(&[1.0, f64::NAN]), None);
        let (a, b) = (class(&[10.0, 10.0]), class(&[20.0, 20.0]));
        assert_eq!(a.crossing(b), Some(15.0));
        assert_eq!(a.apart(b), f64::INFINITY);
        assert_eq!((a.crossing(a), a.apart(a)), (None, 0.0));
    }

    proptest! {
        #[test]
        fn a_crossing_lies_between_and_both_curves_are_as_high_there(
            m1 in -1e3..1e3f64, gap in 1.0..1e3f64, s1 in 0.5..50.0f64, s2 in 0.5..50.0f64,
        ) {
            let low = Class { mean: m1, sd: s1, count: 9 };
            let high = Class { mean: m1 + gap, sd: s2, count: 9 };
            if let Some(x) = low.crossing(high) {
                prop_assert!(low.mean < x && x < high.mean);
                let log = |c: Class| -((x - c.mean) / c.sd).powi(2) / 2.0 - c.sd.ln();
                prop_assert!((log(low) - log(high)).abs() < 1e-5 * (1.0 + log(low).abs()));
            } else {
                prop_assert!(low.apart(high) < TOO_NEAR);
            }
        }
    }
}
