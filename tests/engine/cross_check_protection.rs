//! Starts, input steps and protection: the exact engine against the independent integration, over the whole run.
//!
//! Each run must also do what it is here for: the exact engine's count of what happened says so. That both turn the high side off
//! equally often and together is asserted with every comparison.

use crate::support;
use presolder::board::{
    CurrentLimit, Foldback, Hiccup, InputStep, LimitSense, LowSide, Modulator, Protection, ShortCircuit,
};
use presolder::crosscheck::Difference;
use presolder::engine::machine::{Begin, Effort, Machine, Output};
use presolder::engine::program::Program;
use presolder::measure::extremes::Extremes;
use presolder::parts::saturation::FluxCurve;
use support::checked::*;
use support::demo::{self, DemoBoard};

/// Time constant of a load resistor with its leads in s.
const LEADS_S: f64 = 60e-9;

/// A machine whose load is a resistor with leads that draws a current at the output aimed at.
fn into_resistor(board: &DemoBoard, error_a: f64, load_a: f64, short: Option<ShortCircuit>) -> (Machine, FluxCurve) {
    let (mut circuit, curve) = circuit_at(board, error_a, load_a);
    let ohm = board.board.output_v / load_a;
    circuit.resistor = Some((ohm, LEADS_S * ohm));
    circuit.short = short.map(|short| (short.ohm, short.henry));
    (Machine::new(circuit).unwrap(), curve)
}

/// The comparison over some cycles, and what happened in them in the exact engine.
fn run(mut machine: Machine, curve: &FluxCurve, begin: Begin, cycles: u64, program: &Program) -> (Difference, Effort) {
    let mut state = machine.begin(begin);
    machine.run(&mut state, cycles, &mut program.clone(), &mut (), None).unwrap();
    println!("{:?}", state.effort);
    (compared((&mut machine, curve), begin, cycles, program), state.effort)
}

fn start(board: &DemoBoard, error_a: f64, load_a: f64, output_v: f64, cycles: u64) -> (Difference, Effort) {
    let (machine, curve) = into_resistor(board, error_a, load_a, None);
    run(machine, &curve, Begin::Rest(output_v), cycles, &Program::constant(0.0))
}

/// A short circuit from a steady state, and what follows.
fn shorted(board: &DemoBoard, error_a: f64, load_a: f64, short: ShortCircuit, cycles: u64) -> (Difference, Effort) {
    let (mut machine, curve) = into_resistor(board, error_a, load_a, Some(short));
    let orbit = machine.steady(load_a).unwrap();
    let period_s = machine.period_s();
    let held = (short.hold_s / period_s) as u64;
    let program = Program::constant(orbit.program_a).with_short((20, 0.317 * period_s), (20 + held, 0.713 * period_s));
    run(machine, &curve, Begin::Clock(orbit.x), cycles, &program)
}

fn protected(mut board: DemoBoard, protection: Protection) -> DemoBoard {
    board.board.control.protection = protection;
    board
}

fn soft(board: DemoBoard, soft_start_s: f64) -> DemoBoard {
    protected(board, Protection { soft_start_s, ..Protection::default() })
}

#[test]
fn outside_start_from_nothing() {
    for (board, load_a, soft_s) in [
        (demo::ticket_kiosk(), 2.3, 0.73e-3),
        (demo::valve_controller(), 1.7, 0.47e-3),
        (demo::ticket_kiosk(), 2.3, 0.0),
    ] {
        assert_agrees(board.name, &soft(board.clone(), soft_s), |b| start(b, FINE_BOUND_A, load_a, 0.0, 400).0);
    }
    let board = soft(demo::oven_panel(), 0.37e-3);
    assert_drifts("oven-panel", DRIFT_BY_STEPS, &board, |b| start(b, FINE_BOUND_A, 5.3, 0.0, 400).0);
}

#[test]
fn outside_start_into_an_output_that_is_already_there() {
    for (board, load_a, output_v, soft_s) in
        [(demo::ticket_kiosk(), 0.17, 5.3, 0.73e-3), (demo::valve_controller(), 0.07, 2.3, 0.47e-3)]
    {
        let board = soft(board, soft_s);
        assert_agrees(board.name, &board, |b| {
            let (difference, effort) = start(b, FINE_BOUND_A, load_a, output_v, 400);
            assert!(effort.omitted > 40, "{effort:?}");
            difference
        });
    }
    let board = soft(demo::oven_panel(), 0.37e-3);
    assert_drifts("oven-panel", DRIFT_BY_STEPS, &board, |b| start(b, FINE_BOUND_A, 0.57, 0.47, 400).0);
}

/// Nothing may be drawn back from an output that is already there.
fn least_current_before_the_first_pulse_a(board: &DemoBoard, load_a: f64, output_v: f64) -> f64 {
    let (mut machine, _) = into_resistor(board, FINE_BOUND_A, load_a, None);
    let mut state = machine.begin(Begin::Rest(output_v));
    let mut least_a = f64::INFINITY;
    loop {
        let mut seen = Extremes::of(&[Output::Inductor]);
        machine.run(&mut state, 1, &mut Program::constant(0.0), &mut seen, None).unwrap();
        if state.effort.pulses > 0 {
            return least_a;
        }
        least_a = least_a.min(seen.range(Output::Inductor).low);
    }
}

/// A comparator that is faster than the dead time leaves a first pulse out after its edge: the low side must not wake from that.
#[test]
fn outside_start_with_a_pulse_left_out_in_its_dead_time() {
    let mut board = soft(demo::ticket_kiosk(), 2.9e-3);
    let LowSide::Switch { dead_time_s, .. } = &mut board.board.stage.low_side else { unreachable!() };
    *dead_time_s = 63e-9;
    let Modulator::VoltageMode { delay_s, .. } = &mut board.board.control.modulator else { unreachable!() };
    *delay_s = 3e-9;
    assert_agrees("left out", &board, |b| {
        let (difference, effort) = start(b, FINE_BOUND_A, 0.17, 5.3, 370);
        // Fewer pulses than edges that began one.
        assert!(effort.omitted + effort.pulses < 370, "{effort:?}");
        assert_eq!(least_current_before_the_first_pulse_a(b, 0.17, 5.3), 0.0);
        difference
    });
}

#[test]
fn outside_input_step() {
    let step = |board: &DemoBoard, error_a: f64, load_a: f64| {
        let (mut machine, curve) = machine_at(board, error_a, load_a);
        let orbit = machine.steady(load_a).unwrap();
        let (from_v, period_s) = (machine.circuit.source_v, machine.period_s());
        let edges = InputStep { from_v, to_v: 1.27 * from_v, slew_v_per_s: 1.3e6, load_a, hold_s: 0.0 };
        let program = Program::constant(orbit.program_a)
            .with_source(edges.from_v)
            .source_edge((3, 0.317 * period_s), edges.to_v, edges.slew_v_per_s, period_s)
            .source_edge((150, 0.613 * period_s), 0.81 * from_v, 0.7e6, period_s);
        run(machine, &curve, Begin::Clock(orbit.x), 300, &program).0
    };
    for board in [demo::ticket_kiosk(), demo::valve_controller()] {
        assert_agrees(board.name, &board, |b| step(b, FINE_BOUND_A, b.steady_a));
    }
    assert_drifts("oven-panel", DRIFT, &demo::oven_panel(), |b| step(b, FINE_BOUND_A, b.steady_a));
}

const VALVE_SHORT: ShortCircuit = ShortCircuit { ohm: 23e-3, henry: 70e-9, hold_s: 375e-6 };

fn valve_limit(hiccup: Option<Hiccup>) -> Protection {
    let limit = CurrentLimit { inhibit_a: Some(3.7), hiccup, ..CurrentLimit::peak((4.1, 4.4, 4.9), 61e-9) };
    let soft_start_s = if hiccup.is_some() { 0.13e-3 } else { 0.0 };
    Protection { current_limit: Some(limit), soft_start_s, ..Protection::default() }
}

#[test]
fn outside_short_circuit_with_peak_limit_and_inhibit() {
    let board = protected(demo::valve_controller(), valve_limit(None));
    assert_agrees("short", &board, |b| {
        let (difference, effort) = shorted(b, FINE_BOUND_A, 1.7, VALVE_SHORT, 300);
        assert!(effort.limited > 100 && effort.omitted > 100, "{effort:?}");
        difference
    });
}

/// Three pauses: two into the short circuit, and one that it ends in; then the board starts again.
#[test]
fn outside_short_circuit_with_hiccup_and_restart() {
    let hiccup = Hiccup { cycles: 9, pause_s: 149.7e-6 };
    let board = protected(demo::valve_controller(), valve_limit(Some(hiccup)));
    let run = |b: &DemoBoard, error_a: f64| {
        let (difference, effort) = shorted(b, error_a, 1.7, VALVE_SHORT, 600);
        assert!(effort.pauses > 1 && effort.pulses > 300, "{effort:?}");
        difference
    };
    assert_agrees("hiccup", &board, |b| run(b, FINE_BOUND_A));
    // The differences are the table's.
    let [coarse, fine] = [1e-4, 1e-6].map(|error_a| run(&board, error_a));
    assert!(coarse.output_v > SHRINKS * fine.output_v && coarse.current_a > SHRINKS * fine.current_a);
}

/// Least factor by which differences shrink with a hundredth of the bound, see tests/cross_check.rs.
const SHRINKS: f64 = 25.0;

#[test]
fn outside_foldback() {
    let limit = CurrentLimit::peak((5.1, 5.7, 6.0), 61e-9);
    let foldback = Some(Foldback { below: 0.47, divisor: 4 });
    let board =
        protected(demo::ticket_kiosk(), Protection { current_limit: Some(limit), foldback, ..Protection::default() });
    assert_agrees("start at once", &board, |b| {
        let (difference, effort) = start(b, FINE_BOUND_A, 2.3, 0.0, 300);
        assert!(effort.omitted > 20 && effort.limited > 20, "{effort:?}");
        difference
    });
    let short = ShortCircuit { ohm: 43e-3, henry: 70e-9, hold_s: 400e-6 };
    assert_agrees("short", &board, |b| {
        let (difference, effort) = shorted(b, FINE_BOUND_A, 1.7, short, 300);
        assert!(effort.omitted > 60, "{effort:?}");
        difference
    });
}

#[test]
fn outside_pulse_skipping_at_light_load() {
    let mut board = demo::valve_controller();
    board.board.control.protection.skip_below_a = 0.37;
    let step = board.board.load_step.as_mut().unwrap();
    (step.from_a, step.to_a) = (0.031, 1.3);
    assert_agrees("light", &board, |b| {
        let (mut machine, curve) = machine_at(b, FINE_BOUND_A, 0.031);
        let orbit = machine.steady(0.031).unwrap();
        let program = Program::constant(orbit.program_a);
        let (difference, effort) = run(machine, &curve, Begin::Clock(orbit.x), 200, &program);
        assert!(effort.omitted > 20 && effort.pulses > 20, "{effort:?}");
        difference
    });
    assert_agrees("step", &board, |b| through_load_step(b, FINE_BOUND_A));
}

/// Load from a level to another at a slew, from the third cycle on.
fn loaded(
    board: &DemoBoard,
    error_a: f64,
    (from_a, to_a): (f64, f64),
    slew_a_per_s: f64,
    cycles: u64,
) -> (Difference, Effort) {
    let (mut machine, curve) = into_resistor(board, error_a, from_a, None);
    let orbit = machine.steady(from_a).unwrap();
    let period_s = machine.period_s();
    let program = Program::constant(orbit.program_a).edge(
        3,
        0.317 * period_s,
        orbit.program_a + to_a - from_a,
        slew_a_per_s,
        period_s,
    );
    run(machine, &curve, Begin::Clock(orbit.x), cycles, &program)
}

#[test]
fn outside_limit_that_falls_with_the_slope() {
    let sense = LimitSense::Peak { falls_with_slope: true };
    let limit = CurrentLimit { sense, ..CurrentLimit::peak((3.1, 3.4, 3.9), 61e-9) };
    let board = protected(demo::valve_controller(), Protection { current_limit: Some(limit), ..Protection::default() });
    assert_agrees("overload", &board, |b| {
        let (difference, effort) = loaded(b, FINE_BOUND_A, (1.1, 3.15), 0.7e6, 300);
        assert!(effort.limited > 100, "{effort:?}");
        difference
    });
}

#[test]
fn outside_limit_sensed_on_the_winding_with_hiccup() {
    let limit = CurrentLimit {
        sense: LimitSense::Winding { r_ohm: 7.7e3, c_f: 100e-9 },
        threshold: (0.19, 0.21, 0.23),
        delay_s: 61e-9,
        inhibit_a: None,
        hiccup: Some(Hiccup { cycles: 11, pause_s: 0.24e-3 }),
    };
    let board = protected(
        demo::ticket_kiosk(),
        Protection { current_limit: Some(limit), soft_start_s: 0.23e-3, ..Protection::default() },
    );
    let run = |b: &DemoBoard, error_a: f64| {
        let (difference, effort) = loaded(b, error_a, (2.3, 5.7), 9e3, 700);
        assert!(effort.pauses > 1, "{effort:?}");
        difference
    };
    assert_agrees("ramp", &board, |b| run(b, FINE_BOUND_A));
    let [coarse, fine] = [1e-4, 1e-6].map(|error_a| run(&board, error_a));
    assert!(coarse.output_v > SHRINKS * fine.output_v && coarse.current_a > SHRINKS * fine.current_a);
}

#[test]
fn outside_valley_limit_in_a_short_circuit() {
    let short = ShortCircuit { ohm: 7e-3, henry: 20e-9, hold_s: 250e-6 };
    for hiccup in [None, Some(Hiccup { cycles: 9, pause_s: 99.7e-6 })] {
        let limit = CurrentLimit {
            sense: LimitSense::Valley,
            threshold: (9.1, 9.7, 11.0),
            delay_s: 0.0,
            inhibit_a: None,
            hiccup,
        };
        let soft_start_s = if hiccup.is_some() { 80e-6 } else { 0.0 };
        let board = protected(
            demo::oven_panel(),
            Protection { current_limit: Some(limit), soft_start_s, ..Protection::default() },
        );
        assert_drifts("valley", DRIFT_BY_STEPS, &board, |b| {
            let (difference, effort) = shorted(b, FINE_BOUND_A, 5.3, short, 600);
            assert!(effort.limited > 15 && (effort.pauses > 1) == hiccup.is_some(), "{effort:?}");
            difference
        });
    }
}
