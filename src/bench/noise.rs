//! Noise of a capture: how much there is, and as much again for a simulation.

use super::trace::Trace;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

/// Share of second differences that are left out as edges of the signal.
const LEFT_OUT: f64 = 0.1;
/// Mean square of the rest as a share of that of all, for a normal distribution: 1 - 2 z phi(z) / 0.9 with z = 1.6449 and phi(z) = 0.10314.
const REST: f64 = 0.622_97;
/// A second difference a - 2 b + c of independent samples has six times their variance.
const SECOND: f64 = 6.0;
/// Most differences that are looked at.
const MOST: usize = 200_000;
/// Share of an even distribution's width that is its standard deviation, 1 / sqrt(12).
pub const OF_LEVEL: f64 = 0.288_675_134_594_812_9;

/// Standard deviation of the noise of a trace, from second differences of samples so far apart that a bandwidth in Hz makes them independent:
/// a straight signal has none, and its edges are among the tenth that is left out. Not below what steps of `level` make alone.
pub fn floor(trace: &Trace, bandwidth_hz: Option<f64>, level: f64) -> f64 {
    let apart = bandwidth_hz.map_or(1.0, |hz| (0.5 / (hz * trace.step_s)).ceil()).max(1.0) as usize;
    let values = &trace.values;
    let count = values.len().saturating_sub(2 * apart);
    let every = count.div_ceil(MOST).max(1);
    let second = |at: usize| values[at] - 2.0 * values[at + apart] + values[at + 2 * apart];
    let mut squares: Vec<f64> =
        (0..count).step_by(every).map(|at| second(at).powi(2)).filter(|square| square.is_finite()).collect();
    squares.sort_by(f64::total_cmp);
    squares.truncate(((1.0 - LEFT_OUT) * squares.len() as f64).ceil() as usize);
    let mean = squares.iter().sum::<f64>() / squares.len().max(1) as f64;
    (mean / (SECOND * REST)).sqrt().max(OF_LEVEL * level)
}

/// Normal noise of a standard deviation through a first-order bandwidth in Hz, the same for a seed on every machine.
pub fn draw(count: usize, step_s: f64, deviation: f64, bandwidth_hz: Option<f64>, seed: u64) -> Vec<f64> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = || {
        // Box and Muller; the first number is never zero.
        let uniform = |word: u64| ((word >> 11) as f64 + 0.5) / (1u64 << 53) as f64;
        let (a, b) = (uniform(random.next_u64()), uniform(random.next_u64()));
        (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
    };
    let kept = bandwidth_hz.map_or(0.0, |hz| (-std::f64::consts::TAU * hz * step_s).exp());
    // A first-order sequence of unit variance.
    let fresh = (1.0 - kept * kept).sqrt();
    let mut value = normal();
    let mut all = Vec::with_capacity(count);
    for _ in 0..count {
        all.push(deviation * value);
        value = kept * value + fresh * normal();
    }
    all
}
