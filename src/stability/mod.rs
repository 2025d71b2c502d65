//! Stability from the switched model itself: loop gain from the linearised period map, crossover and margins.
//!
//! Equations: docs/physics.md, "loop gain".

pub mod synthesis;

use crate::engine::error::EngineError;
use crate::engine::machine::Machine;
use crate::engine::modal::Factors;
use crate::engine::row::MAX_STATES;
use crate::engine::sensitivity::Leg;
use crate::engine::steady::Orbit;
use nalgebra::{Complex, DMatrix, DVector, RowDVector};
use std::f64::consts::{PI, TAU};

/// Frequencies a decade at which the loop gain is looked at before crossings are located.
const PER_DECADE: f64 = 60.0;
/// Lowest frequency looked at, as a share of the switching frequency.
const LOWEST: f64 = 1e-4;
/// Highest frequency looked at, as a share of the switching frequency: just below one half, where the sampled loop ends.
const HIGHEST: f64 = 0.4999;
/// Halvings by which a crossing is located: to 2e-9 of the frequency.
const HALVINGS: usize = 24;

/// The control loop around a periodic steady state, linearised.
pub struct Loop {
    period_s: f64,
    /// Map of the states over a period, loop closed.
    closed: DMatrix<f64>,
    /// Effect of a signal at the comparator on the states one period later.
    drive: DVector<f64>,
    /// The comparator's signal at the trip, per state at the clock edge.
    signal: RowDVector<f64>,
    /// Part of it that comes through the control voltage.
    control: RowDVector<f64>,
    /// Share of the control voltage in the rate at which that signal rises.
    control_share: f64,
    /// Time of the trip after the clock edge in s.
    trip_s: f64,
    /// Index of the control voltage among the states.
    control_state: usize,
    /// Factor from the control voltage to the comparator's signal.
    weight: f64,
    legs: Vec<ControlLeg>,
}

/// A stretch: the Fourier component of its states follows from its two ends.
struct ControlLeg {
    phase_s: f64,
    duration_s: f64,
    /// Matrix of its linear part.
    generator: DMatrix<f64>,
    /// d(state at its begin and at its end) / d(state at the clock edge, signal).
    ends: [DMatrix<f64>; 2],
}

impl ControlLeg {
    /// Integral of one state times `exp(-j w t)` over the stretch: (A - j w) times it is the difference of the ends.
    fn fourier(&self, start: &DVector<Complex<f64>>, omega: f64, state: usize) -> Option<Complex<f64>> {
        let mut difference = [Complex::new(0.0, 0.0); MAX_STATES];
        let mut add = |matrix: &DMatrix<f64>, factor: Complex<f64>| {
            for (column, from) in matrix.column_iter().zip(start.iter()) {
                let from = from * factor;
                difference.iter_mut().zip(column.iter()).for_each(|(sum, entry)| *sum += from * entry);
            }
        };
        let turned = |t_s: f64| Complex::from_polar(1.0, -omega * (self.phase_s + t_s));
        add(&self.ends[1], turned(self.duration_s));
        add(&self.ends[0], -turned(0.0));
        Factors::new(&self.generator, Complex::new(0.0, omega))?.solve(&mut difference);
        Some(difference[state])
    }
}

/// Crossover and margins of a loop: crossover and phase as an analyser on the bench shows them, the gain margin as the factor
/// by which the gain may grow before a multiplier leaves the unit circle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Margins {
    /// Highest frequency at which the gain falls through one, in Hz.
    pub crossover_hz: f64,
    /// Phase above -180 degrees there, in degrees.
    pub phase_deg: f64,
    /// Factor in dB by which the gain may grow, the ripple at the comparator with it, until a multiplier leaves the unit circle above
    /// the crossover; where none does up to half the switching frequency, what is left there.
    pub gain_db: f64,
}

impl Loop {
    /// The loop around an orbit of one period; `None` where there is no clock, no loop, or no single trip of the comparator in the
    /// period.
    ///
    /// # Errors
    /// Whatever stops a run.
    pub fn around(machine: &mut Machine, orbit: &Orbit) -> Result<Option<Loop>, EngineError> {
        let Some(control_state) = machine.control_state() else { return Ok(None) };
        if orbit.periods != 1 || !machine.is_clocked() {
            return Ok(None);
        }
        let mapped = machine.map(&orbit.x, orbit.program_a, 1)?;
        let [trip] = mapped.sensitivity.trips.as_slice() else { return Ok(None) };
        let n = machine.states;
        let weight = comparator_weight(machine);
        let legs = mapped.sensitivity.legs.iter().map(|leg| control_leg(machine, leg)).collect();
        Ok(Some(Loop {
            period_s: machine.period_s(),
            closed: mapped.matrix,
            drive: mapped.sensitivity.matrix.column(n).into_owned(),
            signal: trip.signal.columns(0, n).into_owned(),
            control: trip.control.columns(0, n).into_owned(),
            control_share: trip.control_share,
            control_state,
            trip_s: trip.phase_s,
            weight,
            legs,
        }))
    }

    /// State response at the clock edge to a signal `exp(j w t)` at the comparator, sampled at the trips, with the loop closed.
    fn closed_response(&self, omega: f64) -> Option<DVector<Complex<f64>>> {
        let z = Complex::from_polar(1.0, omega * self.period_s);
        self.response(&self.closed, z, Complex::from_polar(1.0, omega * self.trip_s))
    }

    /// Response of a map to a signal that comes again turned by `z` after every period.
    fn response(&self, map: &DMatrix<f64>, z: Complex<f64>, signal: Complex<f64>) -> Option<DVector<Complex<f64>>> {
        let mut response = [Complex::new(0.0, 0.0); MAX_STATES];
        response.iter_mut().zip(self.drive.iter()).for_each(|(entry, drive)| *entry = -signal * drive);
        Factors::new(map, z)?.solve(&mut response);
        Some(DVector::from_column_slice(&response[..self.drive.len()]))
    }

    /// Loop gain between successive samples at the trip, at a frequency in Hz: -(what comes back) / (what was put in).
    ///
    /// With it one plus the loop gain is zero exactly where the period map has a multiplier. In current mode the current loop is
    /// part of what stays closed; the loop that is opened is the voltage loop, at the control voltage.
    pub fn sampled(&self, frequency_hz: f64) -> Option<Complex<f64>> {
        let omega = TAU * frequency_hz;
        let response = self.closed_response(omega)?;
        let back = self.control.map(|v| Complex::new(v, 0.0)) * response;
        let back = back[0] / Complex::from_polar(1.0, omega * self.trip_s);
        Some(-back / (back + 1.0))
    }

    /// Loop gain between successive samples at a complex `z`, as [`Loop::sampled`]: `z = exp(j w T)` on the unit circle.
    pub fn at(&self, z: Complex<f64>) -> Option<Complex<f64>> {
        let (control, rest) = self.returns(z)?;
        Some(-control / (1.0 - rest))
    }

    /// What comes back to the comparator per signal at a complex `z` with everything opened: (through the control voltage, the
    /// rest, which in current mode is the current loop).
    fn returns(&self, z: Complex<f64>) -> Option<(Complex<f64>, Complex<f64>)> {
        let opened = &self.closed - &self.drive * &self.signal;
        let response = self.response(&opened, z, Complex::new(1.0, 0.0))?;
        let seen = |row: &RowDVector<f64>| (row.map(|v| Complex::new(v, 0.0)) * &response)[0];
        let control = seen(&self.control);
        Some((control, seen(&self.signal) - control))
    }

    /// Loop gain by which a factor `k` on the gain counts, at a complex `z`: `z` is a multiplier of the loop with `k` times the gain
    /// where one plus `k` times this is zero.
    ///
    /// Unlike [`Loop::at`] it takes into account that the ripple at the comparator grows with the gain and changes the slope at which
    /// the comparator trips.
    pub fn by_gain(&self, z: Complex<f64>) -> Option<Complex<f64>> {
        let (control, rest) = self.returns(z)?;
        Some((self.control_share - control) / (1.0 - rest - self.control_share))
    }

    /// Loop gain as an analyser shows it that injects a sine in front of the comparator and takes the component of that
    /// frequency on both sides, the images around the switching frequency left aside.
    pub fn analyser(&self, frequency_hz: f64) -> Option<Complex<f64>> {
        let omega = TAU * frequency_hz;
        let response = self.closed_response(omega)?;
        let signal = Complex::from_polar(1.0, omega * self.trip_s);
        let start = response.push(signal);
        let mut fourier = Complex::new(0.0, 0.0);
        for leg in &self.legs {
            fourier += leg.fourier(&start, omega, self.control_state)?;
        }
        let back = fourier * (self.weight / self.period_s);
        Some(-back / (back + 1.0))
    }

    /// Frequencies in Hz on a logarithmic grid up to half the switching frequency.
    fn frequencies(&self) -> Vec<f64> {
        let (low, high) = (LOWEST / self.period_s, HIGHEST / self.period_s);
        let count = ((high / low).log10() * PER_DECADE).ceil() as usize;
        (0..=count).map(|k| low * (high / low).powf(k as f64 / count as f64)).collect()
    }

    /// (frequency in Hz, loop gain as an analyser shows it) on a logarithmic grid up to half the switching frequency.
    pub fn curve(&self) -> Vec<(f64, Complex<f64>)> {
        self.frequencies().into_iter().filter_map(|f| Some((f, self.analyser(f)?))).collect()
    }

    /// Crossover and margins; `None` where the gain does not fall below one for good before half the switching frequency.
    pub fn margins(&self) -> Option<Margins> {
        let shown = |f: f64| self.analyser(f);
        let above = |f: f64| shown(f).is_some_and(|gain| gain.norm() >= 1.0);
        // From the top down: the highest crossing counts, and what is below it need not be looked at.
        let frequencies = self.frequencies();
        let last = frequencies.iter().rposition(|f| above(*f))?;
        let next_hz = *frequencies.get(last + 1)?;
        let crossover_hz = locate((frequencies[last], next_hz), shown, |gain| gain.norm() >= 1.0)?;
        Some(Margins {
            crossover_hz,
            phase_deg: phase_margin_deg(self.analyser(crossover_hz)?),
            gain_db: -20.0 * self.gain_at_turn(crossover_hz)?.log10(),
        })
    }

    /// Gain, as a factor on it counts, where its phase passes -180 degrees above the crossover, or at half the switching frequency.
    fn gain_at_turn(&self, crossover_hz: f64) -> Option<f64> {
        let gain = |f: f64| self.by_gain(Complex::from_polar(1.0, TAU * f * self.period_s));
        let above = self.frequencies().into_iter().filter(|f| *f >= crossover_hz);
        let gains: Vec<(f64, Complex<f64>)> = above.filter_map(|f| Some((f, gain(f)?))).collect();
        // The imaginary part changes sign on the negative real side.
        let turned = |w: &[(f64, Complex<f64>)]| w[0].1.im < 0.0 && w[1].1.im >= 0.0 && w[0].1.re < 0.0;
        match gains.windows(2).position(turned) {
            Some(k) => Some(gain(locate((gains[k].0, gains[k + 1].0), gain, |gain| gain.im < 0.0)?)?.norm()),
            None => Some(gains.last()?.1.norm()),
        }
    }
}

/// Last frequency in an interval at which something still holds of a gain, given that it holds at its begin and not at its end.
fn locate(
    (mut low, mut high): (f64, f64),
    gain: impl Fn(f64) -> Option<Complex<f64>>,
    holds: impl Fn(Complex<f64>) -> bool,
) -> Option<f64> {
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if holds(gain(middle)?) { low = middle } else { high = middle }
    }
    Some(0.5 * (low + high))
}

/// Phase above -180 degrees, between -180 and 180.
fn phase_margin_deg(gain: Complex<f64>) -> f64 {
    (-gain).arg() * 180.0 / PI
}

/// Factor of the control voltage in the comparator's signal.
fn comparator_weight(machine: &Machine) -> f64 {
    let modulator = &machine.circuit.board.control.modulator;
    modulator.turn_off(machine.period_s()).map_or(-1.0, |comparator| comparator.control)
}

/// A stretch with its matrix and both ends.
fn control_leg(machine: &mut Machine, leg: &Leg) -> ControlLeg {
    let end = machine.modal(leg.key).transition(leg.duration_s) * &leg.matrix;
    ControlLeg {
        phase_s: leg.phase_s,
        duration_s: leg.duration_s,
        generator: machine.generator(leg.key),
        ends: [leg.matrix.clone(), end],
    }
}
