//! From samples to figures: ripple under noise, alternation, edges, shifts, instruments. The waveforms here are written down, not simulated.

use presolder::bench::fold::{Folded, POINTS, fold, points, points_like, points_of};
use presolder::bench::instrument::Instrument;
use presolder::bench::noise;
use presolder::bench::score::{Known, Meters, of_limits};
use presolder::bench::step::{self, Times};
use presolder::bench::trace::Trace;
use std::f64::consts::TAU;

/// Switching frequency of the waveforms here in Hz, and what is expected.
const HZ: f64 = 403_700.0;
const EXPECTED_HZ: f64 = 390_000.0;

/// Random numbers that share nothing with those of the crate: the sum of twelve even ones is nearly normal.
struct Random(u64);

impl Random {
    fn even(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.even()).sum::<f64>() - 6.0
    }
}

fn trace(step_s: f64, count: usize, value: impl Fn(f64) -> f64) -> Trace {
    Trace { start_s: 0.0, step_s, values: (0..count).map(|k| value(k as f64 * step_s)).collect() }
}

fn with_noise(mut trace: Trace, deviation: f64, seed: u64) -> Trace {
    let mut random = Random(seed);
    trace.values.iter_mut().for_each(|value| *value += deviation * random.normal());
    trace
}

fn with_levels(mut trace: Trace, level: f64) -> Trace {
    trace.values.iter_mut().for_each(|value| *value = (*value / level).round() * level);
    trace
}

/// A triangle of a height, of which a share of the period rises.
fn triangle(t_s: f64, height: f64, duty: f64) -> f64 {
    let turns = (t_s * HZ).rem_euclid(1.0);
    height * (if turns < duty { turns / duty } else { (1.0 - turns) / (1.0 - duty) } - 0.5)
}

fn folded(trace: &Trace, level: f64) -> Folded {
    fold(trace, EXPECTED_HZ, noise::floor(trace, None, level)).expect("long enough")
}

#[test]
fn law_noise_does_not_feign_ripple() {
    // 10 mV of ripple under noise of 3 mV, in 8 bits of 64 mV.
    const HEIGHT: f64 = 10e-3;
    const NOISE: f64 = 3e-3;
    let level = 64e-3 / 256.0;
    for seed in [3, 77, 4711] {
        let clean = trace(7.3e-9, 120_000, |t_s| 5.0 + triangle(t_s, HEIGHT, 0.23));
        let noisy = with_levels(with_noise(clean, NOISE, seed), level);
        let fold = folded(&noisy, level);
        assert!((fold.period_s * HZ - 1.0).abs() < 2e-5, "{} Hz", 1.0 / fold.period_s);
        assert_eq!(fold.periods, 1);
        assert!(!fold.exceeds_noise, "{} left", fold.left);
        assert!((fold.left / NOISE - 1.0).abs() < 0.05, "{}", fold.left);
        // Within three of its own standard uncertainties and the blunting of corners by bins.
        let off = (fold.height - HEIGHT).abs();
        assert!(off < 4.0 * fold.height_uncertainty + 0.01 * HEIGHT, "{} of {HEIGHT}", fold.height);
        assert!(fold.height_uncertainty < 0.05 * HEIGHT, "{}", fold.height_uncertainty);
        // What the noise would have added.
        assert!(fold.raw_height > HEIGHT + 6.0 * NOISE, "{}", fold.raw_height);
    }
}

#[test]
fn law_noise_alone_folds_to_next_to_nothing() {
    const NOISE: f64 = 2e-3;
    let noisy = with_noise(trace(10e-9, 100_000, |_| 3.3), NOISE, 91);
    let fold = folded(&noisy, 0.0);
    assert!(fold.height < 0.5 * NOISE && fold.raw_height > 7.0 * NOISE, "{} {}", fold.height, fold.raw_height);
    assert!(!fold.exceeds_noise);
}

#[test]
fn law_the_noise_floor_is_found_under_a_signal() {
    for (deviation, level) in [(2e-3, 0.0), (0.4e-3, 0.25e-3), (0.0, 1e-3)] {
        let signal = trace(5e-9, 60_000, |t_s| triangle(t_s, 0.05, 0.4) + 0.3 * (TAU * 900.0 * t_s).sin());
        let floor = noise::floor(&with_noise(signal, deviation, 5), None, level);
        let expected = f64::max(deviation, level * 12f64.sqrt().recip());
        assert!((floor / expected - 1.0).abs() < 0.1, "{floor} of {expected}");
    }
    // Noise of a bandwidth far below the sample rate.
    let drawn = noise::draw(100_000, 1e-9, 1.5e-3, Some(20e6), 8);
    let band = Trace { start_s: 0.0, step_s: 1e-9, values: drawn };
    let floor = noise::floor(&band, Some(20e6), 0.0);
    assert!((floor / 1.5e-3 - 1.0).abs() < 0.1, "{floor}");
    assert_eq!(noise::draw(5, 1e-9, 1.0, None, 8), noise::draw(5, 1e-9, 1.0, None, 8));
}

#[test]
fn law_alternation_is_kept() {
    // Every second (third) cycle is higher by a third.
    for count in [2usize, 3] {
        let wave = |t_s: f64| {
            let cycle = (t_s * HZ).floor() as usize;
            triangle(t_s, if cycle.is_multiple_of(count) { 20e-3 } else { 15e-3 }, 0.5)
        };
        let fold = folded(&with_noise(trace(11e-9, 90_000, wave), 0.5e-3, 12), 0.0);
        assert_eq!(fold.periods, count);
        assert!(!fold.exceeds_noise, "{}", fold.left);
        assert!((fold.height / 20e-3 - 1.0).abs() < 0.05, "{}", fold.height);
    }
}

#[test]
fn law_what_does_not_repeat_is_said() {
    // Every cycle has a height of its own, between half and one and a half.
    let mut random = Random(61);
    let heights: Vec<f64> = (0..2000).map(|_| 0.5 + random.even()).collect();
    let wave = |t_s: f64| triangle(t_s, 20e-3 * heights[(t_s * HZ) as usize], 0.5);
    let fold = folded(&with_noise(trace(11e-9, 90_000, wave), 0.3e-3, 12), 0.0);
    // Heights between half and one and a half spread by 1 / sqrt(12), and so is a triangle's root mean square a part of its height.
    assert!(fold.exceeds_noise && (fold.left / (20e-3 / 12.0) - 1.0).abs() < 0.1, "{}", fold.left);
    assert!(fold.raw_height > 1.2 * fold.height, "{} {}", fold.raw_height, fold.height);
}

#[test]
fn law_few_samples_a_period_fold_to_many() {
    // Three samples a period show a triangle's corners only over many periods.
    let fold = folded(&with_noise(trace(0.8e-6, 60_000, |t_s| triangle(t_s, 12e-3, 0.3)), 0.2e-3, 2), 0.0);
    assert!((fold.height / 12e-3 - 1.0).abs() < 0.03, "{}", fold.height);
    assert!(fold.wave.len() > 100);
}

#[test]
fn error_a_trace_of_two_periods_is_not_folded() {
    assert!(fold(&trace(10e-9, 500, |t_s| triangle(t_s, 0.01, 0.3)), EXPECTED_HZ, 0.0).is_none());
}

/// A load that rises at 120 us and falls at 380 us.
fn load(t_s: f64, slew_per_s: f64) -> f64 {
    let up = ((t_s - 120e-6) * slew_per_s).clamp(0.0, 2.0);
    let down = ((t_s - 380e-6) * slew_per_s).clamp(0.0, 2.0);
    0.5 + up - down
}

#[test]
fn closed_form_the_load_that_was_drawn() {
    for (slew_per_s, noise) in [(1e6, 8e-3), (0.09e6, 20e-3), (40e6, 5e-3)] {
        let captured = with_levels(with_noise(trace(40e-9, 12_500, |t_s| load(t_s, slew_per_s)), noise, 33), 10e-3);
        let drawn = step::drawn(&captured, noise::floor(&captured, None, 10e-3)).expect("a step");
        assert!((drawn.levels_a.0 - 0.5).abs() < 0.01 && (drawn.levels_a.1 - 2.5).abs() < 0.01, "{drawn:?}");
        assert_eq!(drawn.edges.iter().map(|edge| edge.rises).collect::<Vec<_>>(), [true, false]);
        for (edge, begin_s) in drawn.edges.iter().zip([120e-6, 380e-6]) {
            // An edge of 40 A/us is over within two samples.
            let off_s = (edge.at_s - begin_s - 1.0 / slew_per_s).abs();
            assert!(off_s < 30e-9 + 0.003 / slew_per_s, "{off_s} at {slew_per_s}");
            assert!(slew_per_s > 10e6 || (edge.slew_per_s / slew_per_s - 1.0).abs() < 0.02, "{edge:?}");
        }
    }
}

#[test]
fn error_a_load_without_step_has_none() {
    let captured = with_noise(trace(40e-9, 12_500, |_| 1.5), 8e-3, 33);
    assert!(step::drawn(&captured, 8e-3).is_none());
    assert!(step::drawn(&trace(1e-9, 0, |_| 0.0), 0.0).is_none());
}

/// An output of 5 V with a ringing dip of 0.2 V at 120 us and a rise of 0.15 V at 380 us, times of decay and ringing apart from any period.
fn output(t_s: f64) -> f64 {
    5.0 + triangle(t_s, 8e-3, 0.2) + swing(t_s)
}

fn swing(t_s: f64) -> f64 {
    let after = |at_s: f64, height: f64| {
        let since_s = t_s - at_s;
        if since_s < 0.0 { 0.0 } else { height * (-since_s / 20e-6).exp() * (TAU * since_s / 37e-6).sin() }
    };
    after(380e-6, 0.2) - after(120e-6, 0.3)
}

const TIMES: Times = Times { step_s: 120e-6, release_s: Some(380e-6), end_s: 500e-6, period_s: 1.0 / HZ };

#[test]
fn closed_form_dip_rise_and_recovery() {
    let found = step::figures(&trace(20e-9, 25_000, |t_s| 5.0 + swing(t_s)), &TIMES, 25e-3, 1);
    // The first extreme of exp(-t/a) sin(2 pi t/b) is at tan(2 pi t/b) = 2 pi a/b.
    let omega = TAU / 37e-6;
    let first_s = (omega * 20e-6f64).atan() / omega;
    let extreme = (-first_s / 20e-6).exp() * (omega * first_s).sin();
    // What the first swing leaves before the release, and samples beside the extreme.
    assert!((found.dip_v.expect("a dip") - 0.3 * extreme).abs() < 2e-5, "{found:?}");
    assert!((found.rise_v.expect("a rise") - 0.2 * extreme).abs() < 2e-5, "{found:?}");
    let found = step::figures(&trace(20e-9, 25_000, output), &TIMES, 25e-3, 1);
    let truth: Vec<usize> = (6000..19_000).filter(|k| (output(*k as f64 * 20e-9) - 5.0).abs() > 25e-3).collect();
    let expected_s = (truth[truth.len() - 1] + 1 - truth[0]) as f64 * 20e-9;
    assert!((found.recovery_s.expect("one") - expected_s).abs() < 0.1e-6, "{found:?} {expected_s}");
    let quiet = step::figures(&trace(20e-9, 25_000, |t_s| 5.0 + triangle(t_s, 8e-3, 0.2)), &TIMES, 25e-3, 1);
    assert_eq!(quiet.recovery_s, Some(0.0));
}

#[test]
fn law_smoothing_keeps_a_dip_under_noise() {
    let clean = step::figures(&trace(4e-9, 125_000, output), &TIMES, 25e-3, 25);
    let noisy = step::figures(&with_noise(trace(4e-9, 125_000, output), 6e-3, 9), &TIMES, 25e-3, 25);
    // 25 samples leave a fifth of 6 mV, of which the least of some hundred lies two to three deviations out.
    let off = noisy.dip_v.expect("a dip") - clean.dip_v.expect("a dip");
    assert!((0.0..4.5e-3).contains(&off), "{off}");
}

#[test]
fn closed_form_a_shift_is_found_by_least_squares() {
    let expected = trace(20e-9, 25_000, output);
    for shift_s in [-71e-9, 0.0, 63.7e-9, 0.94e-6] {
        let late = with_noise(trace(20e-9, 25_000, |t_s| 0.3 + output(t_s - shift_s)), 3e-3, 17);
        let (found_s, left) = step::shift(&late, &expected, (110e-6, 250e-6), 1e-6).expect("they overlap");
        assert!((found_s - shift_s).abs() < 4e-9, "{found_s} of {shift_s}");
        assert!((left.sqrt() / 3e-3 - 1.0).abs() < 0.1 || left.sqrt() < 3e-3, "{}", left.sqrt());
    }
    assert!(step::shift(&expected, &trace(20e-9, 100, output), (110e-6, 250e-6), 1e-6).is_none());
}

#[test]
fn closed_form_a_sine_through_bandwidth_and_coupling() {
    // First order: 1 / sqrt(1 + (f/fc)^2) of the height for the low-pass, its mirror for the high-pass.
    let sine = trace(1e-9, 400_000, |t_s| 2.0 + (TAU * 2e6 * t_s).sin());
    let height = |trace: &Trace| trace.values[300_000..].iter().fold(0.0, |most: f64, value| most.max(value.abs()));
    let low = Instrument { bandwidth_hz: Some(3e6), ..Instrument::default() }.without_noise(&sine);
    assert!((height(&low) - 2.0 - 1.0 / (1.0 + (2.0f64 / 3.0).powi(2)).sqrt()).abs() < 1e-3, "{}", height(&low));
    let high = Instrument { high_pass_hz: Some(1.5e6), ..Instrument::default() }.without_noise(&sine);
    assert!((height(&high) - 1.0 / (1.0 + 0.75f64.powi(2)).sqrt()).abs() < 0.01, "{}", height(&high));
}

#[test]
fn law_an_instrument_adds_the_noise_it_says() {
    let level = 4e-3;
    let instrument = Instrument { noise: 5e-3, level, bandwidth_hz: Some(20e6), ..Instrument::default() };
    let seen = instrument.sees(&trace(2e-9, 200_000, |t_s| triangle(t_s, 0.2, 0.3)), 5);
    assert!(seen.values.iter().all(|value| (value / level - (value / level).round()).abs() < 1e-9));
    let floor = noise::floor(&seen, Some(20e6), level);
    assert!((floor / 5e-3 - 1.0).abs() < 0.1, "{floor}");
    assert_ne!(seen, instrument.sees(&trace(2e-9, 200_000, |t_s| triangle(t_s, 0.2, 0.3)), 6));
}

#[test]
fn closed_form_scores_and_meters() {
    // 1.5 apart, expanded uncertainties 0.9 and 1.2.
    let score = Known { value: 10.0, uncertainty: 0.9 }.score(&Known { value: 11.5, uncertainty: 1.2 });
    assert!((score.expect("a score") - 1.0).abs() < 1e-12);
    assert!((of_limits(0.3) - 0.173205).abs() < 1e-6);
    let mut meters = Meters {
        values: [24.05, 0.702, 5.012, 3.0],
        uncertainties: [0.02405, 0.00351, 0.005012, 0.015],
        correlation: 0.0,
    };
    let (efficiency, alone) = meters.efficiency();
    assert!((efficiency - 5.012 * 3.0 / (24.05 * 0.702)).abs() < 1e-12);
    // Relative 0.1 % and 0.5 %, twice each.
    assert!((alone / efficiency - (2.0f64 * (0.001f64.powi(2) + 0.005f64.powi(2))).sqrt()).abs() < 1e-6, "{alone}");
    meters.correlation = 1.0;
    assert!(meters.efficiency().1 < 1e-4 * alone.max(1.0) && meters.efficiency().1 < 0.02 * alone);
    meters.correlation = 0.5;
    assert!((meters.efficiency().1 / alone - 0.5f64.sqrt()).abs() < 1e-6);
}

#[test]
fn closed_form_points_of_a_folded_sine() {
    // The mean of sin 2 pi x from a to b is (cos 2 pi a - cos 2 pi b) / (2 pi (b - a)).
    let mean = |a: f64, b: f64| ((TAU * a).cos() - (TAU * b).cos()) / (TAU * (b - a));
    const BINS: usize = 240;
    let wave: Vec<f64> = (0..BINS).map(|k| 3.0 + mean(k as f64 / 240.0, (k + 1) as f64 / 240.0)).collect();
    // Begins between bins are straight within a bin: off by a part in 8 (2 pi / bins)^2.
    for (from, off) in [(0.0, 1e-12), (0.25, 1e-12), (-0.1, 1e-12), (0.337, 1e-3)] {
        let points = points_of(&wave, from);
        for (number, point) in points.iter().enumerate() {
            let begin = from + number as f64 / POINTS as f64;
            assert!((point - mean(begin, begin + 1.0 / POINTS as f64)).abs() < off, "{from}, {number}: {point}");
        }
    }
    // Two periods of different height fold to their mean, and a begin that nobody knows is found.
    let both: Vec<f64> = wave.iter().map(|value| 0.5 * value).chain(wave.iter().map(|value| 1.5 * value)).collect();
    let folded = |wave: &[f64], periods: usize| Folded {
        period_s: 1e-6,
        periods,
        repeats: 9.0,
        wave: wave.to_vec(),
        height: 2.0,
        raw_height: 2.0,
        left: 0.0,
        exceeds_noise: false,
        height_uncertainty: 0.0,
    };
    let expected = points_of(&wave, 0.0);
    points(&folded(&both, 2), 0.0).iter().zip(&expected).for_each(|(a, b)| assert!((a - b).abs() < 1e-12));
    let turned: Vec<f64> = (0..BINS).map(|k| wave[(k + 77) % BINS]).collect();
    points_like(&folded(&turned, 1), &expected).iter().zip(&expected).for_each(|(a, b)| assert!((a - b).abs() < 2e-3));
}
