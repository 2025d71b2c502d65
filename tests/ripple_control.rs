//! Constant on-time and hysteretic control.

mod support;

use presolder::board::{Board, Compensator, Control, LoadKind, LoadStep, LowSide, Modulator, Stage};
use presolder::engine::machine::{Machine, Output};
use presolder::engine::network::Circuit;
use presolder::measure::extremes::Extremes;
use presolder::measure::steady::Conduction;
use presolder::measure::{steady, step};
use presolder::parts::saturation::FluxTable;
use support::{branch, ideal_stage, open_loop};

/// 12 V to 1.2 V, constant on-time, ripple injected from the switch node.
fn oven_panel() -> Board {
    let mut board = open_loop(12.0, 0.1, 600e3, vec![branch(240e-6, 0.5e-3, 0.1e-9)], 6.0);
    board.output_v = 1.2;
    board.load_kind = LoadKind::Current;
    board.stage = Stage {
        high_side_ohm: 9e-3,
        low_side: LowSide::Switch { on_ohm: 3.2e-3, dead_time_s: 18e-9, body_diode_v: 0.75, emulation: false },
        hot_factor: 1.25,
        ..ideal_stage()
    };
    board.control = Control {
        compensator: Compensator::Ripple {
            reference_v: 0.6,
            r1_ohm: 7.5e3,
            rb_ohm: 8.06e3,
            cff_f: 470e-12,
            injection: Some((75e3, 100e-9)),
        },
        modulator: Modulator::ConstantOnTime { on_time_s: 167e-9, delay_s: 60e-9 },
        min_on_s: 0.0,
        min_off_s: 220e-9,
        current_limit: None,
    };
    board.load_step = Some(LoadStep { from_a: 2.5, to_a: 7.5, slew_a_per_s: 10e6, hold_s: 200e-6 });
    board
}

/// Small-ripple formulas leave out losses, dead time and the curvature of the ripple.
const SMALL_RIPPLE: f64 = 0.06;

fn machine(board: &Board, inductance_h: f64, load_a: f64) -> Machine {
    let flux = FluxTable::linear(inductance_h).unwrap();
    Machine::new(Circuit::new(board, flux, 2.2e-3, board.nominal_input_v, load_a)).unwrap()
}

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

#[test]
fn outside_stability_needs_a_time_constant_above_half_the_on_time() {
    // Constant on-time without injection: stable where ESR C > t_on / 2 (sub-harmonic limit of ripple-based control, see J. Fang and
    // R. Redl, IEEE Trans. Power Electronics 29(4), 2014; the simple rule from memory).
    let on_time_s = 640e-9;
    let modulator = Modulator::ConstantOnTime { on_time_s, delay_s: 0.0 };
    for (share, stable) in [(0.47, false), (0.57, true), (0.83, true)] {
        let board = esr_board(share * on_time_s / 330e-6, modulator.clone());
        let mut machine = machine(&board, 4.7e-6, 4.0);
        let orbit = machine.steady(4.0).ok().filter(|orbit| orbit.periods == 1);
        println!("ESR C / t_on = {share}: {:?}", orbit.as_ref().map(|orbit| orbit.largest_multiplier()));
        assert_eq!(orbit.is_some(), stable);
    }
}

#[test]
fn outside_hysteretic_frequency() {
    // f = V_o (V_in - V_o) ESR / (V_in (V_hys L + ESR V_in t_d)), from memory; the capacitor's own ripple left aside.
    let (esr_ohm, band_v, delay_s, inductance_h) = (17e-3, 21e-3, 90e-9, 4.7e-6);
    let mut board = esr_board(esr_ohm, Modulator::Hysteretic { band_v, delay_s });
    board.output_bank[0].capacitance_f = 5e-3;
    let mut machine = machine(&board, inductance_h, 4.0);
    let run = steady::measure(&mut machine, 4.0).unwrap();
    let (source_v, output_v) = (12.0, run.mean_output_v());
    let formula = output_v * (source_v - output_v) * esr_ohm
        / (source_v * (band_v * inductance_h + esr_ohm * source_v * delay_s));
    println!("{} Hz, formula {formula} Hz", 1.0 / run.book.duration_s);
    assert!((1.0 / run.book.duration_s / formula - 1.0).abs() < SMALL_RIPPLE);
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
            assert!(result.book_residual < 1e-9);
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
