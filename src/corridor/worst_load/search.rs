//! The full simulation of a load, and the search around one: other times of its edges, another place in the clock's period.

use super::waveform::{Bounds, Waveform};
use crate::condition::figures::Failure;
use crate::condition::stand::{Stand, Warm};
use crate::engine::error::EngineError;
use crate::engine::machine::{Machine, Output};
use crate::engine::program::{Program, later};
use crate::engine::row::StateVector;
use crate::measure::extremes::Extremes;

/// Which way the output goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Below the mean at the lower level.
    Undershoot,
    /// Above the mean at the upper level.
    Overshoot,
}

/// Cycles simulated before the waveform, as load profiles have it.
const LEAD_CYCLES: u64 = 1;
/// Periods simulated after the last edge: what follows from it comes within a few.
const TAIL_PERIODS: f64 = 24.0;
/// Edges before the latest one that are moved.
const MOVED_EDGES: usize = 12;
/// First and last shift that is tried, in periods.
const SHIFTS: (f64, f64) = (0.5, 0.03);
/// Simulations of a search at most.
const MOST_RUNS: usize = 160;

/// One part at one base load, ready to run loads.
pub struct Rig {
    machine: Machine,
    /// Base load in A.
    pub base_a: f64,
    /// Mean outputs in V at the base load and at the upper level.
    means_v: (f64, f64),
    /// Orbits at levels above the base load that have been asked for.
    known: Vec<(f64, StateVector)>,
}

impl Rig {
    /// A part at a base load in A, its winding as warm as the upper level makes it.
    ///
    /// # Errors
    /// No steady state at one of the levels.
    pub fn new(stand: &Stand<'_>, base_a: f64, swing_a: f64) -> Result<Rig, Failure> {
        let Warm { mut machine, steady: high, .. } = stand.warm(base_a + swing_a)?;
        let low = stand.steady(&mut machine, base_a)?;
        let means_v = (low.mean_output_v(), high.mean_output_v());
        let known = vec![(0.0, low.orbit.x), (swing_a, high.orbit.x)];
        Ok(Rig { machine: machine.without_instrument()?, base_a, means_v, known })
    }

    /// How far each side goes under a waveform, in V.
    ///
    /// # Errors
    /// Whatever stops a run.
    pub fn run(&mut self, waveform: &Waveform) -> Result<(f64, f64), EngineError> {
        let period_s = self.machine.period_s();
        let begin = (LEAD_CYCLES, 0.0);
        let points: Vec<(f64, f64)> =
            waveform.points().into_iter().map(|(at_s, load_a)| (at_s, self.base_a + load_a)).collect();
        let circuit = &self.machine.circuit;
        let first_a = self.base_a + waveform.first_a;
        let mut program =
            Program::constant(circuit.program_a(first_a)).through(begin, &points, circuit.program_a(0.0), period_s);
        let end = later(begin, waveform.span_s().1 + TAIL_PERIODS * period_s, period_s);
        let first = self.first_state(waveform.first_a)?;
        let mut state = self.machine.at_clock(first);
        let mut seen = Extremes::of(&[Output::Voltage]);
        self.machine.run_on(&mut state, end.0 + 1, &mut program, &mut seen)?;
        let range = seen.range(Output::Voltage);
        Ok((self.means_v.0 - range.low, range.high - self.means_v.1))
    }

    fn first_state(&mut self, level_a: f64) -> Result<StateVector, EngineError> {
        if let Some((_, x)) = self.known.iter().find(|(known_a, _)| *known_a == level_a) {
            return Ok(*x);
        }
        let x = self.machine.steady(self.base_a + level_a)?.x;
        self.known.push((level_a, x));
        Ok(x)
    }

    /// How far one side goes under a waveform, in V.
    ///
    /// # Errors
    /// Whatever stops a run.
    pub fn side_v(&mut self, waveform: &Waveform, side: Side) -> Result<f64, EngineError> {
        let (under_v, over_v) = self.run(waveform)?;
        Ok(if side == Side::Undershoot { under_v } else { over_v })
    }

    /// Moves edges, from all of them together to all but the latest and so on, as long as the output goes further; what was found, and how far.
    ///
    /// # Errors
    /// Whatever stops a run.
    pub fn improve(
        &mut self,
        waveform: &Waveform,
        bounds: &Bounds,
        side: Side,
    ) -> Result<(Waveform, f64), EngineError> {
        let period_s = self.machine.period_s();
        let (mut best, mut most_v) = (waveform.clone(), self.side_v(waveform, side)?);
        let (mut shift_s, mut runs) = (SHIFTS.0 * period_s, 0);
        while shift_s >= SHIFTS.1 * period_s && runs < MOST_RUNS {
            let mut better = false;
            let last = best.edges.len();
            for up_to in (last.saturating_sub(MOVED_EDGES)..last).rev() {
                for by_s in [shift_s, -shift_s] {
                    let tried = best.moved(up_to, by_s);
                    if !tried.is_within(bounds) || runs >= MOST_RUNS {
                        continue;
                    }
                    runs += 1;
                    let tried_v = self.side_v(&tried, side)?;
                    if tried_v > most_v {
                        (best, most_v, better) = (tried, tried_v, true);
                        break;
                    }
                }
            }
            if !better {
                shift_s *= 0.5;
            }
        }
        Ok((best, most_v))
    }
}
