//! Periodic steady state: Newton's method on the map from clock edge to clock edge, or without a clock from turn-on to
//! turn-on.
//!
//! Method: docs/physics.md, "period map".

mod others;

use super::compensator;
use super::error::EngineError;
use super::machine::{Effort, Machine, Observer};
use super::network::{self, FLUX_STATE};
use super::program::Program;
use super::row::{MAX_STATES, StateVector};
use super::sensitivity::Sensitivity;
use crate::board::OnTime;
use nalgebra::{Complex, DMatrix, DVector, Schur};

/// Cycles run from the first guess before Newton's method takes over.
const SETTLING_CYCLES: u64 = 200;
/// Cycles run before an orbit of several periods is looked for.
const LONG_SETTLING_CYCLES: u64 = 2500;
/// Cycles run from a waveform that is near and whose cycles are not all alike.
const NEAR_CYCLES: u64 = 400;
/// Relative change over an orbit's periods above which a settled run is not on the way to it.
const ON_THE_WAY: f64 = 1e-2;
/// Share of the output aimed at below which a limited board has lost it.
const LOST: f64 = 0.7;
/// What is told of such a board.
const LOST_OUTPUT: EngineError = EngineError::DoesNotDeliver { how: "the output falls" };
/// Relative residual at which an orbit is accepted; the map's rounding floor is near 5e-12.
pub const ORBIT_RESIDUAL: f64 = 1e-10;
/// Newton steps before giving up.
const NEWTON_STEPS: usize = 25;
/// Periods after which an orbit may repeat, in the order in which they are tried.
const PERIODS: [u64; 6] = [1, 2, 4, 3, 8, 6];
/// Periods that stand for a waveform that does not repeat.
pub const WATCHED_PERIODS: u64 = 128;
/// Relative change below which an orbit of several periods repeats already sooner.
const SAME_ORBIT: f64 = 1e-7;
/// Largest multiplier of an orbit that is taken as stable.
const STABLE: f64 = 1.0 + 1e-9;

/// A periodic steady state.
#[derive(Clone, Debug)]
pub struct Orbit {
    /// State at the clock edge.
    pub x: StateVector,
    /// Number of switching periods after which it repeats: 1, or more for alternating cycles; where it does not repeat, the number
    /// of periods that stand for it.
    pub periods: u64,
    /// Whether it repeats at all.
    pub repeats: bool,
    /// Relative change over those periods.
    pub residual: f64,
    /// Multipliers of the period map: eigenvalues of its linearisation.
    pub multipliers: Vec<Complex<f64>>,
    /// Programmed load current in A.
    pub program_a: f64,
}

/// A state at a clock edge of a steady waveform of a machine that is like this one.
#[derive(Clone, Copy, Debug)]
pub struct Near {
    /// The state.
    pub x: StateVector,
    /// Whether its cycles were not all alike.
    pub is_pattern: bool,
}

impl Near {
    /// Of an orbit.
    pub fn of(orbit: &Orbit) -> Near {
        Near { x: orbit.x, is_pattern: orbit.periods > 1 }
    }
}

impl Orbit {
    /// Magnitude of the largest multiplier; infinite where there are none to be found.
    pub fn largest_multiplier(&self) -> f64 {
        // Without multipliers nothing says that the orbit is stable.
        if self.multipliers.is_empty() {
            f64::INFINITY
        } else {
            self.multipliers.iter().map(|m| m.norm()).fold(0.0, f64::max)
        }
    }
}

/// Result of the map over some periods from clock edge to clock edge.
pub struct Mapped {
    /// State at the end.
    pub end: StateVector,
    /// d(end) / d(begin).
    pub matrix: DMatrix<f64>,
    /// The whole linearisation, with the comparator's signal.
    pub sensitivity: Sensitivity,
}

impl Machine {
    /// First guess at the clock edge: every capacitor at rest, the inductor at the valley of its current.
    pub fn first_guess(&self, load_a: f64) -> StateVector {
        let board = &self.circuit.board;
        let output_v = match board.control.modulator.on_time() {
            OnTime::Share(duty) => duty * self.circuit.source_v,
            _ => board.output_v,
        };
        let mut x = [0.0; MAX_STATES];
        let duty = (output_v / self.circuit.source_v).clamp(0.0, 1.0);
        let swing_wb = output_v * (1.0 - duty) * self.period_s();
        let middle_wb = self.circuit.flux.flux_wb(load_a);
        x[FLUX_STATE] = (middle_wb - 0.5 * swing_wb).max(0.0);
        for k in 0..self.circuit.bank.len() {
            x[1 + k] = output_v;
        }
        let peak_a = self.circuit.flux.current_a(middle_wb + 0.5 * swing_wb);
        let reference_v = compensator::reference_v(&board.control.compensator);
        let turn_off = (duty * self.period_s(), self.circuit.source_v);
        let comparator = board.control.modulator.turn_off(self.period_s());
        let control_v = comparator.map_or(0.0, |comparator| comparator.control_v(peak_a, reference_v, turn_off));
        let first = network::compensator_state(&self.circuit);
        for (k, value) in compensator::resting_state(&board.control.compensator, control_v, output_v).iter().enumerate()
        {
            x[first + k] = *value;
        }
        if let Some((ohm, _)) = self.circuit.resistor {
            x[network::resistor_state(&self.circuit)] = output_v / ohm;
        }
        if self.circuit.winding_sense().is_some() {
            x[network::sense_state(&self.circuit)] = self.circuit.dcr_ohm * load_a;
        }
        if self.circuit.instrument {
            x[network::instrument_state(&self.circuit)] = output_v;
        }
        x
    }

    /// Size of each state, for relative residuals.
    pub(super) fn scales(&self, load_a: f64) -> StateVector {
        let board = &self.circuit.board;
        let mut scale = [1.0; MAX_STATES];
        let swing_wb = board.output_v * self.period_s();
        scale[FLUX_STATE] = self.circuit.flux.flux_wb(load_a).abs().max(swing_wb);
        let current_a = self.circuit.flux.current_a(scale[FLUX_STATE]);
        let voltages = 1 + self.circuit.bank.len();
        scale[1..voltages].fill(board.output_v);
        scale[voltages..network::compensator_state(&self.circuit)].fill(current_a);
        scale
    }

    fn settle(&mut self, x: StateVector, program_a: f64, cycles: u64) -> Result<StateVector, EngineError> {
        let mut state = self.at_clock(x);
        self.run_control_cycles(&mut state, cycles, &mut Program::constant(program_a), &mut (), None)?;
        if state.effort.pauses > 0 && cycles >= LONG_SETTLING_CYCLES {
            return Err(EngineError::DoesNotDeliver { how: "it pauses" });
        }
        Ok(state.x)
    }

    /// Whether a controlled output is far below its aim.
    fn is_lost(&self, x: &StateVector) -> bool {
        let limited = self.circuit.board.control.protection.current_limit.is_some();
        limited && x[1] < LOST * self.circuit.board.output_v
    }

    /// The map over some periods with its linearisation.
    ///
    /// # Errors
    /// Whatever stops a run.
    pub fn map(&mut self, x: &StateVector, program_a: f64, periods: u64) -> Result<Mapped, EngineError> {
        let mut state = self.at_clock(*x);
        let mut sensitivity = Sensitivity::identity(self.states, self.control_state());
        self.run_control_cycles(
            &mut state,
            periods,
            &mut Program::constant(program_a),
            &mut (),
            Some(&mut sensitivity),
        )?;
        let whole = if self.is_clocked() { sensitivity.matrix.clone() } else { sensitivity.to_instant() };
        let matrix = whole.columns(0, self.states).into_owned();
        Ok(Mapped { end: state.x, matrix, sensitivity })
    }

    /// Newton's method for an orbit of that many periods.
    fn newton(&mut self, start: StateVector, load_a: f64, periods: u64) -> Result<Orbit, EngineError> {
        let n = self.states;
        let program_a = self.circuit.program_a(load_a);
        let scale = self.scales(load_a);
        let mut x = start;
        let mut best: Option<(StateVector, f64, DMatrix<f64>)> = None;
        for _ in 0..NEWTON_STEPS {
            let mapped = self.map(&x, program_a, periods)?;
            let change = DVector::from_fn(n, |i, _| mapped.end[i] - x[i]);
            let residual = (0..n).map(|i| (change[i] / scale[i]).abs()).fold(0.0, f64::max);
            let improved = best.as_ref().is_none_or(|(_, least, _)| residual < *least);
            if improved {
                best = Some((x, residual, mapped.matrix.clone()));
            }
            if residual <= ORBIT_RESIDUAL && !(improved && residual > 1e-3 * ORBIT_RESIDUAL && residual > 1e-13) {
                break;
            }
            if !improved && residual <= ORBIT_RESIDUAL {
                break;
            }
            let system = DMatrix::identity(n, n) - mapped.matrix;
            let Some(step) = system.lu().solve(&change).filter(|step| step.iter().all(|v| v.is_finite())) else {
                break;
            };
            // A step beyond the size of the states themselves is cut back: the map is only piecewise smooth.
            let size = (0..n).map(|i| (step[i] / scale[i]).abs()).fold(0.0, f64::max);
            let factor = if size > 0.5 { 0.5 / size } else { 1.0 };
            (0..n).for_each(|i| x[i] += factor * step[i]);
        }
        let residual = best.as_ref().map_or(f64::INFINITY, |(_, residual, _)| *residual);
        let (x, residual, matrix) = best
            .filter(|(_, residual, _)| *residual <= ORBIT_RESIDUAL)
            .ok_or(EngineError::NoSteadyState { cycles: periods, residual })?;
        Ok(Orbit { x, periods, repeats: true, residual, multipliers: multipliers(&matrix), program_a })
    }

    /// The stable steady state at a load: one period, more where cycles alternate, or a long stretch of a waveform that does not
    /// repeat.
    ///
    /// # Errors
    /// Whatever stops a run.
    pub fn steady(&mut self, load_a: f64) -> Result<Orbit, EngineError> {
        let program_a = self.circuit.program_a(load_a);
        let guess = self.first_guess(load_a);
        let settled = self.settle(guess, program_a, SETTLING_CYCLES)?;
        match self.newton(settled, load_a, 1) {
            Ok(orbit) if orbit.largest_multiplier() <= STABLE && !self.is_lost(&orbit.x) => return Ok(orbit),
            Err(EngineError::Interrupted) => return Err(EngineError::Interrupted),
            _ => {}
        }
        let settled = self.settle(settled, program_a, LONG_SETTLING_CYCLES)?;
        self.pattern(settled, load_a)
    }

    /// What a settled run does whose cycles are not all alike.
    fn pattern(&mut self, settled: StateVector, load_a: f64) -> Result<Orbit, EngineError> {
        if self.is_lost(&settled) {
            return Err(LOST_OUTPUT);
        }
        if let Some(orbit) = self.orbit_near(&settled, load_a)? {
            // A run on its way down is still near its aim; the orbit that it is on the way to is not.
            return if self.is_lost(&orbit.x) { Err(LOST_OUTPUT) } else { Ok(orbit) };
        }
        // A waveform that repeats although Newton's method found no way to it, or one that does not repeat at all.
        let (residual, mapped) = self.change(&settled, load_a, 1)?;
        let repeats = residual <= SAME_ORBIT;
        Ok(Orbit {
            x: settled,
            periods: if repeats { 1 } else { WATCHED_PERIODS },
            repeats,
            residual,
            multipliers: if repeats { multipliers(&mapped.matrix) } else { vec![] },
            program_a: self.circuit.program_a(load_a),
        })
    }

    /// As [`Machine::steady`], from a state of a waveform that is near: where Newton's method comes from it to a stable state of one period,
    /// without settling first; where its cycles were not all alike either, with a short settling in place of the long one.
    ///
    /// # Errors
    /// As [`Machine::steady`].
    pub fn steady_near(&mut self, load_a: f64, near: Option<&Near>) -> Result<Orbit, EngineError> {
        match near {
            None => self.steady(load_a),
            Some(near) if near.is_pattern => {
                let settled = self.settle(near.x, self.circuit.program_a(load_a), NEAR_CYCLES)?;
                match self.orbit_beside(load_a, &settled)? {
                    Some(orbit) => Ok(orbit),
                    None => self.pattern(settled, load_a),
                }
            }
            Some(near) => match self.orbit_beside(load_a, &near.x)? {
                Some(orbit) => Ok(orbit),
                None => self.steady(load_a),
            },
        }
    }

    /// The stable state of one period at a load to which Newton's method comes from a state that is near; none where it does not.
    ///
    /// # Errors
    /// [`EngineError::Interrupted`].
    pub fn orbit_beside(&mut self, load_a: f64, near: &StateVector) -> Result<Option<Orbit>, EngineError> {
        match self.newton(*near, load_a, 1) {
            Ok(orbit) if orbit.largest_multiplier() <= STABLE && !self.is_lost(&orbit.x) => Ok(Some(orbit)),
            Err(EngineError::Interrupted) => Err(EngineError::Interrupted),
            _ => Ok(None),
        }
    }

    /// Relative change of a state over some periods, with the map.
    fn change(&mut self, x: &StateVector, load_a: f64, periods: u64) -> Result<(f64, Mapped), EngineError> {
        let scale = self.scales(load_a);
        let mapped = self.map(x, self.circuit.program_a(load_a), periods)?;
        let change = (0..self.states).map(|k| ((mapped.end[k] - x[k]) / scale[k]).abs()).fold(0.0, f64::max);
        Ok((change, mapped))
    }

    /// The orbit with the least number of periods after which it repeats.
    fn shortest(&mut self, orbit: Orbit, load_a: f64) -> Result<Orbit, EngineError> {
        for periods in (1..orbit.periods).filter(|periods| orbit.periods.is_multiple_of(*periods)) {
            let (residual, mapped) = self.change(&orbit.x, load_a, periods)?;
            if residual <= SAME_ORBIT {
                return Ok(Orbit { periods, residual, multipliers: multipliers(&mapped.matrix), ..orbit });
            }
        }
        Ok(orbit)
    }

    /// Runs an orbit once through all its periods under the eyes of an observer.
    ///
    /// # Errors
    /// Whatever stops a run.
    pub fn trace_orbit(&mut self, orbit: &Orbit, observer: &mut impl Observer) -> Result<Effort, EngineError> {
        let mut state = self.at_clock(orbit.x);
        self.run_control_cycles(&mut state, orbit.periods, &mut Program::constant(orbit.program_a), observer, None)?;
        Ok(state.effort)
    }
}

/// Eigenvalues of the linearised map; empty where they cannot be found.
fn multipliers(matrix: &DMatrix<f64>) -> Vec<Complex<f64>> {
    Schur::try_new(matrix.clone(), f64::EPSILON, 1000)
        .map(|schur| schur.complex_eigenvalues().iter().copied().collect())
        .unwrap_or_default()
}
