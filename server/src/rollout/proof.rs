//! What a few nodes prove about the rest.

/// One-sided upper confidence bound of Clopper and Pearson for a failure rate.
///
/// `failed` of `tried` failed; `confidence` is a fraction such as 0.95. Returns the largest
/// rate, 0 to 1, at which so few failures would still be seen with probability
/// `1 - confidence`. 1 if all failed or nothing was tried.
///
/// # Source
/// Clopper & Pearson, Biometrika 26, 404-413, 1934; found by bisection on the binomial tail.
pub fn upper_bound(failed: u32, tried: u32, confidence: f64) -> f64 {
    if failed >= tried {
        return 1.0;
    }
    let (mut low, mut high) = (0.0_f64, 1.0_f64);
    // 60 halvings reach the precision of the number itself.
    for _ in 0..60 {
        let middle = low.midpoint(high);
        if at_most(failed, tried, middle) > 1.0 - confidence {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// Probability of at most `k` failures among `n`, each with probability `p`, 0 < p < 1. The
/// terms are kept as logarithms, so that large `n` does not underflow.
fn at_most(k: u32, n: u32, p: f64) -> f64 {
    let odds = p.ln() - (1.0 - p).ln();
    let mut log_term = f64::from(n) * (1.0 - p).ln();
    let mut sum = log_term.exp();
    for i in 0..k {
        log_term += (f64::from(n - i) / f64::from(i + 1)).ln() + odds;
        sum += log_term.exp();
    }
    sum
}

/// The sentence for people, with the bound at 95 % rounded up to a tenth of a per cent.
pub fn sentence(kept: u32, failed: u32) -> String {
    let tried = kept + failed;
    if tried == 0 {
        return "no node shows how it does, so nothing is proved".to_owned();
    }
    if kept == 0 {
        return format!("0 of {tried} kept it and did well: nothing is proved in its favour");
    }
    let bound = bound_words(kept, failed);
    format!(
        "{kept} of {tried} kept it and did well: with 95 % confidence fewer than {bound} of such nodes would fail"
    )
}

/// The sentence for what would be proved if so many kept in the end.
pub fn prospect(kept: u32, failed: u32) -> String {
    let (tried, bound) = (kept + failed, bound_words(kept, failed));
    format!("if {kept} of {tried} keep it: with 95 % confidence fewer than {bound} of such nodes would fail")
}

fn bound_words(kept: u32, failed: u32) -> String {
    // Less than a tenth of a per cent is lost to rounding, always to the cautious side.
    let tenths = (upper_bound(failed, kept + failed, 0.95) * 1000.0 - 1e-9).ceil().min(1000.0);
    format!("{:.1} %", tenths / 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: Clopper & Pearson, Biometrika 26, 404-413, 1934; values computed with scipy's
    /// `beta.ppf(c, k + 1, n - k)`, and for 0 failures the closed form `1 - (1 - c)^(1/n)`.
    #[test]
    fn bounds_are_the_tabulated_ones() {
        let none_failed = [
            (1, [0.800000, 0.900000, 0.950000, 0.990000]),
            (2, [0.552786, 0.683772, 0.776393, 0.900000]),
            (3, [0.415196, 0.535841, 0.631597, 0.784557]),
            (5, [0.275220, 0.369043, 0.450720, 0.601893]),
            (10, [0.148660, 0.205672, 0.258866, 0.369043]),
            (20, [0.077319, 0.108749, 0.139108, 0.205672]),
            (30, [0.052234, 0.073881, 0.095034, 0.142304]),
            (59, [0.026910, 0.038275, 0.049508, 0.075085]),
        ];
        for (n, row) in none_failed {
            for (c, want) in [0.80, 0.90, 0.95, 0.99].into_iter().zip(row) {
                let got = upper_bound(0, n, c);
                assert!((got - want).abs() < 1e-6, "0 of {n} at {c}: {got}, table {want}");
                let closed = 1.0 - (1.0 - c).powf(1.0 / f64::from(n));
                assert!((got - closed).abs() < 1e-12);
            }
        }
        let some_failed = [
            (1, 3, 0.864650),
            (1, 5, 0.657408),
            (1, 10, 0.394163),
            (2, 20, 0.282619),
            (1, 30, 0.148596),
            (3, 30, 0.238598),
            (1, 1, 1.0),
        ];
        for (k, n, want) in some_failed {
            let got = upper_bound(k, n, 0.95);
            assert!((got - want).abs() < 1e-6, "{k} of {n}: {got}, table {want}");
        }
    }

    /// Nodes needed without a failure to show a rate below p at 95 %: the same source.
    #[test]
    fn so_many_nodes_are_needed() {
        for (p, n) in [(0.5, 5), (0.2, 14), (0.1, 29), (0.05, 59), (0.01, 299)] {
            assert!(upper_bound(0, n, 0.95) <= p && upper_bound(0, n - 1, 0.95) > p, "{p}");
        }
    }

    #[test]
    fn sentences_are_cautious() {
        assert_eq!(
            sentence(3, 0),
            "3 of 3 kept it and did well: with 95 % confidence fewer than 63.2 % of such nodes would fail"
        );
        assert_eq!(
            sentence(2, 1),
            "2 of 3 kept it and did well: with 95 % confidence fewer than 86.5 % of such nodes would fail"
        );
        assert_eq!(
            sentence(1, 0),
            "1 of 1 kept it and did well: with 95 % confidence fewer than 95.0 % of such nodes would fail"
        );
        assert_eq!(
            prospect(3, 0),
            "if 3 of 3 keep it: with 95 % confidence fewer than 63.2 % of such nodes would fail"
        );
        assert_eq!(sentence(0, 2), "0 of 2 kept it and did well: nothing is proved in its favour");
        assert_eq!(sentence(0, 0), "no node shows how it does, so nothing is proved");
    }
}
