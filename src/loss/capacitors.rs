//! Losses of capacitors, and the ripple current of the input bank.

use super::{LossError, positive, variance};
use crate::parts::CapacitorBranch;
use std::f64::consts::PI;

/// Keeps a branch in exact resonance without resistance finite; far below any real resistance.
const LEAST_OHM: f64 = 1e-15;

/// Equation capacitor-esr: P = I_rms^2 ESR, in W.
pub fn esr_loss_w(rms_a: f64, esr_ohm: f64) -> f64 {
    rms_a * rms_a * esr_ohm
}

/// Equation capacitor-input-rms: rms current of the input bank in A when the source delivers the mean of the high-side
/// current (given over one period in A) and the bank all the rest.
///
/// Valid where the source's impedance at the switching frequency is far above the bank's.
///
/// # Errors
/// A waveform that is not usable.
pub fn input_rms_a(high_side: &[(f64, f64)]) -> Result<f64, LossError> {
    Ok(variance(high_side)?.sqrt())
}

/// Equation capacitor-input-rms in closed form for a trapezoid: sqrt(D (1 - D) I^2 + D dI^2 / 12), in A.
///
/// Source: integration of the trapezoid; the first term alone is common practice. Continuous conduction only.
pub fn input_rms_trapezoid_a(duty: f64, mean_a: f64, ripple_a: f64) -> f64 {
    (duty * (1.0 - duty) * mean_a * mean_a + duty * ripple_a * ripple_a / 12.0).sqrt()
}

/// Equation capacitor-share: rms current of every branch in A, |Y_k| / |sum of Y| of the whole.
///
/// Admittances at one frequency in Hz: an approximation, since the harmonics share by their own admittances.
///
/// # Errors
/// A frequency or a capacitance that is not positive.
pub fn share_a(rms_a: f64, branches: &[CapacitorBranch], frequency_hz: f64) -> Result<Vec<f64>, LossError> {
    let omega = 2.0 * PI * positive("frequency in Hz", frequency_hz)?;
    let impedances = branches
        .iter()
        .map(|b| {
            let capacitance_f = positive("capacitance in F", b.capacitance_f)?;
            Ok((b.esr_ohm.max(LEAST_OHM), omega * b.esl_h - 1.0 / (omega * capacitance_f)))
        })
        .collect::<Result<Vec<(f64, f64)>, LossError>>()?;
    let (mut conductance_s, mut susceptance_s) = (0.0, 0.0);
    for (r, x) in &impedances {
        let square = r * r + x * x;
        conductance_s += r / square;
        susceptance_s -= x / square;
    }
    let total_s = conductance_s.hypot(susceptance_s);
    Ok(impedances.iter().map(|(r, x)| rms_a / (r.hypot(*x) * total_s)).collect())
}
