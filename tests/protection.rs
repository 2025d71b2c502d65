//! Current limits, start, short circuit, overload, steps of the input and light load against closed forms and balances.
//!
//! Relations without a named source are common practice, or follow from the equations beside them.

mod support;

use presolder::board::*;
use presolder::engine::machine::{Machine, Output};
use presolder::engine::network::{Circuit, LimitLevel};
use presolder::engine::program::Program;
use presolder::measure::curves::Thinned;
use presolder::measure::extremes::Extremes;
use presolder::measure::{light, overload, short, start, steady};
use presolder::parts::saturation::FluxTable;
use support::demo::{self, DemoBoard};
use support::{branch, ideal_stage, open_loop};

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
            overload::run(&mut machine, (&steady.orbit.x, 3.1), (steady.mean_output_v(), 0.05), 0.53e3).unwrap();
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
    let found = overload::run(&mut machine, (&steady.orbit.x, 9.3), (steady.mean_output_v(), 0.012), 1.7e3).unwrap();
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
        let found = overload::run(&mut machine, (&steady.orbit.x, 4.0), (steady.mean_output_v(), 0.12), slew_a_per_s);
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
#[test]
fn balance_start_of_the_demo_boards() {
    for (demo, soft_start_s) in [(demo::valve_controller(), 4e-3), (demo::ticket_kiosk(), 8e-3)] {
        let mut demo = demo;
        demo.board.control.protection.soft_start_s = soft_start_s;
        for prebias_v in [0.0, 0.37 * demo.board.output_v] {
            let load_s = demo.steady_a / demo.board.output_v;
            let mut machine = linear_machine(&demo, 10.3e-6, load_s, |_| {});
            let cycles = start::cycles(&machine, 2e-3);
            let mut thinned = Thinned::new((0, 0.0), machine.period_s(), 4e-5);
            let found = start::run(
                &mut machine,
                (prebias_v, demo.board.output_v),
                0.01 * demo.board.output_v,
                cycles,
                &mut thinned,
            )
            .unwrap();
            println!("{} {found:?}", demo.name);
            for k in (0..thinned.time_s.len()).step_by(6) {
                println!("{:.2e} {:?} {:?}", thinned.time_s[k], thinned.output_v[k], thinned.current_a[k]);
            }
        }
    }
}

#[test]
fn balance_short_circuit_of_the_demo_boards() {
    for (demo, limit_a, inhibit_a) in [(demo::valve_controller(), 4.9, 4.1), (demo::ticket_kiosk(), 6.2, 5.2)] {
        let mut demo = demo;
        demo.board.control.protection.soft_start_s = 2e-3;
        let hiccup = Some(Hiccup { cycles: 64, pause_s: 5e-3 });
        demo.board.control.protection.current_limit =
            Some(CurrentLimit { inhibit_a: Some(inhibit_a), hiccup, ..peak_limit(limit_a, 100e-9) });
        let load_s = demo.steady_a / demo.board.output_v;
        let mut machine = linear_machine(&demo, 10.3e-6, load_s, |circuit| circuit.short = Some((30e-3, 100e-9)));
        let orbit = machine.steady(demo.steady_a).unwrap();
        let circuit = ShortCircuit { ohm: 30e-3, henry: 100e-9, hold_s: 1e-3 };
        let timing = short::Timing::new(&circuit, &machine, 2e-3);
        let mut thinned = Thinned::new((0, 0.0), machine.period_s(), 2e-5);
        let found = short::run(
            &mut machine,
            &timing,
            (&orbit.x, 0.0),
            demo.board.output_v,
            0.01 * demo.board.output_v,
            &mut thinned,
        )
        .unwrap();
        println!("{} {found:?}", demo.name);
        for k in (0..thinned.time_s.len()).step_by(1).take(30).chain((30..thinned.time_s.len()).step_by(10)) {
            println!("{:.2e} {:?} {:?}", thinned.time_s[k], thinned.output_v[k], thinned.current_a[k]);
        }
    }
}
