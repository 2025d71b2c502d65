//! What befalls a board beyond steady states and load steps: starts, steps of the input, overload, short circuit, light load.
//!
//! Each happens where the board states it. Definitions: docs/physics.md, "start", "input step", "overload", "short circuit",
//! "light load".

use super::{Corner, Job, JobResult, NOMINAL, circuit, engine_error, step_curve, value, warm_steady};
use crate::board::{InputStep, Overload, ShortCircuit};
use crate::case::Case;
use crate::compare::judge;
use crate::compare::record::{ConditionRecord, LightCurve};
use crate::engine::error::EngineError;
use crate::engine::machine::{Begin, Machine};
use crate::engine::network::{Circuit, LimitLevel};
use crate::engine::program::{Instant, Program};
use crate::error::Error;
use crate::loss::copper;
use crate::measure::curves::Thinned;
use crate::measure::steady::SteadyResult;
use crate::measure::{input_step, light, overload, short, start, steady};
use crate::parts::Inductor;
use crate::parts::saturation::FluxCurve;

/// Periods in which a loop settles where no recovery time is stated.
const SETTLING_PERIODS: f64 = 240.0;
/// Multiple of the stated recovery time in which everything settles.
const SETTLING_RECOVERIES: f64 = 8.0;
/// Number of intervals to which the waveform of an event is thinned at most.
const INTERVALS: f64 = 4000.0;
/// Time constant in s of a resistive load with its leads: some 10 cm of wire and an ohm or two.
const LEADS_S: f64 = 60e-9;
/// Share of the full load that only bleeds the output.
const BLEEDER: f64 = 0.01;
/// Cycles of a short circuit that set how finely its waveform is kept: a pause makes a run long in which nothing happens.
const SHORT_CYCLES: u64 = 8000;
/// Loads at which the light load is followed, in equal ratios.
const LIGHT_LOADS: usize = 9;
/// Range of repetition in Hz in which a pattern may be heard, and that in which the ear is most sensitive (common practice).
const AUDIBLE_HZ: (f64, f64) = (20.0, 20e3);
const MOST_AUDIBLE_HZ: (f64, f64) = (2e3, 5e3);

/// What an event starts from: the steady state at full load in the same condition.
#[derive(Clone, Copy, Debug)]
pub(super) struct FullLoad {
    pub(super) load_a: f64,
    pub(super) winding_degc: f64,
}

/// An event by itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Event {
    /// Start from an empty output at full load.
    Start,
    /// Step of the input voltage.
    InputStep,
    /// Overload that grows until the output gives way.
    Overload,
    /// Short circuit.
    Short,
    /// Steady pulses at the lightest load.
    LightLoad,
}

impl Event {
    /// All of them.
    pub const ALL: [Event; 5] = [Event::Start, Event::InputStep, Event::Overload, Event::Short, Event::LightLoad];

    /// Name of the condition.
    pub fn name(self) -> &'static str {
        match self {
            Event::Start => "start",
            Event::InputStep => "input step",
            Event::Overload => "overload",
            Event::Short => "short circuit",
            Event::LightLoad => "light load",
        }
    }
}

/// A run that is ready to go: what an event does to a part.
pub struct Setup {
    /// Machine.
    pub machine: Machine,
    /// Smooth saturation curve behind it.
    pub curve: FluxCurve,
    /// Where the run begins.
    pub begin: Begin,
    /// What drives it.
    pub program: Program,
    /// Instant from which its time counts.
    pub origin: Instant,
    /// Whole cycles of the run.
    pub cycles: u64,
}

/// Sets an event up for a part at a corner and input voltage; `None` where the board does not state it.
///
/// # Errors
/// Whatever stops the runs that come before, and a load that the limit does not deliver.
pub fn setup(case: &Case, part: usize, corner: Corner, input_v: f64, event: Event) -> Result<Option<Setup>, Error> {
    let job = Job { part, corner, input_v };
    let full_a = case.board.load_a.last().copied().unwrap_or(0.0);
    let winding_degc = match warm_steady(case, &case.parts[part], corner, input_v, full_a) {
        Ok(warm) => warm.winding_degc,
        Err(Error::Simulation { source: EngineError::DoesNotDeliver { .. }, .. }) => case.board.ambient_degc,
        Err(error) => return Err(error),
    };
    job.set_up(case, event, FullLoad { load_a: full_a, winding_degc })
}

/// Cycles that are shown after the output has given way.
const AFTER_TRIP: u64 = 200;
/// Cycles of a steady pattern that are shown.
const PATTERN: u64 = 400;

impl Job {
    fn set_up(&self, case: &Case, event: Event, full: FullLoad) -> Result<Option<Setup>, Error> {
        let fail = |error: EngineError| engine_error(error, &self.words(case, event.name()));
        let events = &case.board.events;
        let soft_start_s = case.board.control.protection.soft_start_s;
        let ready = match event {
            Event::Start if events.start.is_some() => {
                let (machine, curve) = self.started(case, full.load_a, full)?;
                let cycles = ((soft_start_s + settling_s(case)) / machine.period_s()).ceil() as u64;
                let program = Program::constant(0.0);
                Setup { machine, curve, begin: Begin::Rest(0.0), program, origin: (0, 0.0), cycles }
            }
            Event::InputStep => {
                let Some(step) = events.input_step else { return Ok(None) };
                let (mut machine, curve) = self.supplied(case, step.from_v, full)?;
                let begin = Begin::Clock(machine.steady(step.load_a).map_err(fail)?.x);
                let timing = input_step::Timing::new(&step, machine.period_s());
                let program = timing.program(&step, &machine);
                Setup { machine, curve, begin, program, origin: timing.there, cycles: timing.cycles }
            }
            Event::Overload => {
                let Some(states) = events.overload else { return Ok(None) };
                let (mut machine, curve) = self.overloaded(case, &states, full)?;
                let (from_a, from) = deliverable(&mut machine, full.load_a).map_err(fail)?;
                let at = (&from.orbit.x, from_a);
                let band_v = (from.mean_output_v(), half_band_v(case));
                let found = overload::run(&mut machine, at, band_v, states.slew_a_per_s).map_err(fail)?;
                let (program, longest) = overload::program(&machine, from_a, states.slew_a_per_s);
                let growth_a = found.trip_a.unwrap_or(found.furthest_a) - from_a;
                let trip = (growth_a / states.slew_a_per_s / machine.period_s()) as u64;
                let cycles = longest.min(trip + AFTER_TRIP);
                Setup { machine, curve, begin: Begin::Clock(from.orbit.x), program, origin: (0, 0.0), cycles }
            }
            Event::Short => {
                let Some(states) = events.short else { return Ok(None) };
                let (mut machine, curve) = self.shorted(case, &states, full)?;
                let orbit = machine.steady(full.load_a).map_err(fail)?;
                let timing = short::Timing::new(&states, &machine, settling_s(case));
                let program = short::program(&timing, orbit.program_a);
                Setup {
                    machine,
                    curve,
                    begin: Begin::Clock(orbit.x),
                    program,
                    origin: timing.begin,
                    cycles: timing.cycles,
                }
            }
            Event::LightLoad => {
                let Some(lightest_a) = events.light_load_a else { return Ok(None) };
                let (machine, curve) = self.machine_for(case, case.board.ambient_degc, |_| {})?;
                let begin = Begin::Clock(machine.first_guess(lightest_a));
                let program = Program::constant(machine.circuit.program_a(lightest_a));
                Setup { machine, curve, begin, program, origin: (0, 0.0), cycles: PATTERN }
            }
            Event::Start => return Ok(None),
        };
        Ok(Some(ready))
    }

    /// The machine of an overload. At the low corner it has the hottest winding and the lowest threshold, at the other the coldest
    /// winding of the least resistance and the highest threshold.
    fn overloaded(&self, case: &Case, states: &Overload, full: FullLoad) -> Result<(Machine, FluxCurve), Error> {
        let part = &case.parts[self.part];
        let (winding_degc, level) = self.overload_extremes(states, full);
        self.machine_for(case, winding_degc, |circuit| {
            circuit.limit_level = level;
            if level == LimitLevel::Highest {
                circuit.dcr_ohm = copper::resistance_ohm(least_resistance_ohm(part), winding_degc);
            }
        })
    }

    /// The machine of a start into a resistance.
    fn started(&self, case: &Case, load_a: f64, full: FullLoad) -> Result<(Machine, FluxCurve), Error> {
        let level = self.level(LimitLevel::Lowest);
        self.machine_for(case, full.winding_degc, |circuit| into_resistance(circuit, load_a, level))
    }

    /// The machine at another input voltage.
    fn supplied(&self, case: &Case, source_v: f64, full: FullLoad) -> Result<(Machine, FluxCurve), Error> {
        self.machine_for(case, full.winding_degc, |circuit| circuit.source_v = source_v)
    }

    fn overload_extremes(&self, states: &Overload, full: FullLoad) -> (f64, LimitLevel) {
        let (coldest_degc, hottest_degc) = states.winding_degc;
        match (self.corner.name, self.corner.inductance < 0.0) {
            (NOMINAL, _) => (full.winding_degc, LimitLevel::Typical),
            (_, true) => (hottest_degc, LimitLevel::Lowest),
            (_, false) => (coldest_degc, LimitLevel::Highest),
        }
    }

    fn shorted(&self, case: &Case, states: &ShortCircuit, full: FullLoad) -> Result<(Machine, FluxCurve), Error> {
        let level = self.level(LimitLevel::Highest);
        self.machine_for(case, full.winding_degc, |circuit| {
            into_resistance(circuit, full.load_a, level);
            circuit.short = Some((states.ohm, states.henry));
        })
    }

    /// Every event that the board states.
    pub(super) fn events(&self, case: &Case, full: FullLoad, result: &mut JobResult) -> Result<(), Error> {
        let events = &case.board.events;
        if let Some(states) = &events.start {
            let bleeder_a = BLEEDER * full.load_a;
            let charged = states.prebias_v.iter().map(|&output_v| (output_v, bleeder_a));
            let starts = std::iter::once((0.0, full.load_a)).chain(charged);
            for (output_v, load_a) in starts {
                let found = self.start(case, full, output_v, load_a, result);
                self.delivered(&start_words(output_v), load_a, found, result)?;
            }
        }
        if let Some(step) = events.input_step.filter(|_| self.input_v == case.board.nominal_input_v) {
            let found = self.input_step(case, &step, full, result);
            self.delivered("input step", step.load_a, found, result)?;
        }
        if let Some(states) = events.overload {
            let found = self.overload(case, &states, full, result);
            self.delivered("overload", full.load_a, found, result)?;
        }
        if let Some(states) = events.short {
            let found = self.short(case, &states, full, result);
            self.delivered("short circuit", full.load_a, found, result)?;
        }
        if let Some(lightest_a) = events.light_load_a.filter(|_| self.corner.name == NOMINAL) {
            self.light_load(case, lightest_a, full, result)?;
        }
        Ok(())
    }

    fn words(&self, case: &Case, what: &str) -> String {
        let part = &case.parts[self.part];
        format!("{}, {what}, {}, {}", part.name, judge::say(self.input_v, "V"), self.corner.name)
    }

    /// A circuit at a winding temperature, changed as an event needs it.
    fn machine_for(
        &self,
        case: &Case,
        winding_degc: f64,
        change: impl FnOnce(&mut Circuit),
    ) -> Result<(Machine, FluxCurve), Error> {
        let part = &case.parts[self.part];
        let full_a = case.board.load_a.last().copied().unwrap_or(0.0);
        let (mut circuit, curve) = circuit(case, part, self.corner, self.input_v, full_a, winding_degc)?;
        change(&mut circuit);
        let machine = Machine::new(circuit).map_err(|error| engine_error(error, &self.words(case, "event")))?;
        Ok((machine, curve))
    }

    /// Whether a waveform of the event is wanted, and if so thinned over the run.
    fn thinned(
        &self,
        case: &Case,
        wanted: bool,
        machine: &Machine,
        cycles: u64,
        origin: (u64, f64),
    ) -> Option<Thinned> {
        let duration_s = cycles as f64 * machine.period_s();
        let interval_s = (duration_s / INTERVALS).max(0.25 * machine.period_s());
        (wanted && self.is_nominal(case)).then(|| Thinned::new(origin, machine.period_s(), interval_s))
    }

    /// A start into a resistance, with the output empty or already at a voltage.
    fn start(
        &self,
        case: &Case,
        full: FullLoad,
        output_v: f64,
        load_a: f64,
        result: &mut JobResult,
    ) -> Result<(), Error> {
        let kind = start_words(output_v);
        let fail = |error: EngineError| engine_error(error, &self.words(case, &kind));
        let (mut machine, curve) = self.started(case, load_a, full)?;
        let soft_start_s = case.board.control.protection.soft_start_s;
        let shown = ((2.0 * soft_start_s + settling_s(case)) / machine.period_s()) as u64;
        let mean_v = steady::measure(&mut machine, load_a).map_err(fail)?.mean_output_v();
        let aim_v = (output_v, mean_v);
        let mut thinned = self.thinned(case, output_v == 0.0, &machine, shown, (0, 0.0));
        let found = match &mut thinned {
            Some(thinned) => start::run(&mut machine, aim_v, half_band_v(case), settling_s(case), thinned),
            None => start::run(&mut machine, aim_v, half_band_v(case), settling_s(case), &mut ()),
        }
        .map_err(fail)?;
        let mut record = self.condition(&kind, load_a);
        record.winding_degc = Some(full.winding_degc);
        record.values = vec![
            value("start_overshoot", found.overshoot_v),
            value("start_fall", found.fall_v),
            value("start_limited", found.effort.limited as f64),
        ];
        // Next to no load leaves only a few pulses at the end, which say nothing.
        if output_v == 0.0 {
            record.values.push(value("start_peak", found.peak_a));
        }
        if found.started {
            record.values.push(value("start_time", found.time_s));
        } else {
            let end = judge::say(start::LONGEST * (soft_start_s + settling_s(case)), "s");
            record.notes.push(format!("the output does not stay in its band within {end}: no start"));
        }
        note_beyond(&curve, found.peak_a, &mut record);
        if found.effort.pauses > 0 {
            record.notes.push("the start trips the limit for so long that it pauses".into());
        }
        let means_v = (0.0, mean_v);
        result.start =
            result.start.take().or(thinned.map(|thinned| step_curve(&case.parts[self.part].name, thinned, means_v)));
        result.note_run(found.book_residual, found.peak_a);
        result.records.push(record);
        Ok(())
    }

    fn input_step(&self, case: &Case, step: &InputStep, full: FullLoad, result: &mut JobResult) -> Result<(), Error> {
        let fail = |error: EngineError| engine_error(error, &self.words(case, "input step"));
        let (mut machine, _) = self.supplied(case, step.to_v, full)?;
        let to = steady::measure(&mut machine, step.load_a).map_err(fail)?;
        let (mut machine, curve) = self.supplied(case, step.from_v, full)?;
        let from = steady::measure(&mut machine, step.load_a).map_err(fail)?;
        let means_v = (from.mean_output_v(), to.mean_output_v());
        let found = input_step::run(&mut machine, step, &from.orbit, means_v, half_band_v(case)).map_err(fail)?;
        let mut record = self.condition("input step", step.load_a);
        record.input_v = None;
        record.winding_degc = Some(full.winding_degc);
        record.values = vec![
            value("input_step_deviation", found.deviation_v),
            value("input_step_recovery", found.recovery_s),
            value("input_step_peak", found.peak_a),
        ];
        if !found.recovered {
            record.notes.push("the output was not back in its band before the next edge of the input".into());
        }
        note_beyond(&curve, found.peak_a, &mut record);
        result.note_run(found.book_residual, found.peak_a);
        result.records.push(record);
        Ok(())
    }

    fn overload(&self, case: &Case, states: &Overload, full: FullLoad, result: &mut JobResult) -> Result<(), Error> {
        let fail = |error: EngineError| engine_error(error, &self.words(case, "overload"));
        let (winding_degc, level) = self.overload_extremes(states, full);
        let (mut machine, curve) = self.overloaded(case, states, full)?;
        let (from_a, from) = deliverable(&mut machine, full.load_a).map_err(fail)?;
        let at = (&from.orbit.x, from_a);
        let band_v = (from.mean_output_v(), half_band_v(case));
        let found = overload::run(&mut machine, at, band_v, states.slew_a_per_s).map_err(fail)?;
        let mut record = self.condition("overload", full.load_a);
        record.winding_degc = Some(winding_degc);
        record.values.push(value("overload_peak", found.peak_a));
        match found.trip_a {
            // The highest threshold is held against the highest allowed load, every other against the lowest.
            Some(trip_a) if level == LimitLevel::Highest => record.values.push(value("trip_highest", trip_a)),
            Some(trip_a) if level == LimitLevel::Lowest => record.values.push(value("trip_lowest", trip_a)),
            Some(trip_a) => record.values.push(value("trip", trip_a)),
            None => {
                let furthest = judge::say(found.furthest_a, "A");
                record.notes.push(format!("the output does not give way up to {furthest}"));
            }
        }
        if found.effort.limited == 0 && found.trip_a.is_some() {
            record.notes.push("the output gives way before the current limit acts".into());
        }
        note_beyond(&curve, found.peak_a, &mut record);
        result.note_run(found.book_residual, 0.0);
        result.records.push(record);
        Ok(())
    }

    fn short(&self, case: &Case, states: &ShortCircuit, full: FullLoad, result: &mut JobResult) -> Result<(), Error> {
        let fail = |error: EngineError| engine_error(error, &self.words(case, "short circuit"));
        let part = &case.parts[self.part];
        let (mut machine, curve) = self.shorted(case, states, full)?;
        let from = steady::measure(&mut machine, full.load_a).map_err(fail)?;
        let timing = short::Timing::new(states, &machine, settling_s(case));
        let mut thinned = self.thinned(case, true, &machine, timing.cycles.min(SHORT_CYCLES), timing.begin);
        let at = (&from.orbit.x, from.orbit.program_a);
        let mean_v = from.mean_output_v();
        let found = match &mut thinned {
            Some(thinned) => short::run(&mut machine, &timing, at, mean_v, half_band_v(case), thinned),
            None => short::run(&mut machine, &timing, at, mean_v, half_band_v(case), &mut ()),
        }
        .map_err(fail)?;
        let mut record = self.condition("short circuit", full.load_a);
        record.winding_degc = Some(full.winding_degc);
        record.values = vec![
            value("short_peak", found.peak_a),
            value("short_share", curve.inductance_h(found.peak_a) / part.inductance_h),
            value("short_energy", found.first_j),
            value("short_overshoot", found.overshoot_v),
        ];
        if found.recovered {
            record.values.push(value("short_recovery", found.recovery_s));
        } else {
            record.notes.push("the output is not back in its band after the short circuit".into());
        }
        note_beyond(&curve, found.peak_a, &mut record);
        result.short_a = Some(found.peak_a);
        let means_v = (mean_v, mean_v);
        result.short = result.short.take().or(thinned.map(|thinned| step_curve(&part.name, thinned, means_v)));
        result.note_run(found.book_residual, 0.0);
        result.records.push(record);
        Ok(())
    }

    fn light_load(&self, case: &Case, lightest_a: f64, full: FullLoad, result: &mut JobResult) -> Result<(), Error> {
        let fail = |error: EngineError| engine_error(error, &self.words(case, "light load"));
        let (mut machine, _) = self.machine_for(case, case.board.ambient_degc, |_| {})?;
        let mut record = self.condition("light load", lightest_a);
        record.winding_degc = Some(case.board.ambient_degc);
        let (mut audible, mut most_audible) = (false, false);
        let mut ripple_v: f64 = 0.0;
        let mut points = vec![];
        for k in 0..LIGHT_LOADS {
            let load_a = lightest_a * (full.load_a / lightest_a).powf(k as f64 / (LIGHT_LOADS - 1) as f64);
            let found = light::run(&mut machine, load_a).map_err(fail)?;
            if found.effort.pauses > 0 {
                break;
            }
            ripple_v = ripple_v.max(found.ripple.width());
            points.push((load_a, found.pattern_hz, found.ripple.width()));
            audible |= (AUDIBLE_HZ.0..=AUDIBLE_HZ.1).contains(&found.pattern_hz);
            most_audible |= (MOST_AUDIBLE_HZ.0..=MOST_AUDIBLE_HZ.1).contains(&found.pattern_hz);
        }
        // Where the limit does not deliver even the lightest load there is nothing to tell.
        if let Some((_, pattern_hz, _)) = points.first() {
            record.values = vec![value("light_ripple", ripple_v), value("pattern_frequency", *pattern_hz)];
        }
        let boundary = match light::continuous_down_to(&mut machine, lightest_a, full.load_a) {
            Err(EngineError::DoesNotDeliver { .. }) => None,
            found => found.map_err(fail)?,
        };
        record.values.extend(boundary.map(|load_a| value("boundary", load_a)));
        if most_audible {
            record.notes.push(
                "towards light load the pulses come in a pattern of 2 to 5 kHz, where the ear is most sensitive".into(),
            );
        } else if audible {
            record.notes.push("towards light load the pulses come in a pattern that may be heard".into());
        }
        if self.input_v == case.board.nominal_input_v {
            result.light = Some(LightCurve { part: case.parts[self.part].name.clone(), points });
        }
        result.records.push(record);
        Ok(())
    }

    /// Typical threshold at the nominal corner, another elsewhere.
    fn level(&self, elsewhere: LimitLevel) -> LimitLevel {
        if self.corner.name == NOMINAL { LimitLevel::Typical } else { elsewhere }
    }
}

fn start_words(output_v: f64) -> String {
    if output_v > 0.0 { format!("start at {}", judge::say(output_v, "V")) } else { "start".to_string() }
}

/// The load as a resistor that draws a current at the output aimed at: a sink would pull an empty output below zero.
fn into_resistance(circuit: &mut Circuit, load_a: f64, level: LimitLevel) {
    (circuit.load_s, circuit.load_w) = (0.0, 0.0);
    let ohm = circuit.board.output_v / load_a;
    circuit.resistor = Some((ohm, LEADS_S * ohm));
    circuit.limit_level = level;
}

/// The steady state at the full load, or where the limit does not deliver it at a half, a quarter and so on of it.
fn deliverable(machine: &mut Machine, full_a: f64) -> Result<(f64, SteadyResult), EngineError> {
    let mut load_a = full_a;
    loop {
        match steady::measure(machine, load_a) {
            Err(EngineError::DoesNotDeliver { .. }) if load_a > 0.05 * full_a => load_a *= 0.5,
            other => return other.map(|found| (load_a, found)),
        }
    }
}

/// Least winding resistance at 25 C in ohm: as far below the typical one as the largest is above it (common practice).
fn least_resistance_ohm(part: &Inductor) -> f64 {
    (2.0 * part.dcr_typical_ohm - part.dcr_max_ohm).max(0.5 * part.dcr_typical_ohm)
}

fn half_band_v(case: &Case) -> f64 {
    case.limits.recovery_band * case.board.output_v
}

/// Time in s in which a loop settles.
fn settling_s(case: &Case) -> f64 {
    let periods_s = SETTLING_PERIODS / case.board.frequency_hz;
    case.limits.recovery_s.map_or(periods_s, |recovery_s| periods_s.max(SETTLING_RECOVERIES * recovery_s))
}

fn note_beyond(curve: &FluxCurve, peak_a: f64, record: &mut ConditionRecord) {
    if curve.is_beyond(peak_a) {
        record.notes.push("the peak current lies beyond the saturation data: inductance held at its last value".into());
    }
}
