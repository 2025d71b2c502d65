//! Step of the input voltage and back: deviation of the output, recovery, peak current.
//!
//! Definitions: docs/physics.md, "input step".

use super::contract::{Condition, Found, Setup, Wish};
use super::derating;
use super::figures::{Failure, Figures, Note, Place, Value};
use super::load_step::LEAD_CYCLES;
use super::stand::{Stand, note_beyond};
use crate::engine::book::Closing;
use crate::engine::error::EngineError;
use crate::engine::machine::{Begin, Machine, Observer};
use crate::engine::program::{Instant, Program, later};
use crate::engine::run_book::RunBook;
use crate::engine::steady::Orbit;
use crate::measure::curves::Thinned;
use crate::measure::edges::EdgeWatch;
use crate::measure::extremes::Range;
use crate::model::board::InputStep;
use crate::model::parts::saturation::FluxCurve;

/// Intervals of a curve that shows it.
const INTERVALS: f64 = 6000.0;

/// Step of the input voltage and back.
pub(crate) struct LineStep;

impl Condition for LineStep {
    fn name(&self) -> &'static str {
        "input step"
    }

    fn key(&self) -> &'static str {
        "input.step"
    }

    fn quantities(&self) -> &'static [&'static str] {
        &["input_step_deviation", "input_step_recovery", "input_step_peak", "limited_cycles"]
    }

    fn places(&self, stand: &Stand<'_>) -> Vec<Place> {
        // It has input voltages of its own and runs once.
        let step = stand.case.board.events.input_step.filter(|_| stand.is_nominal_input());
        step.iter().map(|step| Place { input_v: None, ..stand.place(self.name(), step.load_a) }).collect()
    }

    fn simulate(&self, stand: &Stand<'_>, place: Place) -> Result<Found, Failure> {
        let mut figures = Figures::at(place, Some(stand.full_load_degc()?));
        let Some(step) = &stand.case.board.events.input_step else { return Ok(Found::of(figures)) };
        let (mut machine, _) = supplied(stand, step.to_v, false)?;
        let to = stand.steady(&mut machine, step.load_a)?;
        let (mut machine, curve) = supplied(stand, step.from_v, false)?;
        let from = stand.steady(&mut machine, step.load_a)?;
        let means_v = (from.mean_output_v(), to.mean_output_v());
        let timing = Timing::new(step, machine.period_s());
        let (wanted, edges) = (stand.is_watched(), [timing.there, timing.back]);
        let mut thinned = stand.thinned(wanted, &machine, timing.cycles, (timing.there, &edges), INTERVALS);
        let seen = run_before(&mut machine, step, &from.orbit, means_v, stand.half_band_v(), &mut thinned)?;
        figures.push("input_step_deviation", seen.deviation_v);
        let recovery_s = seen.recovery_s;
        figures.push(
            "input_step_recovery",
            if seen.recovered { Value::Number(recovery_s) } else { Value::AtLeast(recovery_s) },
        );
        figures.push("input_step_peak", seen.peak_a);
        derating::of_peak(stand, seen.peak_a, &mut figures);
        figures.push("limited_cycles", seen.limited as f64);
        figures.note_if(!seen.recovered, Note::NotBackAtInput);
        note_beyond(&curve, seen.peak_a, &mut figures);
        let curves = stand.event_curve(self.name(), thinned, means_v).into_iter().collect();
        Ok(Found { books: vec![seen.book], peak_a: seen.peak_a, curves, ..Found::of(figures) })
    }

    fn set_up(&self, stand: &Stand<'_>, _: &Wish) -> Result<Option<Setup>, Failure> {
        let Some(step) = &stand.case.board.events.input_step else { return Ok(None) };
        let (mut machine, curve) = supplied(stand, step.from_v, true)?;
        let begin = Begin::Clock(machine.steady(step.load_a)?.x);
        let timing = Timing::new(step, machine.period_s());
        let program = timing.program(step, &machine);
        Ok(Some(Setup { machine, curve, begin, program, origin: timing.there, cycles: Some(timing.cycles) }))
    }
}

/// The machine at another input voltage, with the instrument where it is to be read.
fn supplied(stand: &Stand<'_>, source_v: f64, instrument: bool) -> Result<(Machine, FluxCurve), Failure> {
    stand.changed(stand.full_load_degc()?, &[], |circuit| {
        (circuit.source_v, circuit.instrument) = (source_v, instrument);
    })
}

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
    /// Cycles that the current limit acted on.
    pub limited: u64,
    /// How the energy book stands.
    pub book: Closing,
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
    run_before(machine, step, from, means_v, half_band_v, &mut None::<Thinned>)
}

/// The same with a further observer that sees the whole run.
fn run_before(
    machine: &mut Machine,
    step: &InputStep,
    from: &Orbit,
    means_v: (f64, f64),
    half_band_v: f64,
    observer: &mut impl Observer,
) -> Result<InputStepResult, EngineError> {
    let period_s = machine.period_s();
    let timing = Timing::new(step, period_s);
    let mut program = timing.program(step, machine);
    let last = (timing.cycles, 0.0);
    let mut there = EdgeWatch::new(timing.there, timing.back, period_s, means_v.1, half_band_v);
    let mut home = EdgeWatch::new(timing.back, last, period_s, means_v.0, half_band_v);
    let mut book = RunBook::new(&machine.circuit);
    let mut state = machine.at_clock(from.x);
    machine.run_on(&mut state, timing.cycles, &mut program, &mut ((&mut there, &mut home), (&mut book, observer)))?;
    let (there, home) = (there.response(), home.response());
    let away = |output: &Range, mean_v: f64| (output.high - mean_v).max(mean_v - output.low);
    Ok(InputStepResult {
        deviation_v: away(&there.output, means_v.0).max(away(&home.output, means_v.1)),
        recovery_s: there.recovery_s.max(home.recovery_s),
        recovered: there.recovered && home.recovered,
        peak_a: there.current.high.max(home.current.high),
        limited: state.effort.limited,
        book: book.close()?,
    })
}
