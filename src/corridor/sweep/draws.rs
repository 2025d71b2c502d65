//! Random places between the ends of tolerances. Each draw has a stream of its own, so that neither threads nor what was run before matter.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use std::f64::consts::TAU;

/// Draws of a sweep.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Draws {
    /// How many.
    pub count: usize,
    /// Seed.
    pub seed: u64,
    /// How each tolerance is spread.
    pub spread: Spread,
}

/// How a tolerance is spread between its ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spread {
    /// Anywhere between them alike.
    Uniform,
    /// Normal, its middle in the middle between them, the ends three standard deviations away; nothing lies beyond.
    Normal,
}

/// Standard deviations from the middle of a normal spread to its ends.
pub const LIMITS: f64 = 3.0;

impl Draws {
    /// Positions of so many tolerances in a draw, each by itself: 0 at the least end, 1 at the greatest.
    pub fn positions(&self, draw: usize, tolerances: usize) -> Vec<f64> {
        let mut random = ChaCha8Rng::seed_from_u64(self.seed);
        random.set_stream(draw as u64);
        (0..tolerances).map(|_| self.spread.position(&mut random)).collect()
    }
}

impl Spread {
    fn position(self, random: &mut ChaCha8Rng) -> f64 {
        match self {
            Spread::Uniform => uniform(random),
            Spread::Normal => loop {
                let off = normal(random);
                if off.abs() <= LIMITS {
                    return 0.5 + 0.5 * off / LIMITS;
                }
            },
        }
    }
}

/// A number between 0 and 1, neither of them.
fn uniform(random: &mut ChaCha8Rng) -> f64 {
    ((random.next_u64() >> 12) as f64 + 0.5) / (1u64 << 52) as f64
}

/// A standard normal number. Equation: G. E. P. Box, M. E. Muller, Ann. Math. Statist. 29 (1958) 610.
fn normal(random: &mut ChaCha8Rng) -> f64 {
    (-2.0 * uniform(random).ln()).sqrt() * (TAU * uniform(random)).cos()
}

#[cfg(test)]
mod tests {
    use super::*;

    const COUNT: usize = 20_011;

    fn all(spread: Spread) -> Vec<f64> {
        let draws = Draws { count: COUNT, seed: 7, spread };
        (0..COUNT).map(|draw| draws.positions(draw, 3)[2]).collect()
    }

    fn moments(all: &[f64]) -> (f64, f64) {
        let mean = all.iter().sum::<f64>() / all.len() as f64;
        (mean, all.iter().map(|one| (one - mean).powi(2)).sum::<f64>() / all.len() as f64)
    }

    /// Four standard deviations of the mean of so many draws.
    fn by_chance(variance: f64) -> f64 {
        4.0 * (variance / COUNT as f64).sqrt()
    }

    /// Mean 1/2, variance 1/12.
    #[test]
    fn closed_form_uniform_draws_have_the_moments_of_a_rectangle() {
        let (mean, variance) = moments(&all(Spread::Uniform));
        assert!((mean - 0.5).abs() < by_chance(1.0 / 12.0), "{mean}");
        // The variance of the square of a rectangular number about its middle is 1/180.
        assert!((variance - 1.0 / 12.0).abs() < by_chance(1.0 / 180.0), "{variance}");
    }

    /// Cut off at 3 the variance of a standard normal number is 1 - 6 phi(3) / (2 Phi(3) - 1) = 0.97333; a sixth of it is the position.
    #[test]
    fn closed_form_normal_draws_have_the_moments_of_a_truncated_normal() {
        let all = all(Spread::Normal);
        let ((mean, variance), expected) = (moments(&all), 0.973_33 / 36.0);
        assert!((mean - 0.5).abs() < by_chance(expected), "{mean}");
        // The variance of the square is at most twice the square of the variance.
        assert!((variance - expected).abs() < by_chance(2.0 * expected * expected), "{variance}");
        assert!(all.iter().all(|one| (0.0..=1.0).contains(one)));
    }

    #[test]
    fn law_a_draw_depends_on_seed_and_number_alone() {
        let draws = Draws { count: 5, seed: 11, spread: Spread::Uniform };
        let more = Draws { count: 5000, ..draws };
        assert_eq!(draws.positions(3, 4), more.positions(3, 4));
        assert_eq!(draws.positions(3, 4), draws.positions(3, 6)[..4]);
        assert_ne!(draws.positions(3, 4), draws.positions(4, 4));
        assert_ne!(draws.positions(3, 4), Draws { seed: 12, ..draws }.positions(3, 4));
    }
}
