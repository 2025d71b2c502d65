//! Short circuit at the output and its end: peak current, energy of the first cycles, recovery.
//!
//! Definitions: docs/physics.md, "short circuit".

use super::contract::{Condition, Found, Setup, Wish};
use super::figures::{Failure, Figures, Note, Place, Value};
use super::stand::{Stand, into_resistance, note_beyond};
use crate::engine::book::Closing;
use crate::engine::error::EngineError;
use crate::engine::machine::{Begin, Effort, Machine, Observer, Stretch};
use crate::engine::program::{Instant, Program, later};
use crate::engine::row::StateVector;
use crate::engine::run_book::RunBook;
use crate::measure::edges::EdgeWatch;
use crate::measure::steady::SteadyResult;
use crate::model::board::ShortCircuit;
use crate::model::corner::{End, Parameter};
use crate::model::parts::saturation::FluxCurve;

/// Cycles before the short circuit.
const LEAD_CYCLES: u64 = 2;
/// Number of intervals to which a waveform is thinned at most.
const INTERVALS: f64 = 4000.0;
/// Cycles that set how finely a waveform is kept: a pause makes a run long in which nothing happens.
const SHOWN_CYCLES: u64 = 8000;
/// Times that the search for the worst begin looks four times closer: to a five-hundredth of the period.
const CLOSER: usize = 3;
/// What makes a short circuit hard besides the corner.
const ADVERSE: &[(Parameter, End)] = &[(Parameter::LimitThreshold, End::Most)];

/// Short circuit from full load, and its end.
pub(crate) struct Short;

impl Condition for Short {
    fn name(&self) -> &'static str {
        "short circuit"
    }

    fn key(&self) -> &'static str {
        "load.short"
    }

    fn quantities(&self) -> &'static [&'static str] {
        &["short_peak", "short_share", "short_energy", "short_overshoot", "short_recovery"]
    }

    fn places(&self, stand: &Stand<'_>) -> Vec<Place> {
        let states = stand.case.board.events.short;
        states.iter().map(|_| stand.place(self.name(), stand.full_load_a())).collect()
    }

    fn simulate(&self, stand: &Stand<'_>, place: Place) -> Result<Found, Failure> {
        let Some(states) = &stand.case.board.events.short else { return Ok(Found::of(Figures::at(place, None))) };
        let (mut machine, curve) = shorted(stand, states, false)?;
        let from = stand.steady(&mut machine, stand.full_load_a())?;
        let timing = worst_timing(stand, states, &mut machine, &from)?;
        let shown = timing.cycles.min(SHOWN_CYCLES);
        let mut thinned = stand.thinned(true, &machine, shown, (timing.begin, &[timing.begin]), INTERVALS);
        let (at, mean_v) = ((&from.orbit.x, from.orbit.program_a), from.mean_output_v());
        let seen = run(&mut machine, &timing, at, mean_v, stand.half_band_v(), &mut thinned)?;
        let mut figures = Figures::at(place, Some(stand.full_load_degc()?));
        figures.extend([
            ("short_peak", seen.peak_a),
            ("short_share", curve.inductance_h(seen.peak_a) / stand.part.inductance_h),
            ("short_energy", seen.first_j),
            ("short_overshoot", seen.overshoot_v),
        ]);
        if seen.recovered {
            figures.push("short_recovery", seen.recovery_s);
        } else {
            figures.push("short_recovery", Value::AtLeast(seen.recovery_s));
            figures.notes.push(Note::NotBackAfterShort);
        }
        note_beyond(&curve, seen.peak_a, &mut figures);
        let curves = stand.event_curve(self.name(), thinned, (mean_v, mean_v)).into_iter().collect();
        Ok(Found { books: vec![seen.book], curves, ..Found::of(figures) })
    }

    fn drives(&self) -> &'static [Parameter] {
        &[Parameter::LimitThreshold]
    }

    fn set_up(&self, stand: &Stand<'_>, _: &Wish) -> Result<Option<Setup>, Failure> {
        let Some(states) = &stand.case.board.events.short else { return Ok(None) };
        let (mut machine, curve) = shorted(stand, states, true)?;
        let orbit = machine.steady(stand.full_load_a())?;
        let timing = Timing::new(states, &machine, stand.settling_s(), 0.0);
        let program = program(&timing, orbit.program_a);
        let (begin, origin, cycles) = (Begin::Clock(orbit.x), timing.begin, Some(timing.cycles));
        Ok(Some(Setup { machine, curve, begin, program, origin, cycles }))
    }
}

/// The timing whose short circuit drives the current highest: how far the current gets before the limit opens the switch depends on the
/// place in the switching period at which it begins. Places all over the period are tried, then closer and closer around the worst; each
/// is run for the first cycles.
fn worst_timing(
    stand: &Stand<'_>,
    states: &ShortCircuit,
    machine: &mut Machine,
    from: &SteadyResult,
) -> Result<Timing, EngineError> {
    let places = stand.case.board.procedure.short_phases.max(1) as f64;
    let mut worst: Option<(f64, f64, Timing)> = None;
    let mut tries: Vec<f64> = (0..places as u64).map(|place| place as f64 / places).collect();
    let mut width = 1.0 / places;
    for _ in 0..=CLOSER {
        for later_by in tries {
            let timing = Timing::new(states, machine, stand.settling_s(), later_by);
            let peak_a = first_peak_a(stand, machine, from, &timing)?;
            if worst.is_none_or(|(known_a, _, _)| peak_a > known_a) {
                worst = Some((peak_a, later_by, timing));
            }
        }
        width /= 4.0;
        let middle = worst.map_or(0.0, |(_, later_by, _)| later_by);
        tries = [-3.0, -2.0, -1.0, 1.0, 2.0, 3.0].iter().map(|step| (middle + step * width).rem_euclid(1.0)).collect();
    }
    Ok(worst.map_or_else(|| Timing::new(states, machine, stand.settling_s(), 0.0), |(_, _, timing)| timing))
}

/// Highest current in A of the first cycles of a short circuit.
fn first_peak_a(
    stand: &Stand<'_>,
    machine: &mut Machine,
    from: &SteadyResult,
    timing: &Timing,
) -> Result<f64, EngineError> {
    let cycles = (timing.begin.0 + 1 + stand.case.board.procedure.short_first).min(timing.cycles);
    let mut watch = EdgeWatch::new(timing.begin, (cycles, 0.0), machine.period_s(), 0.0, 0.0);
    watch = watch.beyond(f64::NEG_INFINITY, f64::INFINITY);
    let mut state = machine.at_clock(from.orbit.x);
    machine.run(&mut state, cycles, &mut program(timing, from.orbit.program_a), &mut watch, None)?;
    Ok(watch.response().current.high)
}

/// The machine with a resistive load and a short circuit beside it, and with the instrument where it is to be read.
fn shorted(stand: &Stand<'_>, states: &ShortCircuit, instrument: bool) -> Result<(Machine, FluxCurve), Failure> {
    stand.changed(stand.full_load_degc()?, ADVERSE, |circuit| {
        circuit.instrument = instrument;
        into_resistance(circuit, stand.full_load_a());
        circuit.short = Some((states.ohm, states.henry));
    })
}

/// When a short circuit begins and ends, and how long the run is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Timing {
    /// Begin.
    pub begin: Instant,
    /// End.
    pub end: Instant,
    /// Whole cycles of the run.
    pub cycles: u64,
}

impl Timing {
    /// Timing on a machine; after the end there is time for a pause, a soft start and `settling_s`. The begin lies `later_by` of a
    /// switching period behind the phase that the case states.
    pub fn new(short: &ShortCircuit, machine: &Machine, settling_s: f64, later_by: f64) -> Timing {
        let protection = &machine.circuit.board.control.protection;
        let pause_s = protection.current_limit.and_then(|limit| limit.hiccup).map_or(0.0, |hiccup| hiccup.pause_s);
        let period_s = machine.period_s();
        let phase = (machine.circuit.board.procedure.short_phase + later_by).fract();
        let begin = (LEAD_CYCLES, phase * period_s);
        let end = later(begin, short.hold_s, period_s);
        let last = later(end, pause_s + protection.soft_start_s + settling_s, period_s);
        Timing { begin, end, cycles: last.0 + 1 }
    }
}

/// Program of a short circuit with a current drawn beside it.
pub fn program(timing: &Timing, program_a: f64) -> Program {
    Program::constant(program_a).with_short(timing.begin, timing.end)
}

/// Result of a short circuit.
#[derive(Clone, Copy, Debug)]
pub struct ShortResult {
    /// Highest inductor current in A.
    pub peak_a: f64,
    /// Energy taken from the source in the first cycles of the short circuit in J.
    pub first_j: f64,
    /// From its end until the output stays in its band, in s.
    pub recovery_s: f64,
    /// Whether the output is back at the end.
    pub recovered: bool,
    /// Highest output above its mean after the end in V; 0 where it stays below.
    pub overshoot_v: f64,
    /// What happened.
    pub effort: Effort,
    /// How the energy book stands.
    pub book: Closing,
}

/// Sees the stretches from one instant to another.
struct Between<T> {
    from: Instant,
    until: Instant,
    inner: T,
}

impl<T: Observer> Observer for Between<T> {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let begin = (stretch.cycle, stretch.phase_s);
        if begin >= self.from && begin < self.until {
            self.inner.stretch(stretch);
        }
    }

    fn knows_repeats(&self) -> bool {
        self.inner.knows_repeats()
    }

    fn begin_round(&mut self) {
        self.inner.begin_round();
    }

    fn repeat(&mut self, times: u64, round_s: f64) {
        self.inner.repeat(times, round_s);
    }
}

/// Shorts the output of a machine that has a short circuit, from its steady state `x` at a clock edge, with `program_a` drawn beside
/// it. `mean_v` is the mean output before, `half_band_v` half the width of the band around it.
///
/// # Errors
/// Whatever stops a run; an energy book that does not close.
pub fn run(
    machine: &mut Machine,
    timing: &Timing,
    (x, program_a): (&StateVector, f64),
    mean_v: f64,
    half_band_v: f64,
    observer: &mut impl Observer,
) -> Result<ShortResult, EngineError> {
    let period_s = machine.period_s();
    let last = (timing.cycles, 0.0);
    let mut during = EdgeWatch::new(timing.begin, timing.end, period_s, mean_v, half_band_v);
    let mut after = EdgeWatch::new(timing.end, last, period_s, mean_v, half_band_v);
    during = during.beyond(f64::NEG_INFINITY, f64::INFINITY);
    after = after.beyond(f64::NEG_INFINITY, mean_v);
    let first_until = (timing.begin.0 + machine.circuit.board.procedure.short_first, timing.begin.1);
    let mut first = Between { from: timing.begin, until: first_until, inner: RunBook::new(&machine.circuit) };
    let mut book = RunBook::new(&machine.circuit);
    let mut program = program(timing, program_a);
    let mut state = machine.at_clock(*x);
    let mut all = ((&mut during, &mut after), ((&mut first, &mut book), observer));
    // The energy of the first cycles needs every one of them.
    let first_cycles = (first_until.0 + 1).min(timing.cycles);
    machine.run(&mut state, first_cycles, &mut program, &mut all, None)?;
    machine.run_on(&mut state, timing.cycles - first_cycles, &mut program, &mut all)?;
    let (during, after) = (during.response(), after.response());
    Ok(ShortResult {
        peak_a: during.current.high.max(after.current.high),
        first_j: first.inner.totals().source_j,
        recovery_s: after.recovery_s,
        recovered: after.recovered,
        overshoot_v: (after.output.high - mean_v).max(0.0),
        effort: state.effort,
        book: book.close()?,
    })
}
