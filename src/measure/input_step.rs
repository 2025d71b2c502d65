//! Step of the input voltage and back: deviation of the output, recovery, peak current.
//!
//! Definitions: docs/physics.md, "input step".

use super::extremes::Range;
use super::step::{EdgeWatch, LEAD_CYCLES};
use crate::board::InputStep;
use crate::engine::book::Book;
use crate::engine::error::EngineError;
use crate::engine::machine::Machine;
use crate::engine::program::{Instant, Program, later};
use crate::engine::steady::Orbit;

/// Result of a step of the input voltage and back.
#[derive(Clone, Copy, Debug)]
pub struct InputStepResult {
    /// Largest distance of the output from its mean before the edge in V, either edge.
    pub deviation_v: f64,
    /// The longer of the two recoveries into the band around the final mean in s.
    pub recovery_s: f64,
    /// Whether the output was back before the next edge.
    pub recovered: bool,
    /// Highest inductor current in A.
    pub peak_a: f64,
    /// Residual of the energy book.
    pub book_residual: f64,
}

/// When a step of the input begins and goes back, and how long the run is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Timing {
    /// Begin of the step.
    pub there: Instant,
    /// Begin of the way back.
    pub back: Instant,
    /// Whole cycles of the run.
    pub cycles: u64,
}

impl Timing {
    /// Timing for a switching period. Levels are held from the end of an edge to the begin of the next one.
    pub fn new(step: &InputStep, period_s: f64) -> Timing {
        let level_s = (step.to_v - step.from_v).abs() / step.slew_v_per_s + step.hold_s;
        let there = (LEAD_CYCLES, 0.0);
        let back = later(there, level_s, period_s);
        Timing { there, back, cycles: later(back, level_s, period_s).0 + 1 }
    }

    /// The program of the input.
    pub fn program(&self, step: &InputStep, machine: &Machine) -> Program {
        let period_s = machine.period_s();
        Program::constant(machine.circuit.program_a(step.load_a))
            .with_source(step.from_v)
            .source_edge(self.there, step.to_v, step.slew_v_per_s, period_s)
            .source_edge(self.back, step.from_v, step.slew_v_per_s, period_s)
    }
}

/// Runs a step of the input from the steady state at its lower level. `means_v` are the mean outputs before and after the step,
/// `half_band_v` half the width of the recovery band.
///
/// # Errors
/// Whatever stops a run; an energy book that does not close.
pub fn run(
    machine: &mut Machine,
    step: &InputStep,
    from: &Orbit,
    means_v: (f64, f64),
    half_band_v: f64,
) -> Result<InputStepResult, EngineError> {
    let period_s = machine.period_s();
    let timing = Timing::new(step, period_s);
    let mut program = timing.program(step, machine);
    let last = (timing.cycles, 0.0);
    let mut there = EdgeWatch::new(timing.there, timing.back, period_s, means_v.1, half_band_v);
    let mut home = EdgeWatch::new(timing.back, last, period_s, means_v.0, half_band_v);
    let mut book = Book::new(&machine.circuit);
    let mut state = machine.at_clock(from.x);
    machine.run(&mut state, timing.cycles, &mut program, &mut ((&mut there, &mut home), &mut book), None)?;
    let (there, home) = (there.response(), home.response());
    let away = |output: &Range, mean_v: f64| (output.high - mean_v).max(mean_v - output.low);
    Ok(InputStepResult {
        deviation_v: away(&there.output, means_v.0).max(away(&home.output, means_v.1)),
        recovery_s: there.recovery_s.max(home.recovery_s),
        recovered: there.recovered && home.recovered,
        peak_a: there.current.high.max(home.current.high),
        book_residual: book.close()?,
    })
}
