//! Error amplifiers as rows of the network: op-amp type II and III, transconductance type II; and the tap of ripple-based
//! control.
//!
//! Equations: docs/physics.md, "op-amp compensator" and "transconductance compensator"; docs/physics.md, "ripple feedback".

use super::row::{Input, Row};
use crate::board::{Compensator, Injection};

/// State of the amplifier's output.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Analog {
    /// Between its clamps.
    Linear,
    /// Held at the upper clamp.
    ClampHigh,
    /// Held at the lower clamp.
    ClampLow,
}

/// Rows of a compensator in one state of its output.
pub struct CompensatorRows {
    /// Time derivative of each of its states.
    pub derivative: Vec<Row>,
    /// Control voltage.
    pub control: Row,
    /// What drives the output state: its sign says where the output would move if it were free.
    pub drive: Row,
}

/// Number of states of the compensator.
pub fn state_count(compensator: &Compensator) -> usize {
    match compensator {
        Compensator::Open => 0,
        Compensator::OpAmp { lead, c2_f, .. } => 2 + usize::from(lead.is_some()) + usize::from(*c2_f > 0.0),
        Compensator::Transconductance { .. } => 2,
        Compensator::Ripple { injection, .. } => 1 + usize::from(injection.is_some()),
    }
}

/// Whether the first state of the compensator is the control voltage itself.
pub fn has_control_state(compensator: &Compensator) -> bool {
    matches!(compensator, Compensator::OpAmp { .. } | Compensator::Transconductance { .. })
}

/// Clamps of the control voltage in V.
pub fn clamp_v(compensator: &Compensator) -> Option<(f64, f64)> {
    match compensator {
        Compensator::Open | Compensator::Ripple { .. } => None,
        Compensator::OpAmp { clamp_v, .. } | Compensator::Transconductance { clamp_v, .. } => Some(*clamp_v),
    }
}

/// Reference in V; 0 without a compensator.
pub fn reference_v(compensator: &Compensator) -> f64 {
    compensator.reference_v().unwrap_or(0.0)
}

/// State of the compensator at rest with the given control and output voltages: no capacitor current flows.
pub fn resting_state(compensator: &Compensator, control_v: f64, output_v: f64) -> Vec<f64> {
    match compensator {
        Compensator::Open => vec![],
        Compensator::Transconductance { .. } => vec![control_v, control_v],
        Compensator::Ripple { reference_v, injection, .. } => resting_tap(*injection, output_v - *reference_v),
        Compensator::OpAmp { reference_v, lead, c2_f, .. } => {
            let mut x = vec![control_v, *reference_v - control_v];
            if *c2_f > 0.0 {
                x.push(control_v - *reference_v);
            }
            if lead.is_some() {
                x.push(output_v - *reference_v);
            }
            x
        }
    }
}

/// State of the ripple network with its tap some volts below the output.
fn resting_tap(injection: Option<Injection>, below_v: f64) -> Vec<f64> {
    match injection {
        None => vec![below_v],
        Some(Injection::SwitchNode { .. }) => vec![below_v, below_v],
        Some(Injection::Inductor { .. }) => vec![below_v, 0.0],
    }
}

/// State of the compensator before a start, with the output at a voltage and nothing asked for: its output at the lower clamp.
pub fn sleeping_state(compensator: &Compensator, output_v: f64) -> Vec<f64> {
    let low_v = clamp_v(compensator).map_or(0.0, |(low_v, _)| low_v);
    match compensator {
        Compensator::OpAmp { r1_ohm, rb_ohm, lead, c2_f, .. } => {
            let tap_v = output_v * rb_ohm / (r1_ohm + rb_ohm);
            let mut x = vec![low_v, tap_v - low_v];
            if *c2_f > 0.0 {
                x.push(low_v - tap_v);
            }
            if lead.is_some() {
                x.push(output_v - tap_v);
            }
            x
        }
        Compensator::Ripple { r1_ohm, rb_ohm, injection, .. } => {
            resting_tap(*injection, output_v * r1_ohm / (r1_ohm + rb_ohm))
        }
        _ => resting_state(compensator, low_v, output_v),
    }
}

/// Rows of the compensator whose states begin at index `first`, fed by the output voltage `v_o` and the switch node `v_sw`.
/// `ratio` is the divider ratio of a transconductance amplifier (reference over output aimed at).
pub fn rows(
    compensator: &Compensator,
    first: usize,
    (v_o, v_sw): (&Row, &Row),
    ratio: f64,
    analog: Analog,
) -> CompensatorRows {
    let mut rows = match compensator {
        Compensator::Open => CompensatorRows { derivative: vec![], control: Row::ZERO, drive: Row::ZERO },
        Compensator::OpAmp { .. } => op_amp(compensator, first, v_o),
        Compensator::Transconductance { .. } => transconductance(compensator, first, v_o, ratio),
        Compensator::Ripple { .. } => ripple(compensator, first, v_o, v_sw),
    };
    if analog != Analog::Linear {
        rows.derivative[0] = Row::ZERO;
    }
    rows
}

fn transconductance(compensator: &Compensator, first: usize, v_o: &Row, ratio: f64) -> CompensatorRows {
    let Compensator::Transconductance { gm_s, ro_ohm, rc_ohm, cc_f, chf_f, .. } = compensator else { unreachable!() };
    let (v_c, v_cc) = (Row::state(first), Row::state(first + 1));
    let error = Row::input(Input::Reference) - *v_o * ratio;
    let series = (v_c - v_cc) * (1.0 / rc_ohm);
    let drive = (error * *gm_s - v_c * (1.0 / ro_ohm) - series) * (1.0 / chf_f);
    CompensatorRows { derivative: vec![drive, series * (1.0 / cc_f)], control: v_c, drive }
}

/// Tap of the divider: the capacitor across the upper resistor holds it below the output.
fn ripple(compensator: &Compensator, first: usize, v_o: &Row, v_sw: &Row) -> CompensatorRows {
    let Compensator::Ripple { r1_ohm, rb_ohm, cff_f, injection, .. } = compensator else { unreachable!() };
    let v_ff = Row::state(first);
    let tap = *v_o - v_ff;
    let divided = tap * (1.0 / rb_ohm) - v_ff * (1.0 / r1_ohm);
    let (injected, second) = match *injection {
        None => (Row::ZERO, None),
        Some(Injection::SwitchNode { r_ohm, c_f }) => {
            let injected = (*v_sw - Row::state(first + 1) - tap) * (1.0 / r_ohm);
            (injected, Some(injected * (1.0 / c_f)))
        }
        Some(Injection::Inductor { r_ohm, c_f, coupling_f }) => {
            // The coupling capacitor's voltage follows from the other two, so its current is what keeps the three in step.
            let arriving = (*v_sw - *v_o - Row::state(first + 1)) * (1.0 / r_ohm);
            let share = 1.0 / (1.0 / coupling_f + 1.0 / c_f + 1.0 / cff_f);
            let injected = (arriving * (1.0 / c_f) + divided * (1.0 / cff_f)) * share;
            (injected, Some((arriving - injected) * (1.0 / c_f)))
        }
    };
    let mut derivative = vec![(divided - injected) * (1.0 / cff_f)];
    derivative.extend(second);
    CompensatorRows { derivative, control: tap, drive: Row::ZERO }
}

fn op_amp(compensator: &Compensator, first: usize, v_o: &Row) -> CompensatorRows {
    let Compensator::OpAmp { r1_ohm, rb_ohm, lead, r2_ohm, c1_f, c2_f, gain_bandwidth_hz, .. } = compensator else {
        unreachable!()
    };
    let has_c2 = *c2_f > 0.0;
    let v_c = Row::state(first);
    let v_1 = Row::state(first + 1);
    let v_3 = lead.map(|_| Row::state(first + 2 + usize::from(has_c2)));
    // Inverting input: fixed by the capacitor C2 to the output, or without C2 by the resistors around it.
    let v_2 = Row::state(first + 2);
    let lead_drive = |v: Row| v_3.map_or(Row::ZERO, |v_3| (v - v_3) * (1.0 / lead.unwrap().0));
    let v_m = if has_c2 {
        v_c - v_2
    } else {
        let conductance = 1.0 / r1_ohm + 1.0 / rb_ohm + 1.0 / r2_ohm + lead.map_or(0.0, |(r3, _)| 1.0 / r3);
        (*v_o * (1.0 / r1_ohm) + lead_drive(*v_o) + (v_c + v_1) * (1.0 / r2_ohm)) * (1.0 / conductance)
    };
    let into_node = (*v_o - v_m) * (1.0 / r1_ohm) + lead_drive(*v_o - v_m) - v_m * (1.0 / rb_ohm);
    let through_r2 = (v_m - v_c - v_1) * (1.0 / r2_ohm);
    let drive = (Row::input(Input::Reference) - v_m) * (std::f64::consts::TAU * gain_bandwidth_hz);
    let mut derivative = vec![drive, through_r2 * (1.0 / c1_f)];
    if has_c2 {
        derivative.push((through_r2 - into_node) * (1.0 / c2_f));
    }
    if let Some((_, c3)) = lead {
        derivative.push(lead_drive(*v_o - v_m) * (1.0 / c3));
    }
    CompensatorRows { derivative, control: v_c, drive }
}
