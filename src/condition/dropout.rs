//! Dropout of the input and its return: the output falls, the loop winds up, and the return throws the output beyond its aim.
//!
//! Definitions: docs/physics.md, "input dropout".

use super::contract::{Condition, Found, Setup, Wish};
use super::figures::{Failure, Figures, Note, Place, Value, Why};
use super::load_step::LEAD_CYCLES;
use super::stand::{Stand, into_resistance, note_beyond};
use crate::engine::book::Closing;
use crate::engine::error::EngineError;
use crate::engine::machine::{Begin, Effort, Machine, Observer};
use crate::engine::program::{Instant, Program, later};
use crate::engine::row::StateVector;
use crate::engine::run_book::RunBook;
use crate::measure::edges::EdgeWatch;
use crate::model::board::{Compensator, InputDropout};
use crate::model::parts::saturation::FluxCurve;

/// Number of intervals to which a waveform is thinned at most.
const INTERVALS: f64 = 6000.0;

/// Dropout of the input and its return.
pub(crate) struct Dropout;

impl Condition for Dropout {
    fn name(&self) -> &'static str {
        "input dropout"
    }

    fn key(&self) -> &'static str {
        "input.dropout"
    }

    fn quantities(&self) -> &'static [&'static str] {
        &["dropout_minimum", "dropout_overshoot", "dropout_settling", "dropout_peak"]
    }

    fn places(&self, stand: &Stand<'_>) -> Vec<Place> {
        // A fixed duty regulates nothing that could wind up. It has input voltages of its own and runs once.
        let regulated = !matches!(stand.case.board.control.compensator, Compensator::Open);
        let asked = stand.case.board.events.input_dropout.filter(|_| regulated && stand.is_nominal_input());
        asked.iter().map(|asked| Place { input_v: None, ..stand.place(self.name(), asked.load_a) }).collect()
    }

    fn simulate(&self, stand: &Stand<'_>, place: Place) -> Result<Found, Failure> {
        let mut figures = Figures::at(place, Some(stand.full_load_degc()?));
        let Some(asked) = &stand.case.board.events.input_dropout else { return Ok(Found::of(figures)) };
        let (mut machine, curve) = supplied(stand, asked, false)?;
        let from = stand.steady(&mut machine, asked.load_a)?;
        let timing = Timing::new(asked, &machine, stand.settling_s());
        let mut thinned =
            stand.thinned(true, &machine, timing.cycles, (timing.fall, &[timing.fall, timing.back]), INTERVALS);
        let (at, mean_v) = ((&from.orbit.x, from.orbit.program_a), from.mean_output_v());
        let seen = run(&mut machine, (asked, &timing), at, (mean_v, stand.half_band_v()), &mut thinned)?;
        let above_aim_v = seen.highest_v - stand.aim_v();
        figures.extend([
            ("dropout_minimum", seen.lowest_v),
            ("dropout_overshoot", above_aim_v.max(0.0)),
            ("dropout_peak", seen.peak_a),
        ]);
        let settling = if seen.returned { seen.settling_s.into() } else { Value::NotComputed(Why::NeverReturns) };
        figures.push("dropout_settling", settling);
        figures.note_if(!seen.returned, Note::NotBackAfterDropout { within_s: seen.watched_s });
        figures.note_if(seen.effort.pauses > 0, Note::ReturnPauses);
        note_beyond(&curve, seen.peak_a, &mut figures);
        let curves = stand.event_curve(self.name(), thinned, (mean_v, mean_v)).into_iter().collect();
        Ok(Found { books: vec![seen.book], peak_a: seen.peak_a, curves, ..Found::of(figures) })
    }

    fn set_up(&self, stand: &Stand<'_>, _: &Wish) -> Result<Option<Setup>, Failure> {
        if self.places(stand).is_empty() {
            return Ok(None);
        }
        let Some(asked) = &stand.case.board.events.input_dropout else { return Ok(None) };
        let (mut machine, curve) = supplied(stand, asked, true)?;
        let orbit = machine.steady(asked.load_a)?;
        let timing = Timing::new(asked, &machine, stand.settling_s());
        let program = timing.program(asked, orbit.program_a, machine.period_s());
        let (begin, origin, cycles) = (Begin::Clock(orbit.x), timing.fall, Some(timing.cycles));
        Ok(Some(Setup { machine, curve, begin, program, origin, cycles }))
    }
}

/// The machine at the voltage before the dropout, with a resistive load, and with the instrument where it is to be read.
fn supplied(stand: &Stand<'_>, asked: &InputDropout, instrument: bool) -> Result<(Machine, FluxCurve), Failure> {
    stand.changed(stand.full_load_degc()?, &[], |circuit| {
        (circuit.source_v, circuit.instrument) = (asked.from_v, instrument);
        into_resistance(circuit, asked.load_a);
    })
}

/// When the input falls and returns, and how long the run is at the least and at the most.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Timing {
    /// Begin of the fall.
    pub fall: Instant,
    /// Begin of the return.
    pub rise: Instant,
    /// End of the return: the input is what it was.
    pub back: Instant,
    /// Whole cycles of the run: time for a pause, a soft start and settling after the return.
    pub cycles: u64,
    /// Cycles after which an output that has not settled is given up.
    pub most_cycles: u64,
    /// Time in s for which an output that has settled stays in its band.
    pub settling_s: f64,
}

impl Timing {
    /// Timing on a machine whose loop settles in `settling_s`.
    pub fn new(asked: &InputDropout, machine: &Machine, settling_s: f64) -> Timing {
        let (period_s, board) = (machine.period_s(), &machine.circuit.board);
        let protection = &board.control.protection;
        let pause_s = protection.current_limit.and_then(|limit| limit.hiccup).map_or(0.0, |hiccup| hiccup.pause_s);
        let after_s = pause_s + protection.soft_start_s + settling_s;
        let fall = (LEAD_CYCLES, 0.0);
        let rise = later(fall, asked.fall_s + asked.hold_s, period_s);
        let back = later(rise, asked.rise_s, period_s);
        let until = |time_s: f64| later(back, time_s, period_s).0 + 1;
        let most_cycles = until(board.procedure.start_patience * after_s);
        Timing { fall, rise, back, cycles: until(after_s), most_cycles, settling_s }
    }

    /// The program of the input, with a current drawn beside the resistor.
    pub fn program(&self, asked: &InputDropout, program_a: f64, period_s: f64) -> Program {
        let way_v = asked.from_v - asked.to_v;
        Program::constant(program_a)
            .with_source(asked.from_v)
            .source_edge(self.fall, asked.to_v, way_v / asked.fall_s, period_s)
            .source_edge(self.rise, asked.from_v, way_v / asked.rise_s, period_s)
    }
}

/// Result of a dropout and return.
#[derive(Clone, Copy, Debug)]
pub struct DropoutResult {
    /// Lowest output from the begin of the fall on in V.
    pub lowest_v: f64,
    /// Highest output from the begin of the return on in V.
    pub highest_v: f64,
    /// From the end of the return until the output stays in its band, in s; 0 where it is there before.
    pub settling_s: f64,
    /// Whether it stays there at the end.
    pub returned: bool,
    /// Time after the end of the return that was watched, in s.
    pub watched_s: f64,
    /// Highest inductor current from the begin of the fall on in A.
    pub peak_a: f64,
    /// What happened.
    pub effort: Effort,
    /// How the energy book stands.
    pub book: Closing,
}

/// Lets the input of a machine fall and return, from its steady state `x` at a clock edge with `program_a` drawn beside its resistor. `mean_v` is
/// the mean output before, `half_band_v` half the width of the band around it. A run that does not settle goes on to the most that the timing
/// allows. A further observer sees the whole run.
///
/// # Errors
/// Whatever stops a run; an energy book that does not close.
pub fn run(
    machine: &mut Machine,
    (asked, timing): (&InputDropout, &Timing),
    (x, program_a): (&StateVector, f64),
    (mean_v, half_band_v): (f64, f64),
    observer: &mut impl Observer,
) -> Result<DropoutResult, EngineError> {
    let period_s = machine.period_s();
    let end = (timing.most_cycles, 0.0);
    let watch = |from: Instant, until: Instant| EdgeWatch::new(from, until, period_s, mean_v, half_band_v);
    let mut away = watch(timing.fall, timing.rise);
    // The way up counts for overshoot and peak, the band only once the input is back.
    let mut rising = watch(timing.rise, timing.back);
    let mut back = watch(timing.back, end);
    let mut book = RunBook::new(&machine.circuit);
    let mut program = timing.program(asked, program_a, period_s);
    let mut state = machine.at_clock(*x);
    let since_back_s = |cycle: u64| (cycle as f64 - timing.back.0 as f64) * period_s - timing.back.1;
    let settled =
        |back: &EdgeWatch, cycle: u64| back.is_inside() && since_back_s(cycle) >= back.back_s() + timing.settling_s;
    let mut until = timing.cycles;
    while state.cycle < timing.most_cycles && !settled(&back, state.cycle) {
        let mut all = (((&mut away, &mut rising), &mut back), (&mut book, &mut *observer));
        let cycles = until - state.cycle;
        machine.run_on(&mut state, cycles, &mut program, &mut all)?;
        // What has taken long may take longer still.
        until = (until + until / 2).min(timing.most_cycles);
    }
    let (settling_s, returned) = (back.back_s(), back.is_inside());
    let seen = [away.response(), rising.response(), back.response()];
    let highest = |value: &dyn Fn(usize) -> f64, from: usize| (from..3).map(value).fold(f64::NEG_INFINITY, f64::max);
    Ok(DropoutResult {
        lowest_v: seen.iter().map(|part| part.output.low).fold(f64::INFINITY, f64::min),
        highest_v: highest(&|k| seen[k].output.high, 1),
        settling_s,
        returned,
        watched_s: since_back_s(state.cycle),
        peak_a: highest(&|k| seen[k].current.high, 0),
        effort: state.effort,
        book: book.close()?,
    })
}
