//! Peak current mode: R. W. Erickson, D. Maksimovic, Fundamentals of Power Electronics, 3rd ed., Springer 2020, ch. 18.

use super::motion::vector;
use super::{Log, Status};
use crate::support::*;
use presolder::board::{Board, Compensator, LoadKind, Modulator};
use presolder::engine::network::FLUX_STATE;
use presolder::engine::program::Program;
use std::f64::consts::PI;

/// A board whose control voltage stays where it is put.
fn held_control(source_v: f64, output_v: f64, frequency_hz: f64, capacitance_f: f64, slope_a_per_s: f64) -> Board {
    let mut board = open_loop(source_v, output_v / source_v, frequency_hz, vec![branch(capacitance_f, 0.0, 0.0)], 0.0);
    board.load_kind = LoadKind::Current;
    board.control.modulator = Modulator::PeakCurrent { gain_a_per_v: 1.0, slope_a_per_s, delay_s: 0.0 };
    board.control.compensator = Compensator::Transconductance {
        reference_v: 1.0,
        gm_s: 0.0,
        ro_ohm: 1e15,
        rc_ohm: 1e3,
        cc_f: 1.0,
        chf_f: 1.0,
        clamp_v: (0.0, 1e3),
    };
    board
}

/// Growth of a perturbation of the inductor current from clock edge to clock edge, four cycles, voltages constant.
pub fn growth(source_v: f64, output_v: f64, slope_a_per_s: f64) -> Vec<f64> {
    let (inductance_h, frequency_hz) = (5e-6, 100e3);
    let board = held_control(source_v, output_v, frequency_hz, 1e6, slope_a_per_s);
    let duty = output_v / source_v;
    let on_s = duty / frequency_hz;
    let (valley_a, rise_a) = (4.3, (source_v - output_v) / inductance_h * on_s);
    let control_v = valley_a + rise_a + slope_a_per_s * on_s;
    let mut circuit = Circuit::new(&board, linear(inductance_h), 0.0, source_v, 0.0);
    circuit.instrument = false;
    let mut machine = Machine::new(circuit).unwrap();
    let mut edges = |from_a: f64| {
        let mut state = machine.at_clock(vector(&[from_a * inductance_h, output_v, control_v, control_v]));
        let mut program = Program::constant(valley_a + 0.5 * rise_a);
        let mut flux = vec![state.x[FLUX_STATE]];
        for _ in 0..4 {
            machine.run(&mut state, 1, &mut program, &mut (), None).unwrap();
            flux.push(state.x[FLUX_STATE]);
        }
        flux
    };
    let (calm, moved) = (edges(valley_a), edges(valley_a + 0.013));
    let difference: Vec<f64> = moved.iter().zip(&calm).map(|(a, b)| a - b).collect();
    difference.windows(2).map(|w| w[1] / w[0]).collect()
}

/// Straight current slopes: the map is exact but for the 1e-7 by which the large capacitor still moves.
const STRAIGHT_SLOPES: f64 = 1e-6;

pub fn growth_factors(log: &mut Log) {
    log.case(
        "Growth of a disturbance of the inductor current without slope compensation",
        "Erickson, Maksimovic, as above, eq. 18.46 and 18.47: -D / D'",
        Status::Seen,
    );
    for (duty, alpha) in [(0.6, -1.5), (1.0 / 3.0, -0.5)] {
        for (cycle, ours) in growth(10.0, 10.0 * duty, 0.0).into_iter().enumerate() {
            log.near(format!("duty {duty:.4}, cycle {}", cycle + 1), ours, alpha, STRAIGHT_SLOPES);
        }
    }
}

/// Board of sect. 18.7 as a regulator so slow that it does not take part: the multiplier of the period map that belongs to the
/// inductor current.
pub fn multiplier(slope_a_per_s: f64, alpha: f64) -> f64 {
    let mut board = held_control(10.0, 5.0, 100e3, 0.1, slope_a_per_s);
    board.control.compensator = Compensator::Transconductance {
        reference_v: 1.0,
        gm_s: 1e-6,
        ro_ohm: 1e11,
        rc_ohm: 1e3,
        cc_f: 1e-3,
        chf_f: 1e-6,
        clamp_v: (0.0, 1e3),
    };
    board.load_kind = LoadKind::Resistance;
    let mut machine = Machine::new(Circuit::new(&board, linear(5e-6), 0.0, 10.0, 3.7)).unwrap();
    let orbit = machine.steady(3.7).unwrap();
    assert_eq!(orbit.periods, 1);
    // The other multipliers are those of slow states, near one, and of the instrument, near zero.
    let nearest = orbit.multipliers.iter().min_by(|a, b| (a.re - alpha).abs().total_cmp(&(b.re - alpha).abs()));
    nearest.expect("there are multipliers").re
}

pub fn slope_compensation(log: &mut Log) {
    /// The capacitor is finite: T^2 / (L C) is 2e-4, which moves the multiplier by as much and a little more.
    const FINITE_CAPACITOR: f64 = 1e-3;
    log.case(
        "Slope compensation",
        "Erickson, Maksimovic, as above, sect. 18.7: growth factor, pole frequency over switching frequency and quality; 10 V, 5 V, 5 uH, 100 kHz",
        Status::Seen,
    );
    for (ratio, alpha, pole, quality) in [
        (0.1, -0.8181818, 3.18310, 6.36620),
        (0.5, -0.3333333, 2.0 / PI, 1.27324),
        (5.0, 0.6666667, 0.063662, 0.127324),
    ] {
        let ours = growth(10.0, 5.0, ratio * 1e6)[0];
        log.near(format!("slope ratio {ratio}, growth"), ours, alpha, STRAIGHT_SLOPES);
        log.near(format!("slope ratio {ratio}, pole"), (1.0 - ours) / (1.0 + ours) / PI, pole, 5e-6);
        // At duty 0.5 the quality is twice the pole ratio.
        log.near(format!("slope ratio {ratio}, quality"), 2.0 * (1.0 - ours) / (1.0 + ours) / PI, quality, 5e-6);
        log.near(
            format!("slope ratio {ratio}, multiplier of the period map"),
            multiplier(ratio * 1e6, alpha),
            alpha,
            FINITE_CAPACITOR,
        );
    }
    log.below("slope ratio 1, growth", growth(10.0, 5.0, 1e6)[0], STRAIGHT_SLOPES);
}

pub fn operating_point(log: &mut Log) {
    const PRINTED: f64 = 5e-3;
    log.case(
        "Operating point with a fixed control voltage",
        "Erickson, Maksimovic, as above, sect. 18.5.3: duty 0.676, 8.1 V, 0.81 A; further digits by its averaged formula",
        Status::Seen,
    );
    let board = held_control(12.0, 8.1, 200e3, 100e-6, 0.6 * 200e3);
    let mut circuit = Circuit::new(&board, linear(35e-6), 0.05, 12.0, 0.0);
    circuit.load_s = 0.1;
    circuit.instrument = false;
    let mut machine = Machine::new(circuit).unwrap();
    let mut state = machine.at_clock(vector(&[0.5 * 35e-6, 8.1, 1.4, 1.4]));
    let mut program = Program::constant(0.0);
    // The output settles with 1 ms, of which this is thirty.
    machine.run(&mut state, 6000, &mut program, &mut (), None).unwrap();
    let mut book = Book::new(&machine.circuit);
    machine.run(&mut state, 1, &mut program, &mut book, None).unwrap();
    let (duty, output_v) = (book.high_side_s / book.duration_s, book.output_vs / book.duration_s);
    let current_a = book.current.0 / book.duration_s;
    log.near("duty, printed", duty, 0.676, PRINTED);
    log.near("output, printed", output_v, 8.1, PRINTED);
    log.near("inductor current, printed", current_a, 0.81, PRINTED);
    log.near("duty", duty, 0.675666, PRINTED);
    log.near("output", output_v, 8.06765, PRINTED);
    log.near("inductor current", current_a, 0.806765, PRINTED);
}
