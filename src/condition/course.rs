//! A load that goes on and on: a step that comes again and again, or a current against time. What is common to both: how far the output
//! goes, whatever edge it follows from.
//!
//! Definitions: docs/physics.md, "load profile".

use super::contract::{Found, Setup, Wish};
use super::curves::Curve;
use super::derating;
use super::figures::{Failure, Figures, Note, Place};
use super::load_step::LEAD_CYCLES;
use super::ready::Ready;
use super::stand::{Stand, Warm, note_beyond};
use crate::engine::book::Closing;
use crate::engine::error::EngineError;
use crate::engine::machine::{Begin, Machine, Observer};
use crate::engine::program::{Instant, Program, later};
use crate::engine::row::StateVector;
use crate::engine::run_book::RunBook;
use crate::measure::edges::EdgeWatch;
use crate::measure::extremes::Range;
use crate::model::board::{LoadProfile, LoadStep};

/// Number of intervals to which a waveform is thinned at most.
const INTERVALS: f64 = 6000.0;
/// Corners of the load around which single cycles are kept.
const FINE_CORNERS: usize = 6;
/// Times that a step comes at the least: a first half in which the swing settles, and two quarters that are held against each other.
const LEAST_TIMES: f64 = 4.0;
/// Growth of the swing from the third quarter to the last up to which it counts as settled: what the model itself leaves open of a
/// transient.
const SETTLED: f64 = 0.02;

/// A current against time, and what is looked at.
pub(super) struct Course {
    profile: LoadProfile,
    /// Whether it is one thing again and again, whose swing is to settle.
    repeats: bool,
    /// Time in s for which the last level is held.
    tail_s: f64,
}

impl Course {
    /// A step that comes again and again until everything has settled.
    pub(super) fn of_step(stand: &Stand<'_>, step: &LoadStep) -> Course {
        let times = step.every_s.map_or(LEAST_TIMES, |every_s| (stand.settling_s() / every_s).ceil().max(LEAST_TIMES));
        Course { profile: step.profile(times as usize), repeats: true, tail_s: 0.0 }
    }

    /// A profile, and what follows from its last change.
    pub(super) fn of_profile(stand: &Stand<'_>, profile: &LoadProfile) -> Course {
        Course { profile: profile.clone(), repeats: false, tail_s: stand.settling_s() }
    }

    fn duration_s(&self) -> f64 {
        self.profile.duration_s() + self.tail_s
    }

    fn program(&self, begin: Instant, machine: &Machine) -> Program {
        let circuit = &machine.circuit;
        Program::constant(circuit.program_a(self.profile.first_a())).through(
            begin,
            &self.profile.points,
            circuit.program_a(0.0),
            machine.period_s(),
        )
    }

    /// The first corners of the load, as instants.
    fn corners(&self, begin: Instant, period_s: f64) -> Vec<Instant> {
        self.profile.points.iter().take(FINE_CORNERS).map(|(at_s, _)| later(begin, *at_s, period_s)).collect()
    }
}

/// What one run shows.
struct Seen {
    output: Range,
    current: Range,
    limited: u64,
    grows: bool,
    book: Closing,
}

/// Runs a course from the steady state at its first current, and measures it: the worst of all begins within the period.
pub(super) fn simulate(stand: &Stand<'_>, place: Place, course: &Course) -> Result<Found, Failure> {
    let mut ready = Ready::of(stand, course.profile.levels_a())?;
    run_all(stand, &mut ready, place, course)
}

/// The same on a stand that is ready for its levels.
pub(super) fn run_all(stand: &Stand<'_>, ready: &mut Ready, place: Place, course: &Course) -> Result<Found, Failure> {
    let mut found = Found::of(Figures::at(place, Some(ready.winding_degc)));
    let first = ready.state(stand, course.profile.first_a())?;
    let mut runs = vec![];
    let phases = stand.case.board.procedure.step_phases;
    for fraction in (0..phases).map(|phase| phase as f64 / phases as f64) {
        let Ready { machine, means_v, .. } = &mut *ready;
        let period_s = machine.period_s();
        let begin = (LEAD_CYCLES, fraction * period_s);
        let cycles = later(begin, course.duration_s(), period_s).0 + 1;
        let corners = course.corners(begin, period_s);
        let wanted = fraction == 0.0 || stand.is_watched();
        let mut thinned = stand.thinned(wanted, machine, cycles, (begin, &corners), INTERVALS);
        let seen = run(machine, course, begin, first, &mut thinned)?;
        found.books.push(seen.book);
        found.peak_a = found.peak_a.max(seen.current.high);
        let named = stand.case.board.named(place.load).map_or_else(String::new, |named| named.name.clone());
        let curve = stand.event_curve(place.condition, thinned, *means_v);
        found.curves.extend(curve.map(|curve| Curve::of_load(curve, &named)));
        runs.push(seen);
    }
    measure(&runs, (ready.means_v, stand.case.board.output_v), &mut found.figures);
    derating::of_peak(stand, found.peak_a, &mut found.figures);
    note_beyond(&ready.curve, found.peak_a, &mut found.figures);
    Ok(found)
}

/// The worst of the runs. `means_v` are the mean outputs at the least and the largest current.
fn measure(runs: &[Seen], (means_v, aim_v): ((f64, f64), f64), figures: &mut Figures) {
    let worst = |quantity: &dyn Fn(&Seen) -> f64| runs.iter().map(quantity).fold(f64::NEG_INFINITY, f64::max);
    figures.extend([
        ("dip", worst(&|seen| means_v.0 - seen.output.low)),
        ("rise", worst(&|seen| seen.output.high - means_v.1)),
        ("window", worst(&|seen| seen.output.width())),
        ("output_deviation", worst(&|seen| (seen.output.high - aim_v).max(aim_v - seen.output.low))),
        ("peak_current", worst(&|seen| seen.current.high)),
        ("limited_cycles", worst(&|seen| seen.limited as f64)),
    ]);
    figures.note_if(runs.iter().any(|seen| seen.grows), Note::NotSettled);
}

fn run(
    machine: &mut Machine,
    course: &Course,
    begin: Instant,
    first: StateVector,
    observer: &mut impl Observer,
) -> Result<Seen, EngineError> {
    let period_s = machine.period_s();
    let mut program = course.program(begin, machine);
    let duration_s = course.duration_s();
    let at = |share: f64| later(begin, share * duration_s, period_s);
    // No band: how long the output is away is not asked.
    let watch = |from: Instant, until: Instant| EdgeWatch::new(from, until, period_s, 0.0, f64::INFINITY);
    let end = (at(1.0).0 + 1, 0.0);
    let mut whole = watch(begin, end);
    let mut quarters = (watch(at(0.5), at(0.75)), watch(at(0.75), end));
    let mut book = RunBook::new(&machine.circuit);
    let mut state = machine.at_clock(first);
    let mut all = ((&mut whole, (&mut quarters.0, &mut quarters.1)), (&mut book, observer));
    machine.run_on(&mut state, end.0, &mut program, &mut all)?;
    let [third_v, last_v] = [&quarters.0, &quarters.1].map(|watch| watch.response().output.width());
    let seen = whole.response();
    Ok(Seen {
        output: seen.output,
        current: seen.current,
        limited: state.effort.limited,
        grows: course.repeats && last_v > (1.0 + SETTLED) * third_v,
        book: book.close()?,
    })
}

/// The course as a run by itself, for waveforms and the cross-check.
pub(super) fn set_up(stand: &Stand<'_>, wish: &Wish, course: &Course) -> Result<Setup, Failure> {
    let Warm { mut machine, curve, .. } = stand.warm(course.profile.levels_a().1)?;
    let first = machine.steady(course.profile.first_a())?;
    let period_s = machine.period_s();
    // Whole orbits before it, so that it meets the phase that it meets without them.
    let before = (wish.before_s / period_s).ceil().max(0.0) as u64;
    let lead = LEAD_CYCLES + before.saturating_sub(LEAD_CYCLES).next_multiple_of(first.periods.max(1));
    let origin = (lead, 0.0);
    let program = course.program(origin, &machine);
    let cycles = Some(later(origin, course.duration_s(), period_s).0 + 1);
    Ok(Setup { machine, curve, begin: Begin::Clock(first.x), program, origin, cycles })
}
