//! The corridor: calls the rooms in order and owns the loop between losses and temperature. Read this first.

mod cross_check;
pub mod events;

use crate::board::{Compensator, LoadStep, Modulator};
use crate::case::{Case, DatumOrigin, Origin};
use crate::compare::judge;
use crate::compare::plan;
use crate::compare::quantities::{QUANTITIES, highest_input_v};
pub use crate::compare::record::NOMINAL;
use crate::compare::record::{
    CaseIdentity, ConditionRecord, Curves, EnergyRecord, FileRecord, LightCurve, LoopCurve, LossSplit, OriginRecord,
    PartRecord, PeriodCurve, RECORD_VERSION, Record, SaturationPlot, StepCurve, ValueRecord,
};
use crate::engine::book::ALLOWED_RESIDUAL;
use crate::engine::error::EngineError;
use crate::engine::machine::Machine;
use crate::engine::network::Circuit;
use crate::error::Error;
use crate::loss::budget::{Budget, budget};
use crate::loss::{copper, thermal};
use crate::measure::curves::Thinned;
use crate::measure::limit::current_after_delay_a;
use crate::measure::steady::{self, Conduction, SteadyResult};
use crate::measure::step::{self, StepResult, Timing};
use crate::parts::Inductor;
use crate::parts::saturation::{FluxCurve, FluxTable};
use crate::stability::synthesis::{self, SynthesisError};
use crate::stability::{Loop, Margins};
pub use cross_check::cross_check;
use events::FullLoad;
use rayon::prelude::*;

/// Starts of the load step within the period that are tried; the worst counts.
const STEP_FRACTIONS: [f64; 4] = [0.0, 0.25, 0.5, 0.75];
/// Number of intervals to which a load step's waveform is thinned at most.
const STEP_INTERVALS: f64 = 6000.0;
/// End of the plots of inductance, as a multiple of the highest current of any part.
const BEYOND_HIGHEST: f64 = 1.1;
/// Points of an inductance curve in a plot.
const CURVE_POINTS: usize = 120;

/// A corner of tolerances.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Corner {
    /// In words.
    pub name: &'static str,
    /// Sign of the inductance tolerance: -1, 0 or 1.
    pub inductance: f64,
    /// Largest winding resistance and core loss, aged capacitors.
    pub worn: bool,
}

/// The corners of every comparison.
pub const CORNERS: [Corner; 3] = [
    Corner { name: NOMINAL, inductance: 0.0, worn: false },
    Corner { name: "low L, worn", inductance: -1.0, worn: true },
    Corner { name: "high L, worn", inductance: 1.0, worn: true },
];

impl Corner {
    /// Factor on the inductance of a part.
    pub fn inductance_factor(&self, part: &Inductor) -> f64 {
        1.0 + self.inductance * part.tolerance
    }

    fn dcr_ohm(&self, part: &Inductor) -> f64 {
        if self.worn { part.dcr_max_ohm } else { part.dcr_typical_ohm }
    }

    fn core_factor(&self, part: &Inductor) -> f64 {
        if self.worn { 1.0 + part.core_loss_tolerance } else { 1.0 }
    }
}

/// The case with everything laid out that it only describes: a compensator that is known by its loop.
///
/// # Errors
/// A loop that cannot be had on the original part.
pub fn prepared(case: &Case) -> Result<Case, Error> {
    let mut case = case.clone();
    let Some(aim) = case.board.control.aim.take() else { return Ok(case) };
    let (part, board) = (&case.parts[0], &case.board);
    let full_a = board.load_a.last().copied().unwrap_or(0.0);
    let (circuit, _) = circuit(&case, part, CORNERS[0], board.nominal_input_v, full_a, board.ambient_degc)?;
    let compensator = synthesis::fit(&circuit, &aim, full_a).map_err(|error| match error {
        SynthesisError::Engine(EngineError::Interrupted) => Error::Interrupted,
        error => Error::Unreachable {
            what: error.to_string(),
            condition: format!("{}, control.compensator of kind margins", part.name),
        },
    })?;
    case.origins.push(DatumOrigin {
        datum: "board: control.compensator".into(),
        value: parts_list(&compensator),
        origin: Origin::Estimated,
        note: "laid out on the original part for the stated crossover and phase margin, then kept".into(),
    });
    case.board.control.compensator = compensator;
    Ok(case)
}

/// Components of an op-amp compensator in words.
fn parts_list(compensator: &Compensator) -> String {
    let Compensator::OpAmp { r1_ohm, lead, r2_ohm, c1_f, c2_f, .. } = compensator else { return String::new() };
    let mut words = vec![("R1", *r1_ohm, "ohm"), ("R2", *r2_ohm, "ohm"), ("C1", *c1_f, "F"), ("C2", *c2_f, "F")];
    words.extend(lead.iter().flat_map(|(r3_ohm, c3_f)| [("R3", *r3_ohm, "ohm"), ("C3", *c3_f, "F")]));
    words
        .iter()
        .map(|(name, value, unit)| format!("{name} {}", judge::say(*value, unit)))
        .collect::<Vec<_>>()
        .join(", ")
}

/// A machine for a part at a corner, input voltage, load and winding temperature, with the smooth curve behind it.
///
/// # Errors
/// A circuit that the engine cannot hold, or a saturation table that cannot be laid.
pub fn machine(
    case: &Case,
    part: &Inductor,
    corner: Corner,
    input_v: f64,
    load_a: f64,
    winding_degc: f64,
) -> Result<(Machine, FluxCurve), Error> {
    let (circuit, curve) = circuit(case, part, corner, input_v, load_a, winding_degc)?;
    let condition = format!("{}, {}", part.name, corner.name);
    let machine = Machine::new(circuit).map_err(|error| Error::Unreachable { what: error.to_string(), condition })?;
    Ok((machine, curve))
}

/// The circuit of such a machine.
fn circuit(
    case: &Case,
    part: &Inductor,
    corner: Corner,
    input_v: f64,
    load_a: f64,
    winding_degc: f64,
) -> Result<(Circuit, FluxCurve), Error> {
    let failed = |what: String| Error::Unreachable { what, condition: format!("{}, {}", part.name, corner.name) };
    let curve = FluxCurve::new(&part.saturation, winding_degc, corner.inductance_factor(part))
        .map_err(|error| failed(error.to_string()))?;
    let table =
        FluxTable::from_curve(&curve, case.numerics.saturation_error_a).map_err(|error| failed(error.to_string()))?;
    let dcr_ohm = copper::resistance_ohm(corner.dcr_ohm(part), winding_degc);
    let mut circuit = Circuit::new(&case.board, table, dcr_ohm, input_v, load_a);
    if corner.worn {
        circuit.bank.iter_mut().for_each(|branch| branch.capacitance_f = branch.aged_capacitance_f);
    }
    Ok((circuit, curve))
}

/// A steady state at its own winding temperature.
pub struct Warm {
    /// Measured steady state.
    pub steady: SteadyResult,
    /// Losses.
    pub budget: Budget,
    /// Winding temperature in degrees Celsius.
    pub winding_degc: f64,
    /// Machine at that temperature.
    pub machine: Machine,
    /// Smooth curve at that temperature.
    pub curve: FluxCurve,
    /// What is to be said where the temperature did not settle.
    pub unsettled: Option<&'static str>,
}

/// Steady state and winding temperature together: each depends on the other until both settle.
///
/// # Errors
/// No steady state, an energy book that does not close, or data that an equation cannot use.
pub fn warm_steady(case: &Case, part: &Inductor, corner: Corner, input_v: f64, load_a: f64) -> Result<Warm, Error> {
    let at = |winding_degc: f64| -> Result<Warm, Error> {
        let (mut machine, curve) = machine(case, part, corner, input_v, load_a, winding_degc)?;
        let condition =
            format!("{}, {}, {}, {}", part.name, judge::say(input_v, "V"), judge::say(load_a, "A"), corner.name);
        let steady = steady::measure(&mut machine, load_a).map_err(|error| engine_error(error, &condition))?;
        let budget = budget(&case.board, part, input_v, machine.circuit.dcr_ohm, corner.core_factor(part), &steady)
            .map_err(|error| Error::Unreachable { what: error.to_string(), condition })?;
        Ok(Warm { steady, budget, winding_degc, machine, curve, unsettled: None })
    };
    let mut last = None;
    let outcome = thermal::settle(case.board.ambient_degc, part.thermal_resistance_k_per_w, |winding_degc| {
        let warm = at(winding_degc)?;
        let loss_w = warm.budget.inductor_w();
        last = Some(warm);
        Ok::<f64, Error>(loss_w)
    })?;
    let unsettled = match outcome {
        thermal::Outcome::Settled(_) => None,
        thermal::Outcome::Runaway { .. } => Some("the winding temperature does not settle: thermal runaway"),
        thermal::Outcome::Unsettled { .. } => {
            Some("the winding temperature is rough: the loss changes from stretch to stretch of the waveform")
        }
    };
    match last {
        Some(warm) => Ok(Warm { unsettled, ..warm }),
        None => at(case.board.ambient_degc),
    }
}

fn engine_error(error: EngineError, condition: &str) -> Error {
    match error {
        EngineError::Interrupted => Error::Interrupted,
        source => Error::Simulation { source, condition: condition.to_string() },
    }
}

/// Compares the original with every substitute. `progress` is told, in words, what has been done.
///
/// # Errors
/// A condition that cannot be simulated, or an interruption.
pub fn compare(case: &Case, progress: &(dyn Fn(usize, usize) + Sync)) -> Result<(Record, Curves), Error> {
    let case = &prepared(case)?;
    let jobs: Vec<Job> = (0..case.parts.len())
        .flat_map(|part| {
            CORNERS
                .iter()
                .flat_map(move |&corner| case.board.input_v.iter().map(move |&input_v| Job { part, corner, input_v }))
        })
        .collect();
    let total = jobs.len();
    let done = std::sync::atomic::AtomicUsize::new(0);
    let results: Vec<Result<JobResult, Error>> = jobs
        .par_iter()
        .map(|job| {
            let result = job.run(case);
            progress(done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1, total);
            result
        })
        .collect();
    // The first error in the order of the jobs, whatever the order in which threads finished.
    let results = results.into_iter().collect::<Result<Vec<JobResult>, Error>>()?;
    assemble(case, &results)
}

/// One part at one corner and input voltage.
#[derive(Clone, Copy, Debug)]
struct Job {
    part: usize,
    corner: Corner,
    input_v: f64,
}

/// What a job found.
#[derive(Default)]
struct JobResult {
    part: usize,
    records: Vec<ConditionRecord>,
    residuals: Vec<f64>,
    hottest_degc: f64,
    peak_a: f64,
    period: Option<(PeriodCurve, LossSplit, LoopCurve)>,
    step: Option<StepCurve>,
    start: Option<StepCurve>,
    short: Option<StepCurve>,
    short_a: Option<f64>,
    light: Option<LightCurve>,
    load_error: f64,
}

impl JobResult {
    /// Keeps what every run leaves behind.
    fn note_run(&mut self, book_residual: f64, peak_a: f64) {
        self.residuals.push(book_residual);
        self.peak_a = self.peak_a.max(peak_a);
    }
}

impl Job {
    fn run(&self, case: &Case) -> Result<JobResult, Error> {
        let mut result = JobResult { part: self.part, ..JobResult::default() };
        let mut full = FullLoad { load_a: 0.0, winding_degc: case.board.ambient_degc };
        for &load_a in &case.board.load_a {
            full.load_a = load_a;
            let found = self.steady(case, load_a, &mut result);
            if let Some(winding_degc) = self.delivered("steady", load_a, found, &mut result)? {
                full.winding_degc = winding_degc;
            }
        }
        if let Some(step) = case.board.load_step {
            let found = self.load_step(case, &step, &mut result);
            self.delivered("load step", step.to_a, found, &mut result)?;
        }
        self.events(case, full, &mut result)?;
        Ok(result)
    }

    fn is_nominal(&self, case: &Case) -> bool {
        self.corner.name == NOMINAL && self.input_v == case.board.nominal_input_v
    }

    fn condition(&self, kind: &str, load_a: f64) -> ConditionRecord {
        ConditionRecord {
            condition: kind.into(),
            corner: self.corner.name.into(),
            input_v: Some(self.input_v),
            load_a: Some(load_a),
            winding_degc: None,
            values: vec![],
            notes: vec![],
        }
    }

    /// What a condition found; a load that the limit does not deliver is a finding and no error.
    fn delivered<T>(
        &self,
        kind: &str,
        load_a: f64,
        found: Result<T, Error>,
        result: &mut JobResult,
    ) -> Result<Option<T>, Error> {
        match found {
            Err(Error::Simulation { source: EngineError::DoesNotDeliver { how }, .. }) => {
                let mut record = self.condition(kind, load_a);
                record.values.push(value("undelivered", 1.0));
                record.notes.push(format!("the current limit does not deliver the load: {how}"));
                result.records.push(record);
                Ok(None)
            }
            other => other.map(Some),
        }
    }

    /// A steady state with everything that belongs to it; its winding temperature in degrees Celsius.
    fn steady(&self, case: &Case, load_a: f64, result: &mut JobResult) -> Result<f64, Error> {
        let part = &case.parts[self.part];
        let mut record = self.condition("steady", load_a);
        let mut warm = warm_steady(case, part, self.corner, self.input_v, load_a)?;
        record.winding_degc = Some(warm.winding_degc);
        record.values = steady_values(&warm);
        let condition = judge::place(&record);
        let control = Loop::around(&mut warm.machine, &warm.steady.orbit)
            .map_err(|error| engine_error(error, &format!("{}, {condition}", part.name)))?;
        let margins = control.as_ref().and_then(Loop::margins);
        if let Some(margins) = margins {
            record.values.push(value("crossover", margins.crossover_hz));
            record.values.push(value("phase_margin", margins.phase_deg));
            record.values.push(value("gain_margin", margins.gain_db));
        }
        record.notes = steady_notes(case, part, &warm);
        result.records.push(record);
        result.residuals.push(warm.steady.book.residual().abs());
        result.hottest_degc = result.hottest_degc.max(warm.winding_degc);
        result.peak_a = result.peak_a.max(warm.steady.current.high);
        result.load_error =
            result.load_error.max(warm.machine.circuit.load_linearisation_error(warm.steady.output.low));
        if self.is_nominal(case) && Some(load_a) == case.board.load_a.last().copied() {
            let losses = LossSplit { part: part.name.clone(), items: warm.budget.items() };
            let gain = loop_curve(&part.name, control.as_ref(), margins);
            result.period = Some((period_curve(&part.name, &warm.steady), losses, gain));
        }
        Ok(warm.winding_degc)
    }

    fn load_step(&self, case: &Case, step: &LoadStep, result: &mut JobResult) -> Result<(), Error> {
        let part = &case.parts[self.part];
        let mut record = self.condition("load step", step.to_a);
        let words = format!("{}, load step, {}, {}", part.name, judge::say(self.input_v, "V"), self.corner.name);
        let fail = |error: EngineError| engine_error(error, &words);
        let Warm { mut machine, steady: high, winding_degc, .. } =
            warm_steady(case, part, self.corner, self.input_v, step.to_a)?;
        let low = steady::measure(&mut machine, step.from_a).map_err(fail)?;
        let means_v = (low.mean_output_v(), high.mean_output_v());
        let band_v = case.limits.recovery_band * case.board.output_v;
        let mut runs = vec![];
        for fraction in STEP_FRACTIONS {
            let timing = Timing::new(step, machine.period_s(), fraction);
            let duration_s = timing.cycles as f64 * machine.period_s();
            let interval_s = (duration_s / STEP_INTERVALS).max(0.25 * machine.period_s());
            let wanted = self.is_nominal(case) && fraction == 0.0;
            let mut thinned = wanted.then(|| Thinned::new(timing.step, machine.period_s(), interval_s));
            let run = match &mut thinned {
                Some(thinned) => step::run(&mut machine, step, fraction, &low.orbit, means_v, band_v, thinned),
                None => step::run(&mut machine, step, fraction, &low.orbit, means_v, band_v, &mut ()),
            }
            .map_err(fail)?;
            result.note_run(run.book_residual, run.peak_a());
            result.step = result.step.take().or(thinned.map(|thinned| step_curve(&part.name, thinned, means_v)));
            runs.push(run);
        }
        record.winding_degc = Some(winding_degc);
        record.values = step_values(case, &runs);
        record.notes = step_notes(&runs);
        result.records.push(record);
        Ok(())
    }
}

fn value(quantity: &str, value: f64) -> ValueRecord {
    let unit = QUANTITIES.iter().find(|known| known.id == quantity).map_or_else(|| plain_unit(quantity), |q| q.unit);
    ValueRecord { quantity: quantity.into(), value, unit: unit.into() }
}

/// Units of the values that are recorded but not compared.
fn plain_unit(quantity: &str) -> &'static str {
    match quantity {
        "output_mean" => "V",
        "current_high" | "current_low" | "current_rms" => "A",
        "duty" => "fraction",
        "total_loss" | "winding_dc_loss" | "winding_ac_loss" | "core_loss" => "W",
        "input_step_recovery" => "s",
        "input_step_peak" | "overload_peak" => "A",
        _ => "",
    }
}

fn steady_values(warm: &Warm) -> Vec<ValueRecord> {
    let steady = &warm.steady;
    let discontinuous = steady.conduction() == Conduction::Discontinuous;
    let largest = steady.orbit.largest_multiplier();
    let mut values = [
        ("ripple_20mhz", steady.instrument.width()),
        ("ripple_raw", steady.output.width()),
        ("output_mean", steady.mean_output_v()),
        ("duty", steady.duty()),
        ("inductor_ripple", steady.current.width()),
        ("peak_current", steady.current.high),
        ("current_low", steady.current.low),
        ("current_rms", steady.rms_current_a()),
        ("inductance_at_peak", warm.curve.inductance_h(steady.current.high)),
        ("discontinuous", f64::from(u8::from(discontinuous))),
        ("winding_dc_loss", warm.budget.winding_dc_w),
        ("winding_ac_loss", warm.budget.winding_ac_w),
        ("core_loss", warm.budget.core_w),
        ("inductor_loss", warm.budget.inductor_w()),
        ("total_loss", warm.budget.total_w()),
        ("efficiency", warm.budget.efficiency()),
        ("winding_temperature", warm.winding_degc),
    ]
    .map(|(quantity, number)| value(quantity, number))
    .to_vec();
    if largest.is_finite() {
        values.push(value("multiplier", largest));
    }
    // Pulses that are left out make another pattern, which the light load follows.
    if steady.effort.omitted == 0 {
        values.push(value("periods", steady.orbit.periods as f64));
    }
    values.extend(scheme_values(warm));
    if !warm.machine.is_clocked() {
        values.push(value("frequency", steady.cycles_hz()));
    }
    values
}

/// What matters in the control scheme at hand: its own frequency and the ripple that it lives on, or the room that the slope
/// compensation leaves.
fn scheme_values(warm: &Warm) -> Option<ValueRecord> {
    let circuit = &warm.machine.circuit;
    let steady = &warm.steady;
    match circuit.board.control.modulator {
        Modulator::ConstantOnTime { .. } => Some(value("tap_ripple", steady.control.width())),
        Modulator::PeakCurrent { slope_a_per_s, .. } if steady.conduction() == Conduction::Continuous => {
            let least_h = least_inductance_h(circuit.source_v, circuit.board.output_v, slope_a_per_s)?;
            let current = steady.current;
            let linkage_wb = warm.curve.flux_wb(current.high) - warm.curve.flux_wb(current.low);
            Some(value("slope_margin", linkage_wb / current.width() / least_h))
        }
        _ => None,
    }
}

/// Least inductance in H with which cycles of a peak current loop do not alternate: (2 Vout - Vin) / (2 Se); `None` where the duty is
/// below a half and any inductance will do. Equation: docs/physics.md, "slope margin".
pub fn least_inductance_h(input_v: f64, output_v: f64, slope_a_per_s: f64) -> Option<f64> {
    let excess_v = 2.0 * output_v - input_v;
    (excess_v > 0.0 && slope_a_per_s > 0.0).then(|| excess_v / (2.0 * slope_a_per_s))
}

fn steady_notes(case: &Case, part: &Inductor, warm: &Warm) -> Vec<String> {
    let mut notes: Vec<String> = warm.unsettled.map(str::to_string).into_iter().collect();
    if warm.curve.is_beyond(warm.steady.current.high) {
        notes.push("the peak current lies beyond the saturation data: inductance held at its last value".to_string());
    }
    if warm.curve.beyond_temperature() && part.saturation.len() > 1 {
        notes.push("the winding is outside the temperatures of the saturation data: nearest curve held".to_string());
    }
    if part.saturation.len() == 1 {
        notes.push("saturation data at one temperature only".to_string());
    }
    if warm.steady.effort.omitted > 0 {
        notes.push("clock edges are left out at light load".to_string());
    } else if !warm.steady.orbit.repeats {
        notes.push(format!("{}: measured over 128 periods", judge::NO_REPETITION));
    } else if warm.steady.orbit.periods > 1 {
        notes.push(format!(
            "long and short cycles alternate: the waveform repeats after {} periods",
            warm.steady.orbit.periods
        ));
    }
    let off = (warm.steady.mean_output_v() / case.board.output_v - 1.0).abs();
    if off > 0.02 && !matches!(case.board.control.compensator, Compensator::Open) {
        notes.push(format!("the output is {:.1} % off its aim: the loop is at an end stop", 100.0 * off));
    }
    notes.extend(warm.budget.core_cautions.iter().map(ToString::to_string));
    notes
}

/// Largest over the runs of a load step.
fn worst_of(runs: &[StepResult], quantity: impl Fn(&StepResult) -> f64) -> f64 {
    runs.iter().map(quantity).fold(f64::NEG_INFINITY, f64::max)
}

fn step_values(case: &Case, runs: &[StepResult]) -> Vec<ValueRecord> {
    [
        ("dip", worst_of(runs, StepResult::dip_v)),
        ("rise", worst_of(runs, StepResult::rise_v)),
        ("window", worst_of(runs, StepResult::window_v)),
        ("recovery", worst_of(runs, StepResult::recovery_s)),
        ("output_deviation", worst_of(runs, |run| run.deviation_from(case.board.output_v))),
        ("peak_current", worst_of(runs, StepResult::peak_a)),
    ]
    .map(|(quantity, number)| value(quantity, number))
    .to_vec()
}

fn step_notes(runs: &[StepResult]) -> Vec<String> {
    let mut notes = vec![];
    if !runs.iter().all(|run| run.step.recovered && run.release.recovered) {
        notes.push(format!("{} before the next edge", judge::NOT_BACK));
    }
    if !runs.iter().all(|run| run.repeats) {
        notes.push("the load program ends before everything has settled".to_string());
    }
    notes
}

/// Loop gain for a plot, the phase without jumps of a turn; empty where there is no loop.
fn loop_curve(part: &str, control: Option<&Loop>, margins: Option<Margins>) -> LoopCurve {
    let mut gains = control.map(Loop::curve).unwrap_or_default();
    // A pulse of least length does not answer to the control: no gain, which has no decibels.
    gains.retain(|(_, gain)| gain.norm() > 0.0);
    let mut curve = LoopCurve {
        part: part.to_owned(),
        frequency_hz: vec![],
        gain_db: vec![],
        phase_deg: vec![],
        crossover_hz: margins.map(|margins| margins.crossover_hz),
    };
    for (frequency_hz, gain) in gains {
        let phase_deg = gain.arg().to_degrees();
        let before_deg = curve.phase_deg.last().copied().unwrap_or(phase_deg);
        curve.frequency_hz.push(frequency_hz);
        curve.gain_db.push(20.0 * gain.norm().log10());
        curve.phase_deg.push(phase_deg - 360.0 * ((phase_deg - before_deg) / 360.0).round());
    }
    curve
}

fn period_curve(part: &str, steady: &SteadyResult) -> PeriodCurve {
    let trace = steady.trace.clone();
    PeriodCurve {
        part: part.into(),
        time_s: trace.time_s,
        current_a: trace.current_a,
        output_v: trace.output_v,
        output_20mhz_v: trace.instrument_v,
        switch_v: trace.switch_v,
    }
}

fn step_curve(part: &str, thinned: Thinned, means_v: (f64, f64)) -> StepCurve {
    let split = |pairs: Vec<(f64, f64)>| pairs.into_iter().unzip();
    let (output_low_v, output_high_v) = split(thinned.output_v);
    let (current_low_a, current_high_a) = split(thinned.current_a);
    StepCurve {
        part: part.into(),
        time_s: thinned.time_s,
        output_low_v,
        output_high_v,
        current_low_a,
        current_high_a,
        load_a: thinned.load_a,
        mean_high_load_v: means_v.1,
        mean_low_load_v: means_v.0,
    }
}

fn assemble(case: &Case, results: &[JobResult]) -> Result<(Record, Curves), Error> {
    let mut parts = vec![];
    let mut curves = Curves {
        period_condition: condition_words(case, case.board.load_a.last().copied().unwrap_or(0.0)),
        step_condition: case.board.load_step.map_or_else(String::new, |step| step_words(case, &step)),
        step_band_v: case.limits.recovery_band * case.board.output_v,
        step_limit_v: case.limits.step_deviation_v,
        loss_condition: condition_words(case, case.board.load_a.last().copied().unwrap_or(0.0)),
        ..Curves::default()
    };
    let own: Vec<Vec<&JobResult>> =
        (0..case.parts.len()).map(|index| results.iter().filter(|result| result.part == index).collect()).collect();
    let worst = case
        .parts
        .iter()
        .zip(&own)
        .map(|(part, own)| Worst::of(case, part, own))
        .collect::<Result<Vec<Worst>, Error>>()?;
    let end_a = BEYOND_HIGHEST * worst.iter().map(Worst::highest_a).fold(0.0, f64::max);
    for (index, part) in case.parts.iter().enumerate() {
        let mut records: Vec<ConditionRecord> =
            own[index].iter().flat_map(|result| result.records.iter().cloned()).collect();
        records.extend(limit_record(part, &worst[index])?);
        records.push(sheet_record(case, part));
        curves.saturation.push(saturation_plot(part, &worst[index], end_a)?);
        for (period, losses, gain) in own[index].iter().filter_map(|result| result.period.clone()) {
            curves.periods.push(period);
            curves.loops.push(gain);
            curves.losses.push(losses);
        }
        curves.steps.extend(own[index].iter().filter_map(|result| result.step.clone()));
        curves.starts.extend(own[index].iter().filter_map(|result| result.start.clone()));
        curves.shorts.extend(own[index].iter().filter_map(|result| result.short.clone()));
        curves.light.extend(own[index].iter().filter_map(|result| result.light.clone()));
        parts.push(PartRecord { name: part.name.clone(), original: index == 0, results: records });
    }
    let quantities = judge::rows(case, &parts);
    let verdicts = (1..parts.len()).map(|index| judge::verdict(case, &quantities, index, &parts)).collect();
    let residuals: Vec<f64> = results.iter().flat_map(|result| result.residuals.iter().copied()).collect();
    let mut warnings = case.warnings.clone();
    warnings.extend(judge::shared_notes(&parts).into_iter().map(|note| format!("all parts: {note}")));
    let bench_plan = plan::plan(case, &parts, &quantities);
    let record = Record {
        record_version: RECORD_VERSION,
        presolder_version: env!("CARGO_PKG_VERSION").into(),
        case: identity(case),
        parts,
        quantities,
        verdicts,
        bench_plan,
        origins: origins(case),
        warnings,
        energy_book: EnergyRecord {
            runs: residuals.len(),
            worst_residual: residuals.iter().copied().fold(0.0, f64::max),
            allowed_residual: ALLOWED_RESIDUAL,
        },
        cross_check: vec![],
        method: method(case, results),
        equations: EQUATIONS.iter().map(ToString::to_string).collect(),
        cautions: CAUTIONS.iter().map(ToString::to_string).collect(),
    };
    Ok((record, curves))
}

fn condition_words(case: &Case, load_a: f64) -> String {
    format!("{} in, {} load, {NOMINAL}", judge::say(case.board.nominal_input_v, "V"), judge::say(load_a, "A"))
}

fn step_words(case: &Case, step: &LoadStep) -> String {
    format!(
        "{} in, {} to {} and back at {}, {NOMINAL}",
        judge::say(case.board.nominal_input_v, "V"),
        judge::say(step.from_a, "A"),
        judge::say(step.to_a, "A"),
        judge::say(step.slew_a_per_s, "A/s")
    )
}

/// What a part meets at worst over all its conditions.
#[derive(Clone, Copy, Debug)]
struct Worst {
    hottest_degc: f64,
    peak_a: f64,
    /// Current reached in a short circuit: simulated, or where the board states none the limit and what its delay adds.
    at_limit_a: Option<f64>,
    /// Whether that current comes from a short circuit that was run.
    shorted: bool,
}

impl Worst {
    fn of(case: &Case, part: &Inductor, results: &[&JobResult]) -> Result<Worst, Error> {
        let hottest_degc = results.iter().map(|result| result.hottest_degc).fold(case.board.ambient_degc, f64::max);
        let peak_a = results.iter().map(|result| result.peak_a).fold(0.0, f64::max);
        let low = curve_at(part, hottest_degc, 1.0 - part.tolerance)?;
        let stage = &case.board.stage;
        let at_limit_a = case.board.control.protection.peak_limit().map(|limit| {
            let loop_ohm =
                stage.high_side_ohm * stage.hot_factor + copper::resistance_ohm(part.dcr_typical_ohm, hottest_degc);
            let input_v = highest_input_v(&case.board);
            current_after_delay_a(&low, limit.threshold.2, input_v, 0.0, loop_ohm, limit.delay_s)
        });
        let shorted_a = results.iter().filter_map(|result| result.short_a).reduce(f64::max);
        Ok(Worst { hottest_degc, peak_a, at_limit_a: shorted_a.or(at_limit_a), shorted: shorted_a.is_some() })
    }

    /// Highest current of the part.
    fn highest_a(&self) -> f64 {
        self.at_limit_a.map_or(self.peak_a, |current_a| current_a.max(self.peak_a))
    }
}

fn curve_at(part: &Inductor, temperature_degc: f64, factor: f64) -> Result<FluxCurve, Error> {
    FluxCurve::new(&part.saturation, temperature_degc, factor)
        .map_err(|error| Error::Unreachable { what: error.to_string(), condition: part.name.clone() })
}

/// The current at the limit with the hottest winding that occurred, which needs no run.
fn limit_record(part: &Inductor, worst: &Worst) -> Result<Option<ConditionRecord>, Error> {
    let Some(current_a) = worst.at_limit_a.filter(|_| !worst.shorted) else { return Ok(None) };
    let low = curve_at(part, worst.hottest_degc, 1.0 - part.tolerance)?;
    let beyond = "the current at the limit lies beyond the saturation data: inductance held at its last value";
    Ok(Some(ConditionRecord {
        condition: "data".into(),
        corner: "output shorted, hottest winding, low L, highest limit and input".into(),
        input_v: None,
        load_a: None,
        winding_degc: Some(worst.hottest_degc),
        values: vec![
            value("limit_current", current_a),
            value("limit_share", low.inductance_h(current_a) / part.inductance_h),
        ],
        notes: if low.is_beyond(current_a) { vec![beyond.into()] } else { vec![] },
    }))
}

/// Inductance against current, cold and at the hottest winding that occurred, up to a current.
fn saturation_plot(part: &Inductor, worst: &Worst, end_a: f64) -> Result<SaturationPlot, Error> {
    let (cold, hot) = (curve_at(part, 25.0, 1.0)?, curve_at(part, worst.hottest_degc, 1.0)?);
    let points = |curve: &FluxCurve| {
        (0..=CURVE_POINTS).map(|k| end_a * k as f64 / CURVE_POINTS as f64).map(|a| (a, curve.inductance_h(a))).collect()
    };
    Ok(SaturationPlot {
        part: part.name.clone(),
        cold: points(&cold),
        hot: points(&hot),
        hot_degc: worst.hottest_degc,
        peak: (worst.peak_a, hot.inductance_h(worst.peak_a)),
        limit: worst.at_limit_a.map(|current_a| (current_a, hot.inductance_h(current_a))),
    })
}

/// What the data sheet alone says: working voltage and fit.
fn sheet_record(case: &Case, part: &Inductor) -> ConditionRecord {
    let body = part.body.filter(|_| case.board.keep_out.is_some());
    let on_pad = case.board.land.zip(part.terminals).map(|(land, terminals)| terminals.share_on(&land));
    let values = [
        ("working_voltage", part.working_voltage_v),
        ("body_height", body.map(|body| body.height_m)),
        ("body_length", body.map(|body| body.length_m)),
        ("body_width", body.map(|body| body.width_m)),
        ("terminal_on_pad", on_pad),
    ];
    ConditionRecord {
        condition: "data".into(),
        corner: "data sheet".into(),
        input_v: None,
        load_a: None,
        winding_degc: None,
        values: values.into_iter().filter_map(|(quantity, number)| Some(value(quantity, number?))).collect(),
        notes: vec![],
    }
}

fn identity(case: &Case) -> CaseIdentity {
    CaseIdentity {
        name: case.name.clone(),
        title: case.board.title.clone(),
        files: case
            .files
            .iter()
            .map(|file| FileRecord { path: file.path.clone(), sha256: file.sha256.clone() })
            .collect(),
    }
}

fn origins(case: &Case) -> Vec<OriginRecord> {
    let word = |origin: Origin| match origin {
        Origin::Measured => "measured",
        Origin::Guaranteed => "guaranteed",
        Origin::Typical => "typical",
        Origin::Digitised => "digitised",
        Origin::Estimated => "estimated",
        Origin::Assumed => "assumed",
    };
    case.origins
        .iter()
        .map(|origin| OriginRecord {
            datum: origin.datum.clone(),
            value: origin.value.clone(),
            origin: word(origin.origin).into(),
            note: origin.note.clone(),
        })
        .collect()
}

fn method(case: &Case, results: &[JobResult]) -> Vec<String> {
    let mut lines = vec![
        "Switched model, propagated exactly between switching instants; steady states by Newton's method on the period map.".to_string(),
        format!(
            "Saturation curve by flux linkage, piecewise linear with a current error of at most {}.",
            judge::say(case.numerics.saturation_error_a, "A")
        ),
        "Corners: nominal; low L, worn (least inductance, largest winding resistance and core loss, aged capacitors); high L, worn (most inductance, the rest the same).".to_string(),
        "Load step: worst of four starts within the switching period, at the winding temperature of the upper level.".to_string(),
        "Winding temperature: fixed point of loss and thermal resistance at each steady state.".to_string(),
        format!("Recovery band: {:.1} % of the output voltage around the final mean.", 100.0 * case.limits.recovery_band),
    ];
    let load_error = results.iter().map(|result| result.load_error).fold(0.0, f64::max);
    if load_error > 0.0 {
        lines.push(format!("Constant-power load: linearised in cells of the output voltage, current error at most {:.1e} of its value.", load_error));
    }
    lines
}

/// Names of the equations behind the numbers, as docs/physics.md lists them.
const EQUATIONS: &[&str] = &[
    "power stage",
    "capacitor bank",
    "load",
    "flux linkage",
    "op-amp compensator",
    "transconductance compensator",
    "switching sequence",
    "exact propagation",
    "event location",
    "period map",
    "loop gain",
    "synthesised compensator",
    "energy book",
    "steady-state quantities",
    "load step",
    "limit overshoot",
    "slope margin",
    "start",
    "input step",
    "overload",
    "short circuit",
    "light load",
    "copper-resistance",
    "copper-dc",
    "copper-ac",
    "copper-ac-ratio",
    "core-igse",
    "core-kappa",
    "switch-conduction",
    "switch-diode",
    "switch-transition",
    "switch-recovery",
    "switch-gate",
    "switch-output-capacitance",
    "capacitor-esr",
    "capacitor-share",
    "thermal-settle",
    "decision rule",
    "bench plan",
];

/// Cautions that go with every result.
pub const CAUTIONS: &[&str] = &[
    "A prediction supports a qualified person; it replaces neither the bench test, nor the maker's data, nor a qualification standard.",
    "Local codes and licensed practice come first; in regulated sectors their own qualification and change procedures rule.",
    "Energised boards: above 60 V d.c., or where anything is derived from the mains, work only with isolation, insulated probes and a second person.",
    "Capacitors stay charged after switching off: wait, measure, discharge through a resistor before rework.",
    "Inductors and switches can exceed 100 °C; overload and short-circuit tests can eject parts: eye protection, screen, limited supply.",
    "Rework: hot air and flux fume; extract at the joint, protect eyes, keep combustibles away.",
];

/// What is known before any simulation: names of the parts, assumptions, warnings.
pub fn part_index(case: &Case, name: &str) -> Option<usize> {
    case.parts.iter().position(|part| part.name == name)
}
