//! Every condition a second time, by the independent integration.
//!
//! Method: docs/physics.md, "cross-check".

use super::events::{self, Event, Setup};
use super::{CORNERS, NOMINAL, Warm, condition_words, engine_error, prepared, step_words, warm_steady};
use crate::case::Case;
use crate::compare::judge;
use crate::compare::record::CrossCheckRecord;
use crate::engine::crosscheck::{self, Difference};
use crate::engine::error::EngineError;
use crate::engine::machine::Begin;
use crate::engine::program::Program;
use crate::error::Error;
use crate::measure::step::Timing;
use rayon::prelude::*;

/// Relative tolerance of the independent integration.
const CROSS_CHECK_TOLERANCE: f64 = 1e-9;
/// Samples a period, and offset of the first as a part of the period: no sample falls on a clock edge.
const CROSS_CHECK_SAMPLES: (f64, f64) = (41.0, 0.0137);
/// Most samples of a condition.
const MOST_SAMPLES: f64 = 200e3;
/// Most periods of a condition that are integrated.
const CROSS_CHECK_CYCLES: u64 = 30_000;
/// Periods of the steady state that are integrated.
const CROSS_CHECK_PERIODS: u64 = 50;

/// Integrates every condition of the original, and steady state and load step of every substitute, nominal, by the independent method
/// on the smooth saturation curve.
///
/// # Errors
/// Whatever stops either engine.
pub fn cross_check(case: &Case) -> Result<Vec<CrossCheckRecord>, Error> {
    let case = &prepared(case)?;
    let jobs: Vec<(usize, Condition)> = (0..case.parts.len())
        .flat_map(|part| Condition::of(part).into_iter().map(move |condition| (part, condition)))
        .collect();
    let checks: Vec<Result<Option<CrossCheckRecord>, Error>> =
        jobs.par_iter().map(|&(part, condition)| cross_check_one(case, part, condition)).collect();
    Ok(checks.into_iter().collect::<Result<Vec<_>, Error>>()?.into_iter().flatten().collect())
}

/// A condition that the independent integration goes through.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Condition {
    Steady,
    LoadStep,
    Event(Event),
}

impl Condition {
    fn of(part: usize) -> Vec<Condition> {
        let events: &[Event] = if part == 0 { &Event::ALL } else { &[] };
        let periodic = [Condition::Steady, Condition::LoadStep];
        periodic.into_iter().chain(events.iter().map(|&event| Condition::Event(event))).collect()
    }

    fn words(self, case: &Case) -> String {
        match (self, case.board.load_step) {
            (Condition::LoadStep, Some(step)) => step_words(case, &step),
            (Condition::Event(event), _) => {
                format!("{}, {} in, {NOMINAL}", event.name(), judge::say(case.board.nominal_input_v, "V"))
            }
            _ => condition_words(case, case.board.load_a.last().copied().unwrap_or(0.0)),
        }
    }

    /// The condition ready to run; `None` where the board does not state it, or the limit does not deliver the load.
    fn set_up(self, case: &Case, part: usize) -> Result<Option<Setup>, Error> {
        let input_v = case.board.nominal_input_v;
        let full_a = case.board.load_a.last().copied().unwrap_or(0.0);
        let ready = match self {
            Condition::Event(event) => events::setup(case, part, CORNERS[0], input_v, event),
            Condition::Steady => warm_steady(case, &case.parts[part], CORNERS[0], input_v, full_a).map(|warm| {
                let Warm { steady, machine, curve, .. } = warm;
                let program = Program::constant(steady.orbit.program_a);
                let begin = Begin::Clock(steady.orbit.x);
                Some(Setup { machine, curve, begin, program, origin: (0, 0.0), cycles: CROSS_CHECK_PERIODS })
            }),
            Condition::LoadStep => load_step_setup(case, part),
        };
        match ready {
            Err(Error::Simulation { source: EngineError::DoesNotDeliver { .. }, .. }) => Ok(None),
            other => other,
        }
    }
}

fn load_step_setup(case: &Case, part: usize) -> Result<Option<Setup>, Error> {
    let Some(step) = case.board.load_step else { return Ok(None) };
    let part = &case.parts[part];
    let Warm { mut machine, curve, .. } = warm_steady(case, part, CORNERS[0], case.board.nominal_input_v, step.to_a)?;
    let low = machine.steady(step.from_a).map_err(|error| engine_error(error, &format!("{}, load step", part.name)))?;
    let timing = Timing::new(&step, machine.period_s(), 0.0);
    let program = timing.program(&step, &machine);
    Ok(Some(Setup { machine, curve, begin: Begin::Clock(low.x), program, origin: timing.step, cycles: timing.cycles }))
}

fn cross_check_one(case: &Case, part: usize, condition: Condition) -> Result<Option<CrossCheckRecord>, Error> {
    let Some(mut setup) = condition.set_up(case, part)? else { return Ok(None) };
    let name = case.parts[part].name.clone();
    let words = condition.words(case);
    let period_s = setup.machine.period_s();
    let cycles = setup.cycles.min(CROSS_CHECK_CYCLES);
    let every = (cycles as f64 * CROSS_CHECK_SAMPLES.0 / MOST_SAMPLES).ceil();
    let (every_s, offset_s) = (every / CROSS_CHECK_SAMPLES.0 * period_s, CROSS_CHECK_SAMPLES.1 * period_s);
    let found = crosscheck::compare(
        &mut setup.machine,
        &setup.curve,
        setup.begin,
        cycles,
        &setup.program,
        every_s,
        offset_s,
        CROSS_CHECK_TOLERANCE,
    )
    .map_err(|error| engine_error(error, &format!("{name}, {words}")))?;
    let Difference { output_v, current_a, samples, parted, .. } = found;
    let until_s = parted.map(|cycle| cycle as f64 * period_s);
    Ok(Some(CrossCheckRecord { part: name, condition: words, output_v, current_a, samples, until_s }))
}
