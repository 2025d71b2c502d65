//! Load step and release: dip, rise, window, recovery, peak current.
//!
//! Definitions: docs/physics.md, "load step".

use super::extremes::Range;
use crate::board::LoadStep;
use crate::engine::book::Book;
use crate::engine::error::EngineError;
use crate::engine::machine::{Machine, Observer, Output, Stretch};
pub use crate::engine::program::Instant;
use crate::engine::program::Program;
use crate::engine::steady::Orbit;

/// Cycles simulated before the step.
pub const LEAD_CYCLES: u64 = 1;
/// Relative difference of states under which the program counts as having come back to its begin.
const REPEATS: f64 = 1e-3;

/// When a load step program does what.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Timing {
    /// Begin of the step.
    pub step: Instant,
    /// Begin of the release.
    pub release: Instant,
    /// Whole cycles from the begin to the end of the program.
    pub cycles: u64,
}

impl Timing {
    /// Timing of a step that begins at a fraction of the period after a clock edge. Levels are held from the end of an edge to the
    /// begin of the next one.
    pub fn new(step: &LoadStep, period_s: f64, fraction: f64) -> Timing {
        let edge_s = (step.to_a - step.from_a).abs() / step.slew_a_per_s;
        let whole = ((edge_s + step.hold_s) / period_s).floor();
        let rest_s = (edge_s + step.hold_s) - whole * period_s + fraction * period_s;
        let carry = (rest_s / period_s).floor();
        Timing {
            step: (LEAD_CYCLES, fraction * period_s),
            release: (LEAD_CYCLES + whole as u64 + carry as u64, (rest_s - carry * period_s).max(0.0)),
            cycles: LEAD_CYCLES + (2.0 * (edge_s + step.hold_s) / period_s + fraction).ceil() as u64,
        }
    }

    /// The load program.
    pub fn program(&self, step: &LoadStep, machine: &Machine) -> Program {
        let circuit = &machine.circuit;
        let period_s = machine.period_s();
        Program::constant(circuit.program_a(step.from_a))
            .edge(self.step.0, self.step.1, circuit.program_a(step.to_a), step.slew_a_per_s, period_s)
            .edge(self.release.0, self.release.1, circuit.program_a(step.from_a), step.slew_a_per_s, period_s)
    }
}

/// What happened after one edge of the load.
#[derive(Clone, Copy, Debug)]
pub struct EdgeResponse {
    /// Range of the output voltage in V.
    pub output: Range,
    /// Range of the inductor current in A.
    pub current: Range,
    /// From leaving the band around the final mean to the last re-entry in s; 0 where it never left.
    pub recovery_s: f64,
    /// Whether the output was inside the band at the end of the program's level.
    pub recovered: bool,
}

/// Result of a load step and release.
#[derive(Clone, Debug)]
pub struct StepResult {
    /// Mean output at the lower and upper level in V, each in its own steady state.
    pub mean_v: (f64, f64),
    /// After the step.
    pub step: EdgeResponse,
    /// After the release.
    pub release: EdgeResponse,
    /// Whether the program ended where it began, so that repeating it changes nothing.
    pub repeats: bool,
    /// Residual of the energy book.
    pub book_residual: f64,
}

impl StepResult {
    /// Mean output before the step minus the least output after it in V.
    pub fn dip_v(&self) -> f64 {
        self.mean_v.0 - self.step.output.low
    }

    /// Highest output after the release minus the mean before it in V.
    pub fn rise_v(&self) -> f64 {
        self.release.output.high - self.mean_v.1
    }

    /// Highest minus lowest output over the program in V.
    pub fn window_v(&self) -> f64 {
        self.step.output.high.max(self.release.output.high) - self.step.output.low.min(self.release.output.low)
    }

    /// Highest inductor current in A.
    pub fn peak_a(&self) -> f64 {
        self.step.current.high.max(self.release.current.high)
    }

    /// The longer of the two recoveries in s.
    pub fn recovery_s(&self) -> f64 {
        self.step.recovery_s.max(self.release.recovery_s)
    }

    /// Largest distance of the output from an aim in V.
    pub fn deviation_from(&self, aim_v: f64) -> f64 {
        let ranges = [self.step.output, self.release.output];
        ranges.iter().map(|range| (range.high - aim_v).max(aim_v - range.low)).fold(0.0, f64::max)
    }
}

/// Follows the output and current from one instant to another.
pub(super) struct EdgeWatch {
    from: Instant,
    until: Instant,
    period_s: f64,
    band_v: (f64, f64),
    output: Range,
    current: Range,
    left_s: Option<f64>,
    back_s: f64,
    inside: bool,
}

impl EdgeWatch {
    pub(super) fn new(from: Instant, until: Instant, period_s: f64, mean_v: f64, half_band_v: f64) -> EdgeWatch {
        EdgeWatch {
            from,
            until,
            period_s,
            band_v: (mean_v - half_band_v, mean_v + half_band_v),
            output: Range::EMPTY,
            current: Range::EMPTY,
            left_s: None,
            back_s: 0.0,
            inside: true,
        }
    }

    fn since_edge_s(&self, cycle: u64, phase_s: f64) -> f64 {
        (cycle as f64 - self.from.0 as f64) * self.period_s + (phase_s - self.from.1)
    }

    fn is_outside(&self, output_v: f64) -> bool {
        output_v < self.band_v.0 || output_v > self.band_v.1
    }

    /// The band is judged between the turning points of a stretch, where the output is monotone.
    fn follow_band(&mut self, stretch: &Stretch<'_>) {
        let track = stretch.track(Output::Voltage);
        let mut previous = (0.0, track.start());
        let mut pieces = vec![];
        track.turning_points(stretch.duration_s, stretch.end_basis, |t| pieces.push(t));
        pieces.push(stretch.duration_s);
        let begin_s = self.since_edge_s(stretch.cycle, stretch.phase_s);
        self.note(begin_s, previous.1);
        for t in pieces {
            let value = track.value(t);
            if self.is_outside(previous.1) != self.is_outside(value) {
                let edge_s =
                    bisect(previous.0, t, |at| self.is_outside(track.value(at)) == self.is_outside(previous.1));
                self.note_edge(begin_s + edge_s, self.is_outside(value));
            }
            self.note(begin_s + t, value);
            previous = (t, value);
        }
    }

    fn note(&mut self, at_s: f64, output_v: f64) {
        if self.is_outside(output_v) == self.inside {
            self.note_edge(at_s, self.inside);
        }
    }

    fn note_edge(&mut self, at_s: f64, leaves: bool) {
        if leaves {
            self.left_s.get_or_insert(at_s);
        } else {
            self.back_s = at_s;
        }
        self.inside = !leaves;
    }

    /// Whether the output has been in its band from some time on until the latest stretch seen.
    pub(super) fn is_inside(&self) -> bool {
        self.inside
    }

    /// When the output came back into its band last, in s after the begin.
    pub(super) fn back_s(&self) -> f64 {
        self.back_s
    }

    pub(super) fn response(&self) -> EdgeResponse {
        let end_s = self.since_edge_s(self.until.0, self.until.1);
        let back_s = if self.inside { self.back_s } else { end_s };
        EdgeResponse {
            output: self.output,
            current: self.current,
            recovery_s: self.left_s.map_or(0.0, |left_s| back_s - left_s),
            recovered: self.inside,
        }
    }
}

impl Observer for EdgeWatch {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let begin = (stretch.cycle, stretch.phase_s);
        if begin >= self.from && begin < self.until {
            let mut output = Range::EMPTY;
            output.include_stretch(stretch, Output::Voltage);
            self.output.include(&output);
            self.current.include_stretch(stretch, Output::Inductor);
            let stays_inside = !self.is_outside(output.low) && !self.is_outside(output.high);
            if !(self.inside && stays_inside) {
                self.follow_band(stretch);
            }
        }
    }
}

/// Last time in `[low, high]` for which `holds` is still true, given that it is true at `low` and false at `high`.
fn bisect(mut low: f64, mut high: f64, holds: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if holds(middle) { low = middle } else { high = middle }
    }
    high
}

/// Runs a load step and release from the steady state `low` at the lower level; `high` is that at the upper level.
/// `means_v` are the mean outputs of the two, `half_band_v` the half width of the recovery band. A further observer sees the whole run.
///
/// # Errors
/// Whatever stops a run; an energy book that does not close.
pub fn run(
    machine: &mut Machine,
    step: &LoadStep,
    fraction: f64,
    low: &Orbit,
    means_v: (f64, f64),
    half_band_v: f64,
    observer: &mut impl Observer,
) -> Result<StepResult, EngineError> {
    let period_s = machine.period_s();
    let timing = Timing::new(step, period_s, fraction);
    let mut program = timing.program(step, machine);
    let end = (timing.cycles, 0.0);
    let mut watches = (
        EdgeWatch::new(timing.step, timing.release, period_s, means_v.1, half_band_v),
        EdgeWatch::new(timing.release, end, period_s, means_v.0, half_band_v),
    );
    let mut book = Book::new(&machine.circuit);
    let mut state = machine.at_clock(low.x);
    let mut all = ((&mut watches.0, &mut watches.1), (&mut book, observer));
    machine.run(&mut state, timing.cycles, &mut program, &mut all, None)?;
    if !machine.is_clocked() {
        // The program began as a turn-on was asked for, and its end is compared at such an instant.
        machine.run_control_cycles(&mut state, 1, &mut program, &mut (), None)?;
    }
    let moved = (0..machine.states)
        .map(|k| (state.x[k] - low.x[k]).abs() / low.x[k].abs().max(1e-6 * low.x[1].abs()))
        .fold(0.0, f64::max);
    Ok(StepResult {
        mean_v: means_v,
        step: watches.0.response(),
        release: watches.1.response(),
        // Of cycles that alternate the last one may be another than the first.
        repeats: moved <= REPEATS || low.periods > 1,
        book_residual: book.close()?,
    })
}
