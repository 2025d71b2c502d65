//! Constant on-time and hysteretic control.

use crate::support;
use presolder::board::{Board, Compensator, Injection, LoadKind, LoadStep, LowSide, Modulator};
use presolder::condition::load_step as step;
use presolder::engine::machine::{Machine, Output};
use presolder::engine::network::Circuit;
use presolder::engine::program::Program;
use presolder::measure::extremes::Extremes;
use presolder::measure::steady;
use presolder::measure::steady::Conduction;
use presolder::parts::saturation::FluxTable;
use support::checked::machine_at;
use support::{branch, demo, open_loop};

fn oven_panel() -> Board {
    support::demo::oven_panel().board
}

/// Small-ripple formulas leave out losses, dead time and the curvature of the ripple.
const SMALL_RIPPLE: f64 = 0.06;

fn machine(board: &Board, inductance_h: f64, load_a: f64) -> Machine {
    let flux = FluxTable::linear(inductance_h).unwrap();
    Machine::new(Circuit::new(board, flux, 2.2e-3, board.nominal_input_v, load_a)).unwrap()
}

/// A comparator without an amplifier leaves the ripple's size and the delay in the output.
const REGULATION: f64 = 0.015;

/// A board that regulates on the ripple of its output capacitor's resistance: no injection, no delay, nearly no loss.
fn esr_board(esr_ohm: f64, modulator: Modulator) -> Board {
    let mut board = open_loop(12.0, 3.3 / 12.0, 430e3, vec![branch(330e-6, esr_ohm, 0.0)], 4.0);
    board.output_v = 3.3;
    board.load_kind = LoadKind::Current;
    // A divider of one ohm and a small capacitor pass the output on within a nanosecond.
    board.control.compensator =
        Compensator::Ripple { reference_v: 3.3 - 1e-6, r1_ohm: 1e-3, rb_ohm: 1e6, cff_f: 1e-9, injection: None };
    board.control.modulator = modulator;
    board
}

#[test]
fn outside_injected_ripple_at_the_tap() {
    let board = oven_panel();
    let mut machine = machine(&board, 0.56e-6, 6.0);
    let run = steady::measure(&mut machine, 6.0).unwrap();
    let mut tap = Extremes::of(&[Output::Control]);
    machine.trace_orbit(&run.orbit, &mut tap).unwrap();
    let frequency_hz = 1.0 / run.book.duration_s;
    // Triangle injected through R_inj into C_ff: V_o (1 - D) / (R_inj C_ff f); design guides of the trade print this form.
    // C_ff passes the output's own ripple on as well.
    let injected = run.mean_output_v() * (1.0 - run.duty()) / (75e3 * 470e-12 * frequency_hz);
    let formula = injected + run.output.width();
    let found = tap.range(Output::Control).width();
    println!("{frequency_hz:.0} Hz, tap {found:.5} V, formula {formula:.5} V");
    assert!((found / formula - 1.0).abs() < SMALL_RIPPLE);
    // The board aims at 1.2 V with its valley-regulating divider.
    assert!((run.mean_output_v() / 1.2 - 1.0).abs() < 2e-3);
    // The frequency follows from on-time and duty.
    assert!((run.duty() * run.book.duration_s / 167e-9 - 1.0).abs() < 1e-9);
}

/// Where the multiplier passes -1 against the simple rule, which leaves out the curvature of the capacitor's ripple.
const SIMPLE_RULE: f64 = 0.02;

#[test]
fn outside_stability_needs_a_time_constant_above_half_the_on_time() {
    // Constant on-time without injection: stable where ESR C > t_on / 2 (sub-harmonic limit of ripple-based control, see J. Fang and
    // R. Redl, IEEE Trans. Power Electronics 29(4), 2014; the simple rule from memory).
    let on_time_s = 640e-9;
    let modulator = Modulator::ConstantOnTime { on_time_s, delay_s: 0.0 };
    let orbit_at = |share: f64| {
        let board = esr_board(share * on_time_s / 330e-6, modulator.clone());
        machine(&board, 4.7e-6, 4.0).steady(4.0).unwrap()
    };
    for (share, stable) in [(0.47, false), (0.57, true), (0.83, true)] {
        assert_eq!(orbit_at(share).periods == 1, stable, "ESR C / t_on = {share}");
    }
    // Just above the limit the multiplier that matters is real and near -1: it passes -1 where the line through two points does.
    let lowest = |share: f64| {
        let orbit = orbit_at(share);
        assert_eq!(orbit.periods, 1);
        orbit.multipliers.iter().map(|m| m.re).fold(f64::INFINITY, f64::min)
    };
    let (a, b) = (0.511, 0.527);
    let (at_a, at_b) = (lowest(a), lowest(b));
    let limit = a - (at_a + 1.0) * (b - a) / (at_b - at_a);
    println!("multipliers {at_a} and {at_b}: limit at {limit} of the on-time");
    assert!((limit / 0.5 - 1.0).abs() < SIMPLE_RULE);
}

/// The ripple of a capacitor of 5 mF beside that of its resistance.
const LARGE_CAPACITOR: f64 = 3e-3;

#[test]
fn outside_hysteretic_frequency() {
    // f = V_o (V_in - V_o) ESR / (V_in (V_hys L + ESR V_in t_d - ESL V_in)), standard form from memory; the capacitor's own ripple
    // is left aside.
    let (esr_ohm, band_v, inductance_h) = (17e-3, 21e-3, 4.7e-6);
    for (delay_s, esl_h) in [(0.0, 0.0), (90e-9, 0.0), (90e-9, 0.7e-9), (35e-9, 1.3e-9)] {
        let mut board = esr_board(esr_ohm, Modulator::Hysteretic { band_v, delay_s });
        board.output_bank[0].capacitance_f = 5e-3;
        board.output_bank[0].esl_h = esl_h;
        let run = steady::measure(&mut machine(&board, inductance_h, 4.0), 4.0).unwrap();
        let (source_v, output_v) = (12.0, run.mean_output_v());
        let formula = output_v * (source_v - output_v) * esr_ohm
            / (source_v * (band_v * inductance_h + esr_ohm * source_v * delay_s - esl_h * source_v));
        println!("delay {delay_s} s, ESL {esl_h} H: {} Hz, formula {formula} Hz", 1.0 / run.book.duration_s);
        assert!((1.0 / run.book.duration_s / formula - 1.0).abs() < LARGE_CAPACITOR);
    }
}

#[test]
fn order_map_from_turn_on_to_turn_on_against_differences() {
    let board = oven_panel();
    let mut machine = machine(&board, 0.56e-6, 6.0);
    let orbit = machine.steady(6.0).unwrap();
    let exact = machine.map(&orbit.x, orbit.program_a, 1).unwrap().matrix;
    let n = machine.states;
    for j in 0..n {
        let step = 1e-5 * orbit.x[j].abs().max(1e-6);
        let mut shifted = |sign: f64| {
            let mut x = orbit.x;
            x[j] += sign * step;
            machine.map(&x, orbit.program_a, 1).unwrap().end
        };
        let (above, below) = (shifted(1.0), shifted(-1.0));
        let column: Vec<f64> = (0..n).map(|i| (above[i] - below[i]) / (2.0 * step)).collect();
        let largest = column.iter().fold(0.0f64, |a, v| a.max(v.abs()));
        for i in 0..n {
            // Central differences: truncation and rounding at 1e-5 of the state.
            // A state that leaves no trace (the instrument) leaves rounding only.
            assert!(
                (exact[(i, j)] - column[i]).abs() <= 2e-5 * largest + 1e-12,
                "{i} {j}: {} {}",
                exact[(i, j)],
                column[i]
            );
        }
    }
}

#[test]
fn law_the_time_base_does_not_matter() {
    let found: Vec<(f64, f64)> = [600e3, 517e3, 1.13e6]
        .iter()
        .map(|frequency_hz| {
            let mut board = oven_panel();
            board.frequency_hz = *frequency_hz;
            let run = steady::measure(&mut machine(&board, 0.56e-6, 6.0), 6.0).unwrap();
            assert!(run.book.residual().abs() < 1e-9);
            (run.book.duration_s, run.output.width())
        })
        .collect();
    for other in &found[1..] {
        assert!((other.0 / found[0].0 - 1.0).abs() < 1e-9 && (other.1 / found[0].1 - 1.0).abs() < 1e-6);
    }
}

#[test]
fn law_more_inductance_means_a_slower_answer_to_a_load_step() {
    // In this scheme the virtual current gain falls with L, so the dip grows (trade knowledge, common practice).
    let dips: Vec<f64> = [0.56e-6, 1.0e-6]
        .iter()
        .map(|inductance_h| {
            let board = oven_panel();
            let load = board.load_step.unwrap();
            let mut machine = machine(&board, *inductance_h, load.to_a);
            let low = steady::measure(&mut machine, load.from_a).unwrap();
            let high = steady::measure(&mut machine, load.to_a).unwrap();
            let means_v = (low.mean_output_v(), high.mean_output_v());
            let result = step::run(&mut machine, &load, 0.0, &low.orbit, means_v, 0.012, &mut ()).unwrap();
            assert!(result.book.residual < 1e-9);
            result.dip_v()
        })
        .collect();
    println!("{dips:?}");
    assert!(dips[1] > 1.3 * dips[0]);
}

#[test]
fn law_pulses_come_in_proportion_to_a_light_load() {
    // Discontinuous: every pulse carries the same charge, so the frequency follows the load (closed form: charge balance).
    let mut board = esr_board(9e-3, Modulator::ConstantOnTime { on_time_s: 640e-9, delay_s: 0.0 });
    if let LowSide::Switch { emulation, .. } = &mut board.stage.low_side {
        *emulation = true;
    }
    let period_s = |load_a: f64| {
        let run = steady::measure(&mut machine(&board, 4.7e-6, load_a), load_a).unwrap();
        assert_eq!((run.orbit.periods, run.conduction()), (1, Conduction::Discontinuous));
        run.book.duration_s
    };
    let ratio = period_s(0.17) / period_s(0.31);
    println!("{ratio} against {}", 0.31 / 0.17);
    assert!((ratio * 0.17 / 0.31 - 1.0).abs() < 2e-3);
}

#[test]
fn closed_form_charge_of_a_pulse() {
    // Discontinuous pulses of a fixed on-time carry Q = (V_in - V_o) V_in t_on^2 / (2 L V_o) each: f = I / Q, on an output that
    // hardly moves.
    let (on_time_s, inductance_h, load_a) = (640e-9, 4.7e-6, 0.23);
    let mut board = esr_board(9e-3, Modulator::ConstantOnTime { on_time_s, delay_s: 0.0 });
    let LowSide::Switch { emulation, .. } = &mut board.stage.low_side else { unreachable!() };
    *emulation = true;
    let mut machine =
        Machine::new(Circuit::new(&board, FluxTable::linear(inductance_h).unwrap(), 0.0, 12.0, load_a)).unwrap();
    let run = steady::measure(&mut machine, load_a).unwrap();
    let output_v = run.mean_output_v();
    let charge_c = (12.0 - output_v) * 12.0 * on_time_s.powi(2) / (2.0 * inductance_h * output_v);
    println!("{} s, closed form {} s", run.book.duration_s, charge_c / load_a);
    // The output's ripple is three parts in a thousand of it.
    assert!((run.book.duration_s * load_a / charge_c - 1.0).abs() < 3e-3);
}

#[test]
fn law_output_is_held_over_input_and_load() {
    let hysteretic = || {
        let mut board = oven_panel();
        board.control.modulator = Modulator::Hysteretic { band_v: 31e-3, delay_s: 60e-9 };
        let Compensator::Ripple { rb_ohm, .. } = &mut board.control.compensator else { unreachable!() };
        *rb_ohm = 7.5e3;
        board
    };
    for board in [oven_panel(), hysteretic()] {
        for source_v in [10.8, 12.0, 13.2] {
            for load_a in [0.5, 6.0, 10.0] {
                let flux = FluxTable::linear(0.56e-6).unwrap();
                let mut machine = Machine::new(Circuit::new(&board, flux, 2.2e-3, source_v, load_a)).unwrap();
                let run = steady::measure(&mut machine, load_a).unwrap();
                println!("{source_v} V, {load_a} A: {} V, {} s", run.mean_output_v(), run.book.duration_s);
                assert_eq!(run.orbit.periods, 1);
                assert!(run.orbit.largest_multiplier() < 1.0);
                assert!((run.mean_output_v() / 1.2 - 1.0).abs() < REGULATION);
                assert!(run.book.residual().abs() < 1e-9);
            }
        }
    }
}

#[test]
fn law_a_load_step_comes_back_to_its_begin() {
    // All time constants are far shorter than the levels are held, so the end of the program is its begin.
    let mut board = oven_panel();
    let Compensator::Ripple { injection, .. } = &mut board.control.compensator else { unreachable!() };
    *injection = Some(Injection::SwitchNode { r_ohm: 75e3, c_f: 3.3e-9 });
    let load = LoadStep { hold_s: 3e-3, ..board.load_step.unwrap() };
    let mut machine = machine(&board, 0.56e-6, load.to_a);
    let low = steady::measure(&mut machine, load.from_a).unwrap();
    let high = steady::measure(&mut machine, load.to_a).unwrap();
    let means_v = (low.mean_output_v(), high.mean_output_v());
    for fraction in [0.0, 0.37] {
        let result = step::run(&mut machine, &load, fraction, &low.orbit, means_v, 0.012, &mut ()).unwrap();
        assert!(result.repeats && result.step.recovered && result.release.recovered);
    }
}

/// Without a clock an edge of the time base is no instant: a run in one go, whose stretches go on over the edges, is the run that
/// stops at every edge. So too where the comparator asks all through the shortest off time, which then decides.
#[test]
fn law_edges_of_the_time_base_change_nothing() {
    let boards = [(demo::grebe_rail(), 210e-9), (demo::plover_rail(), 210e-9), (demo::grebe_rail(), 1.93e-6)];
    for (mut demo, min_off_s) in boards {
        demo.board.control.min_off_s = min_off_s;
        let machine = || machine_at(&demo, 1.3e-3, 2.3).0;
        let program = |machine: &Machine| {
            let period_s = machine.period_s();
            Program::constant(2.3).edge(7, 0.43 * period_s, 6.7, 9.7e6, period_s)
        };
        let cycles = 61;
        let mut whole = machine();
        let x = whole.first_guess(2.3);
        let mut at_once = whole.at_clock(x);
        whole.run(&mut at_once, cycles, &mut program(&whole), &mut (), None).unwrap();
        let mut cut = machine();
        let mut by_ones = cut.at_clock(x);
        let mut by_one_program = program(&cut);
        for _ in 0..cycles {
            cut.run(&mut by_ones, 1, &mut by_one_program, &mut (), None).unwrap();
        }
        assert_eq!((at_once.cycle, by_ones.cycle), (cycles, cycles));
        assert_eq!(at_once.effort.pulses, by_ones.effort.pulses, "{}", demo.name);
        assert!(at_once.effort.stretches < by_ones.effort.stretches, "{}", demo.name);
        // Rounding only, but instants that hang on each other carry it on from pulse to pulse.
        for (k, (a, b)) in at_once.x.iter().zip(by_ones.x).enumerate() {
            assert!((a - b).abs() <= 1e-9 * a.abs().max(1e-3), "{}, state {k}: {a:e} and {b:e}", demo.name);
        }
        if min_off_s > 1e-6 {
            // The comparator asks throughout: pulse after pulse at the shortest distance there is.
            let shortest_s = 163e-9 + min_off_s + 60e-9 + whole.circuit.dead_time_s();
            let pulses = cycles as f64 * whole.period_s() / shortest_s;
            assert!((at_once.effort.pulses as f64 - pulses).abs() <= 1.0, "{} and {pulses}", at_once.effort.pulses);
        }
    }
}
