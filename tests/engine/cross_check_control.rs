//! Control without a clock: the exact engine against the independent integration.
//!
//! No clock pulls the two together again: a difference of their periods adds up over a run, and the current differs by what it does
//! in that time. So the instants are held to a drift, and the current to what follows from it. With an inductor that does not
//! saturate the drift is rounding.

use crate::support;
use presolder::board::{Compensator, Injection, LowSide, Modulator};
use support::checked::*;
use support::demo::{self, DemoBoard};

fn hysteretic(mut board: DemoBoard) -> DemoBoard {
    board.board.control.modulator = Modulator::Hysteretic { band_v: 31e-3, delay_s: 60e-9 };
    board.board.control.min_on_s = 83e-9;
    board
}

/// Ripple taken across the inductor, with a coupling capacitor to the tap.
fn across_the_inductor() -> DemoBoard {
    let mut board = demo::oven_panel();
    let Compensator::Ripple { injection, cff_f, .. } = &mut board.board.control.compensator else { unreachable!() };
    *injection = Some(Injection::Inductor { r_ohm: 4.7e3, c_f: 10e-9, coupling_f: 1.1e-9 });
    *cff_f = 33e-12;
    board
}

fn everywhere(name: &str, bounds: Bounds, board: &DemoBoard) {
    assert_drifts(name, bounds, board, |b| in_steady_state(b, FINE_BOUND_A, 5.83));
    assert_drifts(name, bounds, board, |b| in_steady_state(b, FINE_BOUND_A, 0.57));
    assert_drifts(name, bounds, board, |b| through_load_step(b, FINE_BOUND_A));
}

#[test]
fn outside_constant_on_time() {
    everywhere("from the switch node", DRIFT, &demo::oven_panel());
    everywhere("across the inductor", DRIFT, &across_the_inductor());
}

#[test]
fn outside_hysteretic() {
    for (name, with_steps) in
        [("from the switch node", demo::oven_panel()), ("across the inductor", across_the_inductor())]
    {
        let mut board = hysteretic(with_steps);
        everywhere(name, DRIFT_BY_STEPS, &board);
        board.board.output_bank[0].esl_h = 0.0;
        everywhere(name, DRIFT, &board);
    }
}

/// The low side opens when its current ends: the pulses of a light load lie several periods of the time base apart.
#[test]
fn outside_constant_on_time_with_diode_emulation() {
    let mut board = demo::oven_panel();
    let LowSide::Switch { emulation, .. } = &mut board.board.stage.low_side else { unreachable!() };
    *emulation = true;
    board.board.load_step.as_mut().unwrap().from_a = 0.31;
    assert_drifts("light", DRIFT_IN_PAUSES, &board, |b| in_steady_state(b, FINE_BOUND_A, 0.31));
    assert_drifts("step", DRIFT_IN_PAUSES, &board, |b| through_load_step(b, FINE_BOUND_A));
}

/// On the smooth curve and a finer and finer table: what is left of the differences goes with the bound, or its root.
#[test]
fn order_drift_shrinks_with_the_bound_of_the_curve() {
    /// Least factor for a hundredth of the bound. It would be 100, or 10 where the root counts; where the knots fall matters.
    const SHRINKS: [f64; 2] = [20.0, 2.0];
    let mut without_steps = hysteretic(demo::oven_panel());
    without_steps.board.output_bank[0].esl_h = 0.0;
    for (board, shrinks) in [(without_steps, SHRINKS[0]), (hysteretic(demo::oven_panel()), SHRINKS[1])] {
        let [coarse, fine] = [1e-4, 1e-6].map(|error_a| through_load_step(&board, error_a));
        assert!(coarse.turn_off_s > shrinks * fine.turn_off_s, "{coarse:?} {fine:?}");
        assert!(coarse.output_v > shrinks * fine.output_v, "{coarse:?} {fine:?}");
    }
}
