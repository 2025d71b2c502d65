//! Light load: how often pulses come, their ripple, and where conduction stops being continuous.
//!
//! Definitions: docs/physics.md, "light load".

use super::contract::{Condition, Found, Setup, Wish};
use super::curves::{Curve, LightCurve};
use super::figures::{Failure, Figures, Note, Place};
use super::stand::Stand;
use crate::engine::error::EngineError;
use crate::engine::machine::{Begin, Effort, Machine, Observer, Output, Stretch};
use crate::engine::network::Path;
use crate::engine::program::Program;
use crate::engine::steady::Near;
use crate::measure::extremes::{Extremes, Range};
use crate::model::procedure::Procedure;

/// Halvings of the interval in which the boundary of continuous conduction lies.
const HALVINGS: usize = 24;

/// Cycles of a steady pattern that are shown.
const PATTERN: u64 = 400;

/// Pulses from the lightest load up to the full one.
pub(crate) struct LightLoad;

impl Condition for LightLoad {
    fn name(&self) -> &'static str {
        "light load"
    }

    fn key(&self) -> &'static str {
        "load.lightest"
    }

    fn quantities(&self) -> &'static [&'static str] {
        &["light_ripple", "pattern_frequency"]
    }

    fn places(&self, stand: &Stand<'_>) -> Vec<Place> {
        let lightest_a = stand.case.board.events.light_load_a.filter(|_| stand.corner.is_nominal());
        lightest_a.iter().map(|&load_a| stand.place(self.name(), load_a)).collect()
    }

    fn simulate(&self, stand: &Stand<'_>, place: Place) -> Result<Found, Failure> {
        let (lightest_a, full_a) = (place.load_a.unwrap_or(0.0), stand.full_load_a());
        let ambient_degc = stand.board().ambient_degc;
        let (mut machine, _) = stand.changed(ambient_degc, &[], |_| {})?;
        let mut figures = Figures::at(place, Some(ambient_degc));
        let worst_a = stand.known().borrow().light_a();
        let points = match worst_a {
            // A stand that is like another one is looked at where that one told something.
            Some(worst_a) => at_loads(&mut machine, [lightest_a, worst_a].into_iter())?,
            None => follow(&mut machine, lightest_a, full_a)?,
        };
        if let Some(worst) = points.iter().reduce(|a, b| if b.2 > a.2 { b } else { a }) {
            stand.known().borrow_mut().note_light_a(worst.0);
        }
        // Where the limit does not deliver even the lightest load there is nothing to tell.
        if let Some((_, pattern_hz, _)) = points.first() {
            let ripple_v = points.iter().map(|point| point.2).fold(0.0, f64::max);
            figures.extend([("light_ripple", ripple_v), ("pattern_frequency", *pattern_hz)]);
        }
        let boundary = match worst_a.is_none().then(|| continuous_down_to(&mut machine, lightest_a, full_a)) {
            None | Some(Err(EngineError::DoesNotDeliver { .. })) => None,
            Some(found) => found?,
        };
        if let Some(load_a) = boundary {
            figures.push("boundary", load_a);
        }
        figures.notes.extend(heard(&points, &stand.case.board.procedure));
        let mut found = Found::of(figures);
        if stand.is_nominal_input() {
            found.curves.push(Curve::Light(LightCurve { part: stand.part.name.clone(), points }));
        }
        Ok(found)
    }

    fn set_up(&self, stand: &Stand<'_>, _: &Wish) -> Result<Option<Setup>, Failure> {
        let Some(lightest_a) = stand.case.board.events.light_load_a else { return Ok(None) };
        let (machine, curve) = stand.changed(stand.board().ambient_degc, &[], |_| {})?;
        let begin = Begin::Clock(machine.first_guess(lightest_a));
        let program = Program::constant(machine.circuit.program_a(lightest_a));
        Ok(Some(Setup { machine, curve, begin, program, origin: (0, 0.0), cycles: Some(PATTERN) }))
    }

    fn can_be_read(&self, quantity: &str) -> bool {
        quantity == "pattern_frequency"
    }
}

/// (load in A, repetition of the pattern in Hz, ripple in V) from the lightest load up, as far as the limit does not pause.
fn follow(machine: &mut Machine, lightest_a: f64, full_a: f64) -> Result<Vec<(f64, f64, f64)>, EngineError> {
    let loads = machine.circuit.board.procedure.light_loads;
    let at = |k: u64| lightest_a * (full_a / lightest_a).powf(k as f64 / (loads - 1) as f64);
    at_loads(machine, (0..loads).map(at))
}

fn at_loads(machine: &mut Machine, loads: impl Iterator<Item = f64>) -> Result<Vec<(f64, f64, f64)>, EngineError> {
    let mut points = vec![];
    for load_a in loads {
        let seen = run(machine, load_a)?;
        if seen.effort.pauses > 0 {
            break;
        }
        points.push((load_a, seen.pattern_hz, seen.ripple.width()));
    }
    Ok(points)
}

/// Whether the pattern may be heard.
fn heard(points: &[(f64, f64, f64)], procedure: &Procedure) -> Option<Note> {
    let within = |(low_hz, high_hz): (f64, f64)| points.iter().any(|point| (low_hz..=high_hz).contains(&point.1));
    if within(procedure.most_audible_hz) {
        Some(Note::MostAudible { range_hz: procedure.most_audible_hz })
    } else {
        within(procedure.audible_hz).then_some(Note::Audible)
    }
}

/// Pulses at one load.
#[derive(Clone, Copy, Debug)]
pub struct LightResult {
    /// Load in A.
    pub load_a: f64,
    /// Pulses per second in Hz.
    pub pulses_hz: f64,
    /// Repetition of the pattern in Hz: of bursts where clock edges are left out, otherwise of pulses.
    pub pattern_hz: f64,
    /// Output range at 20 MHz bandwidth in V.
    pub ripple: Range,
    /// What happened.
    pub effort: Effort,
}

/// Repetition of something: its first and last time in s, and how often it came.
#[derive(Clone, Copy, Debug, Default)]
struct Repeats {
    first_s: f64,
    last_s: f64,
    count: u64,
}

impl Repeats {
    fn note(&mut self, at_s: f64) {
        if self.count == 0 {
            self.first_s = at_s;
        }
        self.last_s = at_s;
        self.count += 1;
    }

    /// Rate in Hz; 0 where it did not come twice.
    fn rate_hz(&self) -> f64 {
        if self.count < 2 { 0.0 } else { (self.count - 1) as f64 / (self.last_s - self.first_s) }
    }
}

/// Notes when pulses begin, and when a series of pulses at successive clock edges does.
struct Pulses {
    period_s: f64,
    gap_s: f64,
    clocked: bool,
    high: bool,
    pulses: Repeats,
    bursts: Repeats,
}

impl Pulses {
    /// What repeats as a whole: pulses, or with gaps between series of pulses these series.
    fn pattern(&self) -> &Repeats {
        if self.clocked && self.bursts.count > 0 { &self.bursts } else { &self.pulses }
    }
}

impl Observer for Pulses {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let high = stretch.mode.key.path == Path::High;
        if high && !self.high {
            let now_s = stretch.cycle as f64 * self.period_s + stretch.phase_s;
            if self.pulses.count > 0 && now_s - self.pulses.last_s > self.gap_s {
                self.bursts.note(now_s);
            }
            self.pulses.note(now_s);
        }
        self.high = high;
    }
}

/// Follows the pulses at a load that has been settled from a guess.
///
/// # Errors
/// Whatever stops a run.
pub fn run(machine: &mut Machine, load_a: f64) -> Result<LightResult, EngineError> {
    let procedure = machine.circuit.board.procedure;
    let mut program = Program::constant(machine.circuit.program_a(load_a));
    let mut state = machine.at_clock(machine.first_guess(load_a));
    while state.effort.pulses < procedure.pattern_settling && state.cycle < procedure.pattern_longest {
        machine.run(&mut state, 64, &mut program, &mut (), None)?;
    }
    let begin = state.cycle;
    let (period_s, clocked) = (machine.period_s(), machine.is_clocked());
    let gap_s = procedure.pattern_gap * period_s;
    let (pulses, bursts) = (Repeats::default(), Repeats::default());
    let mut seen = Pulses { period_s, gap_s, clocked, high: true, pulses, bursts };
    let mut extremes = Extremes::of(&[Output::Instrument]);
    while seen.pattern().count <= procedure.pattern_counted && state.cycle - begin < procedure.pattern_longest {
        machine.run(&mut state, 16, &mut program, &mut (&mut seen, &mut extremes), None)?;
    }
    Ok(LightResult {
        load_a,
        pulses_hz: seen.pulses.rate_hz(),
        pattern_hz: seen.pattern().rate_hz(),
        ripple: extremes.range(Output::Instrument),
        effort: state.effort,
    })
}

/// Load in A at which the valley of the inductor current comes down to zero, between two loads; `None` where it does not.
///
/// # Errors
/// No steady state.
pub fn continuous_down_to(machine: &mut Machine, from_a: f64, to_a: f64) -> Result<Option<f64>, EngineError> {
    let mut near = None;
    let mut is_continuous = |load_a: f64| -> Result<bool, EngineError> {
        let orbit = machine.steady_near(load_a, near.as_ref())?;
        near = Some(Near::of(&orbit));
        let mut extremes = Extremes::of(&[Output::Inductor]);
        machine.trace_orbit(&orbit, &mut extremes)?;
        Ok(extremes.range(Output::Inductor).low > 0.0)
    };
    if is_continuous(from_a)? || !is_continuous(to_a)? {
        return Ok(None);
    }
    let (mut low_a, mut high_a) = (from_a, to_a);
    for _ in 0..HALVINGS {
        let middle_a = 0.5 * (low_a + high_a);
        if is_continuous(middle_a)? { high_a = middle_a } else { low_a = middle_a }
    }
    Ok(Some(high_a))
}
