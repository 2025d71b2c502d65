//! Start of the board: time, overshoot, falls on the way, peak current.
//!
//! Definitions: docs/physics.md, "start".

use super::contract::{Condition, Found, Setup, Wish};
use super::figures::{Failure, Figures, Note, Place, Value, Why};
use super::stand::{Stand, into_resistance, note_beyond};
use crate::engine::book::Closing;
use crate::engine::error::EngineError;
use crate::engine::machine::{Begin, Effort, Machine, Observer, Output, Seen, Stretch};
use crate::engine::network::Path;
use crate::engine::program::Program;
use crate::engine::run_book::RunBook;
use crate::measure::edges::EdgeWatch;
use crate::measure::extremes::Range;
use crate::model::board::Compensator;
use crate::model::case::Case;
use crate::model::corner::{End, Parameter};
use crate::model::parts::saturation::FluxCurve;

/// Number of intervals to which a waveform is thinned at most.
const INTERVALS: f64 = 4000.0;
/// Share of the output voltage that is already there in a start into a charged output, where the case states none (common practice).
const USUAL_PREBIAS: f64 = 0.5;
/// What makes a start hard besides the corner.
const ADVERSE: &[(Parameter, End)] = &[(Parameter::LimitThreshold, End::Least)];

/// Starts into a resistance, with the output empty or already at a voltage.
pub(crate) struct Starts;

impl Condition for Starts {
    fn name(&self) -> &'static str {
        "start"
    }

    fn key(&self) -> &'static str {
        "start"
    }

    fn quantities(&self) -> &'static [&'static str] {
        &["start_time", "start_overshoot", "start_fall", "start_limited"]
    }

    fn places(&self, stand: &Stand<'_>) -> Vec<Place> {
        // A fixed duty has no start of its own.
        if matches!(stand.case.board.control.compensator, Compensator::Open) {
            return vec![];
        }
        let full = stand.place(self.name(), stand.full_load_a());
        let bled = Place { load_a: Some(stand.case.board.procedure.bleeder * stand.full_load_a()), ..full };
        let charged = prebias_v(stand.case).into_iter().map(|prebias_v| Place { prebias_v, ..bled });
        std::iter::once(full).chain(charged).collect()
    }

    fn simulate(&self, stand: &Stand<'_>, place: Place) -> Result<Found, Failure> {
        let load_a = place.load_a.unwrap_or(0.0);
        let (mut machine, curve) = started(stand, load_a, false)?;
        let soft_start_s = stand.case.board.control.protection.soft_start_s;
        let settling_s = stand.settling_s();
        let mean_v = stand.steady(&mut machine, load_a)?.mean_output_v();
        let shown = ((2.0 * soft_start_s + settling_s) / machine.period_s()) as u64;
        let wanted = place.prebias_v == 0.0 || stand.is_watched();
        let mut thinned = stand.thinned(wanted, &machine, shown, ((0, 0.0), &[]), INTERVALS);
        let seen = run(&mut machine, (place.prebias_v, mean_v), stand.half_band_v(), settling_s, &mut thinned)?;
        let mut figures = Figures::at(place, Some(stand.full_load_degc()?));
        figures.extend([
            ("start_overshoot", seen.overshoot_v),
            ("start_fall", seen.fall_v),
            ("start_limited", seen.effort.limited as f64),
        ]);
        // Next to no load leaves only a few pulses at the end, which say nothing.
        if place.prebias_v == 0.0 {
            figures.push("start_peak", seen.peak_a);
        }
        if seen.started {
            figures.push("start_time", seen.time_s);
        } else {
            let within_s = stand.case.board.procedure.start_patience * (soft_start_s + settling_s);
            figures.push("start_time", Value::NotComputed(Why::NeverStarts));
            figures.notes.push(Note::NoStart { within_s });
        }
        note_beyond(&curve, seen.peak_a, &mut figures);
        figures.note_if(seen.effort.pauses > 0, Note::StartPauses);
        let curves = stand.event_curve(self.name(), thinned, (0.0, mean_v)).into_iter().collect();
        Ok(Found { books: vec![seen.book], peak_a: seen.peak_a, curves, ..Found::of(figures) })
    }

    fn drives(&self) -> &'static [Parameter] {
        &[Parameter::LimitThreshold]
    }

    fn set_up(&self, stand: &Stand<'_>, _: &Wish) -> Result<Option<Setup>, Failure> {
        if self.places(stand).is_empty() {
            return Ok(None);
        }
        let (machine, curve) = started(stand, stand.full_load_a(), true)?;
        let soft_start_s = stand.case.board.control.protection.soft_start_s;
        let cycles = Some(((soft_start_s + stand.settling_s()) / machine.period_s()).ceil() as u64);
        let program = Program::constant(0.0);
        Ok(Some(Setup { machine, curve, begin: Begin::Rest(0.0), program, origin: (0, 0.0), cycles }))
    }
}

/// Voltages in V that may already be at the output of a start: as stated, else half the output.
fn prebias_v(case: &Case) -> Vec<f64> {
    let stated = case.board.events.start.iter().flat_map(|start| &start.prebias_v).copied().collect::<Vec<_>>();
    if stated.is_empty() { vec![USUAL_PREBIAS * case.board.output_v] } else { stated }
}

/// The machine of a start into a resistance, with the instrument where it is to be read.
fn started(stand: &Stand<'_>, load_a: f64, instrument: bool) -> Result<(Machine, FluxCurve), Failure> {
    stand.changed(stand.full_load_degc()?, ADVERSE, |circuit| {
        circuit.instrument = instrument;
        into_resistance(circuit, load_a);
    })
}

/// Result of a start.
#[derive(Clone, Copy, Debug)]
pub struct StartResult {
    /// From the begin until the output stays in its band, in s.
    pub time_s: f64,
    /// Whether it stays there at the end.
    pub started: bool,
    /// Highest output above the mean aimed at in V; 0 where it stays below.
    pub overshoot_v: f64,
    /// Largest fall of the output below its highest value so far, from the first pulse until it first reaches its band, in V.
    pub fall_v: f64,
    /// Highest inductor current in A.
    pub peak_a: f64,
    /// What happened.
    pub effort: Effort,
    /// How the energy book stands.
    pub book: Closing,
}

/// Follows the rise of the output from the first pulse on until it first reaches a voltage.
struct RiseWatch {
    until_v: f64,
    begun: bool,
    highest_v: f64,
    fall_v: f64,
    reached: bool,
}

impl Observer for RiseWatch {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        self.begun |= stretch.mode.key.path == Path::High;
        if self.reached || !self.begun {
            return;
        }
        let (low, high) = stretch.enclosure(Output::Voltage, stretch.ends(Output::Voltage));
        let fallen_v = self.highest_v - self.fall_v;
        if high <= self.highest_v && low >= fallen_v {
            return;
        }
        let mut output = Range { low: fallen_v, high: self.highest_v, ..Range::EMPTY };
        output.include_stretch(stretch, Output::Voltage);
        self.fall_v = self.highest_v - output.low;
        self.highest_v = output.high;
        self.reached = self.highest_v >= self.until_v;
    }

    fn knows_repeats(&self) -> bool {
        true
    }

    fn knows_leaps(&self) -> bool {
        self.begun
    }

    fn may_leap(&self, after: &Seen) -> bool {
        self.reached || after.bounds_v.1 < self.until_v
    }
}

/// Runs a start from rest, with `output_v` already at the output, until the output has been in its band for `settling_s`, at most
/// `start_patience` times as long as soft start and settling take. `mean_v` is the mean output that it should reach, `half_band_v` half the width
/// of the band around it. A further observer sees the whole run.
///
/// # Errors
/// Whatever stops a run; an energy book that does not close.
pub fn run(
    machine: &mut Machine,
    (output_v, mean_v): (f64, f64),
    half_band_v: f64,
    settling_s: f64,
    observer: &mut impl Observer,
) -> Result<StartResult, EngineError> {
    let period_s = machine.period_s();
    let soft_start_s = machine.circuit.board.control.protection.soft_start_s;
    let in_cycles = |time_s: f64| (time_s / period_s).ceil().max(1.0) as u64;
    let longest =
        (machine.circuit.board.procedure.start_patience * (soft_start_s + settling_s) / period_s).ceil() as u64;
    let mut watch = EdgeWatch::new((0, 0.0), (longest, 0.0), period_s, mean_v, half_band_v);
    watch = watch.beyond(f64::NEG_INFINITY, mean_v);
    let mut rise =
        RiseWatch { until_v: mean_v - half_band_v, begun: false, highest_v: 0.0, fall_v: 0.0, reached: false };
    let mut book = RunBook::new(&machine.circuit);
    let mut state = machine.at_rest(output_v);
    let mut program = Program::constant(0.0);
    let settled = |watch: &EdgeWatch, cycle: u64| {
        let now_s = cycle as f64 * period_s;
        watch.is_inside() && now_s >= watch.back_s().max(soft_start_s) + settling_s
    };
    let mut cycles = in_cycles(soft_start_s + settling_s);
    while state.cycle < longest && !settled(&watch, state.cycle) {
        let mut all = ((&mut watch, &mut rise), (&mut book, &mut *observer));
        cycles = cycles.min(longest - state.cycle);
        machine.run_on(&mut state, cycles, &mut program, &mut all)?;
        // What has taken long may take longer still.
        cycles = in_cycles(settling_s).max(state.cycle / 4);
    }
    let response = watch.response();
    Ok(StartResult {
        time_s: response.recovery_s,
        started: response.recovered,
        overshoot_v: (response.output.high - mean_v).max(0.0),
        fall_v: rise.fall_v,
        peak_a: response.current.high,
        effort: state.effort,
        book: book.close()?,
    })
}
