//! Output impedance of every part on the board of a case, loop closed and opened, over one grid of frequencies.

use super::learned;
use crate::condition::figures::Failure;
use crate::condition::stand::Stand;
use crate::engine::linear::{Frame, LinearOrbit};
use crate::model::case::Case;
use crate::model::corner::Corner;
use nalgebra::Complex;
use rayon::prelude::*;

/// Frequencies a decade.
const PER_DECADE: f64 = 80.0;
/// Highest frequency as a share of the switching frequency: just below one half, where the sine and its image meet.
const HIGHEST: f64 = 0.4999;

/// Where it is looked at.
#[derive(Clone, Debug, PartialEq)]
pub struct Wish {
    /// Numbers of the parts.
    pub parts: Vec<usize>,
    /// Corner.
    pub corner: Corner,
    /// Input voltage in V.
    pub input_v: f64,
    /// Load in A around which the board is linearised.
    pub load_a: f64,
    /// Lowest frequency in Hz.
    pub lowest_hz: f64,
}

/// Output impedance of one part.
#[derive(Clone, Debug)]
pub struct Impedance {
    /// In ohm at every frequency, loop closed.
    pub closed_ohm: Vec<Complex<f64>>,
    /// The same with the loop opened at the control voltage; empty where there is none.
    pub opened_ohm: Vec<Complex<f64>>,
    /// Switching periods after which the waveform repeats.
    pub periods: u64,
}

/// Output impedances of some parts.
#[derive(Clone, Debug)]
pub struct Impedances {
    /// The case, with everything laid out that it only describes.
    pub case: Case,
    /// Frequencies in Hz, ascending.
    pub frequencies_hz: Vec<f64>,
    /// One a part: its impedance, or why there is none.
    pub parts: Vec<Result<Impedance, String>>,
}

/// A linearised orbit, none where the waveform does not repeat, and the periods after which it does.
struct Ready {
    orbit: Option<LinearOrbit>,
    periods: u64,
}

/// What is told of a waveform that has no components of its own.
const NEVER_REPEATS: &str = "its waveform does not repeat";

/// The output impedances that are wished for.
///
/// # Errors
/// A compensator that cannot be laid out, or an interruption. What fails for one part is told there.
pub fn impedances(case: &Case, wish: &Wish) -> Result<Impedances, Failure> {
    let case = learned(case)?;
    let set_up = |part: &usize| ready(&case, *part, wish);
    let ready: Vec<Result<Ready, Failure>> = wish.parts.par_iter().map(set_up).collect();
    let ready = ready.into_iter().map(told).collect::<Result<Vec<_>, Failure>>()?;
    let frequencies_hz = grid(wish.lowest_hz, ready.iter().flatten());
    let of = |ready: &Result<Ready, String>| {
        let Ready { orbit, periods } = ready.as_ref().map_err(String::clone)?;
        let orbit = orbit.as_ref().ok_or(NEVER_REPEATS)?;
        let opened = orbit.has_loop().then(|| orbit.opened());
        let opened_ohm = opened.map_or(Ok(vec![]), |opened| curve(&opened, &frequencies_hz))?;
        Ok(Impedance { closed_ohm: curve(orbit, &frequencies_hz)?, opened_ohm, periods: *periods })
    };
    let parts = ready.par_iter().map(of).collect();
    Ok(Impedances { frequencies_hz, parts, case })
}

/// An interruption ends everything, any other failure is told of its part.
pub(super) fn told<T>(result: Result<T, Failure>) -> Result<Result<T, String>, Failure> {
    match result {
        Err(failure) if failure.is_interruption() => Err(failure),
        other => Ok(other.map_err(|failure| failure.to_string())),
    }
}

fn ready(case: &Case, part: usize, wish: &Wish) -> Result<Ready, Failure> {
    let stand = Stand::new(case, &case.parts[part], wish.corner, wish.input_v);
    let warm = stand.warm(wish.load_a)?;
    let orbit = warm.steady.orbit;
    // Nothing reads the instrument.
    let mut machine = warm.machine.without_instrument()?;
    let periods = orbit.periods;
    Ok(Ready { orbit: LinearOrbit::around(&mut machine, &orbit)?, periods })
}

/// A logarithmic grid up to half the lowest switching frequency.
fn grid<'a>(lowest_hz: f64, ready: impl Iterator<Item = &'a Ready>) -> Vec<f64> {
    let switching_hz = |ready: &Ready| Some(ready.periods as f64 / ready.orbit.as_ref()?.duration_s);
    let highest_hz = HIGHEST * ready.filter_map(switching_hz).fold(f64::INFINITY, f64::min);
    if !highest_hz.is_finite() || highest_hz <= lowest_hz {
        return vec![];
    }
    let count = ((highest_hz / lowest_hz).log10() * PER_DECADE).ceil() as usize;
    (0..=count).map(|k| lowest_hz * (highest_hz / lowest_hz).powf(k as f64 / count as f64)).collect()
}

fn curve(orbit: &LinearOrbit, frequencies_hz: &[f64]) -> Result<Vec<Complex<f64>>, String> {
    let map = orbit.map(Frame::Absolute);
    let at = |hz: &f64| orbit.impedance_ohm(&map, *hz).ok_or_else(|| "its equations have no solution".to_string());
    frequencies_hz.iter().map(at).collect()
}
