//! Overload that grows slowly: the load at which the output gives way.
//!
//! Definitions: docs/physics.md, "overload".

use super::extremes::Range;
use crate::engine::book::Book;
use crate::engine::error::EngineError;
use crate::engine::machine::{Effort, Machine, Observer, Output, Stretch};
use crate::engine::program::{Instant, Program};
use crate::engine::row::StateVector;

/// Share of the output aimed at below which it has given way.
const GIVES_WAY: f64 = 0.9;
/// Multiple of the full load at which an overload is given up.
const FURTHEST: f64 = 20.0;

/// Result of an overload.
#[derive(Clone, Copy, Debug)]
pub struct OverloadResult {
    /// Load in A from which on the output no longer held its band, or at which a pause began; `None` where neither happened.
    pub trip_a: Option<f64>,
    /// Highest load that was tried in A.
    pub furthest_a: f64,
    /// Highest inductor current in A.
    pub peak_a: f64,
    /// What happened.
    pub effort: Effort,
    /// Residual of the energy book.
    pub book_residual: f64,
}

/// Follows the output on its way down.
struct Decline {
    band_v: f64,
    lost_v: f64,
    /// When the output left its band, while it is below.
    left: Option<Instant>,
    lost: bool,
    current: Range,
}

impl Observer for Decline {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let mut output = Range::EMPTY;
        output.include_stretch(stretch, Output::Voltage);
        self.current.include_stretch(stretch, Output::Inductor);
        if output.low >= self.band_v {
            self.left = None;
        } else {
            self.left.get_or_insert((stretch.cycle, stretch.phase_s));
        }
        self.lost |= output.low < self.lost_v;
    }
}

/// Program of a load that grows from a steady one, and the cycles that it takes to the furthest.
pub fn program(machine: &Machine, load_a: f64, slew_a_per_s: f64) -> (Program, u64) {
    let (period_s, from_a) = (machine.period_s(), machine.circuit.program_a(load_a));
    let growth_a = (FURTHEST - 1.0) * load_a;
    let program = Program::constant(from_a).edge(0, 0.0, from_a + growth_a, slew_a_per_s, period_s);
    (program, (growth_a / slew_a_per_s / period_s).ceil() as u64)
}

/// Lets the load of a machine grow from its steady state `x` at a load, with a mean output of `mean_v`, until the output gives way.
/// `half_band_v` is half the width of the band around that mean.
///
/// # Errors
/// Whatever stops a run; an energy book that does not close.
pub fn run(
    machine: &mut Machine,
    (x, load_a): (&StateVector, f64),
    (mean_v, half_band_v): (f64, f64),
    slew_a_per_s: f64,
) -> Result<OverloadResult, EngineError> {
    let period_s = machine.period_s();
    let (mut program, cycles) = program(machine, load_a, slew_a_per_s);
    let load_at = |(cycle, phase_s): Instant| load_a + slew_a_per_s * (cycle as f64 * period_s + phase_s);
    let mut decline = Decline {
        band_v: mean_v - half_band_v,
        lost_v: GIVES_WAY * mean_v,
        left: None,
        lost: false,
        current: Range::EMPTY,
    };
    let mut book = Book::new(&machine.circuit);
    let mut state = machine.at_clock(*x);
    while state.cycle < cycles && !decline.lost && !state.is_paused() {
        machine.run(&mut state, 1, &mut program, &mut (&mut decline, &mut book), None)?;
    }
    let gave_way = decline.lost || state.is_paused();
    Ok(OverloadResult {
        trip_a: gave_way.then(|| load_at(decline.left.unwrap_or((state.cycle, 0.0)))),
        furthest_a: FURTHEST * load_a,
        peak_a: decline.current.high,
        effort: state.effort,
        book_residual: book.close()?,
    })
}
