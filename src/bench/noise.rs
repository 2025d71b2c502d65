//! Noise of a capture: how much there is, and as much again for a simulation.

use super::trace::{Trace, mean};
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

/// Samples from one to the next that a bandwidth in Hz leaves independent.
pub fn apart(bandwidth_hz: Option<f64>, step_s: f64) -> usize {
    bandwidth_hz.map_or(1.0, |hz| (0.5 / (hz * step_s)).ceil()).max(1.0) as usize
}

/// Standard deviation of the noise of a trace, from second differences of samples so far apart that a bandwidth in Hz makes them independent:
/// a straight signal has none, and its edges are among the tenth that is left out. Not below what steps of `level` make alone.
pub fn floor(trace: &Trace, bandwidth_hz: Option<f64>, level: f64) -> f64 {
    let apart = apart(bandwidth_hz, trace.step_s);
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

/// Values by the identifier of each.
pub type Values = Vec<(&'static str, f64)>;

/// What noise does to a figure: it adds so much to it in the mean, and scatters it by a standard deviation.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Does {
    /// In the mean.
    pub adds: f64,
    /// Standard deviation.
    pub scatter: f64,
}

/// What noise does to each of some values, from draws of them.
pub fn does(clean: Values, draws: u64, draw: impl Fn(u64) -> Values) -> Vec<(&'static str, Does)> {
    let drawn: Values = (1..=draws).flat_map(draw).collect();
    let of = |(id, clean): (&'static str, f64)| {
        let all: Vec<f64> = drawn.iter().filter(|(other, _)| *other == id).map(|(_, value)| *value).collect();
        let middle = mean(&all)?;
        let squares: f64 = all.iter().map(|value| (value - middle).powi(2)).sum();
        Some((id, Does { adds: middle - clean, scatter: (squares / (all.len().max(2) - 1) as f64).sqrt() }))
    };
    clean.into_iter().filter_map(of).collect()
}

/// Of one of them; nothing where it is not there.
pub fn done(all: &[(&'static str, Does)], id: &str) -> Does {
    all.iter().find(|(other, _)| *other == id).map_or(Does::default(), |(_, does)| *does)
}
