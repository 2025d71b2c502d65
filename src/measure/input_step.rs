//! Step of the input voltage and back: deviation of the output, recovery, peak current.
//!
//! Definitions: docs/physics.md, "input step".

use super::step::{EdgeWatch, LEAD_CYCLES};
use crate::board::InputStep;
use crate::engine::book::Book;
use crate::engine::error::EngineError;
use crate::engine::machine::Machine;
use crate::engine::program::{Program, later};
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

/// Program of a step, and the whole cycles that it takes.
pub fn program(machine: &Machine, step: &InputStep) -> (Program, u64) {
    let period_s = machine.period_s();
    let edge_s = (step.to_v - step.from_v).abs() / step.slew_v_per_s;
    let begin = (LEAD_CYCLES, 0.0);
    let back = later(begin, edge_s + step.hold_s, period_s);
    let last = later(back, edge_s + step.hold_s, period_s).0 + 1;
    let program = Program::constant(machine.circuit.program_a(step.load_a))
        .with_source(step.from_v)
        .source_edge(begin, step.to_v, step.slew_v_per_s, period_s)
        .source_edge(back, step.from_v, step.slew_v_per_s, period_s);
    (program, last)
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
    let (mut program, cycles) = program(machine, step);
    let edge_s = (step.to_v - step.from_v).abs() / step.slew_v_per_s;
    let begin = (LEAD_CYCLES, 0.0);
    let back = later(begin, edge_s + step.hold_s, period_s);
    let mut there = EdgeWatch::new(begin, back, period_s, means_v.1, half_band_v);
    let mut home = EdgeWatch::new(back, (cycles, 0.0), period_s, means_v.0, half_band_v);
    let mut book = Book::new(&machine.circuit);
    let mut state = machine.at_clock(from.x);
    machine.run(&mut state, cycles, &mut program, &mut ((&mut there, &mut home), &mut book), None)?;
    let (there, home) = (there.response(), home.response());
    let away = |low: f64, high: f64, mean_v: f64| (high - mean_v).max(mean_v - low);
    Ok(InputStepResult {
        deviation_v: away(there.output.low, there.output.high, means_v.0).max(away(
            home.output.low,
            home.output.high,
            means_v.1,
        )),
        recovery_s: there.recovery_s.max(home.recovery_s),
        recovered: there.recovered && home.recovered,
        peak_a: there.current.high.max(home.current.high),
        book_residual: book.close()?,
    })
}
