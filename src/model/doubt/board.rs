//! Doubts about the board's data that are not in a bank: switches, control, limit.

use super::{Acts, BOARD_MAKER, Datum, Place, Present, Rule, SHEETS, Slot, Typical};
use crate::model::board::{Board, Compensator, CurrentLimit, Injection, LimitSense, LowSide, Modulator, Ramp};
use crate::model::parts::Inductor;
use crate::units::Dimension::{self, *};

const fn row(key: &'static str, label: &'static str, unit: Dimension, slot: Slot) -> Rule {
    Rule::new(key, label, unit, Place::Board, Datum::Slot(slot)).ask(BOARD_MAKER).source(SHEETS)
}

/// A component of the amplifier's network, with its customary tolerance as half width.
const fn network(key: &'static str, label: &'static str, unit: Dimension, slot: Slot) -> Rule {
    let share = if matches!(unit, Resistance) { 0.01 } else { 0.1 };
    row(key, label, unit, slot).within(share).acts(Acts::Loop).ask("look at the parts list of the board")
}

/// Ends of a current gain of which only limit and clamp are known.
const ASK_LIMIT: &str = "look in the data sheet of the controller under current limit";

/// The rows.
#[rustfmt::skip] // one row a paragraph, as a table
pub static RULES: &[Rule] = &[
    row("stage.high_side_resistance", "on-resistance of the high side", Resistance, |b, _, _| Some(&mut b.stage.high_side_ohm))
        .within(0.15),
    row("stage.low_side.resistance", "on-resistance of the low side", Resistance, |b, _, _| match &mut b.stage.low_side {
        LowSide::Switch { on_ohm, .. } => Some(on_ohm),
        LowSide::Diode { .. } => None,
    }).within(0.15),
    row("stage.hot_factor", "factor on the on-resistances of a warm board", Ratio, |b, _, _| Some(&mut b.stage.hot_factor))
        .absent(1.3, 1.15, 1.6).within(0.15),
    row("stage.rise_time", "rise time of the switch node", Time, |b, _, _| Some(&mut b.stage.rise_s))
        .absent(8e-9, 2e-9, 20e-9).within(0.5).acts(Acts::Supply).ask("measure the switch node with an oscilloscope"),
    row("stage.fall_time", "fall time of the switch node", Time, |b, _, _| Some(&mut b.stage.fall_s))
        .absent(8e-9, 2e-9, 20e-9).within(0.5).acts(Acts::Supply).ask("measure the switch node with an oscilloscope"),
    row("stage.gate_charge", "gate charge a cycle", Charge, |b, _, _| Some(&mut b.stage.gate_charge_c))
        .absent(12e-9, 4e-9, 40e-9).within(0.3).acts(Acts::Supply),
    row("stage.gate_supply", "gate supply", Voltage, |b, _, _| Some(&mut b.stage.gate_v))
        .absent(5.0, 4.0, 12.0).within(0.1).acts(Acts::Supply),
    row("stage.recovery_charge", "recovery charge of the low side", Charge, |b, _, _| Some(&mut b.stage.recovery_charge_c))
        .absent(20e-9, 0.0, 60e-9).within(0.3).acts(Acts::Supply),
    row("stage.output_capacitance", "output capacitance at the switch node", Capacitance, |b, _, _| Some(&mut b.stage.output_capacitance_f))
        .absent(250e-12, 60e-12, 800e-12).within(0.3).acts(Acts::Supply),
    row("stage.quiescent_current", "quiescent current from the input", Current, |b, _, _| Some(&mut b.stage.quiescent_a))
        .absent(0.7e-3, 0.05e-3, 3e-3).within(0.3).acts(Acts::Supply),
    row("stage.low_side.dead_time", "dead time", Time, |b, _, _| match &mut b.stage.low_side {
        LowSide::Switch { dead_time_s, .. } => Some(dead_time_s),
        LowSide::Diode { .. } => None,
    }).absent(25e-9, 10e-9, 60e-9).within(0.4),
    row("stage.low_side.body_diode", "forward voltage of the body diode", Voltage, |b, _, _| match &mut b.stage.low_side {
        LowSide::Switch { body_diode_v, .. } => Some(body_diode_v),
        LowSide::Diode { .. } => None,
    }).absent(0.8, 0.6, 1.0).typical(Typical::Width(0.1)),
    row("stage.low_side.forward_voltage", "forward voltage of the diode", Voltage, |b, _, _| match &mut b.stage.low_side {
        LowSide::Diode { forward_v, .. } => Some(forward_v),
        LowSide::Switch { .. } => None,
    }).typical(Typical::Width(0.1)),
    row("stage.frequency_tolerance", "tolerance of the switching frequency", Fraction, |b, _, _| {
        let timed = !matches!(b.control.modulator, Modulator::Hysteretic { .. });
        timed.then_some(&mut b.tolerances.frequency)
    }).absent(0.1, 0.1, 0.1),
    row("control.compensator.reference_tolerance", "tolerance of the reference", Fraction, |b, _, _| {
        let regulated = b.control.compensator != Compensator::Open || b.control.aim.is_some();
        regulated.then_some(&mut b.tolerances.reference)
    }).absent(0.015, 0.015, 0.015),
    row("control.compensator.divider_tolerance", "tolerance of each divider resistor", Fraction, |b, _, _| {
        let regulated = b.control.compensator != Compensator::Open || b.control.aim.is_some();
        regulated.then_some(&mut b.tolerances.divider)
    }).absent(0.01, 0.01, 0.01),
    row("control.min_on", "shortest conduction", Time, |b, _, _| {
        let blanked = b.control.modulator.is_blanked();
        blanked.then_some(&mut b.control.min_on_s)
    }).absent(100e-9, 50e-9, 200e-9).within(0.3).at_most("half of the shortest conduction needed", half_on_s),
    row("control.min_off", "shortest time off", Time, |b, _, _| {
        let fixed = matches!(b.control.modulator, Modulator::FixedDuty { .. });
        (!fixed).then_some(&mut b.control.min_off_s)
    }).absent(150e-9, 80e-9, 250e-9).within(0.3).at_most("three quarters of the least time off", most_off_s),
    row("control.modulator.ramp_amplitude", "amplitude of the ramp", Voltage, |b, _, _| match &mut b.control.modulator {
        Modulator::VoltageMode { ramp: Ramp::Fixed(amplitude_v), .. } => Some(amplitude_v),
        _ => None,
    }).within(0.15).acts(Acts::Loop),
    row("control.modulator.ramp_divisor", "divisor of the ramp", Number, |b, _, _| match &mut b.control.modulator {
        Modulator::VoltageMode { ramp: Ramp::InputOver(divisor), .. } => Some(divisor),
        _ => None,
    }).within(0.15).acts(Acts::Loop),
    row("control.modulator.delay", "delay of comparator and driver", Time, |b, _, _| match &mut b.control.modulator {
        Modulator::FixedDuty { .. } => None,
        Modulator::VoltageMode { delay_s, .. }
        | Modulator::PeakCurrent { delay_s, .. }
        | Modulator::ConstantOnTime { delay_s, .. }
        | Modulator::Hysteretic { delay_s, .. } => Some(delay_s),
    }).absent(60e-9, 15e-9, 200e-9).at_most("the shortest conduction", blanked_s).within(0.3),
    row("control.modulator.current_gain", "gain from control voltage to current, with the transconductance", CurrentGain, |b, _, _| {
        match &mut b.control.modulator {
            Modulator::PeakCurrent { gain_a_per_v, .. } => Some(gain_a_per_v),
            _ => None,
        }
    }).per("highest limit threshold / (0.85 x clamp_high)", gain_by_limit)
        .absent(1.0, 0.7, 1.3).within(0.25).acts(Acts::Loop).ask(ASK_LIMIT),
    row("control.modulator.slope", "slope compensation", Slew, |b, _, _| match &mut b.control.modulator {
        Modulator::PeakCurrent { slope_a_per_s, .. } => Some(slope_a_per_s),
        _ => None,
    }).per("output / inductance of the original", falling_slope).absent(0.6, 0.3, 1.0).within(0.2),
    row("control.compensator.gm", "transconductance", Conductance, |b, _, _| {
        let one_datum_with_gain = matches!(b.control.modulator, Modulator::PeakCurrent { .. });
        match &mut b.control.compensator {
            Compensator::Transconductance { gm_s, .. } if !one_datum_with_gain => Some(gm_s),
            _ => None,
        }
    }).within(0.25).acts(Acts::Loop),
    row("control.compensator.ro", "output resistance of the amplifier", Resistance, |b, _, _| match &mut b.control.compensator {
        Compensator::Transconductance { ro_ohm, .. } => Some(ro_ohm),
        _ => None,
    }).absent(4e6, 1e6, 10e6).within(0.5).acts(Acts::Loop),
    row("control.compensator.gain_bandwidth", "gain-bandwidth product", Frequency, |b, _, _| match &mut b.control.compensator {
        Compensator::OpAmp { gain_bandwidth_hz, .. } => Some(gain_bandwidth_hz),
        _ => None,
    }).absent(4e6, 1e6, 10e6).within(0.3).acts(Acts::Loop),
    network("control.compensator.r2", "feedback resistor", Resistance, |b, _, _| match &mut b.control.compensator {
        Compensator::OpAmp { r2_ohm, .. } => Some(r2_ohm),
        _ => None,
    }),
    network("control.compensator.c1", "feedback capacitor", Capacitance, |b, _, _| match &mut b.control.compensator {
        Compensator::OpAmp { c1_f, .. } => Some(c1_f),
        _ => None,
    }),
    network("control.compensator.c2", "parallel feedback capacitor", Capacitance, |b, _, _| match &mut b.control.compensator {
        Compensator::OpAmp { c2_f, .. } if *c2_f > 0.0 => Some(c2_f),
        _ => None,
    }),
    network("control.compensator.r3", "lead resistor", Resistance, |b, _, _| match &mut b.control.compensator {
        Compensator::OpAmp { lead: Some((r3_ohm, _)), .. } => Some(r3_ohm),
        _ => None,
    }),
    network("control.compensator.c3", "lead capacitor", Capacitance, |b, _, _| match &mut b.control.compensator {
        Compensator::OpAmp { lead: Some((_, c3_f)), .. } => Some(c3_f),
        _ => None,
    }),
    network("control.compensator.rc", "compensation resistor", Resistance, |b, _, _| match &mut b.control.compensator {
        Compensator::Transconductance { rc_ohm, .. } => Some(rc_ohm),
        _ => None,
    }),
    network("control.compensator.cc", "compensation capacitor", Capacitance, |b, _, _| match &mut b.control.compensator {
        Compensator::Transconductance { cc_f, .. } => Some(cc_f),
        _ => None,
    }),
    network("control.compensator.chf", "parallel compensation capacitor", Capacitance, |b, _, _| match &mut b.control.compensator {
        Compensator::Transconductance { chf_f, .. } => Some(chf_f),
        _ => None,
    }).absent(5e-12, 2e-12, 20e-12),
    network("control.compensator.cff", "capacitor across the divider", Capacitance, |b, _, _| match &mut b.control.compensator {
        Compensator::Ripple { cff_f, .. } => Some(cff_f),
        _ => None,
    }).acts(Acts::Waveform),
    network("control.compensator.injection_resistance", "injection resistor", Resistance, |b, _, _| injection(b).map(|all| all.0))
        .acts(Acts::Waveform),
    network("control.compensator.injection_capacitance", "injection capacitor", Capacitance, |b, _, _| injection(b).map(|all| all.1))
        .acts(Acts::Waveform),
    row("control.soft_start", "soft start", Time, |b, _, _| {
        let regulated = b.control.compensator != Compensator::Open || b.control.aim.is_some();
        regulated.then_some(&mut b.control.protection.soft_start_s)
    }).absent(4e-3, 0.2e-3, 20e-3).within(0.3).acts(Acts::Start),
    Rule::new("control.current_limit.lowest", "lowest limit threshold", Current, Place::Board,
        Datum::Own { read: |b, _, _| current_end(b, |limit| limit.threshold.0), set: |b, _, _, value| set_end(b, |t| t.0 = value) })
        .per("typical threshold", typical_threshold).absent(0.8, 0.8, 0.8).acts(Acts::Limit).ask(ASK_LIMIT).source(SHEETS),
    Rule::new("control.current_limit.highest", "highest limit threshold", Current, Place::Board,
        Datum::Own { read: |b, _, _| current_end(b, |limit| limit.threshold.2), set: |b, _, _, value| set_end(b, |t| t.2 = value) })
        .per("typical threshold", typical_threshold).absent(1.2, 1.2, 1.2).acts(Acts::Limit).ask(ASK_LIMIT).source(SHEETS),
    Rule::new("control.current_limit.lowest_voltage", "lowest limit threshold across the winding", Voltage, Place::Board,
        Datum::Own { read: |b, _, _| voltage_end(b, |limit| limit.threshold.0), set: |b, _, _, value| set_end(b, |t| t.0 = value) })
        .per("typical threshold", typical_threshold).absent(0.8, 0.8, 0.8).acts(Acts::Limit).ask(ASK_LIMIT).source(SHEETS),
    Rule::new("control.current_limit.highest_voltage", "highest limit threshold across the winding", Voltage, Place::Board,
        Datum::Own { read: |b, _, _| voltage_end(b, |limit| limit.threshold.2), set: |b, _, _, value| set_end(b, |t| t.2 = value) })
        .per("typical threshold", typical_threshold).absent(1.2, 1.2, 1.2).acts(Acts::Limit).ask(ASK_LIMIT).source(SHEETS),
    row("control.current_limit.sense_resistance", "sense resistor across the inductor", Resistance, |b, _, _| sense(b).map(|all| all.0))
        .within(0.01).acts(Acts::Limit).ask("look at the parts list of the board"),
    row("control.current_limit.sense_capacitance", "sense capacitor across the inductor", Capacitance, |b, _, _| sense(b).map(|all| all.1))
        .within(0.1).acts(Acts::Limit).ask("look at the parts list of the board"),
    row("control.current_limit.delay", "delay of the current limit", Time, |b, _, _| {
        let limit = b.control.protection.current_limit.as_mut();
        limit.filter(|limit| limit.sense != LimitSense::Valley).map(|limit| &mut limit.delay_s)
    }).absent(110e-9, 50e-9, 200e-9).within(0.3).acts(Acts::Limit),
    row("control.current_limit.inhibit", "current above which a clock edge begins no pulse", Current, |b, _, _| {
        b.control.protection.current_limit.as_mut().and_then(|limit| limit.inhibit_a.as_mut())
    }).within(0.3).acts(Acts::Limit),
    row("control.current_limit.hiccup_pause", "pause of the hiccup", Time, |b, _, _| {
        let limit = b.control.protection.current_limit.as_mut();
        limit.and_then(|limit| limit.hiccup.as_mut()).map(|hiccup| &mut hiccup.pause_s)
    }).within(0.3).acts(Acts::Limit),
    row("control.foldback.below", "share of the output below which pulses are left out", Fraction, |b, _, _| {
        b.control.protection.foldback.as_mut().map(|foldback| &mut foldback.below)
    }).within(0.3).acts(Acts::Start),
    row("control.modulator.skip_below", "peak current below which a pulse is left out", Current, |b, _, _| {
        let skips = b.control.protection.skip_below_a > 0.0;
        skips.then_some(&mut b.control.protection.skip_below_a)
    }).within(0.3),
];

fn injection(board: &mut Board) -> Option<(&mut f64, &mut f64)> {
    match &mut board.control.compensator {
        Compensator::Ripple { injection: Some(injection), .. } => match injection {
            Injection::SwitchNode { r_ohm, c_f } | Injection::Inductor { r_ohm, c_f, .. } => Some((r_ohm, c_f)),
        },
        _ => None,
    }
}

fn sense(board: &mut Board) -> Option<(&mut f64, &mut f64)> {
    match &mut board.control.protection.current_limit.as_mut()?.sense {
        LimitSense::Winding { r_ohm, c_f } => Some((r_ohm, c_f)),
        LimitSense::Peak { .. } | LimitSense::Valley => None,
    }
}

/// An end of a threshold that is a current.
fn current_end(board: &Board, end: fn(&CurrentLimit) -> f64) -> Present {
    let limit = board.control.protection.current_limit.as_ref();
    let of_current = limit.filter(|limit| !matches!(limit.sense, LimitSense::Winding { .. }));
    of_current.map_or(Present::NotHere, |limit| Present::Value(end(limit)))
}

/// An end of a threshold across the winding.
fn voltage_end(board: &Board, end: fn(&CurrentLimit) -> f64) -> Present {
    let limit = board.control.protection.current_limit.as_ref();
    let of_voltage = limit.filter(|limit| matches!(limit.sense, LimitSense::Winding { .. }));
    of_voltage.map_or(Present::NotHere, |limit| Present::Value(end(limit)))
}

fn set_end(board: &mut Board, set: impl FnOnce(&mut (f64, f64, f64))) {
    if let Some(limit) = &mut board.control.protection.current_limit {
        set(&mut limit.threshold);
    }
}

fn typical_threshold(board: &Board, _: &Inductor, _: usize) -> f64 {
    board.control.protection.current_limit.map_or(0.0, |limit| limit.threshold.1)
}

/// Half of the shortest conduction in s that the duty needs; the board works, so it has that room.
fn half_on_s(board: &Board, _: &Inductor, _: usize) -> f64 {
    0.5 * board.output_v / board.highest_input_v() / board.frequency_hz
}

/// Three quarters of the least time off in s that the duty leaves at the lowest input.
fn most_off_s(board: &Board, _: &Inductor, _: usize) -> f64 {
    let lowest_v = board.input_v.first().copied().unwrap_or(f64::INFINITY);
    0.75 * (1.0 - board.output_v / lowest_v) / board.frequency_hz
}

/// The shortest conduction in s, where the comparator is not looked at during it: the delay lies inside.
fn blanked_s(board: &Board, _: &Inductor, _: usize) -> f64 {
    let blanked = board.control.modulator.is_blanked() && board.control.min_on_s > 0.0;
    if blanked { board.control.min_on_s } else { f64::INFINITY }
}

/// Current gain in A/V at which the highest threshold needs 85 % of the highest control voltage.
fn gain_by_limit(board: &Board, _: &Inductor, _: usize) -> f64 {
    let (Some(limit), Some(high_v)) = (board.control.protection.current_limit, clamp_high_v(board)) else {
        return f64::NAN;
    };
    limit.threshold.2 / (0.85 * high_v)
}

fn clamp_high_v(board: &Board) -> Option<f64> {
    match &board.control.compensator {
        Compensator::OpAmp { clamp_v, .. } | Compensator::Transconductance { clamp_v, .. } => Some(clamp_v.1),
        Compensator::Open | Compensator::Ripple { .. } => board.control.aim.map(|aim| aim.clamp_v.1),
    }
}

/// Falling slope of the inductor's current in A/s.
fn falling_slope(board: &Board, part: &Inductor, _: usize) -> f64 {
    board.output_v / part.inductance_h
}
