//! Losses and the temperature they cause: pure functions of waveforms and data.
//!
//! A waveform is a slice of (time in s, value) over exactly one period, joined by straight lines; the first and
//! the last sample are the same instant of the cycle. Two samples at one time are a step. Every function names
//! its equation by the keyword under which `docs/physics.md` explains it.

pub mod budget;
pub mod capacitors;
pub mod copper;
pub mod core;
pub mod soak;
pub mod switches;
pub mod thermal;

use thiserror::Error;

/// Why a loss cannot be calculated.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum LossError {
    /// A waveform has fewer than two samples, or times or values that are not finite, or times that run backwards.
    #[error("sample {index} of the waveform is not usable: times must be finite and ascending, values finite")]
    Sample {
        /// Position among the samples, from 1.
        index: usize,
    },
    /// The flux linkage steps at an instant.
    #[error("sample {index} of the flux waveform steps at an instant; flux linkage is continuous")]
    FluxStep {
        /// Position among the samples, from 1.
        index: usize,
    },
    /// First and last flux linkage differ, so the waveform is not a period of a steady state.
    #[error(
        "the flux waveform does not close: it drifts by {drift_wb:e} V s in a period with a swing of {swing_wb:e} V s"
    )]
    NotClosed {
        /// Last minus first flux linkage in V s.
        drift_wb: f64,
        /// Largest minus smallest in V s.
        swing_wb: f64,
    },
    /// A number that must be positive is not.
    #[error("{what} is {value}; it must be positive")]
    NotPositive {
        /// Name of the number with its unit.
        what: &'static str,
        /// Its value.
        value: f64,
    },
    /// Loss points do not determine the coefficients.
    #[error(
        "{points} loss points do not determine k, alpha and beta: at least three are needed that vary frequency and flux density independently"
    )]
    Undetermined {
        /// Number of points.
        points: usize,
    },
}

/// Passes a positive finite number through.
pub(crate) fn positive(what: &'static str, value: f64) -> Result<f64, LossError> {
    if value > 0.0 && value.is_finite() { Ok(value) } else { Err(LossError::NotPositive { what, value }) }
}

/// Checks a waveform and gives its period in s.
pub(crate) fn period_s(samples: &[(f64, f64)]) -> Result<f64, LossError> {
    let mut last_s = f64::NEG_INFINITY;
    for (k, &(time_s, value)) in samples.iter().enumerate() {
        if !(time_s >= last_s && time_s.is_finite() && value.is_finite()) {
            return Err(LossError::Sample { index: k + 1 });
        }
        last_s = time_s;
    }
    match samples {
        [(first_s, _), .., (last_s, _)] if last_s > first_s => Ok(last_s - first_s),
        _ => Err(LossError::Sample { index: samples.len().max(1) }),
    }
}

/// Mean of a waveform.
///
/// # Errors
/// A waveform that is not usable.
pub fn mean(samples: &[(f64, f64)]) -> Result<f64, LossError> {
    let period_s = period_s(samples)?;
    let area: f64 = samples.windows(2).map(|w| (w[1].0 - w[0].0) * 0.5 * (w[0].1 + w[1].1)).sum();
    Ok(area / period_s)
}

/// Mean square of a waveform, exact on its straight lines.
///
/// # Errors
/// A waveform that is not usable.
pub fn mean_square(samples: &[(f64, f64)]) -> Result<f64, LossError> {
    let period_s = period_s(samples)?;
    let area: f64 = samples
        .windows(2)
        .map(|w| (w[1].0 - w[0].0) * (w[0].1 * w[0].1 + w[0].1 * w[1].1 + w[1].1 * w[1].1) / 3.0)
        .sum();
    Ok(area / period_s)
}

/// Mean square about the mean: the alternating part of a waveform.
///
/// # Errors
/// A waveform that is not usable.
pub fn variance(samples: &[(f64, f64)]) -> Result<f64, LossError> {
    // Taking the mean off first keeps the digits of a small ripple on a large direct current.
    let mean = mean(samples)?;
    let alternating: Vec<_> = samples.iter().map(|&(t, x)| (t, x - mean)).collect();
    mean_square(&alternating)
}
