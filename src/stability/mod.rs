//! Stability from the switched model itself: loop gain from the linearised period map, crossover and margins.
//!
//! Equations: docs/physics.md, "loop gain".

use crate::engine::error::EngineError;
use crate::engine::machine::Machine;
use crate::engine::modal::Scalar;
use crate::engine::row::{INPUTS, MAX_STATES, Row, StateVector};
use crate::engine::sensitivity::Leg;
use crate::engine::steady::Orbit;
use nalgebra::{Complex, DMatrix, DVector, RowDVector};
use std::f64::consts::{PI, TAU};

/// Frequencies a decade at which the loop gain is looked at before crossings are located.
const PER_DECADE: f64 = 60.0;
/// Lowest frequency looked at, as a share of the switching frequency.
const LOWEST: f64 = 1e-4;
/// Highest frequency looked at, as a share of the switching frequency: just below one half, where the sampled loop ends.
const HIGHEST: f64 = 0.499;
/// Halvings by which a crossing is located.
const HALVINGS: usize = 50;
/// Panels of a stretch in the Fourier integral, and the two-point Gauss-Legendre rule on each.
const PANELS: usize = 24;
const GAUSS: [f64; 2] = [-0.577_350_269_189_625_8, 0.577_350_269_189_625_8];

/// The control loop around a periodic steady state, linearised.
pub struct Loop {
    period_s: f64,
    /// Map of the states over a period, loop closed.
    closed: DMatrix<f64>,
    /// Effect of a signal at the comparator on the states one period later.
    drive: DVector<f64>,
    /// Control part of the comparator's signal at the trip, per state at the clock edge.
    control: RowDVector<f64>,
    /// Time of the trip after the clock edge in s.
    trip_s: f64,
    /// Factor from the control voltage to the comparator's signal.
    weight: f64,
    legs: Vec<ControlLeg>,
}

/// Response of the control voltage within one stretch: a scalar for each state at the clock edge, and for the signal.
struct ControlLeg {
    phase_s: f64,
    duration_s: f64,
    /// (time in the stretch in s, weight in s, response row) at each node.
    nodes: Vec<(f64, f64, RowDVector<f64>)>,
}

/// Crossover and margins of a loop: crossover and phase as an analyser on the bench shows them, the gain margin from the sampled
/// loop, which is exact: by that much the gain may grow before a multiplier leaves the unit circle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Margins {
    /// Highest frequency at which the gain falls through one, in Hz.
    pub crossover_hz: f64,
    /// Phase above -180 degrees there, in degrees.
    pub phase_deg: f64,
    /// Gain below one at the lowest frequency above the crossover at which the phase is -180 degrees, in dB; where there is
    /// none up to half the switching frequency, the gain there.
    pub gain_db: f64,
}

impl Loop {
    /// The loop around an orbit of one period; `None` where there is no loop, or no single trip of the comparator in the period.
    ///
    /// # Errors
    /// Whatever stops a run.
    pub fn around(machine: &mut Machine, orbit: &Orbit) -> Result<Option<Loop>, EngineError> {
        let Some(control_state) = machine.control_state() else { return Ok(None) };
        if orbit.periods != 1 {
            return Ok(None);
        }
        let mapped = machine.map(&orbit.x, orbit.program_a, 1)?;
        let [trip] = mapped.sensitivity.trips.as_slice() else { return Ok(None) };
        let n = machine.states;
        let weight = comparator_weight(machine);
        let legs = mapped.sensitivity.legs.iter().map(|leg| control_leg(machine, leg, control_state)).collect();
        Ok(Some(Loop {
            period_s: machine.period_s(),
            closed: mapped.matrix,
            drive: mapped.sensitivity.matrix.column(n).into_owned(),
            control: trip.control.columns(0, n).into_owned(),
            trip_s: trip.phase_s,
            weight,
            legs,
        }))
    }

    /// State response at the clock edge to a signal `exp(j w t)` at the comparator, sampled at the trips, with the loop closed.
    fn closed_response(&self, omega: f64) -> Option<DVector<Complex<f64>>> {
        let n = self.drive.len();
        let z = Complex::from_polar(1.0, omega * self.period_s);
        let system = DMatrix::from_diagonal_element(n, n, z) - self.closed.map(|v| Complex::new(v, 0.0));
        let at_trip = Complex::from_polar(1.0, omega * self.trip_s);
        system.lu().solve(&self.drive.map(|v| at_trip * v))
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
        let n = self.drive.len();
        // With the voltage loop opened the map is the closed one without what the comparator gives back.
        let opened = &self.closed - &self.drive * &self.control;
        let system = DMatrix::from_diagonal_element(n, n, z) - opened.map(|v| Complex::new(v, 0.0));
        let response = system.lu().solve(&self.drive.map(|v| Complex::new(v, 0.0)))?;
        Some(-(self.control.map(|v| Complex::new(v, 0.0)) * response)[0])
    }

    /// Loop gain as an analyser shows it that injects a sine in front of the comparator and takes the component of that
    /// frequency on both sides, the images around the switching frequency left aside.
    pub fn analyser(&self, frequency_hz: f64) -> Option<Complex<f64>> {
        let omega = TAU * frequency_hz;
        let response = self.closed_response(omega)?;
        let signal = Complex::from_polar(1.0, omega * self.trip_s);
        let n = self.drive.len();
        let mut fourier = Complex::new(0.0, 0.0);
        for leg in &self.legs {
            for (t_s, weight_s, row) in &leg.nodes {
                let value: Complex<f64> = (0..n).map(|j| response[j] * row[j]).sum::<Complex<f64>>() + signal * row[n];
                let turn = Complex::from_polar(*weight_s, -omega * (leg.phase_s + t_s));
                fourier += value * turn;
            }
            debug_assert!(leg.duration_s > 0.0);
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

    /// Crossover and margins; `None` where the gain never falls through one.
    pub fn margins(&self) -> Option<Margins> {
        let curve = self.curve();
        let falls = |w: &[(f64, Complex<f64>)]| w[0].1.norm() >= 1.0 && w[1].1.norm() < 1.0;
        let last = curve.windows(2).rposition(falls)?;
        let shown = |f: f64| self.analyser(f);
        let crossover_hz = locate((curve[last].0, curve[last + 1].0), shown, |gain| gain.norm() >= 1.0)?;
        let at_crossover = self.analyser(crossover_hz)?;
        Some(Margins {
            crossover_hz,
            phase_deg: phase_margin_deg(at_crossover),
            gain_db: -20.0 * self.gain_at_turn(crossover_hz)?.log10(),
        })
    }

    /// Magnitude of the sampled gain where its phase passes -180 degrees above the crossover, or at half the switching frequency.
    fn gain_at_turn(&self, crossover_hz: f64) -> Option<f64> {
        let above = self.frequencies().into_iter().filter(|f| *f >= crossover_hz);
        let sampled: Vec<(f64, Complex<f64>)> = above.filter_map(|f| Some((f, self.sampled(f)?))).collect();
        // The imaginary part changes sign on the negative real side.
        let turned = |w: &[(f64, Complex<f64>)]| w[0].1.im < 0.0 && w[1].1.im >= 0.0 && w[0].1.re < 0.0;
        match sampled.windows(2).position(turned) {
            Some(k) => {
                let at_hz = locate((sampled[k].0, sampled[k + 1].0), |f| self.sampled(f), |gain| gain.im < 0.0)?;
                Some(self.sampled(at_hz)?.norm())
            }
            None => Some(sampled.last()?.1.norm()),
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
    match machine.circuit.board.control.modulator {
        crate::board::Modulator::PeakCurrent { gain_a_per_v, .. } => -gain_a_per_v,
        _ => -1.0,
    }
}

/// Response of the control voltage along a stretch, at the nodes of the Fourier integral.
fn control_leg(machine: &mut Machine, leg: &Leg, control_state: usize) -> ControlLeg {
    let modal = machine.modal(leg.key);
    let row = modal.project(&Row::state(control_state));
    let columns = leg.matrix.ncols();
    // Each column moves by itself, without inputs.
    let motions: Vec<(Scalar, StateVector)> = (0..columns)
        .map(|j| {
            let start: StateVector =
                std::array::from_fn(|i| if i < leg.matrix.nrows() { leg.matrix[(i, j)] } else { 0.0 });
            let flow = modal.flow(&start, [0.0; INPUTS], [0.0; INPUTS]);
            (modal.scalar(&row, &flow), start)
        })
        .collect();
    let half_s = 0.5 * leg.duration_s / PANELS as f64;
    let nodes = (0..PANELS)
        .flat_map(|k| GAUSS.map(|node| half_s * (2.0 * k as f64 + 1.0 + node)))
        .map(|t_s| {
            let basis = modal.basis(t_s);
            let dense = modal.is_dense().then(|| modal.transition(t_s));
            let response = RowDVector::from_fn(columns, |_, j| match &dense {
                // Without modes the transition matrix itself moves the column.
                Some(matrix) => (0..leg.matrix.nrows()).map(|i| matrix[(control_state, i)] * motions[j].1[i]).sum(),
                None => motions[j].0.at_basis(&basis, t_s),
            });
            (t_s, half_s, response)
        })
        .collect();
    debug_assert!(control_state < MAX_STATES);
    ControlLeg { phase_s: leg.phase_s, duration_s: leg.duration_s, nodes }
}
