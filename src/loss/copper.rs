//! Copper loss: direct current at temperature, and the rise of resistance with frequency.

use super::{LossError, period_s, positive, variance};
use crate::parts::AcResistance;
use std::f64::consts::PI;

/// Temperature coefficient of annealed copper at 20 C in 1/K (IEC 60028:1925).
pub const COPPER_ALPHA_20_PER_K: f64 = 0.003_93;
/// Temperature coefficient referred to 25 C in 1/K: the same straight line, seen from 25 C.
pub const COPPER_ALPHA_25_PER_K: f64 = COPPER_ALPHA_20_PER_K / (1.0 + COPPER_ALPHA_20_PER_K * 5.0);
/// Resistivity of annealed copper at 20 C in ohm m (IEC 60028:1925: 1/58 ohm mm2/m).
pub const COPPER_RESISTIVITY_20_OHM_M: f64 = 1e-6 / 58.0;
/// Permeability of vacuum in H/m; the value before 2019, from which the present one differs by less than 1e-9.
const MU0_H_PER_M: f64 = 4e-7 * PI;
/// Beyond this ratio of thickness to skin depth the hyperbolic functions of Dowell's factor equal 1 to rounding.
const THICK_LAYER: f64 = 20.0;

/// Equation copper-resistance: R(T) = R25 (1 + a25 (T - 25)), in ohm from ohm and degrees Celsius.
///
/// Source: IEC 60028, linear in temperature. Valid from about -50 C to 200 C (a published cubic fit of the resistivity
/// stays within 1 % of it); far below the line would pass through zero, so the result is never below 0.
pub fn resistance_ohm(at_25_ohm: f64, temperature_degc: f64) -> f64 {
    (at_25_ohm * (1.0 + COPPER_ALPHA_25_PER_K * (temperature_degc - 25.0))).max(0.0)
}

/// Equation copper-dc: P = I_rms^2 R(T), in W; I_rms the true rms value in A, R(T) in ohm.
///
/// The part of the alternating current that meets more than the direct-current resistance is added by [`ac_extra`].
pub fn dc_loss_w(rms_a: f64, resistance_ohm: f64) -> f64 {
    rms_a * rms_a * resistance_ohm
}

/// Equation copper-skin-depth: delta = sqrt(rho / (pi f mu0)), in m from ohm m and Hz.
///
/// Source: W. G. Hurley, W. H. Woelfle, Transformers and Inductors for Power Electronics, Wiley 2013, ch. 6.
pub fn skin_depth_m(resistivity_ohm_m: f64, frequency_hz: f64) -> f64 {
    (resistivity_ohm_m / (PI * frequency_hz * MU0_H_PER_M)).sqrt()
}

/// Equation copper-dowell: R_ac / R_dc of `layers` full foil layers, `delta` = thickness / skin depth.
///
/// Source: P. L. Dowell's one-dimensional field, as in W. G. Hurley, W. H. Woelfle (2013) eq. 6.47, and R. W. Erickson,
/// D. Maksimovic, Fundamentals of Power Electronics, 3rd ed. (2020) eq. 10.87. Valid for layers that fill the window's
/// breadth, sinusoidal current, no gap field.
pub fn dowell_ratio(layers: f64, delta: f64) -> f64 {
    let (skin, proximity) = if delta > THICK_LAYER {
        (1.0, 1.0)
    } else if delta > 0.0 {
        let d2 = 2.0 * delta;
        ((d2.sinh() + d2.sin()) / (d2.cosh() - d2.cos()), (delta.sinh() - delta.sin()) / (delta.cosh() + delta.cos()))
    } else {
        return 1.0;
    };
    delta * (skin + 2.0 * (layers * layers - 1.0) / 3.0 * proximity)
}

/// Equation copper-harmonics: peak amplitudes I_1 ... I_N of a waveform made of straight lines and steps, in its unit.
///
/// Closed form: with w = 2 pi n / T, I_n = 2 / (w T) |sum over steps of J e^(-jwt) + sum over lines of
/// m (e^(-jw t0) - e^(-jw t1)) / (jw)|, J the height of a step, m the slope of a line. Exact for the given samples.
///
/// # Errors
/// A waveform that is not usable.
pub fn harmonics(samples: &[(f64, f64)], count: usize) -> Result<Vec<f64>, LossError> {
    let period_s = period_s(samples)?;
    let omega = 2.0 * PI / period_s;
    let mut corners = corners(samples, omega);
    let jump = samples[0].1 - samples[samples.len() - 1].1;
    let amplitude = |n: usize| {
        let (re, im) = sum_of_corners(&mut corners, n);
        2.0 / (n as f64 * omega * period_s) * (re + jump).hypot(im)
    };
    Ok((1..=count).map(amplitude).collect())
}

/// Multiples of an angle that are worked out from each other before one is worked out anew: each adds its rounding.
const TURNED: usize = 16;

/// A corner or step of a waveform.
struct Corner {
    /// Angle in a turn of the fundamental, and its sine and cosine.
    angle: f64,
    turn: (f64, f64),
    /// Sine and cosine of the latest multiple of the angle.
    now: (f64, f64),
    /// Height of the step, and by how much the slope before exceeds that after it, per radian of the fundamental.
    step: f64,
    bend: f64,
}

/// Corners and steps of the waveform, each instant once.
fn corners(samples: &[(f64, f64)], omega: f64) -> Vec<Corner> {
    let start_s = samples[0].0;
    let mut corners: Vec<Corner> = Vec::with_capacity(samples.len());
    let corner = |t_s: f64| {
        let angle = omega * (t_s - start_s);
        let turn = angle.sin_cos();
        Corner { angle, turn, now: (0.0, 1.0), step: 0.0, bend: 0.0 }
    };
    corners.push(corner(start_s));
    for w in samples.windows(2) {
        let rise = w[1].1 - w[0].1;
        let last = corners.len() - 1;
        if w[1].0 == w[0].0 {
            corners[last].step += rise;
            continue;
        }
        let slope = rise / (w[1].0 - w[0].0) / omega;
        corners[last].bend -= slope;
        corners.push(Corner { bend: slope, ..corner(w[1].0) });
    }
    corners
}

/// Real and imaginary part of the sum over all corners, for a harmonic; harmonics are asked for one after the other from the first on.
fn sum_of_corners(corners: &mut [Corner], n: usize) -> (f64, f64) {
    let (mut re, mut im) = (0.0, 0.0);
    let per_n = 1.0 / n as f64;
    for corner in corners {
        let ((sin, cos), (sin1, cos1)) = (corner.now, corner.turn);
        corner.now = if n.is_multiple_of(TURNED) {
            (n as f64 * corner.angle).sin_cos()
        } else {
            (sin * cos1 + cos * sin1, cos * cos1 - sin * sin1)
        };
        let (sin, cos) = corner.now;
        re += corner.step * cos + corner.bend * per_n * sin;
        im += corner.bend * per_n * cos - corner.step * sin;
    }
    (re, im)
}

/// What an alternating-current copper loss rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AcBasis {
    /// No data: the resistance was taken as equal to the direct-current value, so the loss is a lower bound.
    NoData,
    /// One point, extended by the usual laws (common practice, no source).
    OnePoint,
    /// Several points; harmonics outside them extended by the usual laws.
    Points,
}

/// Alternating-current copper loss beyond the direct-current resistance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AcExtra {
    /// Additional loss in W.
    pub extra_w: f64,
    /// Share of the squared alternating current that lies in the harmonics that were summed, 0 to 1.
    pub covered: f64,
    /// What it rests on.
    pub basis: AcBasis,
}

/// Equation copper-ac-ratio: R_ac / R_dc at a frequency in Hz.
///
/// Between points: straight in log-log. Below the first (f1, k1): 1 + (k1 - 1)(f/f1)^2, the low-frequency law of eddy
/// losses. Above the last: 1 + (k - 1) sqrt(f/f_last), skin-effect regime. Both laws are common practice for data that
/// stop at a point, not a property of a part. Without data: 1. Never below 1.
pub fn ac_ratio(data: Option<&AcResistance>, frequency_hz: f64) -> f64 {
    let points = data.map_or(&[][..], |d| &d.ratio_points);
    let above = points.partition_point(|p| p.0 <= frequency_hz);
    let ratio = match (above.checked_sub(1).map(|k| points[k]), points.get(above)) {
        (None, None) => 1.0,
        (None, Some(&(f1, k1))) => 1.0 + (k1 - 1.0) * (frequency_hz / f1).powi(2),
        (Some((f0, k0)), None) => 1.0 + (k0 - 1.0) * (frequency_hz / f0).sqrt(),
        (Some((f0, k0)), Some(&(f1, k1))) => k0 * (k1 / k0).powf((frequency_hz / f0).ln() / (f1 / f0).ln()),
    };
    ratio.max(1.0)
}

/// Equation copper-ac: P = sum over n of I_n^2 / 2 (R_ac(n f) - R_dc), in W.
///
/// `samples`: inductor current in A over one period; `resistance_ohm`: direct-current resistance at temperature, by which
/// the ratio of the data is multiplied (the ratio itself falls a little when hot, so this is on the safe side).
///
/// # Errors
/// A waveform that is not usable.
pub fn ac_extra(
    samples: &[(f64, f64)],
    count: usize,
    resistance_ohm: f64,
    data: Option<&AcResistance>,
) -> Result<AcExtra, LossError> {
    let frequency_hz = 1.0 / period_s(samples)?;
    let amplitudes_a = harmonics(samples, count)?;
    let extra_w = resistance_ohm
        * amplitudes_a
            .iter()
            .enumerate()
            .map(|(k, a)| 0.5 * a * a * (ac_ratio(data, frequency_hz * (k + 1) as f64) - 1.0))
            .sum::<f64>();
    let total = variance(samples)?;
    let summed: f64 = amplitudes_a.iter().map(|a| 0.5 * a * a).sum();
    let covered = if total > 0.0 { (summed / total).min(1.0) } else { 1.0 };
    let basis = match data.map_or(0, |d| d.ratio_points.len()) {
        0 => AcBasis::NoData,
        1 => AcBasis::OnePoint,
        _ => AcBasis::Points,
    };
    Ok(AcExtra { extra_w, covered, basis })
}

/// Equation copper-ripple-ratio: R_eff / R_dc for the alternating part of a waveform in `layers` full foil layers, the sum
/// of [`dowell_ratio`] over its harmonics; `delta` = thickness / skin depth at the fundamental.
///
/// For estimates of R_ac where a winding's make-up is known instead of measured points; validity as for Dowell's factor.
///
/// # Errors
/// A waveform that is not usable, or one without an alternating part.
pub fn ripple_ratio(samples: &[(f64, f64)], count: usize, layers: f64, delta: f64) -> Result<f64, LossError> {
    let amplitudes = harmonics(samples, count)?;
    let total = positive("sum of squared harmonics", amplitudes.iter().map(|a| a * a).sum())?;
    let weighted: f64 =
        amplitudes.iter().enumerate().map(|(k, a)| a * a * dowell_ratio(layers, delta * ((k + 1) as f64).sqrt())).sum();
    Ok(weighted / total)
}
