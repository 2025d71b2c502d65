//! A second, independent integration of the switched converter, to hold the exact engine to.
//!
//! The exact engine replaces the saturation curve by straight pieces and solves each piece in closed form. Here the
//! smooth curve is kept and the nonlinear circuit equations are integrated step by step with a published general-purpose
//! integrator: Dormand and Prince's explicit Runge-Kutta method of order 5(4) (J. R. Dormand, P. J. Prince,
//! J. Comput. Appl. Math. 6 (1980) 19) as the crate `ode_solvers` has it. It is started anew at every switching instant,
//! and instants are found by re-stepping to them, never on interpolated values.
//!
//! Equations, switching sequence and root search are written separately from the engine's; the two share only the
//! description of the circuit, the load program and the order of the states. Method: docs/physics.md, "cross-check".

mod equations;
mod sampling;
mod sequence;
mod solver;

use crate::engine::error::EngineError;
use crate::engine::machine::{Begin, Machine, Observer, Stretch};
use crate::engine::network::{Circuit, Path};
pub use crate::engine::program::Instant;
use crate::engine::program::Program;
use crate::engine::row::Input;
use crate::measure::curves::{Grid, Sample};
use crate::parts::saturation::FluxCurve;
use equations::Equations;
pub use equations::MOST_STATES;
pub use sampling::{Outcome, Sampling, Side};
use sequence::Run;
use std::cell::Cell;

/// Samples are compared until this part of a period before the end of a run.
const LAST_SAMPLE_BEFORE_END: f64 = 1e-3;

/// The independent integration of one circuit.
pub struct CrossCheck {
    equations: Equations,
    tolerance: f64,
}

impl CrossCheck {
    /// A circuit on a smooth saturation curve; its own piecewise-linear table is not used. `tolerance` is both the relative
    /// tolerance of a step and the absolute one in V and A.
    ///
    /// # Errors
    /// [`EngineError::CrossCheck`] for more than [`MOST_STATES`] states or a tolerance out of (0, 1);
    /// [`EngineError::TwoIdealBranches`] as the exact engine.
    pub fn new(circuit: &Circuit, curve: FluxCurve, tolerance: f64) -> Result<CrossCheck, EngineError> {
        if !(tolerance > 0.0 && tolerance < 1.0) {
            return Err(EngineError::CrossCheck(format!("tolerance {tolerance} is not between 0 and 1")));
        }
        let equations = Equations::new(circuit, curve)?;
        if equations.states > MOST_STATES {
            let states = equations.states;
            return Err(EngineError::CrossCheck(format!("{states} states, at most {MOST_STATES} are possible")));
        }
        Ok(CrossCheck { equations, tolerance })
    }

    /// Runs from its begin (states in the exact engine's order) until that many clock edges have passed.
    ///
    /// # Errors
    /// [`EngineError::CrossCheck`] where the integrator gives up, [`EngineError::Chatter`], [`EngineError::Interrupted`].
    pub fn run(
        &self,
        begin: Begin,
        cycles: u64,
        program: Program,
        sampling: Sampling,
        mut sink: impl FnMut(&Sample, Side),
    ) -> Result<Outcome, EngineError> {
        let sink: &mut dyn FnMut(&Sample, Side) = &mut sink;
        macro_rules! dispatch {
            ($($n:literal)*) => {
                match self.equations.states {
                    $($n => Run::<$n>::new(&self.equations, self.tolerance, begin, program, sampling).go(cycles, sink),)*
                    states => Err(EngineError::CrossCheck(format!("{states} states"))),
                }
            };
        }
        dispatch!(2 3 4 5 6 7 8 9 10 11 12 13 14 15 16)
    }
}

/// Largest differences between the exact engine and the independent integration.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Difference {
    /// Of the output voltage in V.
    pub output_v: f64,
    /// Of the inductor current in A.
    pub current_a: f64,
    /// Of the high side's turn-off instants in s.
    pub turn_off_s: f64,
    /// Cycle from which on the two no longer turn off together: a decision that hangs on rounding fell differently.
    /// Nothing is compared from there.
    pub parted: Option<u64>,
    /// Samples compared.
    pub samples: usize,
    /// Samples left out because they lie between the two engines' instants of one edge: there the two are on different
    /// sides of it (see [`Side`]).
    pub skipped: usize,
}

/// What the exact engine shows on the same grid.
struct Watched<'a, F: FnMut(Sample)> {
    grid: Grid<F>,
    side: &'a Cell<Side>,
    turn_offs: Vec<Instant>,
}

impl<F: FnMut(Sample)> Observer for Watched<'_, F> {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let (before, path) = (self.side.get().path, stretch.mode.key.path);
        if before == Path::High && path != Path::High {
            self.turn_offs.push((stretch.cycle, stretch.phase_s));
        }
        self.side.set(Side { path, load_slew_a_per_s: stretch.flow.settled.input_slopes[Input::Load as usize] });
        self.grid.stretch(stretch);
    }
}

/// Runs the exact engine and the independent integration on the smooth curve from the same state and load program, and
/// compares them at `offset_s + k * every_s` from the first clock edge.
///
/// A sample counts where both are on the same side of every edge of the switch node and of the load's slew; a sample between
/// the two engines' instants of the same edge is skipped and counted. The turn-off instants are compared themselves.
///
/// # Errors
/// Whatever stops either run.
#[allow(clippy::too_many_arguments)]
pub fn compare(
    machine: &mut Machine,
    curve: &FluxCurve,
    begin: Begin,
    cycles: u64,
    program: &Program,
    every_s: f64,
    offset_s: f64,
    tolerance: f64,
) -> Result<Difference, EngineError> {
    let start = Side { path: Path::Idle, load_slew_a_per_s: 0.0 };
    let side = Cell::new(start);
    let mut exact: Vec<(Sample, Side)> = vec![];
    // A sample on the last clock edge would depend on rounding.
    let until_s = (cycles as f64 - LAST_SAMPLE_BEFORE_END) * machine.period_s();
    let grid = Grid::new((0, 0.0), machine.period_s(), every_s, (offset_s, until_s), |sample| {
        exact.push((sample, side.get()));
    });
    let mut watched = Watched { grid, side: &side, turn_offs: vec![] };
    let mut state = machine.begin(begin);
    machine.run(&mut state, cycles, &mut program.clone(), &mut watched, None)?;
    let exact_turn_offs = watched.turn_offs;

    let check = CrossCheck::new(&machine.circuit, curve.clone(), tolerance)?;
    let sampling = Sampling { origin: (0, 0.0), every_s, offset_s, until_s };
    let mut other: Vec<(Sample, Side)> = vec![];
    let outcome = check.run(begin, cycles, program.clone(), sampling, |sample, side| other.push((*sample, side)))?;
    // One sample may fall on the very end in one of the runs.
    if exact.len().abs_diff(other.len()) > 1 {
        return Err(EngineError::CrossCheck("the two runs took different numbers of samples".into()));
    }
    let (turn_off_s, parted) = turn_off_difference_s(&exact_turn_offs, &outcome.turn_offs, machine.period_s());
    let mut difference = Difference { output_v: 0.0, current_a: 0.0, turn_off_s, parted, samples: 0, skipped: 0 };
    let until_s = parted.map_or(f64::INFINITY, |cycle| cycle as f64 * machine.period_s());
    for (a, b) in exact.iter().zip(&other).filter(|(a, _)| a.0.time_s < until_s) {
        difference.include((&a.0, a.1), (&b.0, b.1));
    }
    Ok(difference)
}

impl Difference {
    fn include(&mut self, (a, side_a): (&Sample, Side), (b, side_b): (&Sample, Side)) {
        if side_a != side_b {
            self.skipped += 1;
            return;
        }
        self.samples += 1;
        self.output_v = self.output_v.max((a.output_v - b.output_v).abs());
        self.current_a = self.current_a.max((a.current_a - b.current_a).abs());
    }
}

/// Largest difference of the turn-off instants in s up to where the two part, and the cycle in which they do: from there on the
/// instants of a pair are half a period or more apart. Where a turn-off lies on an edge, the two may count it in different cycles.
fn turn_off_difference_s(a: &[Instant], b: &[Instant], period_s: f64) -> (f64, Option<u64>) {
    let apart_s = |(p, q): (&Instant, &Instant)| ((p.0 as f64 - q.0 as f64) * period_s + (p.1 - q.1)).abs();
    let together = || a.iter().zip(b).map(apart_s).take_while(|apart_s| *apart_s < 0.5 * period_s);
    let same = together().count();
    let parted = [a.get(same), b.get(same)].into_iter().flatten().map(|instant| instant.0).min();
    (together().fold(0.0, f64::max), parted)
}
