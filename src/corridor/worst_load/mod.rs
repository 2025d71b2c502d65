//! The load that moves the output most: of all that keep within a swing, a slew and a shortest dwell, first of the linearised board and exactly,
//! then in full simulation, from there on by search.
//!
//! Method: docs/physics.md, "worst load".

pub mod bound;
pub mod search;
pub mod waveform;

use super::impedance::told;
use super::learned;
use crate::condition::figures::Failure;
use crate::condition::stand::{Stand, Warm};
use crate::engine::error::EngineError;
use crate::engine::linear::LinearOrbit;
use crate::engine::machine::{Machine, Observer, Output, Stretch};
use crate::engine::response::Response;
use crate::engine::steady::Orbit;
use crate::model::case::Case;
use crate::model::corner::Corner;
use bound::{Freedom, Furthest};
use rayon::prelude::*;
use search::{Rig, Side};
use waveform::{Bounds, Draws, Waveform};

/// Cells of the grid in a period.
const CELLS: usize = 24;
/// Instants of a period at which the output is looked at.
const INSTANTS: usize = 16;
/// Periods that are looked back at most.
pub const MOST_PERIODS: usize = 600;
/// Levels of the grid at most, where a cell may be longer: a slow load does not need short ones.
const ENOUGH_LEVELS: f64 = 48.0;
/// Share of the bound up to which what came before is left out of a simulation.
const FORGOTTEN: f64 = 2e-3;
/// Places in the range of the base load that are tried first: its ends, the middle.
const BASES: [f64; 3] = [0.0, 0.5, 1.0];
/// By how much the base load is moved afterwards, as shares of its range.
const BASE_SHIFTS: [f64; 2] = [0.2, 0.08];
/// Periods before the first edge of a simulated waveform at least.
const LEAD_PERIODS: f64 = 2.0;
/// Shortest hold of random loads in periods, where the dwell is not longer; and how long they are, in lengths of the worst.
const RANDOM_HOLD_PERIODS: f64 = 0.5;
const RANDOM_LENGTHS: f64 = 1.5;
/// Places in the clock's period at which a single step is tried.
const STEP_PHASES: usize = 8;

/// What is looked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Wish {
    /// Numbers of the parts.
    pub parts: Vec<usize>,
    /// Corner.
    pub corner: Corner,
    /// Input voltage in V.
    pub input_v: f64,
    /// What the load may do.
    pub bounds: Bounds,
    /// Base load in A of the single step, and around which the board is linearised.
    pub base_a: f64,
    /// Base loads in A that are tried.
    pub bases_a: (f64, f64),
    /// Random loads that are tried besides.
    pub random: usize,
    /// Their seed.
    pub seed: u64,
}

/// The worst load to one side.
#[derive(Clone, Debug)]
pub struct Worst {
    /// How far the linearised board goes at most, in V; none where its waveform does not repeat.
    pub bound_v: Option<f64>,
    /// How far a single step goes in full simulation, in V.
    pub step_v: f64,
    /// How far the worst that was found goes in full simulation, in V.
    pub found_v: f64,
    /// That load.
    pub waveform: Waveform,
    /// Its base load in A.
    pub base_a: f64,
    /// What random loads did.
    pub random: Random,
}

/// What random loads did.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Random {
    /// How many were run.
    pub count: usize,
    /// The furthest of them in the linear simulation, in V.
    pub linear_v: f64,
    /// How many went beyond the bound there.
    pub beyond_bound: usize,
    /// The furthest of them in full simulation, in V.
    pub full_v: f64,
    /// How many went beyond the worst found there.
    pub beyond_found: usize,
}

/// What was found on a part.
#[derive(Clone, Debug)]
pub struct PartWorst {
    /// To both sides.
    pub sides: [Worst; 2],
    /// Base loads in A that were tried and from which there is no steady state at one of the levels, with the reason.
    pub undelivered: Vec<(f64, String)>,
}

/// The worst loads of some parts.
#[derive(Clone, Debug)]
pub struct WorstLoads {
    /// The case, with everything laid out that it only describes.
    pub case: Case,
    /// One a part: its worst loads, or why there are none.
    pub parts: Vec<Result<PartWorst, String>>,
}

/// The worst loads that are wished for.
///
/// # Errors
/// A compensator that cannot be laid out, or an interruption. What fails for one part is told there.
pub fn worst_loads(case: &Case, wish: &Wish) -> Result<WorstLoads, Failure> {
    let case = learned(case)?;
    let one = |part: &usize| worst(&case, *part, wish);
    let parts: Vec<Result<PartWorst, Failure>> = wish.parts.par_iter().map(one).collect();
    let parts = parts.into_iter().map(told).collect::<Result<_, Failure>>()?;
    Ok(WorstLoads { case, parts })
}

fn worst(case: &Case, part: usize, wish: &Wish) -> Result<PartWorst, Failure> {
    let stand = Stand::new(case, &case.parts[part], wish.corner, wish.input_v);
    let linear = Linear::around(&stand, wish)?;
    let own = Rig::new(&stand, wish.base_a, wish.bounds.swing_a)?;
    let mut bases = Bases { stand: &stand, swing_a: wish.bounds.swing_a, rigs: vec![own], undelivered: vec![] };
    let mut side = |side: Side| one_side(wish, linear.as_ref(), &mut bases, side);
    let sides = [side(Side::Undershoot)?, side(Side::Overshoot)?];
    Ok(PartWorst { sides, undelivered: bases.undelivered })
}

/// One part at the base loads that have been asked for, that of the single step first.
struct Bases<'a> {
    stand: &'a Stand<'a>,
    swing_a: f64,
    rigs: Vec<Rig>,
    /// Base loads in A without a steady state at one of the levels, with the reason.
    undelivered: Vec<(f64, String)>,
}

impl Bases<'_> {
    /// The number of the rig at a base load in A, made where there is none yet; none where the part does not deliver one of the levels.
    fn at(&mut self, base_a: f64) -> Result<Option<usize>, Failure> {
        if let Some(known) = self.rigs.iter().position(|rig| rig.base_a == base_a) {
            return Ok(Some(known));
        }
        if self.undelivered.iter().any(|(known_a, _)| *known_a == base_a) {
            return Ok(None);
        }
        match told(Rig::new(self.stand, base_a, self.swing_a))? {
            Ok(rig) => self.rigs.push(rig),
            Err(why) => {
                self.undelivered.push((base_a, why));
                return Ok(None);
            }
        }
        Ok(Some(self.rigs.len() - 1))
    }
}

fn one_side(wish: &Wish, linear: Option<&Linear>, bases: &mut Bases<'_>, side: Side) -> Result<Worst, Failure> {
    let period_s = 1.0 / bases.stand.board().frequency_hz;
    let step = single_step(&mut bases.rigs[0], wish, side, period_s)?;
    let furthest = linear.and_then(|linear| linear.furthest(wish, side));
    let start = furthest.as_ref().map_or(&step.0, |furthest| &furthest.waveform);
    let mut at = best_base(wish, bases, start, side)?;
    let (mut waveform, mut found_v) = bases.rigs[at].improve(start, &wish.bounds, side)?;
    if step.1 > found_v {
        (at, waveform, found_v) = (0, step.0, step.1);
    }
    let mut worst = Worst {
        bound_v: furthest.map(|furthest| furthest.output_v),
        step_v: step.1,
        found_v,
        base_a: bases.rigs[at].base_a,
        waveform,
        random: Random::default(),
    };
    try_random(&mut bases.rigs[at], linear, wish, side, &mut worst)?;
    Ok(worst)
}

/// The single step that goes furthest, over some places in the clock's period, and how far.
fn single_step(rig: &mut Rig, wish: &Wish, side: Side, period_s: f64) -> Result<(Waveform, f64), EngineError> {
    let mut most: Option<(Waveform, f64)> = None;
    for phase in (0..STEP_PHASES).map(|k| k as f64 / STEP_PHASES as f64) {
        let begin_s = (LEAD_PERIODS + phase) * period_s;
        let step = Waveform::step(&wish.bounds, side == Side::Undershoot, begin_s);
        let output_v = rig.side_v(&step, side)?;
        if most.as_ref().is_none_or(|(_, most_v)| output_v > *most_v) {
            most = Some((step, output_v));
        }
    }
    Ok(most.expect("at least one phase is tried"))
}

/// The number of the rig at whose base load a waveform goes furthest: over the range, then beside the best.
fn best_base(wish: &Wish, bases: &mut Bases<'_>, waveform: &Waveform, side: Side) -> Result<usize, Failure> {
    let (low_a, high_a) = wish.bases_a;
    let mut best = (0, bases.rigs[0].side_v(waveform, side)?);
    let attempt = |bases: &mut Bases<'_>, base_a: f64, best: &mut (usize, f64)| -> Result<(), Failure> {
        let Some(rig) = bases.at(base_a)? else { return Ok(()) };
        let output_v = bases.rigs[rig].side_v(waveform, side)?;
        if output_v > best.1 {
            *best = (rig, output_v);
        }
        Ok(())
    };
    for share in BASES {
        attempt(bases, low_a + share * (high_a - low_a), &mut best)?;
    }
    for shift in BASE_SHIFTS.iter().flat_map(|share| [*share, -*share]) {
        let base_a = bases.rigs[best.0].base_a + shift * (high_a - low_a);
        attempt(bases, base_a.clamp(low_a, high_a), &mut best)?;
    }
    Ok(best.0)
}

/// Random loads, in the linear simulation and in full: one that goes further than the worst found takes its place.
fn try_random(
    rig: &mut Rig,
    linear: Option<&Linear>,
    wish: &Wish,
    side: Side,
    worst: &mut Worst,
) -> Result<(), EngineError> {
    let period_s = linear.map_or(0.0, |linear| linear.orbit.duration_s);
    let length_s = RANDOM_LENGTHS * worst.waveform.span_s().1;
    let mut draws = Draws::new(wish.bounds, length_s, RANDOM_HOLD_PERIODS * period_s, wish.seed);
    let before_v = worst.found_v;
    for _ in 0..wish.random {
        let waveform = draws.draw();
        let full_v = rig.side_v(&waveform, side)?;
        worst.random.count += 1;
        worst.random.full_v = worst.random.full_v.max(full_v);
        worst.random.beyond_found += usize::from(full_v > before_v);
        if full_v > worst.found_v {
            (worst.found_v, worst.waveform) = (full_v, waveform.clone());
        }
        if let Some((linear, bound_v)) = linear.zip(worst.bound_v) {
            let linear_v = linear.side_v(&waveform, wish, side);
            worst.random.linear_v = worst.random.linear_v.max(linear_v);
            worst.random.beyond_bound += usize::from(linear_v > bound_v);
        }
    }
    Ok(())
}

/// The linearised board around the middle of the swing.
pub struct Linear {
    /// The orbit.
    pub orbit: LinearOrbit,
    responses: Vec<Response>,
    /// Output in V at each instant without a deviation, and the mean of it.
    instants_v: Vec<f64>,
    mean_v: f64,
    /// Mean output in V per ampere of the load for ever.
    settled: f64,
    /// Length of a cell of the grid in s.
    cell_s: f64,
}

/// A load of the linearised board and how far the output goes.
pub struct FurthestLoad {
    /// In V beyond the mean at the level that counts.
    pub output_v: f64,
    /// The load.
    pub waveform: Waveform,
}

impl Linear {
    /// The board of a stand, linearised; none where its waveform does not repeat.
    ///
    /// # Errors
    /// No steady state.
    pub fn around(stand: &Stand<'_>, wish: &Wish) -> Result<Option<Linear>, Failure> {
        let Warm { machine, steady, .. } = stand.warm(wish.base_a + 0.5 * wish.bounds.swing_a)?;
        let mean_v = steady.mean_output_v();
        let mut machine = machine.without_instrument()?;
        Ok(Linear::of(&mut machine, &steady.orbit, mean_v, &wish.bounds)?)
    }

    /// A machine in an orbit with a mean output in V, linearised.
    ///
    /// # Errors
    /// Whatever stops a run.
    pub fn of(
        machine: &mut Machine,
        orbit: &Orbit,
        mean_v: f64,
        bounds: &Bounds,
    ) -> Result<Option<Linear>, EngineError> {
        let Some(linear) = LinearOrbit::around(machine, orbit)? else { return Ok(None) };
        let repetitions = (MOST_PERIODS as u64 / orbit.periods).max(2) as usize;
        let mut ripple = Ripple { instants_s: vec![], values_v: vec![], period_s: machine.period_s() };
        let count = INSTANTS * orbit.periods as usize;
        ripple.instants_s = (0..count).map(|k| k as f64 / count as f64 * linear.duration_s).collect();
        machine.trace_orbit(orbit, &mut ripple)?;
        let edge_s = bounds.swing_a / bounds.slew_a_per_s;
        let most_cells = CELLS * orbit.periods as usize;
        let cells = (ENOUGH_LEVELS * linear.duration_s / edge_s).clamp(1.0, most_cells as f64) as usize;
        let Some(responses) = linear.responses(&ripple.instants_s, (cells, edge_s), repetitions) else {
            return Ok(None);
        };
        let cell_s = linear.duration_s / cells as f64;
        let settled = responses.iter().map(|one| one.settled).sum::<f64>() / responses.len() as f64;
        Ok(Some(Linear { orbit: linear, responses, instants_v: ripple.values_v, mean_v, settled, cell_s }))
    }

    /// The load within the bounds that takes the output furthest, and how far.
    pub fn furthest(&self, wish: &Wish, side: Side) -> Option<FurthestLoad> {
        let (bounds, sign) = (wish.bounds, if side == Side::Undershoot { -1.0 } else { 1.0 });
        let levels = ((bounds.swing_a / (bounds.slew_a_per_s * self.cell_s)).floor() as usize).max(1);
        let dwell = (bounds.dwell_s / self.cell_s).floor() as usize;
        let freedom = Freedom { swing_a: bounds.swing_a, levels, dwell };
        let best = |(number, response): (usize, &Response)| {
            let rises: Vec<f64> = response.rises.iter().map(|rise| sign * rise).collect();
            let furthest = bound::highest(&rises, sign * response.settled, &freedom);
            let output_v = furthest.output_v + self.offset_v(number, response.settled, &bounds, sign);
            (number, furthest, output_v)
        };
        let all = self.responses.iter().enumerate().map(best);
        let (number, furthest, output_v) = all.reduce(|a, b| if b.2 > a.2 { b } else { a })?;
        let waveform = self.waveform(number, &furthest, &freedom, &bounds);
        Some(FurthestLoad { output_v, waveform })
    }

    /// What the output at an instant, at the base load for ever, is beyond the mean at the level that counts, in V.
    fn offset_v(&self, number: usize, settled: f64, bounds: &Bounds, sign: f64) -> f64 {
        let half_a = 0.5 * bounds.swing_a;
        let at_base_v = self.instants_v[number] - settled * half_a;
        let mean_v = self.mean_v + sign * self.settled * half_a;
        sign * (at_base_v - mean_v)
    }

    /// A load of the grid in time, what it did long before left out.
    fn waveform(&self, number: usize, furthest: &Furthest, freedom: &Freedom, bounds: &Bounds) -> Waveform {
        let (response, cell_s) = (&self.responses[number], self.cell_s);
        let step_a = freedom.swing_a / freedom.levels as f64;
        let course = &furthest.course;
        let kept = remembered(course, response, step_a, FORGOTTEN * furthest.output_v.abs());
        let raw = Waveform::of_levels(&course[..=kept], step_a, (response.phase_s, cell_s), bounds);
        let (begin_s, _) = raw.span_s();
        let lead_s = LEAD_PERIODS * self.orbit.duration_s;
        let periods = ((lead_s - begin_s) / self.orbit.duration_s).ceil().max(0.0);
        raw.later(periods * self.orbit.duration_s)
    }

    /// How far the linearised board goes to one side under a load, in V.
    pub fn side_v(&self, waveform: &Waveform, wish: &Wish, side: Side) -> f64 {
        let half_a = 0.5 * wish.bounds.swing_a;
        let points: Vec<(f64, f64)> = waveform.points().iter().map(|(at_s, load_a)| (*at_s, load_a - half_a)).collect();
        let sign = if side == Side::Undershoot { -1.0 } else { 1.0 };
        let mean_v = self.mean_v + sign * self.settled * half_a;
        let instants_s: Vec<f64> = self.responses.iter().map(|response| response.phase_s).collect();
        let repetitions = (waveform.span_s().1 / self.orbit.duration_s).ceil() as usize + INSTANTS;
        let mut most_v = f64::NEG_INFINITY;
        self.orbit.follow(&points, &instants_s, repetitions, &mut |_, k, deviation_v| {
            most_v = most_v.max(sign * (self.instants_v[k] + deviation_v - mean_v));
        });
        most_v
    }
}

/// The earliest boundary before which the course may be taken as level: what it does before counts for less than an allowance in V.
fn remembered(course: &[usize], response: &Response, step_a: f64, allowance_v: f64) -> usize {
    let level_a = |boundary: usize| course[boundary] as f64 * step_a;
    let last = course.len() - 1;
    // What the moves before a boundary do, less what they would do had they been made long ago.
    let mut left_v = 0.0;
    let mut kept = last;
    for boundary in (1..=last).rev() {
        let moved_a = level_a(boundary - 1) - level_a(boundary);
        left_v += moved_a * (response.rises[boundary - 1] - response.settled);
        if f64::abs(left_v) > allowance_v {
            break;
        }
        kept = boundary - 1;
    }
    kept.max(1)
}

/// The output at instants of an orbit.
struct Ripple {
    instants_s: Vec<f64>,
    values_v: Vec<f64>,
    period_s: f64,
}

impl Observer for Ripple {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let begin_s = stretch.cycle as f64 * self.period_s + stretch.phase_s;
        while let Some(at_s) = self.instants_s.get(self.values_v.len()) {
            let t_s = (at_s - begin_s).max(0.0);
            if t_s >= stretch.duration_s {
                return;
            }
            let x = stretch.state(t_s);
            self.values_v.push(stretch.read(Output::Voltage, &x, t_s));
        }
    }
}
