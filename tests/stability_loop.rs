//! Loop gain from the period map: against an injection in the time domain, the multipliers, averaged models and published
//! regulators.

mod support;

use nalgebra::Complex;
use presolder::board::Board;
use presolder::engine::machine::{Machine, Observer, Output, Stretch};
use presolder::engine::network::Circuit;
use presolder::engine::program::Program;
use presolder::measure::steady;
use presolder::parts::saturation::FluxTable;
use presolder::stability::Loop;
use std::f64::consts::{PI, TAU};
use support::demo::{self, DemoBoard};

/// A bench analyser is followed within this: relative gain, and degrees. What remains is the finite size of the injection.
const ANALYSER: (f64, f64) = (1e-2, 1.0);
/// Size of the injection relative to the control signal: small against the ripple, large against rounding.
const INJECTION: f64 = 2e-4;
/// Averaged models hold where the frequency is far below that of the clock.
const AVERAGED: f64 = 2e-2;
/// 1 + L at a multiplier, relative to the size of its two parts.
const IDENTITY: f64 = 1e-6;

fn circuit_of(board: &Board, inductance_h: f64, dcr_ohm: f64, load_a: f64) -> Circuit {
    Circuit::new(board, FluxTable::linear(inductance_h).unwrap(), dcr_ohm, board.nominal_input_v, load_a)
}

/// A machine in its steady state with the loop around it.
fn loop_of(circuit: &Circuit, load_a: f64) -> (Machine, presolder::engine::steady::Orbit, Loop) {
    let mut machine = Machine::new(circuit.clone()).unwrap();
    let orbit = steady::measure(&mut machine, load_a).unwrap().orbit;
    let control = Loop::around(&mut machine, &orbit).unwrap().expect("a loop");
    (machine, orbit, control)
}

fn demo_circuit(demo: &DemoBoard) -> Circuit {
    circuit_of(&demo.board, demo.inductance[0].1, demo.dcr_ohm, demo.steady_a)
}

/// Component of the control voltage and of the injected sine at the injection's frequency.
struct Analyser {
    omega: f64,
    period_s: f64,
    from_cycle: u64,
    control: Complex<f64>,
    injected: Complex<f64>,
    probe_state: usize,
}

impl Observer for Analyser {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        if stretch.cycle < self.from_cycle {
            return;
        }
        // Two-point Gauss-Legendre on short panels.
        const PANELS: usize = 40;
        let half_s = 0.5 * stretch.duration_s / PANELS as f64;
        let begin_s = stretch.cycle as f64 * self.period_s + stretch.phase_s;
        for k in 0..PANELS {
            for node in [-1.0, 1.0] {
                let t_s = half_s * (2.0 * k as f64 + 1.0 + node / 3f64.sqrt());
                let x = stretch.state(t_s);
                let turn = Complex::from_polar(half_s, -self.omega * (begin_s + t_s));
                self.control += turn * stretch.read(Output::Control, &x, t_s);
                self.injected += turn * x[self.probe_state];
            }
        }
    }
}

/// Loop gain by an injection in the time domain. `weight` is the factor of the control voltage in the comparator's signal.
fn injected_gain(
    circuit: &Circuit,
    load_a: f64,
    cycles: (u64, u64),
    injection_periods: u64,
    weight: f64,
) -> Complex<f64> {
    let (machine, orbit, _) = loop_of(circuit, load_a);
    let (period_s, states) = (machine.period_s(), machine.states);
    let frequency_hz = injection_periods as f64 / (cycles.1 as f64 * period_s);
    let probed = Circuit { probe_hz: Some(frequency_hz), ..circuit.clone() };
    let mut machine = Machine::new(probed).unwrap();
    let mut x = orbit.x;
    x[states + 1] = INJECTION * weight.abs();
    let mut state = machine.at_clock(x);
    let zero = Complex::new(0.0, 0.0);
    let mut analyser = Analyser {
        omega: TAU * frequency_hz,
        period_s,
        from_cycle: cycles.0,
        control: zero,
        injected: zero,
        probe_state: states,
    };
    let mut program = Program::constant(orbit.program_a);
    machine.run(&mut state, cycles.0 + cycles.1, &mut program, &mut analyser, None).unwrap();
    let back = analyser.control * weight;
    -back / (back + analyser.injected)
}

#[test]
fn outside_injection_in_the_time_domain_as_a_bench_analyser_does_it() {
    for (demo, weight) in [(demo::ticket_kiosk(), -1.0), (demo::valve_controller(), -5.0)] {
        let circuit = demo_circuit(&demo);
        let (_, _, control) = loop_of(&circuit, demo.steady_a);
        // Cycles to settle and to measure; the injection has a whole number of periods in the latter.
        for injection_periods in [7, 23, 61, 113, 191] {
            let cycles = (1500, 1013);
            let frequency_hz = injection_periods as f64 * demo.board.frequency_hz / cycles.1 as f64;
            let expected = control.analyser(frequency_hz).unwrap();
            let found = injected_gain(&circuit, demo.steady_a, cycles, injection_periods, weight);
            let gain = found.norm() / expected.norm() - 1.0;
            let degrees = (found / expected).arg() * 180.0 / PI;
            println!(
                "{} {frequency_hz:.0} Hz: {:.5} {:.2} deg, gain off {gain:.1e}, phase off {degrees:.1e} deg",
                demo.name,
                found.norm(),
                found.arg().to_degrees()
            );
            assert!(gain.abs() < ANALYSER.0 && degrees.abs() < ANALYSER.1);
        }
    }
}

#[test]
fn closed_form_one_plus_gain_is_zero_at_every_multiplier() {
    for demo in [demo::ticket_kiosk(), demo::valve_controller()] {
        let (_, orbit, control) = loop_of(&demo_circuit(&demo), demo.steady_a);
        let mut seen = 0;
        // Multipliers of fast decay are rounding, and those that the loop does not reach have no residue in it.
        for z in orbit.multipliers.iter().filter(|z| z.norm() > 0.05) {
            let gain = control.at(*z).expect("the loop at a complex frequency");
            println!("{} {z}: 1 + L = {}", demo.name, gain + 1.0);
            if (gain + 1.0).norm() <= IDENTITY * (gain.norm() + 1.0) {
                seen += 1;
            }
        }
        assert!(seen >= 3, "{seen} multipliers belong to the loop");
    }
}

/// Impedance of the bank, branches in parallel.
fn bank_ohm(board: &Board, s: Complex<f64>) -> Complex<f64> {
    let admittance: Complex<f64> =
        board.output_bank.iter().map(|b| 1.0 / (s * b.esl_h + b.esr_ohm + 1.0 / (s * b.capacitance_f))).sum();
    1.0 / admittance
}

/// Averaged voltage-mode loop of the kiosk: duty to output, type III amplifier with finite gain-bandwidth, delay.
/// Source: R. W. Erickson, D. Maksimovic, Fundamentals of Power Electronics, 3rd ed., ch. 8 and 9 (method), with the networks of
/// the board.
fn averaged_kiosk(demo: &DemoBoard, inductance_h: f64, load_a: f64, frequency_hz: f64) -> Complex<f64> {
    let s = Complex::new(0.0, TAU * frequency_hz);
    let stage = &demo.board.stage;
    let source_v = demo.board.nominal_input_v;
    let duty = 0.2525;
    let series_ohm = demo.dcr_ohm + 1.25 * (duty * stage.high_side_ohm + (1.0 - duty) * 18e-3);
    let bank = bank_ohm(&demo.board, s);
    // The on-resistances differ and the diodes of the dead time add a drop: both belong to the voltage that the duty switches.
    let switched_v = source_v - load_a * 1.25 * (stage.high_side_ohm - 18e-3);
    let plant = switched_v * bank / (bank + s * inductance_h + series_ohm);
    let (r1, rb, r3, c3) = (20e3, 20e3 * 0.8 / 11.2, 1e3, 1.2e-9);
    let (r2, c1, c2) = (56e3, 1.2e-9, 27e-12);
    let input = 1.0 / r1 + 1.0 / (r3 + 1.0 / (s * c3));
    let feedback = 1.0 / (r2 + 1.0 / (s * c1)) + s * c2;
    let open = TAU * 8e6 / s;
    let beta = feedback / (feedback + input + 1.0 / rb);
    let amplifier = (input / (feedback + input + 1.0 / rb)) * open / (1.0 + open * beta);
    let ramp_v = source_v / 10.0;
    plant * amplifier / ramp_v * (-s * 150e-9).exp()
}

#[test]
fn outside_averaged_model_of_voltage_mode_well_below_crossover() {
    let demo = demo::ticket_kiosk();
    let inductance_h = demo.inductance[0].1;
    for load_a in [1.3, 3.7] {
        let circuit = circuit_of(&demo.board, inductance_h, demo.dcr_ohm, load_a);
        let (_, _, control) = loop_of(&circuit, load_a);
        for frequency_hz in [310.0, 830.0, 6100.0] {
            let found = control.analyser(frequency_hz).unwrap();
            let expected = averaged_kiosk(&demo, inductance_h, load_a, frequency_hz);
            println!(
                "{load_a} A {frequency_hz} Hz: {:.4} {:.2} deg, averaged {:.4} {:.2} deg",
                found.norm(),
                found.arg().to_degrees(),
                expected.norm(),
                expected.arg().to_degrees()
            );
            assert!((found.norm() / expected.norm() - 1.0).abs() < 2.5 * AVERAGED, "{found} {expected}");
        }
    }
}
