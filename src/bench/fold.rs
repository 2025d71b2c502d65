//! Which waveform repeats in a trace, and its mean: noise must not feign ripple.
//!
//! The repetition is found near the expected one, the trace folded on it (on one period, or on several where that leaves less), and
//! averaged in bins. What is left after folding is held against the noise floor.

use super::trace::{Trace, mean, range};
use std::f64::consts::TAU;

/// Share by which the repetition may be off what is expected.
const OFF: f64 = 0.2;
/// Harmonics by which it is found.
const HARMONICS: usize = 3;
/// Samples a period that are enough to find it.
const ENOUGH: f64 = 48.0;
/// Periods of the first look, and places looked at in a width of the peak.
const FIRST: f64 = 12.0;
const PLACES: f64 = 6.0;
/// Most periods that a waveform may take to repeat.
const MOST_PERIODS: usize = 8;
/// Least and most bins of a period, and samples of a bin.
const BINS: (usize, usize) = (12, 256);
const PER_BIN: usize = 4;
/// Fewest repetitions of what is folded on.
const LEAST_REPEATS: f64 = 3.0;
/// What is left falls to less than this share of itself where several periods belong together, and stays within that of the least.
const BETTER: f64 = 0.8;
const AS_GOOD: f64 = 1.1;
/// What is left exceeds the noise from this multiple of it, and counts from this share of the height.
const EXCEEDS: f64 = 1.5;
const OF_HEIGHT: f64 = 0.01;

/// Points of a period by which waveforms are compared.
pub const POINTS: usize = 12;
/// Begins of a waveform that are tried for each point.
const BEGINS: usize = 16;

/// What repeats.
#[derive(Clone, Debug, PartialEq)]
pub struct Folded {
    /// Repetition of one switching period in s.
    pub period_s: f64,
    /// Switching periods after which the waveform repeats.
    pub periods: usize,
    /// How often that is in the trace.
    pub repeats: f64,
    /// Its mean over them, in bins of equal width.
    pub wave: Vec<f64>,
    /// Peak to peak of the mean waveform.
    pub height: f64,
    /// Peak to peak of the samples as they are.
    pub raw_height: f64,
    /// Root mean square of what is left after folding.
    pub left: f64,
    /// Whether that is more than the noise.
    pub exceeds_noise: bool,
    /// Standard uncertainty of the height from what is left.
    pub height_uncertainty: f64,
}

/// Folds a trace on its repetition near a frequency in Hz; `None` where it is too short.
pub fn fold(trace: &Trace, near_hz: f64, noise: f64) -> Option<Folded> {
    let periods = (trace.end_s() - trace.start_s) * near_hz;
    if periods < LEAST_REPEATS + 1.0 {
        return None;
    }
    let raw = range(&trace.values)?;
    let hz = repetition(trace, near_hz);
    let period_s = 1.0 / hz;
    let most = ((periods / LEAST_REPEATS) as usize).clamp(1, MOST_PERIODS);
    let bins = (trace.values.len() / (most * PER_BIN)).clamp(BINS.0, BINS.1);
    let over = |count: usize| {
        let wave = folded(trace, count as f64 * period_s, count * bins)?;
        let left = left(trace, count as f64 * period_s, &wave);
        Some((count, wave, left))
    };
    let floor = noise.max(OF_HEIGHT * (raw.1 - raw.0));
    let first = over(1)?;
    let (count, wave, left) =
        if first.2 <= EXCEEDS * floor { first } else { fewest(first, (2..=most).filter_map(over).collect()) };
    let (low, high) = range(&wave)?;
    let repeats = periods / count as f64;
    let samples = trace.values.len() as f64 / (count * bins) as f64;
    Some(Folded {
        period_s,
        periods: count,
        repeats,
        height: high - low,
        raw_height: raw.1 - raw.0,
        exceeds_noise: left > EXCEEDS * floor,
        // Two ends of a mean of so many samples.
        height_uncertainty: left * (2.0 / samples.max(1.0)).sqrt(),
        left,
        wave,
    })
}

/// Periods that are folded together, their mean, and what is left beside it.
type Fold = (usize, Vec<f64>, f64);

/// One period, or the fewest that leave about as little as any where that is clearly less.
fn fewest(one: Fold, more: Vec<Fold>) -> Fold {
    let least = more.iter().map(|fold| fold.2).fold(one.2, f64::min);
    let several = more.into_iter().find(|fold| fold.2 <= AS_GOOD * least);
    several.filter(|_| least <= BETTER * one.2).unwrap_or(one)
}

/// Frequency in Hz of the repetition: the greatest power in the first harmonics, looked for in ever longer pieces.
fn repetition(trace: &Trace, near_hz: f64) -> f64 {
    let samples = 1.0 / (near_hz * trace.step_s);
    let thin = trace.thinned((samples / ENOUGH) as usize);
    let total = (thin.end_s() - thin.start_s) * near_hz;
    let (mut hz, mut reach) = (near_hz, OFF * near_hz);
    let mut periods = FIRST.min(total);
    loop {
        let piece = thin.cut(thin.start_s, thin.start_s + periods / near_hz);
        let width = near_hz / periods;
        let places = (reach / width * PLACES).ceil().max(PLACES);
        let at = |k: i64| hz + reach * k as f64 / places;
        let values = centred(&piece.values);
        let power = |hz: f64| power(&values, hz * piece.step_s);
        let best =
            (-(places as i64)..=places as i64).max_by(|a, b| power(at(*a)).total_cmp(&power(at(*b)))).unwrap_or(0);
        let spacing = reach / places;
        hz = at(best) + peak([at(best) - spacing, at(best), at(best) + spacing].map(power)) * spacing;
        if periods >= total {
            return hz;
        }
        periods = (4.0 * periods).min(total);
        reach = width / 2.0;
    }
}

fn centred(values: &[f64]) -> Vec<f64> {
    let middle = mean(values).unwrap_or(0.0);
    values.iter().map(|value| if value.is_finite() { value - middle } else { 0.0 }).collect()
}

/// Power in the harmonics of a frequency, which is given in turns a sample.
fn power(values: &[f64], turns: f64) -> f64 {
    let of = |harmonic: usize| {
        let (sin, cos) = (TAU * turns * harmonic as f64).sin_cos();
        let (mut re, mut im) = (1.0f64, 0.0f64);
        let mut sum = (0.0, 0.0);
        for value in values {
            sum = (sum.0 + value * re, sum.1 + value * im);
            (re, im) = (re * cos - im * sin, re * sin + im * cos);
        }
        sum.0 * sum.0 + sum.1 * sum.1
    };
    (1..=HARMONICS).map(of).sum()
}

/// Place of the top of a parabola through three values at -1, 0 and 1.
pub(super) fn peak([before, here, behind]: [f64; 3]) -> f64 {
    let bend = before - 2.0 * here + behind;
    if bend < 0.0 { (0.5 * (before - behind) / bend).clamp(-1.0, 1.0) } else { 0.0 }
}

/// Points of the mean waveform over one switching period, each the mean over its share, from some share of the period on; their mean is
/// taken off. Of a waveform that takes several periods they are the mean of these.
pub fn points(fold: &Folded, from: f64) -> Vec<f64> {
    let bins = fold.wave.len() / fold.periods;
    let of = |bin: usize| (0..fold.periods).map(|period| fold.wave[period * bins + bin]).sum::<f64>();
    points_of(&(0..bins).map(|bin| of(bin) / fold.periods as f64).collect::<Vec<_>>(), from)
}

/// The same of a waveform over one period.
pub fn points_of(wave: &[f64], from: f64) -> Vec<f64> {
    let middle = mean(wave).unwrap_or(0.0);
    // The integral up to a place, in bins.
    let mut sums = vec![0.0];
    wave.iter().for_each(|value| sums.push(sums[sums.len() - 1] + value - middle));
    let until = |place: f64| {
        let bins = wave.len();
        let at = place.rem_euclid(1.0) * bins as f64;
        let whole = (at as usize).min(bins - 1);
        sums[whole] + (at - whole as f64) * (wave[whole] - middle)
    };
    let edge = |point: usize| until(from + point as f64 / POINTS as f64);
    (0..POINTS).map(|point| (edge(point + 1) - edge(point)) * POINTS as f64 / wave.len() as f64).collect()
}

/// The points from where they are most like others.
pub fn points_like(fold: &Folded, others: &[f64]) -> Vec<f64> {
    let count = (BEGINS * POINTS) as i64;
    let off = |begin: f64| {
        let points = points(fold, begin / count as f64);
        points.iter().zip(others).map(|(a, b)| (a - b).powi(2)).sum::<f64>()
    };
    let best = (0..count).map(|begin| begin as f64).min_by(|a, b| off(*a).total_cmp(&off(*b))).unwrap_or(0.0);
    let finer = peak([-1.0, 0.0, 1.0].map(|by| -off(best + by)));
    points(fold, (best + finer) / count as f64)
}

/// The samples that are there, each with the share of the period at which it is.
fn turned(trace: &Trace, period_s: f64) -> impl Iterator<Item = (f64, f64)> {
    trace.values.iter().enumerate().filter(|(_, value)| value.is_finite()).map(move |(sample, value)| {
        let turns = trace.step_s * sample as f64 / period_s;
        (turns - turns.floor(), *value)
    })
}

/// Mean in each of some bins of a period; a bin without samples takes the line between its neighbours. `None` where most are empty.
fn folded(trace: &Trace, period_s: f64, bins: usize) -> Option<Vec<f64>> {
    let mut sums = vec![(0.0, 0u32); bins];
    for (turn, value) in turned(trace, period_s) {
        let place = &mut sums[((turn * bins as f64) as usize).min(bins - 1)];
        *place = (place.0 + value, place.1 + 1);
    }
    if 2 * sums.iter().filter(|bin| bin.1 > 0).count() < bins {
        return None;
    }
    let known = |bin: usize| (sums[bin].1 > 0).then(|| sums[bin].0 / f64::from(sums[bin].1));
    let filled = |bin: usize| {
        known(bin).unwrap_or_else(|| {
            let find = |step: usize| (1..bins).find_map(|k| Some((k, known((bin + k * step) % bins)?)));
            let (behind, before) = (find(1), find(bins - 1));
            let (behind, before) = (behind.unwrap_or((1, 0.0)), before.unwrap_or((1, 0.0)));
            (before.1 * behind.0 as f64 + behind.1 * before.0 as f64) / (before.0 + behind.0) as f64
        })
    };
    Some((0..bins).map(filled).collect())
}

/// Root mean square of the samples beside the mean waveform, which is straight between the middles of its bins; the bins' own freedom is
/// taken off.
fn left(trace: &Trace, period_s: f64, wave: &[f64]) -> f64 {
    let bins = wave.len();
    let (mut sum, mut count) = (0.0, 0usize);
    for (turn, value) in turned(trace, period_s) {
        let place = turn * bins as f64 + bins as f64 - 0.5;
        let share = place - place.floor();
        let first = place as usize % bins;
        let expected = (1.0 - share) * wave[first] + share * wave[(first + 1) % bins];
        sum += (value - expected).powi(2);
        count += 1;
    }
    (sum / count.saturating_sub(bins).max(1) as f64).sqrt()
}
