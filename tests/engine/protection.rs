//! Current limits, start, short circuit, overload, steps of the input and light load against closed forms and balances.
//!
//! Relations without a named source are common practice, or follow from the equations beside them.

use crate::support;
use presolder::board::*;
use presolder::condition::load_step::Timing;
use presolder::condition::{light_load as light, line_step as input_step, overload, short, start};
use presolder::engine::book::Book;
use presolder::engine::machine::{Effort, Machine, Output, RunState};
use presolder::engine::network::Circuit;
use presolder::engine::program::Program;
use presolder::measure::extremes::Extremes;
use presolder::measure::steady;
use presolder::parts::saturation::FluxTable;
use support::branch;
use support::demo::{self, DemoBoard};

/// A machine for a demo board with its inductor taken as linear.
fn linear_machine(demo: &DemoBoard, inductance_h: f64, load_s: f64, change: impl FnOnce(&mut Circuit)) -> Machine {
    let flux = FluxTable::linear(inductance_h).unwrap();
    let mut circuit = Circuit::new(&demo.board, flux, demo.dcr_ohm, demo.board.nominal_input_v, 0.0);
    circuit.load_s = load_s;
    change(&mut circuit);
    Machine::new(circuit).unwrap()
}

fn peak_limit(typical_a: f64, delay_s: f64) -> CurrentLimit {
    CurrentLimit::peak((0.9 * typical_a, typical_a, 1.1 * typical_a), delay_s)
}

/// What the formulas leave out: resistances and dead time in the ripple, the slope of the current between the two cycles.
const TRIP: f64 = 0.006;

/// The trip is found while the load grows on. Until the output has left its band the excess has to empty the capacitors by half
/// the band: C v = s t^2 / 2, in which time the load has grown by s t.
fn lag_a(bank_f: f64, half_band_v: f64, slew_a_per_s: f64) -> f64 {
    (2.0 * bank_f * half_band_v * slew_a_per_s).sqrt()
}

#[test]
fn closed_form_overload_trips_half_a_ripple_below_the_peak_limit() {
    for falls_with_slope in [false, true] {
        let mut demo = demo::valve_controller();
        let (inductance_h, delay_s, limit_a, slope) = (10.3e-6, 130e-9, 4.9, 0.45e6);
        let limit = CurrentLimit { sense: LimitSense::Peak { falls_with_slope }, ..peak_limit(limit_a, delay_s) };
        demo.board.control.protection.current_limit = Some(limit);
        let mut machine = linear_machine(&demo, inductance_h, 0.0, |_| {});
        let steady = steady::measure(&mut machine, 3.1).unwrap();
        let found =
            overload::run(&mut machine, &steady.orbit.x, (3.1, 20.0 * 3.1), (steady.mean_output_v(), 0.05), 0.53e3)
                .unwrap();
        // At the limit: the peak is the threshold plus what the delay adds, the load half a ripple less.
        let on_v = 24.0 - 5.0 - 4.7 * (75e-3 * 1.25 + 36e-3);
        let on_s = steady.duty() / 400e3;
        // The slope runs from the clock edge, a dead time before; the threshold is passed a delay before the end.
        let threshold_a = if falls_with_slope { limit_a - slope * (22e-9 + on_s - delay_s) } else { limit_a };
        let formula_a = threshold_a + on_v / inductance_h * (delay_s - 0.5 * on_s) + lag_a(45e-6, 0.05, 0.53e3);
        let found_a = found.trip_a.unwrap();
        println!("falls with slope {falls_with_slope}: {found_a:.4} A, formula {formula_a:.4} A");
        assert!((found_a / formula_a - 1.0).abs() < TRIP && found.effort.limited > 0);
    }
}

#[test]
fn closed_form_overload_trips_half_a_ripple_above_the_valley_limit() {
    let mut board = demo::oven_panel();
    let limit = CurrentLimit { sense: LimitSense::Valley, ..peak_limit(11.7, 0.0) };
    board.board.control.protection.current_limit = Some(limit);
    let mut machine = linear_machine(&board, 0.56e-6, 0.0, |_| {});
    let steady = steady::measure(&mut machine, 9.3).unwrap();
    let found = overload::run(&mut machine, &steady.orbit.x, (9.3, 20.0 * 9.3), (steady.mean_output_v(), 0.012), 1.7e3)
        .unwrap();
    // The current falls on for the delay, and faster for the dead time.
    let on_falling_a = (1.2 * 60e-9 + 1.95 * 18e-9) / 0.56e-6;
    let formula_a = 11.7 + 0.5 * steady.current.width() - on_falling_a + lag_a(240e-6, 0.012, 1.7e3);
    let found_a = found.trip_a.unwrap();
    println!("{found_a:.4} A, formula {formula_a:.4} A");
    assert!((found_a / formula_a - 1.0).abs() < TRIP && found.effort.limited > 0);
}

#[test]
fn closed_form_overload_trips_where_the_winding_drops_the_threshold() {
    let mut demo = demo::ticket_kiosk();
    let (dcr_ohm, inductance_h, c_f) = (44e-3, 33e-6, 91e-9);
    for mismatch in [1.0, 3.0] {
        let sense = LimitSense::Winding { r_ohm: mismatch * inductance_h / dcr_ohm / c_f, c_f };
        let limit = CurrentLimit { sense, ..peak_limit(0.263, 120e-9) };
        demo.board.control.protection.current_limit = Some(limit);
        let mut machine = linear_machine(&demo, inductance_h, 0.0, |_| {});
        let steady = steady::measure(&mut machine, 4.0).unwrap();
        let slew_a_per_s = 0.13e3;
        let found = overload::run(
            &mut machine,
            &steady.orbit.x,
            (4.0, 20.0 * 4.0),
            (steady.mean_output_v(), 0.12),
            slew_a_per_s,
        );
        let found = found.unwrap();
        let on_v = 48.0 - 12.0 - 5.0 * (26e-3 * 1.25 + 44e-3);
        // What a matched network sees is the current, ripple and all; a slower one sees less of the ripple, and lags behind
        // a ramp by its excess of time constant.
        let sensed_a = (on_v / inductance_h * 120e-9 - 0.5 * steady.current.width()) / mismatch;
        let behind_a = slew_a_per_s * (mismatch - 1.0) * inductance_h / dcr_ohm;
        let formula_a = 0.263 / dcr_ohm + sensed_a + behind_a + lag_a(189e-6, 0.12, slew_a_per_s);
        let found_a = found.trip_a.unwrap();
        println!("mismatch {mismatch}: {found_a:.4} A, formula {formula_a:.4} A");
        assert!((found_a / formula_a - 1.0).abs() < TRIP && found.effort.limited > 0);
    }
}
/// Runs from one clock edge to another under the eyes of a book.
fn book_between(machine: &mut Machine, state: &mut RunState, program: &mut Program, skip: u64, cycles: u64) -> Book {
    machine.run(state, skip, program, &mut (), None).unwrap();
    let mut book = Book::new(&machine.circuit);
    machine.run(state, cycles, program, &mut book, None).unwrap();
    book
}

/// The ramp is followed with the ripple of whole cycles averaged out.
const START_CURRENT: f64 = 2e-3;

#[test]
fn closed_form_soft_start_current_is_load_and_charging() {
    let mut demo = demo::ticket_kiosk();
    let soft_start_s = 8e-3;
    demo.board.control.protection.soft_start_s = soft_start_s;
    let load_s = 2.7 / 12.0;
    let mut machine = linear_machine(&demo, 33e-6, load_s, |_| {});
    let mut state = machine.at_rest(0.0);
    let book = book_between(&mut machine, &mut state, &mut Program::constant(0.0), 1100, 60);
    let (current_a, output_v) = (book.current.0 / book.duration_s, book.output_vs / book.duration_s);
    // I = V / R + C V_out / t_ss, in the middle of the time that was looked at.
    let formula_a = output_v * load_s + 189e-6 * 12.0 / soft_start_s;
    println!("{current_a} A at {output_v} V, formula {formula_a} A");
    assert!((current_a / formula_a - 1.0).abs() < START_CURRENT);
    assert!((output_v / (12.0 * 1130.0 * 4e-6 / soft_start_s) - 1.0).abs() < 0.01);
}

/// Largest overshoot of a start whose loop has settled on the ramp, as a share of the output.
const RAMP_END: f64 = 0.01;

#[test]
fn law_start_ends_with_the_soft_start_and_keeps_what_is_there() {
    for (demo, soft_start_s) in [(demo::valve_controller(), 4e-3), (demo::ticket_kiosk(), 8e-3)] {
        let mut demo = demo;
        demo.board.control.protection.soft_start_s = soft_start_s;
        let output_v = demo.board.output_v;
        for prebias_v in [0.0, 0.37 * output_v] {
            // A start into a charged output has next to no load: nothing but the converter could pull it down.
            let ohm = output_v / demo.steady_a * if prebias_v > 0.0 { 87.0 } else { 1.0 };
            let load = Some((ohm, 60e-9 * ohm));
            let mut machine = linear_machine(&demo, 10.3e-6, 0.0, |circuit| circuit.resistor = load);
            let aim_v = (prebias_v, output_v);
            let found = start::run(&mut machine, aim_v, 0.01 * output_v, 1e-3, &mut ()).unwrap();
            println!("{} from {prebias_v} V: {found:?}", demo.name);
            assert!(found.started && found.effort.pauses == 0);
            assert!(found.time_s < soft_start_s && found.time_s > 0.9 * soft_start_s);
            assert!(found.overshoot_v < RAMP_END * output_v);
            assert!(prebias_v == 0.0 || found.fall_v < 0.02 * output_v, "{}", found.fall_v);
            assert!(found.book.residual < support::ENERGY_RESIDUAL);
        }
    }
}

/// A shorted valve controller: its machine, the short circuit and a hiccup of 64 cycles if wanted.
fn shorted(inhibit_a: Option<f64>, hiccup: Option<Hiccup>) -> (Machine, ShortCircuit) {
    let mut demo = demo::valve_controller();
    demo.board.control.protection.soft_start_s = 2e-3;
    demo.board.control.protection.current_limit = Some(CurrentLimit { inhibit_a, hiccup, ..peak_limit(4.9, 100e-9) });
    let machine = linear_machine(&demo, 10.3e-6, 0.4, |circuit| circuit.short = Some((30e-3, 100e-9)));
    (machine, ShortCircuit { ohm: 30e-3, henry: 100e-9, hold_s: 1e-3 })
}

fn run_short(machine: &mut Machine, states: &ShortCircuit) -> short::ShortResult {
    let orbit = machine.steady(2.0).unwrap();
    let timing = short::Timing::new(states, machine, 2e-3, 0.0);
    short::run(machine, &timing, (&orbit.x, 0.0), 5.0, 0.05, &mut ()).unwrap()
}

/// The peak in a short circuit against threshold and delay: what is left out is the resistance on the way up.
const SHORT_PEAK: f64 = 5e-3;

#[test]
fn closed_form_short_circuit_with_inhibit_peaks_a_delay_above_the_limit() {
    let (mut machine, states) = shorted(Some(4.1), None);
    let orbit = machine.steady(2.0).unwrap();
    let timing = short::Timing::new(&states, &machine, 2e-3, 0.0);
    let mut program = Program::constant(0.0).with_short(timing.begin, timing.end);
    let mut state = machine.at_clock(orbit.x);
    // The first microseconds discharge the capacitors; after them the current is that of the limit.
    machine.run(&mut state, 60, &mut program, &mut (), None).unwrap();
    let mut extremes = Extremes::of(&[Output::Inductor]);
    machine.run(&mut state, 200, &mut program, &mut extremes, None).unwrap();
    let range = extremes.range(Output::Inductor);
    let formula_a = 4.9 + (24.0 - 0.15 - 4.9 * (75e-3 * 1.25 + 36e-3)) / 10.3e-6 * 100e-9;
    println!("{range:?}, formula {formula_a}");
    assert!((range.high / formula_a - 1.0).abs() < SHORT_PEAK);
    // The low side lets nothing begin above the inhibit threshold.
    assert!(range.low < 4.1 && range.low > 3.9);
}

/// Balance of volt-seconds with mean values: the ripple is a tenth of the current.
const RATCHET: f64 = 0.01;

#[test]
fn closed_form_short_circuit_without_inhibit_ratchets_up_to_the_balance_of_volt_seconds() {
    // A command far above the current leaves every pulse to the limit and its delay. One below it lets the modulator's comparator,
    // which has no delay here, open the switch first.
    for (highest_command_v, delay_s) in [(6.1, 100e-9), (1.2, 0.0)] {
        let (mut machine, states) = shorted(None, None);
        if let Compensator::Transconductance { clamp_v, .. } = &mut machine.circuit.board.control.compensator {
            clamp_v.1 = highest_command_v;
        }
        let mut machine = Machine::new(machine.circuit).unwrap();
        let orbit = machine.steady(2.0).unwrap();
        let timing = short::Timing::new(&states, &machine, 2e-3, 0.0);
        let mut program = Program::constant(0.0).with_short(timing.begin, timing.end);
        let mut state = machine.at_clock(orbit.x);
        let book = book_between(&mut machine, &mut state, &mut program, 300, 50);
        let current_a = book.current.0 / book.duration_s;
        // Every pulse lasts for blanking and delay; both dead times go through the diode.
        let (duty, dead) = ((90e-9 + delay_s) * 400e3, 2.0 * 22e-9 * 400e3);
        let ohm = 36e-3 + 1.0 / (1.0 / 30e-3 + 0.4) + 1.25 * (75e-3 * duty + 45e-3 * (1.0 - duty - dead));
        let formula_a = (24.0 * duty - 0.8 * dead) / ohm;
        println!("{current_a} A, formula {formula_a} A: the limit is 4.9 A");
        assert!((current_a / formula_a - 1.0).abs() < RATCHET);
    }
}

#[test]
fn law_hiccup_counts_pauses_and_starts_again() {
    let hiccup = Hiccup { cycles: 64, pause_s: 5e-3 };
    let (mut machine, states) = shorted(Some(4.1), Some(hiccup));
    let found = run_short(&mut machine, &states);
    println!("{found:?}");
    assert_eq!((found.effort.limited, found.effort.pauses), (64, 1));
    // The short circuit ends within the pause, which began after the 64 cycles; then the soft start.
    let pause_ends_s = 66.0 / 400e3 + hiccup.pause_s - states.hold_s;
    assert!(found.recovered && (found.recovery_s / (pause_ends_s + 2e-3) - 1.0).abs() < 0.02);
    assert!(found.book.residual < support::ENERGY_RESIDUAL);

    let (mut machine, states) = shorted(Some(4.1), None);
    let found = run_short(&mut machine, &states);
    assert!(found.effort.pauses == 0 && found.effort.limited > 300 && found.recovered);
    assert!(found.book.residual < support::ENERGY_RESIDUAL);
}

#[test]
fn law_foldback_leaves_every_nth_pulse() {
    let (mut machine, states) = shorted(None, None);
    machine.circuit.board.control.protection.foldback = Some(Foldback { below: 0.43, divisor: 4 });
    let mut machine = Machine::new(machine.circuit).unwrap();
    let orbit = machine.steady(2.0).unwrap();
    let timing = short::Timing::new(&states, &machine, 2e-3, 0.0);
    let mut program = Program::constant(0.0).with_short(timing.begin, timing.end);
    let mut state = machine.at_clock(orbit.x);
    machine.run(&mut state, 40, &mut program, &mut (), None).unwrap();
    let before = state.effort;
    machine.run(&mut state, 200, &mut program, &mut (), None).unwrap();
    assert_eq!(state.effort.pulses - before.pulses, 50);
    assert_eq!(state.effort.omitted - before.omitted, 150);
}

/// The averaged filter has no ripple and no sampling.
const AVERAGED: f64 = 4e-3;

#[test]
fn closed_form_input_step_rings_as_a_second_order_filter() {
    let (duty, inductance_h, bank_f, load_ohm) = (0.37, 11e-6, 63e-6, 1.3);
    let (board, load_a) = support::resistive(21.0, duty, 510e3, vec![branch(bank_f, 0.0, 0.0)], load_ohm);
    let circuit = Circuit::new(&board, FluxTable::linear(inductance_h).unwrap(), 0.0, 21.0, load_a);
    let mut machine = Machine::new(circuit).unwrap();
    let orbit = machine.steady(load_a).unwrap();
    let step = InputStep { from_v: 21.0, to_v: 24.7, slew_v_per_s: 1e9, load_a, hold_s: 2e-3 };
    let (before_v, after_v) = (duty * step.from_v, duty * step.to_v);
    let found = input_step::run(&mut machine, &step, &orbit, (before_v, after_v), 0.05).unwrap();
    // Step response of a second-order low-pass, R. W. Erickson and D. Maksimovic, Fundamentals of Power Electronics, 3rd ed.,
    // section 9.3: overshoot exp(-pi zeta / sqrt(1 - zeta^2)) of the step.
    let zeta = (inductance_h / bank_f).sqrt() / (2.0 * load_ohm);
    let overshoot = (-std::f64::consts::PI * zeta / (1.0 - zeta * zeta).sqrt()).exp();
    // The ripple rides on it.
    let ripple_v = 0.5 * (1.0 - duty) * after_v / (8.0 * inductance_h * bank_f * 510e3f64.powi(2));
    let formula_v = (after_v - before_v) * (1.0 + overshoot) + ripple_v;
    println!("{} V, formula {formula_v} V", found.deviation_v);
    assert!((found.deviation_v / formula_v - 1.0).abs() < AVERAGED && found.recovered);
    assert!(found.book.residual < support::ENERGY_RESIDUAL);
}

/// What dead time, delays and resistances change of ideal pulses.
const PULSES: f64 = 0.05;

#[test]
fn closed_form_pulses_of_a_fixed_time_follow_the_load() {
    let mut demo = demo::oven_panel();
    let LowSide::Switch { emulation, .. } = &mut demo.board.stage.low_side else { unreachable!() };
    *emulation = true;
    let (inductance_h, load_a) = (0.61e-6, 0.17);
    let mut machine = linear_machine(&demo, inductance_h, 0.0, |_| {});
    let found = light::run(&mut machine, load_a).unwrap();
    // Charge of a pulse: (V_in - V_o) V_in t_on^2 / (2 L V_o), each pulse starting from no current.
    let output_v = 0.5 * (found.ripple.low + found.ripple.high);
    let charge_c = (12.0 - output_v) * 12.0 * 167e-9f64.powi(2) / (2.0 * inductance_h * output_v);
    let formula_hz = load_a / charge_c;
    println!("{found:?}, formula {formula_hz} Hz");
    assert!((found.pulses_hz / formula_hz - 1.0).abs() < PULSES && found.pattern_hz == found.pulses_hz);
    // Half the load, half the pulses.
    let half = light::run(&mut machine, 0.5 * load_a).unwrap();
    let ratio = half.pulses_hz / found.pulses_hz;
    println!("half the load: {ratio} of the pulses");
    assert!((ratio - 0.5).abs() < 0.02);
}

#[test]
fn law_skipping_follows_the_load_below_the_boundary() {
    let mut demo = demo::valve_controller();
    demo.board.control.protection.skip_below_a = 0.7;
    let mut machine = linear_machine(&demo, 10.3e-6, 0.0, |_| {});
    let mut charge = vec![];
    for load_a in [0.013, 0.027, 0.11] {
        let found = light::run(&mut machine, load_a).unwrap();
        println!("{load_a} A: {found:?}");
        assert!(found.effort.omitted > 0 && found.pulses_hz < 400e3 && found.pattern_hz <= found.pulses_hz);
        charge.push(load_a / found.pulses_hz);
    }
    // Every pulse carries at least L Ip^2 (1 / (V_in - V_o) + 1 / V_o) / 2 of the commanded peak, less the slope compensation.
    let peak_a = 0.7 - 0.45e6 * 0.7 * 10.3e-6 / 19.0;
    let least_c = 0.5 * 10.3e-6 * peak_a * peak_a * (1.0 / 19.0 + 1.0 / 5.0);
    assert!(charge.iter().all(|c| *c > 0.95 * least_c && *c < 1.6 * least_c), "{charge:?} {least_c}");
}

#[test]
fn closed_form_boundary_of_continuous_conduction() {
    let demo = demo::ticket_kiosk();
    let inductance_h = 31e-6;
    let mut machine = linear_machine(&demo, inductance_h, 0.0, |_| {});
    let found_a = light::continuous_down_to(&mut machine, 0.05, 4.0).unwrap().unwrap();
    let formula_a = (48.0 - 12.0) * 12.0 / (2.0 * inductance_h * 250e3 * 48.0);
    println!("{found_a} A, formula {formula_a} A");
    assert!((found_a / formula_a - 1.0).abs() < 0.02);
}

/// The output's own ripple is not in step with the triangle that it is added to.
const INJECTED: f64 = 0.06;

#[test]
fn closed_form_ripple_across_the_inductor() {
    let mut demo = demo::oven_panel();
    let (r_ohm, c_f, coupling_f, cff) = (2.7e3, 22e-9, 3.3e-9, 470e-12);
    let Compensator::Ripple { injection, .. } = &mut demo.board.control.compensator else { unreachable!() };
    *injection = Some(Injection::Inductor { r_ohm, c_f, coupling_f });
    let mut machine = linear_machine(&demo, 0.56e-6, 0.0, |_| {});
    let found = steady::measure(&mut machine, 6.0).unwrap();
    let frequency_hz = 1.0 / found.book.duration_s;
    // Volt-seconds of the inductor over R C, divided by the two capacitors from the junction to the output.
    let loading = 1.0 + coupling_f * cff / (coupling_f + cff) / c_f;
    let junction_v = found.mean_output_v() * (1.0 - found.duty()) / (r_ohm * c_f * frequency_hz) / loading;
    let formula_v = junction_v * coupling_f / (coupling_f + cff) + found.output.width();
    println!("{} V, formula {formula_v} V", found.control.width());
    assert!((found.control.width() / formula_v - 1.0).abs() < INJECTED);
    assert_eq!(found.orbit.periods, 1);
}

/// Stretches, located instants, pulses, limited cycles, omitted edges and pauses of every condition: a silent slow-down or a
/// lost event shows here.
#[test]
fn frozen_effort_per_condition() {
    let effort = |e: Effort| [e.stretches, e.located, e.pulses, e.limited, e.omitted, e.pauses];
    let mut found: Vec<(&str, [u64; 6])> = vec![];
    let hiccup = Hiccup { cycles: 64, pause_s: 5e-3 };
    let (mut machine, states) = shorted(Some(4.1), Some(hiccup));
    found.push(("short circuit", effort(run_short(&mut machine, &states).effort)));
    let aim_v = (0.0, 5.0);
    found.push(("start", effort(start::run(&mut machine, aim_v, 0.05, 1e-3, &mut ()).unwrap().effort)));
    let mut demo = demo::valve_controller();
    demo.board.control.protection.skip_below_a = 0.7;
    demo.board.control.protection.current_limit = Some(peak_limit(4.9, 100e-9));
    let mut machine = linear_machine(&demo, 10.3e-6, 0.0, |_| {});
    found.push(("light load", effort(light::run(&mut machine, 0.027).unwrap().effort)));
    let orbit = machine.steady(3.1).unwrap();
    let run = overload::run(&mut machine, &orbit.x, (3.1, 20.0 * 3.1), (5.0, 0.05), 0.53e3).unwrap();
    found.push(("overload", effort(run.effort)));
    for (demo, name) in [
        (demo::valve_controller(), "load step, peak current"),
        (demo::ticket_kiosk(), "load step, voltage mode"),
        (demo::oven_panel(), "load step, constant on-time"),
    ] {
        let step = demo.board.load_step.unwrap();
        let mut machine = linear_machine(&demo, demo.inductance[0].1, 0.0, |_| {});
        let low = machine.steady(step.from_a).unwrap();
        let timing = Timing::new(&step, machine.period_s(), 0.0);
        let mut state = machine.at_clock(low.x);
        machine.run(&mut state, timing.cycles, &mut timing.program(&step, &machine), &mut (), None).unwrap();
        found.push((name, effort(state.effort)));
    }
    found.iter().for_each(|(name, counts)| println!("        (\"{name}\", {counts:?}),"));
    let frozen: [(&str, [u64; 6]); 7] = [
        ("short circuit", [4506, 1018, 1882, 64, 121, 1]),
        ("start", [4120, 1035, 1134, 0, 66, 0]),
        ("light load", [4480, 896, 448, 0, 2241, 0]),
        ("overload", [4937, 1368, 1234, 126, 0, 0]),
        ("load step, peak current", [1632, 420, 403, 0, 0, 0]),
        ("load step, voltage mode", [2017, 505, 503, 0, 0, 0]),
        ("load step, constant on-time", [1016, 253, 252, 0, 0, 0]),
    ];
    assert_eq!(found, frozen);
}
