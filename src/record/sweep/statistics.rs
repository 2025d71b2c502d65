//! Shares and quantiles of random draws.

use statrs::function::beta::inv_beta_reg;

/// Probability that an interval of a share holds the true one.
pub const CONFIDENCE: f64 = 0.95;

/// Interval of a share of which `count` of `of` draws are: exact binomial limits, the true share outside either with at most half of what
/// [`CONFIDENCE`] leaves. Equation: C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404, by quantiles of the beta distribution.
pub fn share_interval(count: usize, of: usize) -> (f64, f64) {
    let (hits, misses) = (count as f64, (of - count) as f64);
    let tail = 0.5 * (1.0 - CONFIDENCE);
    let low = if count == 0 { 0.0 } else { inv_beta_reg(hits, misses + 1.0, tail) };
    let high = if count == of { 1.0 } else { inv_beta_reg(hits + 1.0, misses, 1.0 - tail) };
    (low, high)
}

/// The least of some ascending values that at least a share of them does not exceed; no value in between is made up.
pub fn quantile<T: Copy>(ascending: &[T], share: f64) -> Option<T> {
    // A product that is whole must not become more by rounding.
    let rank = (share * ascending.len() as f64 - 1e-9).ceil().max(1.0) as usize;
    ascending.get(rank - 1).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The quantile of the beta distribution is iterated to about this.
    const SOLVED: f64 = 1e-9;
    /// Tables are printed to four digits.
    const PRINTED: f64 = 0.5e-4;

    /// Of none of n the upper limit is 1 - (alpha / 2)^(1 / n), of all of them the lower one (alpha / 2)^(1 / n).
    #[test]
    fn closed_form_limits_of_none_and_of_all() {
        for of in [1, 7, 93, 2011] {
            let root = 0.025f64.powf(1.0 / of as f64);
            let ((low, high), (all_low, all_high)) = (share_interval(0, of), share_interval(of, of));
            assert!(low == 0.0 && (high - (1.0 - root)).abs() < SOLVED, "{of}: {high}");
            assert!(all_high == 1.0 && (all_low - root).abs() < SOLVED, "{of}: {all_low}");
        }
    }

    /// Within the limits at the limit itself: the tail of the binomial distribution is the half of alpha.
    #[test]
    fn closed_form_the_tail_beyond_a_limit_is_half_of_what_is_left() {
        let (count, of) = (83usize, 97usize);
        let (low, high) = share_interval(count, of);
        let ln_factorial = |n: usize| (2..=n).map(|k| (k as f64).ln()).sum::<f64>();
        let one = |k: usize, p: f64| {
            let ways = ln_factorial(of) - ln_factorial(k) - ln_factorial(of - k);
            (ways + k as f64 * p.ln() + (of - k) as f64 * (1.0 - p).ln()).exp()
        };
        let above: f64 = (count..=of).map(|k| one(k, low)).sum();
        let below: f64 = (0..=count).map(|k| one(k, high)).sum();
        assert!((above - 0.025).abs() < 1e-7 && (below - 0.025).abs() < 1e-7, "{above} {below}");
    }

    /// Exact limits of 1 of 10 at 95 %: 0.0025 and 0.4450, as printed in tables of the binomial distribution (quoted from memory).
    #[test]
    fn outside_limits_of_one_of_ten() {
        let (low, high) = share_interval(1, 10);
        assert!((low - 0.0025).abs() < PRINTED && (high - 0.4450).abs() < PRINTED, "{low} {high}");
    }

    #[test]
    fn law_quantiles_are_values_that_were_drawn() {
        let values: Vec<f64> = (1..=200).map(f64::from).collect();
        let found = [0.01, 0.05, 0.5, 0.95, 0.99].map(|share| quantile(&values, share).expect("there are values"));
        assert_eq!(found, [2.0, 10.0, 100.0, 190.0, 198.0]);
        assert_eq!(quantile(&values[..1], 0.01), Some(1.0));
        assert_eq!(quantile::<f64>(&[], 0.5), None);
    }
}
