//! From values to the board: checks across keys, defaults that are calculated, and the data structures.

use super::loads;
use super::protection::{self, current_limit_a};
use super::source::{Place, Sources};
use super::walk::{Fault, Values};
use crate::board::*;
use crate::engine::row::MAX_STATES;
use crate::model::case::{
    Agreed, AgreedChanges, Bench, Limits, Numerics, Origin, Reading, Waiver, usual_saturation_error_a,
};
use crate::model::procedure::Procedure;
use crate::parts::{Body, CapacitorBranch, CapacitorKind, FilletGoals, PadPair};
use crate::units::{Dimension, show};
use std::cell::RefCell;
use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;

/// Key of the largest error of the piecewise-linear current.
pub const SATURATION_ERROR: &str = "numerics.saturation_error";

/// What the checks of a part need to know of the board.
#[derive(Debug, Default)]
pub struct Context {
    /// Switching frequency in Hz.
    pub frequency_hz: Option<f64>,
    /// Highest current that the limit, or without one the full load, lets through, in A.
    pub highest_current_a: Option<f64>,
    /// Largest error of the piecewise-linear current in A, and where it stands if the case states it.
    pub saturation_error_a: Option<(f64, Option<Place>)>,
    /// Values that have been shown, by their bits: a long list has most of them many times.
    texts: RefCell<HashMap<(u64, Dimension), Arc<str>>>,
}

/// Texts that are kept at most.
const MOST_TEXTS: usize = 4096;

impl Context {
    /// A value as [`show`] writes it.
    pub fn shown(&self, value: f64, unit: Dimension) -> Arc<str> {
        let mut texts = self.texts.borrow_mut();
        if let Some(known) = texts.get(&(value.to_bits(), unit)) {
            return known.clone();
        }
        let text: Arc<str> = show(value, unit).into();
        if texts.len() < MOST_TEXTS {
            texts.insert((value.to_bits(), unit), text.clone());
        }
        text
    }
}

/// Facts of the board for the checks of the parts.
pub fn context(v: &Values) -> Context {
    let full_load = v.numbers("load.currents").and_then(|l| l.last().copied());
    Context {
        frequency_hz: v.number("stage.frequency"),
        highest_current_a: current_limit_a(v).map(|t| t.2).or(full_load),
        saturation_error_a: match v.number(SATURATION_ERROR) {
            Some(error_a) => Some((error_a, Some(v.place(SATURATION_ERROR)))),
            None => full_load.map(|full_a| (usual_saturation_error_a(full_a), None)),
        },
        texts: RefCell::default(),
    }
}

/// Everything in `board.toml`; `None` after noting what is missing.
pub fn build(
    sources: &mut Sources,
    folder: &Path,
    v: &mut Values,
    doubts: &mut Vec<String>,
) -> Option<(Board, Limits, Bench, Numerics)> {
    check(sources, v, doubts);
    let output_v = v.number("output.voltage");
    let output_bank = bank(v, "output.capacitors");
    let input_bank = bank(v, "input.capacitors");
    let control = control(sources, v);
    let load_step = if v.count("load.step") == 1 { Some(loads::own_step(v)) } else { None };
    let loads = loads::read(sources, folder, v);
    let board = Board {
        title: v.text("title")?.to_string(),
        input_v: v.numbers("input.voltages")?.to_vec(),
        nominal_input_v: v.number("input.nominal")?,
        output_v: output_v?,
        frequency_hz: v.number("stage.frequency")?,
        load_a: v.numbers("load.currents")?.to_vec(),
        load_kind: match v.text("load.kind")? {
            "resistance" => LoadKind::Resistance,
            "power" => LoadKind::Power,
            _ => LoadKind::Current,
        },
        ambient_degc: v.number("stage.ambient")?,
        coldest_degc: v.number("stage.coldest_ambient"),
        tolerances: tolerances(v),
        stage: stage(v)?,
        output_bank: output_bank?,
        input_bank: input_bank?,
        control: control?,
        load_step: match load_step {
            Some(step) => Some(step?),
            None => None,
        },
        loads: loads?,
        events: protection::events(v)?,
        land: pads(v),
        keep_out: keep_out(v),
        fillets: fillets(v),
        grade: v.text("mechanics.grade").and_then(super::parts::grade),
        procedure: procedure(v),
    };
    let full_load_a = *board.load_a.last()?;
    let numerics = Numerics { saturation_error_a: saturation_error_a(v, full_load_a) };
    Some((board, limits(v)?, bench(v)?, numerics))
}

/// Largest error of the piecewise-linear current; derived from the full load where it is not stated.
fn saturation_error_a(v: &mut Values, full_load_a: f64) -> f64 {
    let path = SATURATION_ERROR;
    v.number(path).unwrap_or_else(|| {
        let error_a = usual_saturation_error_a(full_load_a);
        v.assume(path, show(error_a, Dimension::Current), Origin::Assumed, "0.02 % of full load, at least 0.1 mA");
        error_a
    })
}

/// Stands for a number that is absent until the table of missing data has filled it in, once board and parts are there.
pub const TO_BE_FILLED: f64 = 0.0;

fn stage(v: &Values) -> Option<Stage> {
    let at = |name: &str| v.number(&format!("stage.{name}"));
    let ruled = |name: &str| at(name).unwrap_or(TO_BE_FILLED);
    let low_side = match v.text("stage.low_side.kind")? {
        "diode" => {
            LowSide::Diode { forward_v: at("low_side.forward_voltage")?, slope_ohm: at("low_side.slope_resistance")? }
        }
        _ => LowSide::Switch {
            on_ohm: at("low_side.resistance")?,
            dead_time_s: ruled("low_side.dead_time"),
            body_diode_v: ruled("low_side.body_diode"),
            emulation: v.flag("stage.low_side.emulation")?,
        },
    };
    Some(Stage {
        high_side_ohm: at("high_side_resistance")?,
        low_side,
        hot_factor: ruled("hot_factor"),
        rise_s: ruled("rise_time"),
        fall_s: ruled("fall_time"),
        gate_charge_c: ruled("gate_charge"),
        gate_v: ruled("gate_supply"),
        recovery_charge_c: ruled("recovery_charge"),
        output_capacitance_f: ruled("output_capacitance"),
        quiescent_a: ruled("quiescent_current"),
        pulse_rating_a: at("pulse_rating"),
    })
}

fn tolerances(v: &Values) -> Tolerances {
    let at = |path: &str| v.number(path).unwrap_or(TO_BE_FILLED);
    Tolerances {
        frequency: at("stage.frequency_tolerance"),
        reference: at("control.compensator.reference_tolerance"),
        divider: at("control.compensator.divider_tolerance"),
    }
}

/// Share of the printed resistance that a good unit has: of a guaranteed maximum, and of a typical value (range of ordinary data sheets,
/// common practice); a measured one is what it is.
fn least_esr(v: &Values, path: &str, kind: CapacitorKind) -> f64 {
    match (kind, v.origin(path)) {
        (CapacitorKind::Ceramic, _) | (_, Some(Origin::Measured)) => 1.0,
        (CapacitorKind::Polymer, Some(Origin::Guaranteed)) => 0.4,
        (CapacitorKind::Electrolytic, Some(Origin::Guaranteed)) => 0.3,
        _ => 0.6,
    }
}

/// Branches of a bank, each already combined from its equal capacitors.
fn bank(v: &Values, path: &str) -> Option<Vec<CapacitorBranch>> {
    (0..v.count(path))
        .map(|i| {
            let at = |name: &str| format!("{path}[{i}].{name}");
            let count = v.number(&at("count")).unwrap_or(1.0);
            let one_f = v.number(&at("capacitance"))?;
            let esr_ohm = v.number(&at("esr"));
            let kind = capacitor_kind(v, &format!("{path}[{i}]"))?;
            let cold = v.number(&at("esr_cold")).zip(esr_ohm).map(|(cold_ohm, ohm)| cold_ohm / ohm);
            Some(CapacitorBranch {
                name: v.text(&at("name"))?.to_string(),
                kind,
                count,
                tolerance: v.number(&at("tolerance")).unwrap_or(TO_BE_FILLED),
                capacitance_f: count * one_f,
                aged_capacitance_f: count * v.number(&at("aged_capacitance")).unwrap_or(one_f),
                esr_ohm: esr_ohm.unwrap_or(TO_BE_FILLED) / count,
                least_esr: least_esr(v, &at("esr"), kind),
                stated_cold_esr: cold,
                esl_h: v.number(&at("esl")).unwrap_or(TO_BE_FILLED) / count,
                ripple_rating_a: v.number(&at("ripple_rating")).map(|one_a| count * one_a),
            })
        })
        .collect()
}

const KINDS: [(&str, CapacitorKind); 3] = [
    ("ceramic", CapacitorKind::Ceramic),
    ("polymer", CapacitorKind::Polymer),
    ("electrolytic", CapacitorKind::Electrolytic),
];

/// Kind of a capacitor: as stated, else by its time constant, else as its name says.
fn capacitor_kind(v: &Values, path: &str) -> Option<CapacitorKind> {
    let at = |name: &str| v.number(&format!("{path}.{name}"));
    let named = |text: &str| KINDS.into_iter().find(|(word, _)| text.contains(word)).map(|(_, kind)| kind);
    let stated = v.text(&format!("{path}.kind")).and_then(named);
    let by_constant = || Some(CapacitorKind::by_time_constant(at("esr")?, at("capacitance")?));
    let by_name = || named(&v.text(&format!("{path}.name"))?.to_lowercase());
    stated.or_else(by_constant).or_else(by_name)
}

fn control(sources: &mut Sources, v: &mut Values) -> Option<Control> {
    let at = |name: &str| v.number(&format!("control.modulator.{name}"));
    let ruled = |name: &str| at(name).unwrap_or(TO_BE_FILLED);
    let modulator = match v.text("control.modulator.kind")? {
        "fixed-duty" => Modulator::FixedDuty { duty: at("duty")? },
        "voltage-mode" => Modulator::VoltageMode {
            ramp: at("ramp_divisor").map(Ramp::InputOver).or(at("ramp_amplitude").map(Ramp::Fixed))?,
            delay_s: ruled("delay"),
        },
        "constant-on-time" => Modulator::ConstantOnTime { on_time_s: at("on_time")?, delay_s: ruled("delay") },
        "hysteretic" => Modulator::Hysteretic { band_v: at("band")?, delay_s: ruled("delay") },
        _ => Modulator::PeakCurrent {
            gain_a_per_v: ruled("current_gain"),
            slope_a_per_s: ruled("slope"),
            delay_s: ruled("delay"),
        },
    };
    let protection = protection::build(v)?;
    let limit_a = protection.current_limit.filter(|limit| !matches!(limit.sense, LimitSense::Winding { .. }));
    let aim = loop_aim(sources, v, &modulator, limit_a.map(|limit| limit.threshold));
    Some(Control {
        aim,
        compensator: compensator(sources, v, &modulator, limit_a.map(|limit| limit.threshold))?,
        modulator,
        min_on_s: v.number("control.min_on").unwrap_or(TO_BE_FILLED),
        min_off_s: v.number("control.min_off").unwrap_or(TO_BE_FILLED),
        protection,
    })
}

fn compensator(
    sources: &mut Sources,
    v: &mut Values,
    m: &Modulator,
    limit_a: Option<(f64, f64, f64)>,
) -> Option<Compensator> {
    let kind = v.text("control.compensator.kind")?.to_string();
    if kind == "open" {
        return Some(Compensator::Open);
    }
    if kind == "margins" {
        // To be laid out on the original part.
        return Some(Compensator::Open);
    }
    if kind == "ripple" {
        return ripple(v);
    }
    let clamp_v = clamp(sources, v, m, limit_a)?;
    let at = |name: &str| v.number(&format!("control.compensator.{name}"));
    if kind == "transconductance" {
        return Some(Compensator::Transconductance {
            reference_v: at("reference")?,
            gm_s: at("gm")?,
            ro_ohm: at("ro").unwrap_or(TO_BE_FILLED),
            rc_ohm: at("rc")?,
            cc_f: at("cc")?,
            chf_f: at("chf").unwrap_or(TO_BE_FILLED),
            clamp_v,
        });
    }
    let (reference_v, r1_ohm, rb_ohm) = (at("reference")?, at("r1")?, at("rb"));
    let (r2_ohm, c1_f, c2_f, gain_bandwidth_hz) =
        (at("r2")?, at("c1")?, at("c2")?, at("gain_bandwidth").unwrap_or(TO_BE_FILLED));
    let lead = at("r3").zip(at("c3"));
    let rb_ohm = rb_ohm.or_else(|| lower_divider(v))?;
    Some(Compensator::OpAmp { reference_v, r1_ohm, rb_ohm, lead, r2_ohm, c1_f, c2_f, gain_bandwidth_hz, clamp_v })
}

/// What is known of a loop whose amplifier is not.
fn loop_aim(sources: &mut Sources, v: &mut Values, m: &Modulator, limit_a: Option<(f64, f64, f64)>) -> Option<LoopAim> {
    if v.text("control.compensator.kind") != Some("margins") {
        return None;
    }
    let clamp_v = clamp(sources, v, m, limit_a)?;
    let at = |name: &str| v.number(&format!("control.compensator.{name}"));
    Some(LoopAim {
        crossover_hz: at("crossover")?,
        phase_deg: at("phase_margin")?,
        reference_v: at("reference")?,
        clamp_v,
    })
}

fn ripple(v: &mut Values) -> Option<Compensator> {
    let at = |name: &str| v.number(&format!("control.compensator.{name}"));
    let (reference_v, r1_ohm, rb_ohm, cff_f) = (at("reference")?, at("r1")?, at("rb"), at("cff")?);
    let injection = at("injection_resistance").zip(at("injection_capacitance")).map(|(r_ohm, c_f)| {
        match at("coupling_capacitance") {
            Some(coupling_f) => Injection::Inductor { r_ohm, c_f, coupling_f },
            None => Injection::SwitchNode { r_ohm, c_f },
        }
    });
    let rb_ohm = rb_ohm.or_else(|| lower_divider(v))?;
    Some(Compensator::Ripple { reference_v, r1_ohm, rb_ohm, cff_f, injection })
}

/// Rb = R1 Vtap / (Vout - Vtap) in ohm, from the divider equation; `None` without room between the two voltages.
fn lower_divider(v: &mut Values) -> Option<f64> {
    let (tap_v, output_v) = (mean_tap_v(v)?, v.number("output.voltage")?);
    let r1_ohm = v.number("control.compensator.r1")?;
    let rb_ohm = (output_v > tap_v).then(|| r1_ohm * tap_v / (output_v - tap_v))?;
    let rule = match tap_v > v.number("control.compensator.reference")? {
        true => "from reference with half the injected ripple, r1 and output voltage",
        false => "from reference, r1 and output voltage",
    };
    v.assume("control.compensator.rb", show(rb_ohm, Dimension::Resistance), Origin::Estimated, rule);
    Some(rb_ohm)
}

/// Mean voltage in V to which the divider's tap is regulated: the reference, or where the valley of the tap is held at the
/// reference half the injected ripple more, which is Vout (1 - D) / (R C_ff f) (design guides of constant on-time control).
fn mean_tap_v(v: &Values) -> Option<f64> {
    let at = |name: &str| v.number(&format!("control.{name}"));
    let reference_v = at("compensator.reference")?;
    let injected_into = match at("compensator.coupling_capacitance") {
        Some(_) => at("compensator.injection_capacitance"),
        None => at("compensator.cff"),
    };
    let injection = at("compensator.injection_resistance").zip(injected_into);
    let (Some(on_time_s), Some((r_ohm, cff_f))) = (at("modulator.on_time"), injection) else {
        return Some(reference_v);
    };
    let on_v = v.number("input.nominal")? - v.number("output.voltage")?;
    Some(reference_v + 0.5 * on_v * on_time_s / (r_ohm * cff_f))
}

/// Clamps of the control voltage; the upper one is derived where it is not stated (common practice).
fn clamp(sources: &mut Sources, v: &mut Values, m: &Modulator, limit_a: Option<(f64, f64, f64)>) -> Option<(f64, f64)> {
    let path = "control.compensator.clamp_high";
    let low_v = v.number("control.compensator.clamp_low")?;
    if let Some(high_v) = v.number(path) {
        return Some((low_v, high_v));
    }
    let (high_v, rule) = match m {
        Modulator::VoltageMode { ramp, .. } => {
            let amplitude_v = match ramp {
                Ramp::Fixed(amplitude_v) => *amplitude_v,
                Ramp::InputOver(divisor) => v.numbers("input.voltages")?.last()? / divisor,
            };
            (1.1 * amplitude_v, "1.1 x the ramp's amplitude at the highest input, common practice")
        }
        Modulator::PeakCurrent { gain_a_per_v, .. } if limit_a.is_some() && *gain_a_per_v > 0.0 => (
            1.2 * limit_a?.2 / gain_a_per_v,
            "1.2 x the highest current-limit threshold / current_gain, common practice",
        ),
        _ => {
            let hint = "without a current limit there is nothing to derive it from; for example clamp_high = \"1.2 V\"";
            let place = v.place("control.compensator").start();
            sources.problem(&place, path, "the highest control voltage", hint);
            return None;
        }
    };
    v.assume(path, show(high_v, Dimension::Voltage), Origin::Assumed, rule);
    Some((low_v, high_v))
}

fn pads(v: &Values) -> Option<PadPair> {
    let at = |name: &str| v.number(&format!("mechanics.land.{name}"));
    Some(PadPair { length_m: at("pad_length")?, width_m: at("pad_width")?, gap_m: at("gap")? })
}

fn fillets(v: &Values) -> Option<FilletGoals> {
    let at = |name: &str| v.number(&format!("mechanics.fillets.{name}"));
    Some(FilletGoals {
        toe_m: at("toe")?,
        heel_m: at("heel")?,
        side_m: at("side")?,
        fabrication_m: at("fabrication")?,
        placement_m: at("placement")?,
    })
}

fn keep_out(v: &Values) -> Option<Body> {
    let at = |name: &str| v.number(&format!("mechanics.keep_out.{name}"));
    Some(Body { length_m: at("length")?, width_m: at("width")?, height_m: at("height")? })
}

/// What the board's owner accepts.
pub fn waivers(v: &Values) -> Vec<Waiver> {
    let one = |i: usize| {
        let text = |name: &str| v.text(&format!("waiver[{i}].{name}")).map(str::to_string);
        Some(Waiver {
            requirement: text("requirement")?,
            by: text("by")?,
            date: text("date")?,
            reason: text("reason")?,
            allowance: v.number(&format!("waiver[{i}].allowance")),
        })
    };
    (0..v.count("waiver")).filter_map(one).collect()
}

/// What was read with the original fitted.
pub fn readings(v: &Values) -> Vec<Reading> {
    let one = |i: usize| {
        let at = |name: &str| v.number(&format!("reading[{i}].{name}"));
        Some(Reading {
            winding_degc: at("winding_temperature")?,
            input_v: at("input")?,
            load_a: at("load")?,
            ambient_degc: at("ambient")?,
            uncertainty_k: at("uncertainty")?,
        })
    };
    (0..v.count("reading")).filter_map(one).collect()
}

fn limits(v: &Values) -> Option<Limits> {
    let at = |name: &str| v.number(&format!("limits.{name}"));
    let agreed = |name: &str| {
        let path = format!("limits.changes.{name}");
        Some(Agreed { change: v.number(&path)?, stated: v.stated(&path) })
    };
    Some(Limits {
        output_band: at("output_band"),
        ripple_v: at("ripple"),
        step_deviation_v: at("step_deviation"),
        recovery_s: at("recovery"),
        recovery_band: at("recovery_band")?,
        winding_degc: at("winding_temperature"),
        efficiency: at("efficiency"),
        phase_margin_deg: at("phase_margin"),
        gain_margin_db: at("gain_margin"),
        start_s: at("start_time"),
        start_overshoot: at("start_overshoot"),
        input_step_v: at("input_step"),
        dropout_overshoot: at("dropout_overshoot"),
        trip_a: (at("trip_lowest"), at("trip_highest")),
        changes: AgreedChanges {
            ripple: agreed("ripple")?,
            inductor_ripple: agreed("inductor_ripple")?,
            peak_current: agreed("peak_current")?,
            crossover: agreed("crossover")?,
            frequency: agreed("frequency")?,
            trip: agreed("trip")?,
            inductance: agreed("inductance")?,
            step_deviation: agreed("step_deviation")?,
            recovery: agreed("recovery")?,
            efficiency: agreed("efficiency")?,
            temperature_k: agreed("temperature")?,
        },
    })
}

/// Key and field of a number of the procedures.
type Setter = (&'static str, fn(&mut Procedure, f64));

/// How conditions are run and measured.
fn procedure(v: &Values) -> Procedure {
    let setters: [Setter; 23] = [
        ("instrument_bandwidth", |procedure, number| procedure.instrument_hz = number),
        ("step_phases", |procedure, number| procedure.step_phases = number as u64),
        ("repeats", |procedure, number| procedure.repeats = number),
        ("settling_periods", |procedure, number| procedure.settling_periods = number),
        ("settling_recoveries", |procedure, number| procedure.settling_recoveries = number),
        ("off_aim", |procedure, number| procedure.off_aim = number),
        ("gives_way", |procedure, number| procedure.gives_way = number),
        ("overload_furthest", |procedure, number| procedure.overload_furthest = number),
        ("start_patience", |procedure, number| procedure.start_patience = number),
        ("bleeder", |procedure, number| procedure.bleeder = number),
        ("leads", |procedure, number| procedure.leads_s = number),
        ("short_phase", |procedure, number| procedure.short_phase = number),
        ("short_phases", |procedure, number| procedure.short_phases = number as u64),
        ("short_first", |procedure, number| procedure.short_first = number as u64),
        ("light_loads", |procedure, number| procedure.light_loads = number as u64),
        ("pattern_settling", |procedure, number| procedure.pattern_settling = number as u64),
        ("pattern_counted", |procedure, number| procedure.pattern_counted = number as u64),
        ("pattern_longest", |procedure, number| procedure.pattern_longest = number as u64),
        ("pattern_gap", |procedure, number| procedure.pattern_gap = number),
        ("audible_low", |procedure, number| procedure.audible_hz.0 = number),
        ("audible_high", |procedure, number| procedure.audible_hz.1 = number),
        ("most_audible_low", |procedure, number| procedure.most_audible_hz.0 = number),
        ("most_audible_high", |procedure, number| procedure.most_audible_hz.1 = number),
    ];
    let mut procedure = Procedure::default();
    for (key, set) in setters {
        if let Some(number) = v.number(&format!("measure.{key}")) {
            set(&mut procedure, number);
        }
    }
    procedure
}

fn bench(v: &Values) -> Option<Bench> {
    let at = |name: &str| v.number(&format!("bench.{name}"));
    Some(Bench {
        voltage_v: at("voltage_fixed")?,
        voltage: at("voltage")?,
        current: at("current")?,
        time_s: at("time")?,
        temperature_k: at("temperature")?,
        efficiency: at("efficiency")?,
        ambient_degc: at("ambient"),
        probe_loop_m: at("probe_loop").unwrap_or(Bench::USUAL_LOOP_M),
    })
}

/// Checks across keys. Each looks only at what could be read, so that one slip is not reported twice.
fn check(sources: &mut Sources, v: &Values, doubts: &mut Vec<String>) {
    let mut fault =
        |path: &str, expected: String, hint: &str| sources.problem(&v.place(path), &v.key(path), expected, hint);
    check_voltages(v, &mut fault);
    check_duty(v, &mut fault);
    check_control(v, &mut fault, doubts);
    loads::check(v, &mut fault, doubts);
    protection::check(v, &mut fault);
    for path in ["input.capacitors", "output.capacitors"] {
        check_bank(v, path, &mut fault);
    }
    check_states(v, &mut fault);
    check_waivers(v, &mut fault);
    check_readings(v, &mut fault);
    check_fillets(v, &mut fault);
    let period_s = v.number("stage.frequency").map(|f| 1.0 / f);
    if let (Some(dead_s), Some(period_s)) = (v.number("stage.low_side.dead_time"), period_s)
        && dead_s > 0.2 * period_s
    {
        fault(
            "stage.low_side.dead_time",
            format!("less than a fifth of the period of {}", show(period_s, Dimension::Time)),
            "both edges have one",
        );
    }
}

/// Each requirement is waived once, on a day.
fn check_waivers(v: &Values, fault: &mut Fault<'_>) {
    let requirement = |i: usize| v.text(&format!("waiver[{i}].requirement"));
    for i in 0..v.count("waiver") {
        if requirement(i).is_some() && (0..i).any(|earlier| requirement(earlier) == requirement(i)) {
            let hint = "one entry a requirement: who accepts it again replaces the former entry";
            fault(&format!("waiver[{i}].requirement"), "each requirement once".into(), hint);
        }
        let path = format!("waiver[{i}].date");
        if v.text(&path).is_some_and(|date| !is_date(date)) {
            fault(&path, "a date as year-month-day".into(), "for example date = \"2026-11-28\"");
        }
    }
}

/// Year, month and day of ISO 8601; whether that month has the day is not looked at.
fn is_date(text: &str) -> bool {
    let parts: Vec<&str> = text.split('-').collect();
    let digits = parts.iter().all(|part| part.chars().all(|c| c.is_ascii_digit()));
    let lengths: Vec<usize> = parts.iter().map(|part| part.len()).collect();
    let within = |i: usize, most: u32| parts[i].parse::<u32>().is_ok_and(|number| (1..=most).contains(&number));
    digits && lengths == [4, 2, 2] && within(1, 12) && within(2, 31)
}

/// What a reading tells of the cooling is a rise, and at a load that the board delivers.
fn check_readings(v: &Values, fault: &mut Fault<'_>) {
    let lowest_v = v.numbers("input.voltages").and_then(|all| all.first().copied());
    for i in 0..v.count("reading") {
        let path = |name: &str| format!("reading[{i}].{name}");
        let at = |name: &str| v.number(&path(name));
        if let (Some(winding_degc), Some(ambient_degc)) = (at("winding_temperature"), at("ambient"))
            && winding_degc <= ambient_degc
        {
            let expected = format!("above the ambient of {}", show(ambient_degc, Dimension::Temperature));
            fault(
                &path("winding_temperature"),
                expected,
                "a loaded winding is warmer than the air; are the two swapped?",
            );
        }
        let limit = current_limit_a(v).map(|limit| limit.2);
        if let (Some(load_a), Some(limit_a)) = (at("load"), limit)
            && load_a >= limit_a
        {
            let expected =
                format!("below the highest current-limit threshold of {}", show(limit_a, Dimension::Current));
            fault(&path("load"), expected, "the board does not deliver that load; check the unit");
        }
        // An output that no input reaches is told where it stands.
        let output_v =
            v.number("output.voltage").filter(|output_v| lowest_v.is_none_or(|lowest_v| *output_v < lowest_v));
        if let (Some(input_v), Some(output_v)) = (at("input"), output_v)
            && input_v <= output_v
        {
            let expected = format!("above the output voltage of {}", show(output_v, Dimension::Voltage));
            fault(&path("input"), expected, "a buck converter steps down");
        }
    }
}

/// Fillets are those between terminals and a land.
fn check_fillets(v: &Values, fault: &mut Fault<'_>) {
    if v.count("mechanics.fillets") == 1 && v.count("mechanics.land") == 0 {
        let hint = "add the table [mechanics.land], or remove the goals";
        fault("mechanics.fillets", "the land with it".into(), hint);
    }
}

const OUTPUT_BANK: &str = "output.capacitors";

/// States that the output capacitors take: one each, and one more with series inductance.
fn bank_states(v: &Values, absent_is_inductive: bool) -> usize {
    let esl_h = |i: usize| v.number(&format!("{OUTPUT_BANK}[{i}].esl"));
    let inductive = |i: usize| esl_h(i).map_or(absent_is_inductive, |esl_h| esl_h > 0.0);
    (0..v.count(OUTPUT_BANK)).map(|i| 1 + usize::from(inductive(i))).sum()
}

/// Whether the engine has room for the series inductances that the case leaves out.
pub fn has_room_for_inductances(v: &Values) -> bool {
    bank_states(v, true) <= most_bank_states(v)
}

/// States that the engine, which holds a network of limited size, has left for the output capacitors.
fn most_bank_states(v: &Values) -> usize {
    let has = |name: &str| v.number(&format!("control.compensator.{name}")).is_some_and(|value| value > 0.0);
    let amplifier = match v.text("control.compensator.kind") {
        Some("op-amp") => 2 + usize::from(has("r3")) + usize::from(has("c2")),
        // As it may be laid out.
        Some("margins") => 4,
        Some("transconductance") => 2,
        Some("ripple") => 1 + usize::from(has("injection_resistance")),
        _ => 0,
    };
    let sense = usize::from(v.text("control.current_limit.kind") == Some("winding"));
    // Beside these: the inductor, the instrument, and a loop analyser (two) or the leads of load and short circuit.
    MAX_STATES - 4 - amplifier - sense
}

fn check_states(v: &Values, fault: &mut Fault<'_>) {
    let (wanted, most) = (bank_states(v, false), most_bank_states(v));
    if wanted > most {
        let expected = format!("at most {most} state variables of capacitors, not {wanted}");
        fault(
            OUTPUT_BANK,
            expected,
            "an entry is one and its esl another: join entries of one type with count, or leave out a small esl",
        );
    }
}

fn check_voltages(v: &Values, fault: &mut Fault<'_>) {
    let (Some(input_v), output_v) = (v.numbers("input.voltages"), v.number("output.voltage")) else { return };
    if let Some(nominal_v) = v.number("input.nominal")
        && !input_v.contains(&nominal_v)
    {
        fault("input.nominal", "one of the values of input.voltages".into(), "add it there if it is to be simulated");
    }
    if let Some(output_v) = output_v
        && output_v >= input_v[0]
    {
        let expected = format!("below the lowest input voltage of {}", show(input_v[0], Dimension::Voltage));
        fault("output.voltage", expected, "a buck converter steps down");
    }
    let reference = v.number("control.compensator.reference");
    if let (Some(reference_v), Some(output_v)) = (reference, output_v)
        && reference_v >= output_v
    {
        let expected = format!("below the output voltage of {}", show(output_v, Dimension::Voltage));
        fault("control.compensator.reference", expected, "the divider can only divide");
    }
}

/// The ideal duty Vout / Vin must leave room for the shortest on and off times at every input.
fn check_duty(v: &Values, fault: &mut Fault<'_>) {
    let (Some(input_v), Some(output_v), Some(f)) =
        (v.numbers("input.voltages"), v.number("output.voltage"), v.number("stage.frequency"))
    else {
        return;
    };
    let (lowest_v, highest_v) = (input_v[0], input_v[input_v.len() - 1]);
    // In hysteretic control the period gives way, not the duty.
    if output_v >= lowest_v || v.text("control.modulator.kind") == Some("hysteretic") {
        return;
    }
    let period_s = own_period_s(v).unwrap_or(1.0 / f);
    let (on_s, off_s) = (output_v / highest_v * period_s, (1.0 - output_v / lowest_v) * period_s);
    let time = |s| show(s, Dimension::Time);
    let volt = |x| show(x, Dimension::Voltage);
    if v.number("control.min_on").is_some_and(|least_s| least_s > on_s) {
        let expected = format!("at most {}, the conduction needed at {}", time(on_s), volt(highest_v));
        fault("control.min_on", expected, "the duty is out of reach: lower the frequency or the highest input");
    }
    if v.number("control.min_off").is_some_and(|least_s| least_s > off_s) {
        let expected = format!("at most {}, the time left at {}", time(off_s), volt(lowest_v));
        fault("control.min_off", expected, "the duty is out of reach: lower the frequency or raise the lowest input");
    }
}

/// Ideal period in s where the on-time sets it, the same at every input.
fn own_period_s(v: &Values) -> Option<f64> {
    let on_time_s = v.number("control.modulator.on_time")?;
    Some(on_time_s * v.number("input.nominal")? / v.number("output.voltage")?)
}

/// The compensators that go with a modulator.
fn partners(modulator: &str) -> (&'static [&'static str], &'static str) {
    match modulator {
        "fixed-duty" => (&["open"], "open, as the duty is fixed"),
        "constant-on-time" | "hysteretic" => (&["ripple"], "ripple, as the comparator looks at the output itself"),
        _ => (&["op-amp", "transconductance", "margins"], "an amplifier: op-amp, transconductance or margins"),
    }
}

fn check_control(v: &Values, fault: &mut Fault<'_>, doubts: &mut Vec<String>) {
    let at = |name: &str| v.number(&format!("control.{name}"));
    let (modulator, compensator) = (v.text("control.modulator.kind"), v.text("control.compensator.kind"));
    if let (Some(modulator), Some(compensator)) = (modulator, compensator)
        && let (partners, expected) = partners(modulator)
        && !partners.contains(&compensator)
    {
        let hint = "\"open\" goes with \"fixed-duty\", \"ripple\" with \"constant-on-time\" and \"hysteretic\"";
        fault("control.compensator.kind", expected.into(), hint);
    }
    if let (Some(own_s), Some(f)) = (own_period_s(v), v.number("stage.frequency"))
        && (own_s * f - 1.0).abs() > 0.1
    {
        let (own, stated) = (show(1.0 / own_s, Dimension::Frequency), show(f, Dimension::Frequency));
        doubts.push(format!(
            "control.modulator.on_time: it leads to {own}, more than 10 % off the frequency of {stated}"
        ));
    }
    let unknown = |path: &str| v.absent(&format!("control.{path}"));
    let by_limit = current_limit_a(v).is_some() && at("compensator.clamp_high").is_some();
    if modulator == Some("peak-current") && unknown("modulator.current_gain") && !by_limit {
        let hint = "it follows from a current limit with clamp_high; with neither state crossover and phase margin, kind = \"margins\"";
        fault("control.modulator.current_gain", "the gain from control voltage to current".into(), hint);
    }
    let ramps = (at("modulator.ramp_amplitude"), at("modulator.ramp_divisor"));
    if modulator == Some("voltage-mode") && ramps.0.is_some() == ramps.1.is_some() {
        let hint = "a fixed ramp has an amplitude; one with input feed-forward has a divisor";
        fault("control.modulator.ramp_amplitude", "either ramp_amplitude or ramp_divisor".into(), hint);
    }
    if let (Some(duty), Some(input_v), Some(output_v)) =
        (at("modulator.duty"), v.number("input.nominal"), v.number("output.voltage"))
        && (duty * input_v / output_v - 1.0).abs() > 0.1
    {
        doubts.push(format!(
            "control.modulator.duty: {duty} of {input_v} V is more than 10 % off the output voltage of {output_v} V"
        ));
    }
    if at("compensator.r3").is_some() != at("compensator.c3").is_some() {
        fault("control.compensator.r3", "r3 and c3 together".into(), "leave both out for type II");
    }
    if at("compensator.injection_resistance").is_some() != at("compensator.injection_capacitance").is_some() {
        let expected = "injection_resistance and injection_capacitance together".into();
        fault("control.compensator.injection_resistance", expected, "leave both out where no ripple is injected");
    }
    if let (Some(low_v), Some(high_v)) = (at("compensator.clamp_low"), at("compensator.clamp_high"))
        && low_v >= high_v
    {
        fault("control.compensator.clamp_high", format!("above clamp_low = {}", show(low_v, Dimension::Voltage)), "");
    }
    if let (Some(tap_v), Some(r1), Some(rb), Some(output_v)) =
        (mean_tap_v(v), at("compensator.r1"), at("compensator.rb"), v.number("output.voltage"))
        && (tap_v * (1.0 + r1 / rb) / output_v - 1.0).abs() > 0.02
    {
        let regulated = show(tap_v * (1.0 + r1 / rb), Dimension::Voltage);
        doubts.push(format!(
            "control.compensator.rb: the divider sets {regulated}, more than 2 % off the output voltage aimed at"
        ));
    }
}

fn check_bank(v: &Values, path: &str, fault: &mut Fault<'_>) {
    let mut bare = 0;
    for i in 0..v.count(path) {
        let at = |name: &str| v.number(&format!("{path}[{i}].{name}"));
        let unsaid = ["kind", "esr"].iter().all(|name| v.absent(&format!("{path}[{i}].{name}")));
        if unsaid && capacitor_kind(v, &format!("{path}[{i}]")).is_none() {
            let hint = "for example kind = \"ceramic\": without its resistance the kind says what holds";
            fault(&format!("{path}[{i}].kind"), "the key kind, or esr".into(), hint);
        }
        if let (Some(new_f), Some(aged_f)) = (at("capacitance"), at("aged_capacitance"))
            && aged_f > new_f
        {
            fault(
                &format!("{path}[{i}].aged_capacitance"),
                format!("at most the capacitance of {}", show(new_f, Dimension::Capacitance)),
                "capacitors lose capacitance as they age",
            );
        }
        if at("esr") == Some(0.0) && at("esl") == Some(0.0) {
            bare += 1;
            if bare == 2 {
                fault(
                    &format!("{path}[{i}].esr"),
                    "above 0 here".into(),
                    "only one entry may have neither series resistance nor inductance; combine the two",
                );
            }
        }
    }
}
