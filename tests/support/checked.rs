//! The exact engine held to the independent integration: what the tests of it share.

use super::demo::DemoBoard;
use presolder::condition::load_step::Timing;
use presolder::crosscheck::{Difference, compare};
use presolder::engine::machine::{Begin, Machine};
use presolder::engine::network::Circuit;
use presolder::engine::program::Program;
use presolder::parts::SaturationCurve;
use presolder::parts::saturation::{FluxCurve, FluxTable};

/// A bound at which the piecewise-linear curve no longer matters beside the circuit equations, in A. The error of the current
/// then spans 9 uA, from the bound below the curve to half of it above.
pub const FINE_BOUND_A: f64 = 0.6e-5;
/// Tolerance of the integrator: its own error is then some 1e-9 V, well below every difference that is looked for.
pub const TOLERANCE: f64 = 1e-9;
/// Part of the samples that may lie between the two engines' instants of an edge.
const SKIPPED: f64 = 0.02;
/// Samples a period: no multiple, so that all phases are seen.
pub const SAMPLES_PER_PERIOD: f64 = 7.319;
/// First sample as a part of the period.
pub const FIRST_SAMPLE: f64 = 0.0137;
/// Largest differences without saturation: the integrator's own error, mostly some 1e-11 V, but with nothing fast in the circuit
/// that would keep its steps short it comes near the tolerance of 1e-9.
pub const INTEGRATOR_V: f64 = 5e-9;
pub const INTEGRATOR_A: f64 = 5e-8;
/// Largest differences at the fine bound of the curve: the bound into the bank, as at the default bound, some times over where a
/// run reaches far into saturation.
pub const FINE_OUTPUT_V: f64 = 1e-5;
pub const FINE_CURRENT_A: f64 = 1e-4;

pub fn smooth(points: &[(f64, f64)]) -> FluxCurve {
    let curve = SaturationCurve { temperature_degc: 25.0, points: points.to_vec() };
    FluxCurve::new(&[curve], 25.0, 1.0).unwrap()
}

/// The circuit of a board at its nominal input and a steady load.
pub fn circuit_at(board: &DemoBoard, error_a: f64, load_a: f64) -> (Circuit, FluxCurve) {
    let curve = smooth(&board.inductance);
    let flux = FluxTable::from_curve(&curve, error_a).unwrap();
    (Circuit::new(&board.board, flux, board.dcr_ohm, board.board.nominal_input_v, load_a), curve)
}

pub fn machine_at(board: &DemoBoard, error_a: f64, load_a: f64) -> (Machine, FluxCurve) {
    let (circuit, curve) = circuit_at(board, error_a, load_a);
    (Machine::new(circuit).unwrap(), curve)
}

pub fn compared(
    (machine, curve): (&mut Machine, &FluxCurve),
    begin: Begin,
    cycles: u64,
    program: &Program,
) -> Difference {
    let period_s = machine.period_s();
    let every_s = period_s / SAMPLES_PER_PERIOD;
    let offset_s = FIRST_SAMPLE * period_s;
    let difference = compare(machine, curve, begin, cycles, program, every_s, offset_s, TOLERANCE).unwrap();
    let all = difference.samples + difference.skipped;
    println!("{difference:?}");
    assert!(difference.samples as f64 > (cycles as f64 - 1.0) * SAMPLES_PER_PERIOD * (1.0 - SKIPPED), "{all} samples");
    assert!(difference.skipped as f64 <= SKIPPED * all as f64, "{difference:?}");
    assert_eq!(difference.parted, None, "{difference:?}");
    difference
}

/// 200 cycles from the exact engine's orbit at a load.
pub fn in_steady_state(board: &DemoBoard, error_a: f64, load_a: f64) -> Difference {
    let (mut machine, curve) = machine_at(board, error_a, load_a);
    let orbit = machine.steady(load_a).unwrap();
    compared((&mut machine, &curve), Begin::Clock(orbit.x), 200, &Program::constant(orbit.program_a))
}

/// The board's load step and release from the exact engine's orbit.
pub fn through_load_step(board: &DemoBoard, error_a: f64) -> Difference {
    let step = board.board.load_step.unwrap();
    let (mut machine, curve) = machine_at(board, error_a, step.from_a);
    let orbit = machine.steady(step.from_a).unwrap();
    let timing = Timing::new(&step, machine.period_s(), 0.2137);
    let program = timing.program(&step, &machine);
    compared((&mut machine, &curve), Begin::Clock(orbit.x), timing.cycles, &program)
}

pub fn assert_within(name: &str, difference: Difference, output_v: f64, current_a: f64) {
    assert!(difference.output_v <= output_v, "{name}: {difference:?}");
    assert!(difference.current_a <= current_a, "{name}: {difference:?}");
}

/// The board as it is, and with an inductor that does not saturate, where nothing is left but the integrator's own error.
pub fn assert_agrees(name: &str, board: &DemoBoard, run: impl Fn(&DemoBoard) -> Difference) {
    assert_within(name, run(board), FINE_OUTPUT_V, FINE_CURRENT_A);
    let linear = DemoBoard { inductance: vec![board.inductance[0]], board: board.board.clone(), ..*board };
    assert_within(name, run(&linear), INTEGRATOR_V, INTEGRATOR_A);
}

// Without a clock nothing pulls the two together again: a difference of their periods adds up over a run, and the current
// differs by what it does in that time.

/// Steepest current: the input into the inductance at no current, and a third more for saturation, in A/s.
const STEEPEST_A_PER_S: f64 = 1.33 * 12.0 / 0.56e-6;
/// Drift over a run without saturation in s: rounding of some 1e-16 of the time of a run, and the integrator's tolerance.
const ROUNDED_S: f64 = 1e-14;
/// Largest drift in s and difference of the output in V at the fine bound.
pub type Bounds = (f64, f64);
/// The comparator sees the ripple of the current: 1e-5 A of 20 A/us make half a picosecond in each of 120 to 200 cycles.
pub const DRIFT: Bounds = (1e-10, 1e-5);
/// With inductance in the bank a hysteretic comparator sees the step of the output at the edges, which goes with the slope of the
/// piecewise-linear current, and that is off by the root of the bound: ten times its hundredfold.
pub const DRIFT_BY_STEPS: Bounds = (1e-8, 1e-4);
/// Between pulses without current nothing brings the comparator in quickly: 6 A/ms of load into the bank against 20 A/us.
pub const DRIFT_IN_PAUSES: Bounds = (1e-9, 3e-5);

/// Differences at the fine bound within a drift; without saturation within rounding.
pub fn assert_drifts(
    name: &str,
    (drift_s, output_v): Bounds,
    board: &DemoBoard,
    run: impl Fn(&DemoBoard) -> Difference,
) {
    let difference = run(board);
    assert_within(name, difference, output_v, FINE_CURRENT_A + STEEPEST_A_PER_S * drift_s);
    assert!(difference.turn_off_s <= drift_s, "{name}: {difference:?}");
    let linear = DemoBoard { inductance: vec![board.inductance[0]], board: board.board.clone(), ..*board };
    let difference = run(&linear);
    assert_within(name, difference, INTEGRATOR_V, INTEGRATOR_A + STEEPEST_A_PER_S * ROUNDED_S);
    assert!(difference.turn_off_s <= ROUNDED_S, "{name}: {difference:?}");
}
