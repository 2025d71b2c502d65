//! Load step and release, the board's own and named ones: dip, rise, window, recovery, peak current.
//!
//! Definitions: docs/physics.md, "load step".

use super::contract::{Condition, Found, Setup, Wish};
use super::course::{self, Course};
use super::curves::Curve;
use super::derating;
use super::figures::{Failure, Figures, Note, Place, Value};
use super::ready::Ready;
use super::stand::{Stand, Warm};
use crate::engine::book::Closing;
use crate::engine::error::EngineError;
use crate::engine::machine::{Begin, Machine, Observer};
pub use crate::engine::program::Instant;
use crate::engine::program::Program;
use crate::engine::run_book::RunBook;
use crate::engine::steady::Orbit;
pub use crate::measure::edges::EdgeResponse;
use crate::measure::edges::EdgeWatch;
use crate::model::board::LoadStep;

/// Number of intervals to which a waveform is thinned at most.
const INTERVALS: f64 = 6000.0;
/// Cycles simulated before the step.
pub(crate) const LEAD_CYCLES: u64 = 1;

/// Load step and release from a steady state.
pub(crate) struct LoadStepAndRelease;

impl Condition for LoadStepAndRelease {
    fn name(&self) -> &'static str {
        "load step"
    }

    fn key(&self) -> &'static str {
        "load.step"
    }

    fn quantities(&self) -> &'static [&'static str] {
        &["dip", "rise", "window", "recovery", "output_deviation", "peak_current", "limited_cycles"]
    }

    fn places(&self, stand: &Stand<'_>) -> Vec<Place> {
        let place = |(load, step): (usize, LoadStep)| Place { load, ..stand.place(self.name(), step.to_a) };
        stand.case.board.steps().map(place).collect()
    }

    fn simulate(&self, stand: &Stand<'_>, place: Place) -> Result<Found, Failure> {
        let Some(step) = &stand.case.board.step(place.load) else { return Ok(Found::of(Figures::at(place, None))) };
        one_step(stand, &mut Ready::of(stand, (step.from_a, step.to_a))?, place, step)
    }

    fn set_up(&self, stand: &Stand<'_>, wish: &Wish) -> Result<Option<Setup>, Failure> {
        let load = wish.load.or_else(|| stand.case.board.steps().next().map(|(load, _)| load));
        let Some(step) = &load.and_then(|load| stand.case.board.step(load)) else { return Ok(None) };
        if step.every_s.is_some() {
            return course::set_up(stand, wish, &Course::of_step(stand, step)).map(Some);
        }
        let Warm { mut machine, curve, .. } = stand.warm(step.to_a)?;
        let low = machine.steady(step.from_a)?;
        let timing = Timing::new(step, machine.period_s(), 0.0).after(wish.before_s / machine.period_s(), low.periods);
        let program = timing.program(step, &machine);
        let (origin, cycles) = (timing.step, Some(timing.cycles));
        Ok(Some(Setup { machine, curve, begin: Begin::Clock(low.x), program, origin, cycles }))
    }

    fn is_checked_for_all(&self) -> bool {
        true
    }

    fn can_be_read(&self, _: &str) -> bool {
        true
    }
}

/// A step on a stand that is ready for its levels: what the condition shows.
///
/// # Errors
/// Whatever stops a run; an energy book that does not close.
pub(crate) fn one_step(stand: &Stand<'_>, ready: &mut Ready, place: Place, step: &LoadStep) -> Result<Found, Failure> {
    if step.every_s.is_some() {
        return course::run_all(stand, ready, place, &Course::of_step(stand, step));
    }
    let mut found = Found::of(Figures::at(place, Some(ready.winding_degc)));
    let mut runs = vec![];
    let phases = stand.case.board.procedure.step_phases;
    for fraction in (0..phases).map(|phase| phase as f64 / phases as f64) {
        let Ready { machine, low, means_v, .. } = &mut *ready;
        let timing = Timing::new(step, machine.period_s(), fraction);
        let wanted = fraction == 0.0 || stand.is_watched();
        let edges = (timing.step, &[timing.step, timing.release][..]);
        let mut thinned = stand.thinned(wanted, machine, timing.cycles, edges, INTERVALS);
        let found_run = run(machine, step, fraction, &low.1, *means_v, stand.half_band_v(), &mut thinned)?;
        found.books.push(found_run.book);
        found.peak_a = found.peak_a.max(found_run.peak_a());
        let name = stand.case.board.named(place.load).map_or("", |named| &named.name);
        let curve = stand.event_curve(place.condition, thinned, *means_v);
        found.curves.extend(curve.map(|curve| Curve::of_load(curve, name)));
        runs.push(found_run);
    }
    measure(&runs, stand.case.board.output_v, &mut found.figures);
    derating::of_peak(stand, runs.iter().map(StepResult::peak_a).fold(0.0, f64::max), &mut found.figures);
    Ok(found)
}

/// The worst of the runs.
fn measure(runs: &[StepResult], aim_v: f64, figures: &mut Figures) {
    let worst = |quantity: &dyn Fn(&StepResult) -> f64| runs.iter().map(quantity).fold(f64::NEG_INFINITY, f64::max);
    let recovered = runs.iter().all(|run| run.step.recovered && run.release.recovered);
    let recovery_s = worst(&StepResult::recovery_s);
    figures.extend([
        ("dip", worst(&StepResult::dip_v)),
        ("rise", worst(&StepResult::rise_v)),
        ("window", worst(&StepResult::window_v)),
    ]);
    figures.push("recovery", if recovered { Value::Number(recovery_s) } else { Value::AtLeast(recovery_s) });
    figures.extend([
        ("output_deviation", worst(&|run| run.deviation_from(aim_v))),
        ("peak_current", worst(&StepResult::peak_a)),
        ("limited_cycles", worst(&|run| run.limited as f64)),
    ]);
    figures.note_if(!recovered, Note::NotBack);
    figures.note_if(!runs.iter().all(|run| run.repeats), Note::NotSettled);
}

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
        let (up_s, down_s) = (step.rise_s() + step.hold_s, step.fall_s() + step.hold_s);
        let whole = (up_s / period_s).floor();
        let rest_s = up_s - whole * period_s + fraction * period_s;
        let carry = (rest_s / period_s).floor();
        Timing {
            step: (LEAD_CYCLES, fraction * period_s),
            release: (LEAD_CYCLES + whole as u64 + carry as u64, (rest_s - carry * period_s).max(0.0)),
            cycles: LEAD_CYCLES + ((up_s + down_s) / period_s + fraction).ceil() as u64,
        }
    }

    /// The same with at least that many periods before the step, in whole orbits, so that the step meets the phase that it meets
    /// without them.
    fn after(mut self, periods: f64, orbit_periods: u64) -> Timing {
        let wanted = periods.ceil().max(0.0) as u64;
        let more = wanted.saturating_sub(self.step.0).next_multiple_of(orbit_periods.max(1));
        self.step.0 += more;
        self.release.0 += more;
        self.cycles += more;
        self
    }

    /// The load program.
    pub fn program(&self, step: &LoadStep, machine: &Machine) -> Program {
        let circuit = &machine.circuit;
        let period_s = machine.period_s();
        Program::constant(circuit.program_a(step.from_a))
            .edge(self.step.0, self.step.1, circuit.program_a(step.to_a), step.slew_a_per_s, period_s)
            .edge(self.release.0, self.release.1, circuit.program_a(step.from_a), step.release_a_per_s, period_s)
    }
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
    /// Cycles that the current limit acted on.
    pub limited: u64,
    /// How the energy book stands.
    pub book: Closing,
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
    let mut book = RunBook::new(&machine.circuit);
    let mut state = machine.at_clock(low.x);
    let mut all = ((&mut watches.0, &mut watches.1), (&mut book, observer));
    machine.run_on(&mut state, timing.cycles, &mut program, &mut all)?;
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
        repeats: moved <= machine.circuit.board.procedure.repeats || low.periods > 1,
        limited: state.effort.limited,
        book: book.close()?,
    })
}
