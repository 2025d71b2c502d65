//! Start of the board: time, overshoot, falls on the way, peak current.
//!
//! Definitions: docs/physics.md, "start".

use super::extremes::Range;
use super::step::EdgeWatch;
use crate::engine::book::Book;
use crate::engine::error::EngineError;
use crate::engine::machine::{Effort, Machine, Observer, Output, Stretch};
use crate::engine::program::{Program, later};

/// Result of a start.
#[derive(Clone, Copy, Debug)]
pub struct StartResult {
    /// From the begin until the output stays in its band, in s.
    pub time_s: f64,
    /// Whether it stays there at the end.
    pub started: bool,
    /// Highest output above the mean aimed at in V; 0 where it stays below.
    pub overshoot_v: f64,
    /// Largest fall of the output below its highest value so far, before it first reaches its band, in V.
    pub fall_v: f64,
    /// Highest inductor current in A.
    pub peak_a: f64,
    /// What happened.
    pub effort: Effort,
    /// Residual of the energy book.
    pub book_residual: f64,
}

/// Follows the rise of the output until it first reaches a voltage.
struct RiseWatch {
    until_v: f64,
    highest_v: f64,
    fall_v: f64,
    reached: bool,
}

impl Observer for RiseWatch {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        if self.reached {
            return;
        }
        let mut output = Range::EMPTY;
        output.include_stretch(stretch, Output::Voltage);
        self.fall_v = self.fall_v.max(self.highest_v - output.low);
        self.highest_v = self.highest_v.max(output.high);
        self.reached = self.highest_v >= self.until_v;
    }
}

/// Runs a start from rest, with `output_v` already at the output, for `cycles` periods. `mean_v` is the mean output that it should
/// reach, `half_band_v` half the width of the band around it. A further observer sees the whole run.
///
/// # Errors
/// Whatever stops a run; an energy book that does not close.
pub fn run(
    machine: &mut Machine,
    (output_v, mean_v): (f64, f64),
    half_band_v: f64,
    cycles: u64,
    observer: &mut impl Observer,
) -> Result<StartResult, EngineError> {
    let mut watch = EdgeWatch::new((0, 0.0), (cycles, 0.0), machine.period_s(), mean_v, half_band_v);
    let mut rise = RiseWatch { until_v: mean_v - half_band_v, highest_v: output_v, fall_v: 0.0, reached: false };
    let mut book = Book::new(&machine.circuit);
    let mut state = machine.at_rest(output_v);
    let mut all = ((&mut watch, &mut rise), (&mut book, observer));
    machine.run(&mut state, cycles, &mut Program::constant(0.0), &mut all, None)?;
    let response = watch.response();
    Ok(StartResult {
        time_s: response.recovery_s,
        started: response.recovered,
        overshoot_v: (response.output.high - mean_v).max(0.0),
        fall_v: rise.fall_v,
        peak_a: response.current.high,
        effort: state.effort,
        book_residual: book.close()?,
    })
}

/// Periods that a start takes at most, with time to settle.
pub fn cycles(machine: &Machine, settling_s: f64) -> u64 {
    let soft_start_s = machine.circuit.board.control.protection.soft_start_s;
    later((0, 0.0), soft_start_s + settling_s, machine.period_s()).0 + 1
}
