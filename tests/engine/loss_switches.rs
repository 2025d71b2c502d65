//! Evidence for the losses of switches and capacitors.

use presolder::loss::capacitors::*;
use presolder::loss::switches::*;
use presolder::loss::{LossError, mean_square};
use presolder::parts::CapacitorBranch;

/// Closed forms against closed forms.
const ROUNDING_REL: f64 = 1e-12;
/// Values stated with seven digits.
const SEVEN_DIGITS_REL: f64 = 1e-6;

fn difference(what: &str, ours: f64, reference: f64, tolerance: f64) {
    let relative = ours / reference - 1.0;
    println!("{what}: {ours:.9e}, reference {reference:.9e}, relative difference {relative:.1e}");
    assert!(relative.abs() <= tolerance, "{what}: {ours:e} against {reference:e}");
}

/// Source: integrals of the trapezoid, duty 0.35, 4 A, ripple 1.6 A, evaluated independently to seven digits: inductor, high side,
/// low side, input bank, output bank; and a triangle of 2 A over 0.3 + 0.4 of the period.
#[test]
fn closed_form_rms_of_trapezoids() {
    let (duty, valley, peak, period_s) = (0.35, 3.2, 4.8, 2.7e-6);
    let (on, end) = (duty * period_s, period_s);
    let rms = |w: &[(f64, f64)]| mean_square(w).expect("valid").sqrt();
    let high = [(0.0, valley), (on, peak), (on, 0.0), (end, 0.0)];
    difference("inductor", rms(&[(0.0, valley), (on, peak), (end, valley)]), 4.026578, SEVEN_DIGITS_REL);
    difference("high side", rms(&high), 2.382156, SEVEN_DIGITS_REL);
    difference("low side", rms(&[(0.0, 0.0), (on, 0.0), (on, peak), (end, valley)]), 3.246331, SEVEN_DIGITS_REL);
    difference("input bank", input_rms_a(&high).expect("valid"), 1.927347, SEVEN_DIGITS_REL);
    difference("input bank, trapezoid", input_rms_trapezoid_a(duty, 4.0, 1.6), 1.927347, SEVEN_DIGITS_REL);
    difference("output bank", rms(&[(0.0, -0.8), (on, 0.8), (end, -0.8)]), 0.461880, SEVEN_DIGITS_REL);
    let discontinuous = [(0.0, 0.0), (0.3 * end, 2.0), (0.7 * end, 0.0), (end, 0.0)];
    difference("discontinuous", rms(&discontinuous), 0.966092, SEVEN_DIGITS_REL);
}

/// Overlap of voltage and current at an edge by the midpoint rule: the current changes in the first half, the voltage in the second.
#[test]
fn balance_transition_is_the_integral_of_voltage_times_current() {
    let (input_v, valley_a, peak_a, rise_s, fall_s, frequency_hz) = (23.7, 1.3, 4.9, 7.1e-9, 4.3e-9, 410e3);
    let steps = 2000;
    let edge_j = |amps: f64, time_s: f64| -> f64 {
        let x = |k: i32| (f64::from(k) + 0.5) / f64::from(steps);
        (0..steps)
            .map(|k| input_v * (2.0 - 2.0 * x(k)).min(1.0) * amps * (2.0 * x(k)).min(1.0) * time_s / f64::from(steps))
            .sum()
    };
    let exact = frequency_hz * (edge_j(valley_a, rise_s) + edge_j(peak_a, fall_s));
    let ours = transition_w(input_v, valley_a, peak_a, rise_s, fall_s, frequency_hz);
    difference("transition", ours, exact, 1e-6);
    let zero_voltage = transition_w(input_v, -1.3, peak_a, rise_s, fall_s, frequency_hz);
    difference("negative valley", zero_voltage, frequency_hz * edge_j(peak_a, fall_s), 1e-6);
}

#[test]
fn closed_form_switch_losses() {
    let period_s = 2.3e-6;
    difference(
        "conduction",
        conduction_w(4.1 * 4.1 * 0.31 * period_s, period_s, 0.0187),
        4.1 * 4.1 * 0.31 * 0.0187,
        ROUNDING_REL,
    );
    difference("diode", diode_w(3.7 * 44e-9, period_s, 0.83), 0.83 * 3.7 * 44e-9 / period_s, ROUNDING_REL);
    // Supply gives Q V a cycle; charging a capacitor through a resistance loses as much as it stores.
    difference("gate", gate_w(13e-9, 5.2, 370e3), 25.012e-3, ROUNDING_REL);
    difference("recovery", recovery_w(17e-9, 26.3, 370e3), 165.427e-3, ROUNDING_REL);
    difference(
        "output capacitance",
        output_capacitance_w(240e-12, 26.3, 370e3),
        0.5 * 240e-12 * 26.3 * 26.3 * 370e3,
        ROUNDING_REL,
    );
    difference("ESR", esr_loss_w(1.7, 0.0043), 12.427e-3, ROUNDING_REL);
}

fn branch(capacitance_f: f64, esr_ohm: f64, esl_h: f64) -> CapacitorBranch {
    CapacitorBranch::new("bank", capacitance_f, esr_ohm, esl_h).expect("a branch that can be used")
}

/// Equal branches share equally; unlike ones by Kirchhoff's law, checked with the phasors of two pure capacitors and of a resistance in
/// quadrature.
#[test]
fn law_branches_share_by_admittance() {
    let share = |branches: &[CapacitorBranch]| share_a(1.9, branches, 330e3).expect("valid");
    let equal = share(&[branch(9.1e-6, 2.1e-3, 0.4e-9), branch(9.1e-6, 2.1e-3, 0.4e-9)]);
    difference("half", equal[0], 0.95, ROUNDING_REL);
    let by_capacitance = share(&[branch(9.1e-6, 0.0, 0.0), branch(3.3e-6, 0.0, 0.0)]);
    difference("larger", by_capacitance[0], 1.9 * 9.1 / 12.4, ROUNDING_REL);
    // A huge lossy branch is a resistance: the currents are in quadrature, so their squares add up.
    let quadrature = share(&[branch(4.7e-6, 0.0, 0.0), branch(1e9, 0.057, 0.0)]);
    difference("quadrature", quadrature[0].hypot(quadrature[1]), 1.9, ROUNDING_REL);
    let reactance_ohm = 1.0 / (2.0 * std::f64::consts::PI * 330e3 * 4.7e-6);
    difference("ratio", quadrature[1] / quadrature[0], reactance_ohm / 0.057, ROUNDING_REL);
    let resonant_h = 1.0 / ((2.0 * std::f64::consts::PI * 330e3).powi(2) * 4.7e-6);
    let resonant = share(&[branch(4.7e-6, 0.0, resonant_h), branch(9.1e-6, 2.1e-3, 0.0)]);
    difference("resonant branch", resonant[0], 1.9, 1e-9);
    assert!(share(&[]).is_empty());
}

#[test]
fn error_impossible_capacitors_are_refused() {
    let refused = CapacitorBranch::new("bank", 0.0, 2e-3, 0.0).expect_err("no capacitance");
    assert!(refused.what == "capacitance in F" && refused.value == 0.0, "{refused}");
    // Nor does the loss rely on the constructor: the fields are open.
    let emptied = CapacitorBranch { capacitance_f: 0.0, ..branch(4.7e-6, 2e-3, 0.0) };
    let refused = share_a(1.9, &[emptied], 330e3).expect_err("no capacitance");
    assert_eq!(refused, LossError::NotPositive { what: "capacitance in F", value: 0.0 });
    assert!(share_a(1.9, &[branch(4.7e-6, 2e-3, 0.0)], -1.0).is_err());
}
