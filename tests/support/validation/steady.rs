//! Steady states of open-loop boards.

use super::{Log, Status};
use crate::support::*;

/// Exact periodic states are given to ten digits or more; the engine's orbits close to about 1e-14.
const EXACT: f64 = 1e-8;
/// Exact values given to seven digits.
const SEVEN_DIGITS: f64 = 2e-7;
/// The small-ripple formula neglects terms of second order in the ripple.
const SMALL_RIPPLE: f64 = 1e-3;

fn waveform(log: &mut Log, run: &Steady, current: (f64, f64)) {
    log.near("lowest inductor current", run.current().0, current.0, EXACT);
    log.near("highest inductor current", run.current().1, current.1, EXACT);
}

pub fn hart_6_1(log: &mut Log) {
    log.case(
        "Buck converter without losses",
        "D. W. Hart, Power Electronics, McGraw-Hill 2011, example 6-1; exact waveform by matrix exponential with 30 digits (mpmath)",
        Status::Oracle,
    );
    let (board, load_a) = resistive(50.0, 0.4, 20e3, vec![branch(100e-6, 0.0, 0.0)], 20.0);
    let run = steady(&board, linear(400e-6), 0.0, 50.0, load_a);
    waveform(log, &run, (0.249062190379, 1.75094005652));
    log.near("lowest output", run.voltage().0, 19.9499231517, EXACT);
    log.near("highest output", run.voltage().1, 20.0438241379, EXACT);
    log.near("ripple", run.ripple(), 93.90098612e-3, EXACT);
    log.near("mean output", run.mean_voltage(), 20.0, EXACT);
    log.near("mean inductor current", run.mean_current(), 1.0, EXACT);
    // The book's formulas take the output as constant: 1.5 A and 0.469 %.
    log.near("ripple current, formula", run.swing(), 1.5, 2e-3);
    log.near("ripple over output, formula", run.ripple() / 20.0, 0.0046875, 2e-3);
}

pub fn hart_6_1_esr(log: &mut Log) {
    log.case(
        "The same with a series resistance of the capacitor",
        "D. W. Hart, as above, with 0.1 ohm; exact periodic waveform by matrix exponentials",
        Status::Oracle,
    );
    let (board, load_a) = resistive(50.0, 0.4, 20e3, vec![branch(100e-6, 0.1, 0.0)], 20.0);
    let run = steady(&board, linear(400e-6), 0.0, 50.0, load_a);
    waveform(log, &run, (0.249385902215, 1.75124041065));
    log.near("ripple", run.ripple(), 156.0077e-3, SEVEN_DIGITS * 2.0);
    // The book's 0.15 V is the product of ripple current and resistance alone.
    log.within("ripple over the product that the book prints", run.ripple() / 0.15, 1.03, 1.05);
}

pub fn hart_6_9(log: &mut Log) {
    log.case(
        "Discontinuous conduction",
        "D. W. Hart, as above, example 6-9 (formulas seen in course notes after the chapter, numbers from memory)",
        Status::Memory,
    );
    let (mut board, load_a) = resistive(24.0, 0.4, 10e3, vec![branch(1000e-6, 0.0, 0.0)], 20.0);
    board.stage.low_side = diode(0.0, 0.0);
    let run = steady(&board, linear(200e-6), 0.0, 24.0, load_a);
    log.near("mean output", run.mean_voltage(), 13.91510, SMALL_RIPPLE);
    log.near("duty of the diode", run.freewheeling(), 0.289898, SMALL_RIPPLE);
    log.near("peak current", run.current().1, 2.01698, SMALL_RIPPLE);
}

/// The output is a hundred thousand times the ripple, so that the ripple does not bend the current: the triangle is
/// straight to 1e-7 and the load resistor takes 1e-7 of it.
pub fn esr_ripple(log: &mut Log) {
    const INTERPLAY: f64 = 1e-6;
    log.case(
        "Ripple of a triangular current in a capacitor with series resistance",
        "closed form in three regimes of time constant against conduction time, and brute force",
        Status::Derived,
    );
    let (duty, frequency_hz, source_v) = (0.3, 500e3, 1.3e5);
    let inductance_h = source_v * duty * (1.0 - duty) / frequency_hz;
    for (esr_mohm, ripple_mv) in [
        (0.0, 11.363636),
        (2.0, 11.468398),
        (5.0, 12.018398),
        (10.0, 13.982684),
        (15.0, 17.222403),
        (20.0, 21.097403),
        (30.0, 30.025974),
        (40.0, 40.0),
        (60.0, 60.0),
    ] {
        let bank = vec![branch(22e-6, esr_mohm * 1e-3, 0.0)];
        let (board, load_a) = resistive(source_v, duty, frequency_hz, bank, 4e5);
        let run = steady(&board, linear(inductance_h), 0.0, source_v, load_a);
        log.near(format!("ripple with {esr_mohm} mohm"), run.ripple(), ripple_mv * 1e-3, INTERPLAY);
    }
}

/// A capacitor so large that the ripple, which the formulas neglect, is below a millionth of the output.
pub fn diode_drop(log: &mut Log) {
    const PRINTED: f64 = 1e-6;
    log.case(
        "Output with a diode's forward voltage, both conduction modes",
        "problem 5.6 of R. W. Erickson, D. Maksimovic, Fundamentals of Power Electronics, 3rd ed., Springer 2020 (inputs seen); result from the volt-second balance",
        Status::Derived,
    );
    for (duty, output_v) in
        [(0.1, 0.709481), (0.2, 1.452974), (0.3, 2.062865), (0.5, 2.956356), (0.7, 3.540368), (0.8, 3.9), (0.9, 4.45)]
    {
        let (mut board, load_a) = resistive(5.0, duty, 250e3, vec![branch(0.1, 0.0, 0.0)], 4.0);
        board.stage.low_side = diode(0.5, 0.0);
        let run = steady(&board, linear(2.2e-6), 0.0, 5.0, load_a);
        assert_eq!(run.book.idle_s > 0.0, duty < 0.75, "conduction mode at duty {duty}");
        log.near(format!("mean output at duty {duty}"), run.mean_voltage(), output_v, PRINTED);
    }
}

pub fn power_stage(log: &mut Log) {
    log.case(
        "Power stage of a published regulator, open loop",
        "Erickson, Maksimovic, as above, eq. 2.15 and 2.60 (seen); exact periodic waveform by matrix exponentials",
        Status::Oracle,
    );
    let (board, load_a) = resistive(28.0, 15.0 / 28.0, 100e3, vec![branch(500e-6, 0.0, 0.0)], 3.0);
    let run = steady(&board, linear(50e-6), 0.0, 28.0, load_a);
    waveform(log, &run, (4.30351367682, 5.69648631031));
    log.near("ripple", run.ripple(), 3.482503632e-3, 1e-7);
    log.near("ripple current, formula", run.swing(), 2.0 * 0.696429, 5e-4);
    log.near("ripple, formula", run.ripple(), 2.0 * 1.741071e-3, 5e-4);
}

/// The resistance of the path is the same in both positions, so the mean obeys the divider exactly.
pub fn winding_divider(log: &mut Log) {
    log.case(
        "Output behind a winding resistance",
        "Erickson, Maksimovic, as above, eq. 3.24 and 3.25: M = D / (1 + R_L / R)",
        Status::Seen,
    );
    for (duty, winding_ohm, load_ohm) in [(0.37, 0.11, 2.3), (0.62, 0.47, 1.9)] {
        let (board, load_a) = resistive(17.0, duty, 170e3, vec![branch(68e-6, 7e-3, 0.0)], load_ohm);
        let run = steady(&board, linear(12e-6), winding_ohm, 17.0, load_a);
        let expected_v = 17.0 * duty / (1.0 + winding_ohm / load_ohm);
        log.near(format!("mean output at duty {duty}"), run.mean_voltage(), expected_v, 1e-9);
    }
}

pub fn lossy_buck(log: &mut Log) {
    const AVERAGED: f64 = 1e-4;
    log.case(
        "Every conduction loss of a buck converter",
        "method of sect. 3.5 of Erickson, Maksimovic, as above, applied to the buck; exact switched waveform and its integrals with general-purpose numerics",
        Status::Oracle,
    );
    let (mut board, load_a) = resistive(12.0, 0.3, 500e3, vec![branch(100e-6, 0.0, 0.0)], 1.0);
    board.stage.high_side_ohm = 15e-3;
    board.stage.low_side = diode(0.4, 10e-3);
    let run = steady(&board, linear(10e-6), 20e-3, 12.0, load_a);
    let per_s = 1.0 / run.book.duration_s;
    waveform(log, &run, (2.95863352, 3.47879363));
    log.near("mean output, averaged model", run.mean_voltage(), 3.218614, AVERAGED);
    log.near("mean output", run.mean_voltage(), 3.21861339, EXACT);
    log.near("rms inductor current", run.rms_current(), 3.22211429, EXACT);
    log.near("input power", run.book.source_j * per_s, 11.58769667, EXACT);
    log.near("output power", run.book.load_j * per_s, 10.35947238, EXACT);
    log.near("winding loss", run.book.winding_j * per_s, 0.20764041, SEVEN_DIGITS);
    log.near("high-side loss", run.book.high_side_j * per_s, 0.04672463, SEVEN_DIGITS);
    log.near("diode loss", run.book.diode_j * per_s, 0.97385925, SEVEN_DIGITS);
    log.near("efficiency", run.book.load_j / run.book.source_j, 0.8940062, SEVEN_DIGITS);
    log.below("energy residual", run.book.residual(), ENERGY_RESIDUAL);
}

pub fn pol_stage(log: &mut Log) {
    log.case(
        "Point-of-load stage with series resistances",
        "power stage of ch. 19 of Erickson, Maksimovic, as above (inputs seen); exact periodic waveform by matrix exponentials",
        Status::Oracle,
    );
    let (board, load_a) = resistive(5.0, 0.36, 1e6, vec![branch(200e-6, 0.8e-3, 0.0)], 0.36);
    let run = steady(&board, linear(1e-6), 30e-3, 5.0, load_a);
    waveform(log, &run, (4.04016817143, 5.19225729695));
    log.near("lowest output", run.voltage().0, 1.66094034777, EXACT);
    log.near("highest output", run.voltage().1, 1.66197969384, EXACT);
    log.near("ripple", run.ripple(), 1.03934607e-3, EXACT);
    log.near("ripple, closed form of the triangle", run.ripple(), 1.0400e-3, SMALL_RIPPLE);
}

/// Constant voltages by a large capacitor: the currents are trapezoids to a millionth.
pub fn trapezoids(log: &mut Log) {
    const CONSTANT_OUTPUT: f64 = 2e-6;
    log.case(
        "Root mean square currents",
        "forms of trapezoids and triangles, confirmed by numeric integration",
        Status::Derived,
    );
    let (duty, swing_a, mean_a, frequency_hz, source_v) = (0.35, 1.6, 4.0, 310e3, 13.0);
    let inductance_h = source_v * duty * (1.0 - duty) / frequency_hz / swing_a;
    let esr_ohm = 1e-6;
    let bank = vec![branch(1.0, esr_ohm, 0.0)];
    let (board, load_a) = resistive(source_v, duty, frequency_hz, bank, source_v * duty / mean_a);
    let run = steady(&board, linear(inductance_h), 0.0, source_v, load_a);
    let duration_s = run.book.duration_s;
    let high = run.book.source_current.1 / duration_s;
    let mean_in_a = run.book.source_current.0 / duration_s;
    log.near("inductor", run.rms_current(), 4.026578, CONSTANT_OUTPUT);
    log.near("high side", high.sqrt(), 2.382156, CONSTANT_OUTPUT);
    log.near("low side", (run.rms_current().powi(2) - high).sqrt(), 3.246331, CONSTANT_OUTPUT);
    log.near("input capacitor", (high - mean_in_a * mean_in_a).sqrt(), 1.927347, CONSTANT_OUTPUT);
    let output_a = (run.book.branch_j[0] / (esr_ohm * duration_s)).sqrt();
    log.near("output capacitor", output_a, 0.461880, CONSTANT_OUTPUT);

    // Discontinuous: high side for 0.3, diode for 0.4 of the period, peak 2 A.
    let output_v = source_v * 0.3 / 0.7;
    let inductance_h = (source_v - output_v) * 0.3 / frequency_hz / 2.0;
    let (mut board, load_a) = resistive(source_v, 0.3, frequency_hz, vec![branch(1.0, 0.0, 0.0)], output_v / 0.7);
    board.stage.low_side = diode(0.0, 0.0);
    let run = steady(&board, linear(inductance_h), 0.0, source_v, load_a);
    log.near("inductor, discontinuous", run.rms_current(), 0.966092, CONSTANT_OUTPUT);
}
