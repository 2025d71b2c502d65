//! The corridor: calls the rooms in order. Read this first.

pub mod calibrated;
mod cooling;
mod corners;
pub mod deciding;
mod effort;
mod ends;
pub mod impedance;
pub mod maps;
pub mod remedies;
pub mod screen;
pub mod specify;
pub mod sweep;
pub mod tipping;
pub mod worst_load;

use crate::condition::contract::{Condition, Found, Setup, Wish};
use crate::condition::derating;
use crate::condition::figures::{Failure, Figures, Note, PartFigures, Place, Value, Why};
use crate::condition::known::Known;
use crate::condition::stand::{Stand, prepared};
use crate::condition::{CONDITIONS, SHEET};
use crate::crosscheck::{self, Difference};
use crate::engine::error::EngineError;
use crate::engine::machine;
use crate::judge::{self, Row, Verdict};
use crate::model::case::Case;
use crate::model::corner::{CORNERS, Corner, NOMINAL};
use crate::model::doubt::Doubt;
use deciding::Deciding;
use effort::Effort;
use rayon::prelude::*;
use std::sync::atomic::{AtomicUsize, Ordering};
use tipping::Tipping;

/// Result of comparing the original with every substitute on one board.
pub struct Comparison {
    /// The case, with everything laid out that it only describes.
    pub case: Case,
    /// What each part shows.
    pub parts: Vec<PartFigures>,
    /// What was found in every place, part by part; the figures of [`Comparison::parts`] and what belongs to them.
    pub found: Vec<Vec<Found>>,
    /// One row a compared quantity.
    pub rows: Vec<Row>,
    /// One verdict a part, the original's own state first.
    pub verdicts: Vec<Verdict>,
    /// What would turn each of them.
    pub tipping: Vec<Tipping>,
    /// The waveforms by which outcomes are decided.
    pub deciding: Vec<Deciding>,
    /// How far it looked.
    pub depth: Depth,
    /// Runs of the closer look that would have taken too long; their checks are open.
    pub left_out: u64,
}

/// One part at one corner and input voltage.
#[derive(Clone, Copy, Debug)]
struct Job {
    part: usize,
    corner: Corner,
    input_v: f64,
}

/// How far a comparison looks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Depth {
    /// Everything that decides: absent data at their ends, printed ones by their uncertainty, where a check would turn.
    #[default]
    Full,
    /// Every datum as it is shown. What passes so may not pass in full.
    Quick,
}

/// Compares the original with every substitute. `progress` is told how many of how many jobs have been done.
///
/// # Errors
/// A compensator that cannot be laid out, or an interruption. What fails in one condition is told there.
pub fn compare(case: &Case, depth: Depth, progress: &(dyn Fn(usize, usize) + Sync)) -> Result<Comparison, Failure> {
    let case = learned(case)?;
    let (mut found, orbits) = base(&case, 0, progress)?;
    for (part, found) in found.iter_mut().enumerate() {
        found.extend(conclusions(&case, part, found));
    }
    let mut parts: Vec<PartFigures> = (0..case.parts.len()).map(|part| figures(&case, part, &found[part])).collect();
    let effort = Effort::of(&found);
    if depth == Depth::Full {
        let look = Look { case: &case, orbits: &orbits, effort: &effort, progress };
        corners::explore(&look, &mut parts, 0)?;
        ends::explore(&look, &mut parts, 0)?;
    }
    let verdicts = judge::verdicts(&case, &parts);
    let rows = judge::rows(&case, &parts, &verdicts);
    let tipping = match depth {
        Depth::Full => tipping::search(&case, &effort, &verdicts)?,
        Depth::Quick => vec![Tipping::default(); verdicts.len()],
    };
    let deciding = deciding::search(&case, &verdicts)?;
    Ok(Comparison { case, parts, found, rows, verdicts, tipping, deciding, depth, left_out: effort.left_out() })
}

/// The case with everything laid out that it only describes, and what its readings tell.
///
/// # Errors
/// A compensator that cannot be laid out, or an interruption.
pub fn learned(case: &Case) -> Result<Case, Failure> {
    let mut case = prepared(case)?;
    cooling::learn(&mut case)?;
    Ok(case)
}

/// The doubts about a part of a case and its board, those that readings narrow included.
pub fn doubts(case: &Case, part: usize) -> Vec<Doubt> {
    ends::Part::doubts_of(case, part).into_doubts()
}

/// What a closer look begins from.
struct Look<'a> {
    case: &'a Case,
    orbits: &'a Orbits,
    effort: &'a Effort,
    progress: &'a (dyn Fn(usize, usize) + Sync),
}

/// What is known of every stand that has been run.
#[derive(Clone)]
struct Orbits(Vec<(Job, Known)>);

impl Orbits {
    /// Of a part's stand at a corner and input, else of its nominal corner there.
    fn near(&self, job: &Job) -> Known {
        let of = |corner: Corner| {
            let is_it = |other: &Job| (other.part, other.corner, other.input_v) == (job.part, corner, job.input_v);
            self.0.iter().find(|(other, _)| is_it(other)).map(|(_, known)| known)
        };
        of(job.corner).or_else(|| of(NOMINAL)).cloned().unwrap_or_default()
    }
}

/// Everything as the data are shown: what each part from the first on does in every place. The nominal corner first: the others begin from
/// its states.
fn base(
    case: &Case,
    first: usize,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<(Vec<Vec<Found>>, Orbits), Failure> {
    let of_part = |part| stands(case).map(move |(corner, input_v)| Job { part, corner, input_v });
    let jobs: Vec<Job> = (first..case.parts.len()).flat_map(of_part).collect();
    let (nominal, others): (Vec<Job>, Vec<Job>) = jobs.iter().partition(|job| job.corner.is_nominal());
    let mut orbits = Orbits(vec![]);
    let mut results = vec![];
    for wave in [nominal, others] {
        let told = |done: usize, _: usize| progress(results.len() + done, jobs.len());
        let run = |job: &Job| job.run(case, orbits.near(job).elsewhere(), &|_| true);
        let wave_results = side_by_side(&wave, &told, run)?;
        for (job, (found, known)) in wave.into_iter().zip(wave_results) {
            orbits.0.push((job, known));
            results.push((job, found));
        }
    }
    let mut found: Vec<Vec<Found>> = case.parts.iter().map(|_| vec![]).collect();
    // In the order of the corners, as everything is told.
    for job in &jobs {
        let is_it = |other: &Job| (other.part, other.corner, other.input_v) == (job.part, job.corner, job.input_v);
        if let Some(number) = results.iter().position(|(other, _)| is_it(other)) {
            found[job.part].extend(results.swap_remove(number).1);
        }
    }
    Ok((found, orbits))
}

/// Every corner at every input voltage.
fn stands(case: &Case) -> impl Iterator<Item = (Corner, f64)> {
    CORNERS.into_iter().flat_map(|corner| case.board.input_v.iter().map(move |&input_v| (corner, input_v)))
}

/// What each job finds, in their order, whatever the order in which threads finish; or the first failure in that order.
fn side_by_side<J: Sync, R: Send>(
    jobs: &[J],
    progress: &(dyn Fn(usize, usize) + Sync),
    run: impl Fn(&J) -> Result<R, Failure> + Sync,
) -> Result<Vec<R>, Failure> {
    let done = AtomicUsize::new(0);
    let one = |job: &J| {
        let found = run(job);
        progress(done.fetch_add(1, Ordering::Relaxed) + 1, jobs.len());
        found
    };
    let results: Vec<Result<R, Failure>> = jobs.par_iter().map(one).collect();
    results.into_iter().collect()
}

impl Job {
    fn run(
        &self,
        case: &Case,
        known: Known,
        is_wanted: &dyn Fn(&dyn Condition) -> bool,
    ) -> Result<(Vec<Found>, Known), Failure> {
        let stand = Stand::beside(case, &case.parts[self.part], self.corner, self.input_v, known);
        let mut all = vec![];
        for condition in CONDITIONS.iter().filter(|condition| is_wanted(**condition)) {
            for place in condition.places(&stand) {
                all.push(found(*condition, &stand, place)?);
            }
        }
        Ok((all, stand.into_known()))
    }
}

/// What a condition finds. What cannot be calculated in one condition is told there, and all else goes on.
fn found(condition: &dyn Condition, stand: &Stand<'_>, place: Place) -> Result<Found, Failure> {
    if !stand.case.looks_at(condition.name()) {
        let mut found = without_value(condition, place, Why::NotAsked);
        derating::unknown(stand, &mut found.figures);
        return Ok(found);
    }
    let before = machine::work();
    let mut found = match condition.simulate(stand, place) {
        Err(failure) if failure.is_interruption() => return Err(failure),
        Err(failure) => {
            let mut found = failed(condition, place, failure);
            derating::unknown(stand, &mut found.figures);
            found
        }
        Ok(found) => found,
    };
    found.work = machine::work() - before;
    Ok(found)
}

/// A condition that would have taken too long.
fn left_out(condition: &dyn Condition, place: Place) -> Found {
    without_value(condition, place, Why::LeftOut)
}

fn without_value(condition: &dyn Condition, place: Place, why: Why) -> Found {
    let mut figures = Figures::at(place, None);
    condition.quantities().iter().for_each(|id| figures.push(id, Value::NotComputed(why.clone())));
    Found::of(figures)
}

/// No value for any quantity of a condition, and why; a load that the limit does not deliver is a finding of its own.
fn failed(condition: &dyn Condition, place: Place, failure: Failure) -> Found {
    let mut figures = Figures::at(place, None);
    let (why, note) = match failure {
        Failure::Engine(EngineError::DoesNotDeliver { how }) => {
            figures.push("undelivered", 1.0);
            (Why::NotDelivered, Note::NotDelivered { how })
        }
        failure => (Why::Failed(failure.clone()), Note::NotComputed(Why::Failed(failure))),
    };
    condition.quantities().iter().for_each(|id| figures.push(id, Value::NotComputed(why.clone())));
    figures.notes.push(note);
    Found::of(figures)
}

/// What follows for a part once everything has run.
fn conclusions(case: &Case, part: usize, found: &[Found]) -> Vec<Found> {
    let found: Vec<&Found> = found.iter().collect();
    let conclusion = |condition: &&dyn Condition| match condition.conclude(case, &case.parts[part], &found) {
        Ok(figures) => figures.map(Found::of),
        Err(failure) => {
            let (condition_name, corner) = (condition.name(), NOMINAL);
            let place =
                Place { condition: condition_name, corner, input_v: None, load_a: None, prebias_v: 0.0, load: 0 };
            Some(failed(*condition, place, failure))
        }
    };
    // What follows from runs that were not looked at would be too good.
    let follows = |condition: &&&dyn Condition| condition.name() == SHEET || case.only_conditions.is_none();
    CONDITIONS.iter().filter(follows).filter_map(conclusion).collect()
}

fn figures(case: &Case, part: usize, found: &[Found]) -> PartFigures {
    PartFigures {
        name: case.parts[part].name.clone(),
        original: part == 0,
        results: found.iter().map(|found| found.figures.clone()).collect(),
        ends: vec![],
        spreads: vec![],
    }
}

/// Relative tolerance of the independent integration.
const CROSS_CHECK_TOLERANCE: f64 = 1e-9;
/// Samples a period, and offset of the first as a part of the period: no sample falls on a clock edge.
const CROSS_CHECK_SAMPLES: (f64, f64) = (41.0, 0.0137);
/// Most samples of a condition.
const MOST_SAMPLES: f64 = 200e3;
/// Most periods of a condition that are integrated.
const CROSS_CHECK_CYCLES: u64 = 30_000;
/// Periods of a run that has no end of its own.
const CROSS_CHECK_PERIODS: u64 = 50;

/// Comparison of the exact engine with the independent integration in one condition.
#[derive(Clone, Debug)]
pub struct Checked {
    /// Part.
    pub part: String,
    /// Name of the condition, at the nominal corner and input.
    pub condition: &'static str,
    /// Number of the load step or profile.
    pub load: usize,
    /// Largest differences, or what stopped one of the two.
    pub difference: Result<Difference, Failure>,
    /// Switching period in s.
    pub period_s: f64,
}

/// Integrates every condition of the original, and of every substitute those that are checked for all, nominal, by the independent
/// method on the smooth saturation curve. Method: docs/physics.md, "cross-check".
///
/// # Errors
/// A compensator that cannot be laid out, or an interruption.
pub fn cross_check(case: &Case) -> Result<Vec<Checked>, Failure> {
    let case = &prepared(case)?;
    let of_part = |part: usize| {
        let looked_at = CONDITIONS.iter().filter(|condition| case.looks_at(condition.name()));
        let wanted = looked_at.filter(move |condition| part == 0 || condition.is_checked_for_all());
        wanted.flat_map(move |condition| {
            loads(case, part, *condition).into_iter().map(move |load| (part, *condition, load))
        })
    };
    let jobs: Vec<(usize, &dyn Condition, usize)> = (0..case.parts.len()).flat_map(of_part).collect();
    let checks: Vec<Result<Option<Checked>, Failure>> =
        jobs.par_iter().map(|&(part, condition, load)| check(case, part, condition, load)).collect();
    Ok(checks.into_iter().collect::<Result<Vec<_>, Failure>>()?.into_iter().flatten().collect())
}

/// The load steps or profiles that a condition runs; 0 where it has none.
fn loads(case: &Case, part: usize, condition: &dyn Condition) -> Vec<usize> {
    let stand = Stand::new(case, &case.parts[part], NOMINAL, case.board.nominal_input_v);
    let mut loads: Vec<usize> = condition.places(&stand).iter().map(|place| place.load).collect();
    loads.dedup();
    if loads.is_empty() { vec![0] } else { loads }
}

fn check(case: &Case, part: usize, condition: &dyn Condition, load: usize) -> Result<Option<Checked>, Failure> {
    let stand = Stand::new(case, &case.parts[part], CORNERS[0], case.board.nominal_input_v);
    let wish = Wish { load: Some(load), ..Wish::default() };
    let difference = match condition.set_up(&stand, &wish) {
        Ok(None) | Err(Failure::Engine(EngineError::DoesNotDeliver { .. })) => return Ok(None),
        Ok(Some(setup)) => difference(setup),
        Err(failure) => Err(failure),
    };
    if let Err(failure) = &difference
        && failure.is_interruption()
    {
        return Err(failure.clone());
    }
    let (part, period_s) = (case.parts[part].name.clone(), 1.0 / case.board.frequency_hz);
    Ok(Some(Checked { part, condition: condition.name(), load, difference, period_s }))
}

/// Both integrations of a run, compared.
fn difference(setup: Setup) -> Result<Difference, Failure> {
    let Setup { mut machine, curve, begin, program, cycles, .. } = setup;
    let period_s = machine.period_s();
    let cycles = cycles.unwrap_or(CROSS_CHECK_PERIODS).min(CROSS_CHECK_CYCLES);
    let every = (cycles as f64 * CROSS_CHECK_SAMPLES.0 / MOST_SAMPLES).ceil();
    let (every_s, offset_s) = (every / CROSS_CHECK_SAMPLES.0 * period_s, CROSS_CHECK_SAMPLES.1 * period_s);
    let tolerance = CROSS_CHECK_TOLERANCE;
    Ok(crosscheck::compare(&mut machine, &curve, begin, cycles, &program, every_s, offset_s, tolerance)?)
}
