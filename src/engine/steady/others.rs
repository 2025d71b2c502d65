//! Other stable waveforms at the same operating point: a loop may hold more than one, and which one runs depends on what came before.
//!
//! Method: docs/physics.md, "period map".

use super::{ON_THE_WAY, Orbit, PERIODS, STABLE};
use crate::engine::compensator;
use crate::engine::error::EngineError;
use crate::engine::machine::Machine;
use crate::engine::network::FLUX_STATE;
use crate::engine::program::Program;
use crate::engine::row::StateVector;

/// Starts of the search: the output as a multiple of the known one, the inductor current as a multiple of the load, and whether the
/// control stands at its upper clamp (or its lower one). What a step up and a step down of the load leave behind.
const STARTS: [(f64, f64, bool); 2] = [(1.05, 0.0, false), (0.95, 1.4, true)];
/// Control cycles from a start before an orbit is looked for.
const CYCLES: u64 = 400;
/// Control cycles after which is looked whether a start has come back to a known orbit.
const LOOK: u64 = 50;
/// Relative distance from a stable orbit below which a start that is still under way has come back to it.
const BACK: f64 = 1e-3;
/// Relative distance of two states above which they belong to different waveforms: far above the residual of an orbit.
const DIFFERENT: f64 = 1e-4;

impl Machine {
    /// Stable orbits at a load beside a known one, from starts above and below it; none where everything comes back to it.
    ///
    /// # Errors
    /// [`EngineError::Interrupted`]; a start from which nothing stable is found leaves nothing.
    pub fn other_orbits(&mut self, known: &Orbit, load_a: f64) -> Result<Vec<Orbit>, EngineError> {
        let mut found = vec![known.clone()];
        for start in STARTS {
            let x = self.displaced(known, load_a, start);
            let settled = match self.settle_elsewhere(x, &found, load_a) {
                Err(EngineError::Interrupted) => return Err(EngineError::Interrupted),
                Err(_) | Ok(None) => continue,
                Ok(Some(settled)) => settled,
            };
            if self.is_on_one_of(&found, &settled, load_a, ON_THE_WAY)? {
                continue;
            }
            if let Some(orbit) = self.orbit_near(&settled, load_a)?
                && !self.is_on_one_of(&found, &orbit.x, load_a, DIFFERENT)?
            {
                found.push(orbit);
            }
        }
        found.remove(0);
        Ok(found)
    }

    /// What a start has settled to; none where it comes back to one of some orbits before.
    fn settle_elsewhere(
        &mut self,
        x: StateVector,
        orbits: &[Orbit],
        load_a: f64,
    ) -> Result<Option<StateVector>, EngineError> {
        let mut state = self.at_clock(x);
        let mut program = Program::constant(orbits[0].program_a);
        for _ in 0..CYCLES / LOOK {
            self.run_control_cycles(&mut state, LOOK, &mut program, &mut (), None)?;
            if self.is_on_one_of(orbits, &state.x, load_a, BACK)? {
                return Ok(None);
            }
        }
        Ok(Some(state.x))
    }

    fn displaced(&self, known: &Orbit, load_a: f64, (output, current, high): (f64, f64, bool)) -> StateVector {
        let mut x = known.x;
        x[1..=self.circuit.bank.len()].iter_mut().for_each(|voltage| *voltage *= output);
        x[FLUX_STATE] = self.circuit.flux.flux_wb(current * load_a);
        let clamp_v = compensator::clamp_v(&self.circuit.board.control.compensator);
        if let (Some(control), Some((low_v, high_v))) = (self.control_state(), clamp_v) {
            x[control] = if high { high_v } else { low_v };
        }
        x
    }

    /// Whether a state lies on one of some orbits, at any of their periods.
    fn is_on_one_of(
        &mut self,
        orbits: &[Orbit],
        x: &StateVector,
        load_a: f64,
        within: f64,
    ) -> Result<bool, EngineError> {
        let scale = self.scales(load_a);
        for orbit in orbits {
            let mut point = orbit.x;
            for _ in 0..orbit.periods {
                if (0..self.states).all(|k| ((point[k] - x[k]) / scale[k]).abs() <= within) {
                    return Ok(true);
                }
                point = self.settle(point, orbit.program_a, 1)?;
            }
        }
        Ok(false)
    }

    /// A stable orbit to which a settled state is on the way, if Newton's method finds one.
    pub(super) fn orbit_near(&mut self, settled: &StateVector, load_a: f64) -> Result<Option<Orbit>, EngineError> {
        for periods in PERIODS {
            // A stable orbit draws the run towards itself.
            if self.change(settled, load_a, periods)?.0 > ON_THE_WAY {
                continue;
            }
            match self.newton(*settled, load_a, periods) {
                Ok(orbit) if orbit.largest_multiplier() <= STABLE => return self.shortest(orbit, load_a).map(Some),
                Ok(_) | Err(EngineError::NoSteadyState { .. }) => {}
                Err(error) => return Err(error),
            }
        }
        Ok(None)
    }
}
