//! Overload that grows slowly: the load at which the output gives way.
//!
//! Definitions: docs/physics.md, "overload".

use super::contract::{Condition, Found, Setup, Wish};
use super::figures::{Failure, Figures, Note, Place, Value};
use super::stand::{Stand, note_beyond};
use crate::engine::book::Closing;
use crate::engine::error::EngineError;
use crate::engine::machine::{Begin, Effort, Machine, Observer, Output, Stretch};
use crate::engine::program::{Instant, Program};
use crate::engine::row::StateVector;
use crate::engine::run_book::RunBook;
use crate::engine::steady::Orbit;
use crate::measure::curves::Thinned;
use crate::measure::extremes::{Extremes, Range};
use crate::measure::steady::SteadyResult;
use crate::model::board::{LimitSense, Overload};
use crate::model::corner::{End, Parameter, end_of};
use crate::model::parts::saturation::FluxCurve;
use nalgebra::{DMatrix, DVector};

/// Cycles that are shown after the output has given way.
const AFTER_TRIP: u64 = 200;
/// Longest and shortest step, as a part of the load, in which steady states are followed to where something begins to happen.
const STEP: f64 = 0.1;
const SHORTEST_STEP: f64 = 0.02;
/// The growth begins before something happens by that many time constants of the limit's filter, and by at least that share of the time
/// that settling takes: the run begins from a state that lags behind the load already, and what is left of its error dies away.
const RUN_UP_FILTER: f64 = 2.0;
const RUN_UP_SETTLING: f64 = 0.2;
/// Intervals of a curve that shows it.
const INTERVALS: f64 = 4000.0;
/// What makes the output give way earliest, at the corner of the least inductance.
const EARLIEST: &[(Parameter, End)] = &[(Parameter::LimitThreshold, End::Least), (Parameter::Winding, End::Most)];
/// What makes it give way latest, at the corner of the most inductance.
const LATEST: &[(Parameter, End)] =
    &[(Parameter::LimitThreshold, End::Most), (Parameter::Winding, End::Least), (Parameter::Resistance, End::Least)];

/// A load that grows from the full one until the output gives way.
pub(crate) struct GrowingLoad;

/// One overload on a stand, ready to begin.
struct Ready {
    machine: Machine,
    curve: FluxCurve,
    /// Load in A and state from which it grows, how far at most in A, and the mean output in V before.
    from: (f64, StateVector),
    furthest_a: f64,
    mean_v: f64,
    slew_a_per_s: f64,
    winding_degc: f64,
    further: &'static [(Parameter, End)],
}

impl Condition for GrowingLoad {
    fn name(&self) -> &'static str {
        "overload"
    }

    fn key(&self) -> &'static str {
        "load.overload"
    }

    fn quantities(&self) -> &'static [&'static str] {
        &["overload_peak"]
    }

    fn places(&self, stand: &Stand<'_>) -> Vec<Place> {
        let states = stand.case.board.events.overload;
        states.iter().map(|_| stand.place(self.name(), stand.full_load_a())).collect()
    }

    fn simulate(&self, stand: &Stand<'_>, place: Place) -> Result<Found, Failure> {
        let Some(states) = stand.case.board.events.overload else { return Ok(Found::of(Figures::at(place, None))) };
        let mut ready = Ready::on(stand, &states, false)?;
        let seen = ready.run(stand, &mut None)?;
        let mut curves = vec![];
        if stand.is_watched() {
            // Once more, now that it is known how long it takes.
            let growth_a = seen.trip_a.unwrap_or(seen.furthest_a) - ready.from.0;
            let cycles = (growth_a / ready.slew_a_per_s / ready.machine.period_s()) as u64 + AFTER_TRIP;
            let mut thinned = stand.thinned(true, &ready.machine, cycles, ((0, 0.0), &[]), INTERVALS);
            ready.run(stand, &mut thinned)?;
            curves.extend(stand.event_curve(self.name(), thinned, (ready.mean_v, ready.mean_v)));
        }
        let mut figures = Figures::at(place, Some(ready.winding_degc));
        figures.push("overload_peak", seen.peak_a);
        match seen.trip_a {
            Some(trip_a) => figures.push(trip(ready.further), trip_a),
            None => {
                figures.push(trip(ready.further), Value::AtLeast(seen.furthest_a));
                figures.notes.push(Note::HoldsUpTo { load_a: seen.furthest_a });
            }
        }
        figures.note_if(seen.effort.limited == 0 && seen.trip_a.is_some(), Note::GivesWayBeforeLimit);
        note_beyond(&ready.curve, seen.peak_a, &mut figures);
        Ok(Found { books: vec![seen.book], curves, ..Found::of(figures) })
    }

    fn drives(&self) -> &'static [Parameter] {
        &[Parameter::Inductance, Parameter::LimitThreshold, Parameter::Winding]
    }

    fn set_up(&self, stand: &Stand<'_>, _: &Wish) -> Result<Option<Setup>, Failure> {
        let Some(states) = stand.case.board.events.overload else { return Ok(None) };
        let mut ready = Ready::on(stand, &states, true)?;
        let seen = ready.run(stand, &mut None)?;
        let Ready { machine, curve, from: (from_a, x), furthest_a, slew_a_per_s, .. } = ready;
        let (program, longest) = program(&machine, (from_a, furthest_a), slew_a_per_s);
        let growth_a = seen.trip_a.unwrap_or(seen.furthest_a) - from_a;
        let trip = (growth_a / slew_a_per_s / machine.period_s()) as u64;
        let (begin, cycles) = (Begin::Clock(x), Some(longest.min(trip + AFTER_TRIP)));
        Ok(Some(Setup { machine, curve, begin, program, origin: (0, 0.0), cycles }))
    }

    fn can_be_read(&self, quantity: &str) -> bool {
        quantity == "trip"
    }
}

impl Ready {
    fn on(stand: &Stand<'_>, states: &Overload, instrument: bool) -> Result<Ready, Failure> {
        let further = match stand.corner.end_of(Parameter::Inductance) {
            None => &[],
            Some(End::Least) => EARLIEST,
            Some(End::Most) => LATEST,
        };
        let winding_degc = match end_of(further, Parameter::Winding) {
            None => stand.full_load_degc()?,
            Some(End::Least) => states.winding_degc.0,
            Some(End::Most) => states.winding_degc.1,
        };
        let (mut machine, curve) = stand.changed(winding_degc, further, |circuit| circuit.instrument = instrument)?;
        let (lowest_a, steady) = deliverable(stand, &mut machine)?;
        let (mean_v, furthest_a) =
            (steady.mean_output_v(), machine.circuit.board.procedure.overload_furthest * lowest_a);
        let slew_a_per_s = states.slew_a_per_s;
        let run_up_s = (RUN_UP_SETTLING * stand.settling_s()).max(RUN_UP_FILTER * filter_s(&machine));
        let least_v = mean_v - stand.half_band_v();
        let growth = Growth { lowest_a, furthest_a, least_v, slew_a_per_s, run_up_a: slew_a_per_s * run_up_s };
        let from = growth.begin(stand, &mut machine, (lowest_a, steady.orbit))?;
        Ok(Ready { machine, curve, from, furthest_a, mean_v, slew_a_per_s, winding_degc, further })
    }

    fn run(&mut self, stand: &Stand<'_>, thinned: &mut Option<Thinned>) -> Result<OverloadResult, EngineError> {
        let Ready { machine, from: (from_a, x), furthest_a, mean_v, slew_a_per_s, .. } = self;
        let band_v = (*mean_v, stand.half_band_v());
        run_before(machine, x, (*from_a, *furthest_a), band_v, *slew_a_per_s, thinned)
    }
}

/// The highest threshold is held against the highest allowed load, the lowest against the lowest.
fn trip(further: &[(Parameter, End)]) -> &'static str {
    match end_of(further, Parameter::LimitThreshold) {
        None => "trip",
        Some(End::Least) => "trip_lowest",
        Some(End::Most) => "trip_highest",
    }
}

/// The steady state at the full load, or where the limit does not deliver it at a half, a quarter and so on of it.
fn deliverable(stand: &Stand<'_>, machine: &mut Machine) -> Result<(f64, SteadyResult), EngineError> {
    let full_a = stand.full_load_a();
    let mut load_a = full_a;
    loop {
        match stand.steady(machine, load_a) {
            Err(EngineError::DoesNotDeliver { .. }) if load_a > 0.05 * full_a => load_a *= 0.5,
            other => return other.map(|found| (load_a, found)),
        }
    }
}

/// Time constant in s of the filter before the limit.
fn filter_s(machine: &Machine) -> f64 {
    match machine.circuit.board.control.protection.current_limit.map(|limit| limit.sense) {
        Some(LimitSense::Winding { r_ohm, c_f }) => r_ohm * c_f,
        _ => 0.0,
    }
}

/// How a load grows.
struct Growth {
    /// Lowest and highest load in A.
    lowest_a: f64,
    furthest_a: f64,
    /// Lower edge of the band in V.
    least_v: f64,
    slew_a_per_s: f64,
    /// Growth in A before something happens.
    run_up_a: f64,
}

/// A steady state, with its load in A.
type Stage = (f64, Orbit);

impl Growth {
    /// The load in A from which it begins, and the state there.
    fn begin(
        &self,
        stand: &Stand<'_>,
        machine: &mut Machine,
        lowest: Stage,
    ) -> Result<(f64, StateVector), EngineError> {
        let known = stand.known().borrow().growth().filter(|(load_a, _)| *load_a > lowest.0);
        let known = match known {
            Some((load_a, near)) => self.quiet(machine, load_a, &near)?,
            None => None,
        };
        if let Some(known) = known {
            let passed = self.followed(machine, known)?;
            if let Some(number) = self.last_before(&passed).filter(|number| *number > 0) {
                return self.lagging(machine, &passed[number - 1], &passed[number]);
            }
        }
        let passed = self.followed(machine, lowest)?;
        let Some(number) = self.last_before(&passed).filter(|number| *number > 0) else {
            return Ok((passed[0].0, passed[0].1.x));
        };
        stand.known().borrow_mut().note_growth((passed[number - 1].0, passed[number - 1].1.x));
        self.lagging(machine, &passed[number - 1], &passed[number])
    }

    /// The steady states that follow one another from a load up as long as each leads to the next, the output stays in its band and the
    /// limit does not act. A load that grows slowly passes them one by one, and nothing happens before the last.
    fn followed(&self, machine: &mut Machine, from: Stage) -> Result<Vec<Stage>, EngineError> {
        let mut passed = vec![from];
        let mut step = STEP;
        while step >= SHORTEST_STEP {
            let last = &passed[passed.len() - 1];
            let load_a = last.0 * (1.0 + step);
            let near = match &passed[..] {
                [.., before, last] => beyond(before, last, load_a),
                _ => last.1.x,
            };
            match self.quiet(machine, load_a, &near)? {
                Some(stage) => passed.push(stage),
                None => step *= 0.5,
            }
        }
        Ok(passed)
    }

    /// The steady state near a state, where the limit does not act on it and the output stays in its band.
    fn quiet(&self, machine: &mut Machine, load_a: f64, near: &StateVector) -> Result<Option<Stage>, EngineError> {
        let orbit = machine.orbit_beside(load_a, near)?;
        let Some(orbit) = orbit.filter(|_| load_a < self.furthest_a) else { return Ok(None) };
        let mut output = Extremes::of(&[Output::Voltage]);
        let effort = machine.trace_orbit(&orbit, &mut output)?;
        let is_quiet = effort.limited == 0 && output.range(Output::Voltage).low >= self.least_v;
        Ok(is_quiet.then_some((load_a, orbit)))
    }

    /// The last that lies before the end of all by as much as the load grows beforehand.
    fn last_before(&self, passed: &[Stage]) -> Option<usize> {
        let end_a = passed[passed.len() - 1].0;
        passed.iter().rposition(|(load_a, _)| *load_a <= end_a - self.run_up_a)
    }

    /// The state of a growing load at the load of a steady state X, and that load. Where X moves by D each period and the map of a period
    /// is x -> X + M (x - X), the state that moves with it lags behind by (1 - M^n) (1 - M)^-1 D after n periods. Where M is nearly 1, as
    /// with a capacitor that is charged slowly, that is what the n periods from the lowest load have left of it.
    fn lagging(&self, machine: &mut Machine, before: &Stage, at: &Stage) -> Result<(f64, StateVector), EngineError> {
        let (load_a, orbit) = at;
        let each_period_a = self.slew_a_per_s * machine.period_s();
        let moved = beyond(before, at, load_a + each_period_a);
        let n = machine.states;
        let map = machine.map(&orbit.x, orbit.program_a, 1)?.matrix;
        let each_period = DVector::from_fn(n, |k, _| moved[k] - orbit.x[k]);
        let one = DMatrix::<f64>::identity(n, n);
        let lag = (&one - &map).lu().solve(&each_period);
        let periods = ((load_a - self.lowest_a) / each_period_a) as u32;
        let lag = lag.map(|lag| (one - map.pow(periods)) * lag);
        let mut x = orbit.x;
        if let Some(lag) = lag.filter(|lag| lag.iter().all(|lag| lag.is_finite())) {
            lag.iter().zip(&mut x).for_each(|(lag, x)| *x -= lag);
        }
        Ok((*load_a, x))
    }
}

/// The state on the straight line through two steady states, at a load in A.
fn beyond(a: &Stage, b: &Stage, load_a: f64) -> StateVector {
    let along = (load_a - b.0) / (b.0 - a.0);
    let mut x = b.1.x;
    x.iter_mut().zip(a.1.x).for_each(|(b, a)| *b += along * (*b - a));
    x
}

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
    /// How the energy book stands.
    pub book: Closing,
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
        let ends = stretch.ends(Output::Voltage);
        let mut output = Range { low: stretch.enclosure(Output::Voltage, ends).0, ..Range::EMPTY };
        if output.low < self.band_v {
            output = Range::EMPTY;
            output.include_stretch(stretch, Output::Voltage);
        }
        self.current.include_stretch(stretch, Output::Inductor);
        if output.low >= self.band_v {
            self.left = None;
        } else {
            self.left.get_or_insert((stretch.cycle, stretch.phase_s));
        }
        self.lost |= output.low < self.lost_v;
    }
}

/// Program of a load that grows from a steady one to the furthest, both in A, and the cycles that it takes.
pub fn program(machine: &Machine, (load_a, furthest_a): (f64, f64), slew_a_per_s: f64) -> (Program, u64) {
    let (period_s, from_a) = (machine.period_s(), machine.circuit.program_a(load_a));
    let growth_a = furthest_a - load_a;
    let program = Program::constant(from_a).edge(0, 0.0, from_a + growth_a, slew_a_per_s, period_s);
    (program, (growth_a / slew_a_per_s / period_s).ceil() as u64)
}

/// Lets the load of a machine grow from its state `x` at a load until the output gives way, or to the furthest load. The output
/// had a mean of `mean_v` at the full load; `half_band_v` is half the width of the band around it.
///
/// # Errors
/// Whatever stops a run; an energy book that does not close.
pub fn run(
    machine: &mut Machine,
    x: &StateVector,
    (load_a, furthest_a): (f64, f64),
    band_v: (f64, f64),
    slew_a_per_s: f64,
) -> Result<OverloadResult, EngineError> {
    run_before(machine, x, (load_a, furthest_a), band_v, slew_a_per_s, &mut None::<Thinned>)
}

/// The same with a further observer that sees the whole run.
fn run_before(
    machine: &mut Machine,
    x: &StateVector,
    (load_a, furthest_a): (f64, f64),
    (mean_v, half_band_v): (f64, f64),
    slew_a_per_s: f64,
    observer: &mut impl Observer,
) -> Result<OverloadResult, EngineError> {
    let period_s = machine.period_s();
    let (mut program, cycles) = program(machine, (load_a, furthest_a), slew_a_per_s);
    let load_at = |(cycle, phase_s): Instant| load_a + slew_a_per_s * (cycle as f64 * period_s + phase_s);
    let mut decline = Decline {
        band_v: mean_v - half_band_v,
        lost_v: machine.circuit.board.procedure.gives_way * mean_v,
        left: None,
        lost: false,
        current: Range::EMPTY,
    };
    let mut book = RunBook::new(&machine.circuit);
    let mut state = machine.at_clock(*x);
    while state.cycle < cycles && !decline.lost && !state.is_paused() {
        machine.run(&mut state, 1, &mut program, &mut (&mut decline, (&mut book, &mut *observer)), None)?;
    }
    let gave_way = decline.lost || state.is_paused();
    Ok(OverloadResult {
        trip_a: gave_way.then(|| load_at(decline.left.unwrap_or((state.cycle, 0.0)))),
        furthest_a,
        peak_a: decline.current.high,
        effort: state.effort,
        book: book.close()?,
    })
}
