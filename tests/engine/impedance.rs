//! Output impedance from the linearised orbit: closed forms without a loop, and a sine of the load in the simulation itself. With a
//! loop in closed form: `validation`.

use crate::support;
use nalgebra::Complex;
use presolder::board::{Board, LoadKind};
use presolder::engine::linear::{Frame, LinearOrbit};
use presolder::engine::machine::{Machine, Observer, Output, Stretch};
use presolder::engine::network::Circuit;
use presolder::engine::program::Program;
use presolder::engine::steady::Orbit;
use presolder::parts::saturation::{FluxCurve, FluxTable};
use presolder::parts::{CapacitorBranch, SaturationCurve};
use std::f64::consts::TAU;
use support::demo::{self, DemoBoard};
use support::{branch, linear, open_loop};

/// A power stage with equal switches is one linear network: what is left is rounding.
const LINEAR: f64 = 1e-9;
/// The simulated sine against the map: the aim of the tool up to a quarter of the clock.
const SINE: f64 = 0.01;

fn orbit_of(circuit: Circuit, load_a: f64) -> (Machine, Orbit, LinearOrbit) {
    let mut machine = Machine::new(circuit).unwrap();
    let orbit = machine.steady(load_a).unwrap();
    let linear = LinearOrbit::around(&mut machine, &orbit).unwrap().expect("it repeats");
    (machine, orbit, linear)
}

fn impedance(orbit: &LinearOrbit, frequencies_hz: &[f64]) -> Vec<Complex<f64>> {
    let map = orbit.map(Frame::Absolute);
    frequencies_hz.iter().map(|hz| orbit.impedance_ohm(&map, *hz).expect("a solution")).collect()
}

/// Winding and inductor parallel to bank and load conductance.
fn network_ohm(bank: &[CapacitorBranch], (inductance_h, series_ohm): (f64, f64), load_s: f64, hz: f64) -> Complex<f64> {
    let s = Complex::new(0.0, TAU * hz);
    let of = |b: &CapacitorBranch| 1.0 / (s * b.esl_h + b.esr_ohm + 1.0 / (s * b.capacitance_f));
    1.0 / (bank.iter().map(of).sum::<Complex<f64>>() + 1.0 / (s * inductance_h + series_ohm) + load_s)
}

#[test]
fn closed_form_open_loop_for_every_kind_of_bank() {
    let banks = [
        vec![branch(47e-6, 7e-3, 0.0)],
        vec![branch(47e-6, 0.0, 0.0), branch(130e-6, 21e-3, 3e-9)],
        vec![branch(33e-6, 3.1e-3, 0.7e-9), branch(220e-6, 27e-3, 4.1e-9)],
    ];
    let (inductance_h, dcr_ohm, load_a) = (8.7e-6, 23e-3, 2.3);
    for bank in banks {
        let mut board = open_loop(17.0, 0.29, 290e3, bank.clone(), load_a);
        board.load_kind = LoadKind::Current;
        let circuit = Circuit::new(&board, linear(inductance_h), dcr_ohm, 17.0, load_a);
        let (_, _, orbit) = orbit_of(circuit, load_a);
        assert!(!orbit.has_loop());
        let frequencies_hz = [130.0, 2.9e3, 9.3e3, 47e3, 139e3];
        for (hz, ours) in frequencies_hz.into_iter().zip(impedance(&orbit, &frequencies_hz)) {
            let reference = network_ohm(&bank, (inductance_h, dcr_ohm), 0.0, hz);
            println!("{hz} Hz: {ours} against {reference}");
            assert!((ours - reference).norm() <= LINEAR * reference.norm());
        }
    }
}

#[test]
fn closed_form_open_loop_beside_a_resistor_as_load() {
    let (inductance_h, dcr_ohm, load_a) = (8.7e-6, 23e-3, 2.3);
    let bank = vec![branch(47e-6, 7e-3, 0.0)];
    let board = open_loop(17.0, 0.29, 290e3, bank.clone(), load_a);
    let (_, _, orbit) = orbit_of(Circuit::new(&board, linear(inductance_h), dcr_ohm, 17.0, load_a), load_a);
    let load_s = load_a / board.output_v;
    let ours = impedance(&orbit, &[7.7e3])[0];
    let reference = network_ohm(&bank, (inductance_h, dcr_ohm), load_s, 7.7e3);
    assert!((ours - reference).norm() <= LINEAR * reference.norm());
}

/// Components of output voltage and load current at a frequency.
struct Analyser {
    omega: f64,
    period_s: f64,
    from_cycle: u64,
    until_cycle: u64,
    output: Complex<f64>,
    load: Complex<f64>,
}

impl Observer for Analyser {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        // Two-point Gauss-Legendre on short panels.
        const PANELS: usize = 12;
        let begin_s = stretch.cycle as f64 * self.period_s + stretch.phase_s;
        let (from_s, until_s) = (self.from_cycle as f64 * self.period_s, self.until_cycle as f64 * self.period_s);
        let low_s = (from_s - begin_s).max(0.0);
        let high_s = (until_s - begin_s).min(stretch.duration_s);
        if high_s <= low_s {
            return;
        }
        let half_s = 0.5 * (high_s - low_s) / PANELS as f64;
        for k in 0..PANELS {
            for node in [-1.0, 1.0] {
                let t_s = low_s + half_s * (2.0 * k as f64 + 1.0 + node / 3f64.sqrt());
                let x = stretch.state(t_s);
                let turn = Complex::from_polar(half_s, -self.omega * (begin_s + t_s));
                self.output += turn * stretch.read(Output::Voltage, &x, t_s);
                self.load += turn * stretch.read(Output::Load, &x, t_s);
            }
        }
    }
}

/// Straight lines in a period of the sine.
const LINES: usize = 48;

/// Impedance by a sine of the load that is small beside it, over a whole number of its own periods and of the clock's.
fn simulated_ohm(circuit: &Circuit, load_a: f64, cycles: (u64, u64), sines: u64, share: f64) -> Complex<f64> {
    let mut machine = Machine::new(circuit.clone()).unwrap();
    let orbit = machine.steady(load_a).unwrap();
    let period_s = machine.period_s();
    let frequency_hz = sines as f64 / (cycles.1 as f64 * period_s);
    let count = (frequency_hz * (cycles.0 + cycles.1 + 2) as f64 * period_s).ceil() as usize * LINES;
    let at = |k: usize| {
        let turns = k as f64 / LINES as f64;
        (turns / frequency_hz, load_a * (1.0 + share * (TAU * turns).sin()))
    };
    let points: Vec<(f64, f64)> = (0..=count).map(at).collect();
    let mut program =
        Program::constant(orbit.program_a).through((0, 0.0), &points, machine.circuit.program_a(0.0), period_s);
    let zero = Complex::new(0.0, 0.0);
    let mut analyser = Analyser {
        omega: TAU * frequency_hz,
        period_s,
        from_cycle: cycles.0,
        until_cycle: cycles.0 + cycles.1,
        output: zero,
        load: zero,
    };
    let mut state = machine.at_clock(orbit.x);
    machine.run(&mut state, cycles.0 + cycles.1 + 1, &mut program, &mut analyser, None).unwrap();
    -analyser.output / analyser.load
}

fn circuit_of(demo: &DemoBoard) -> Circuit {
    let curve = SaturationCurve { temperature_degc: 25.0, points: demo.inductance.clone() };
    let flux = FluxTable::from_curve(&FluxCurve::new(&[curve], 25.0, 1.0).unwrap(), 3.7e-3).unwrap();
    Circuit::new(&demo.board, flux, demo.dcr_ohm, demo.board.nominal_input_v, demo.steady_a)
}

#[test]
fn outside_sine_of_the_load_in_the_simulation_with_a_clock() {
    for demo in [demo::ticket_kiosk(), demo::valve_controller(), demo::sorrel_feeder()] {
        let circuit = circuit_of(&demo);
        let (_, _, orbit) = orbit_of(circuit.clone(), demo.steady_a);
        // Up to a quarter of the clock; the last is beyond, where the map holds as well.
        for sines in [5, 31, 101, 251, 331] {
            let cycles = (1500, 1013);
            let hz = sines as f64 * demo.board.frequency_hz / cycles.1 as f64;
            let ours = impedance(&orbit, &[hz])[0];
            let found = simulated_ohm(&circuit, demo.steady_a, cycles, sines, 2e-4);
            let off = (ours / found - 1.0).norm();
            println!(
                "{} {hz:.0} Hz: {:.5e} ohm {:.2} deg, off {off:.1e}",
                demo.name,
                ours.norm(),
                ours.arg().to_degrees()
            );
            assert!(off <= SINE);
        }
    }
}

/// Without a clock the turn-ons and the sine have no common period: the window leaves a rest of the ripple.
#[test]
fn outside_sine_of_the_load_in_the_simulation_without_a_clock() {
    for demo in [demo::oven_panel(), demo::grebe_rail(), demo::plover_rail()] {
        let circuit = circuit_of(&demo);
        let (_, _, orbit) = orbit_of(circuit.clone(), demo.steady_a);
        for sines in [40, 250, 800, 1900] {
            let cycles = (1500, 8009);
            let hz = sines as f64 * demo.board.frequency_hz / cycles.1 as f64;
            let ours = impedance(&orbit, &[hz])[0];
            let found = simulated_ohm(&circuit, demo.steady_a, cycles, sines, 5e-3);
            let off = (ours / found - 1.0).norm();
            println!(
                "{} {hz:.0} Hz: {:.5e} ohm {:.2} deg, off {off:.1e}",
                demo.name,
                ours.norm(),
                ours.arg().to_degrees()
            );
            assert!(off <= SINE);
        }
    }
}

/// Discontinuous conduction: a pulse a period, and a rest whose length moves with both.
#[test]
fn outside_sine_of_the_load_in_discontinuous_conduction() {
    let board = Board { load_kind: LoadKind::Resistance, ..support::validation::regulator::regulator() };
    let load_a = board.output_v / 25.0;
    let circuit = Circuit::new(&board, FluxTable::linear(50e-6).unwrap(), 0.0, board.nominal_input_v, load_a);
    let (_, _, orbit) = orbit_of(circuit.clone(), load_a);
    for sines in [11, 101] {
        let hz = sines as f64 * board.frequency_hz / 1013.0;
        let ours = impedance(&orbit, &[hz])[0];
        // The load is a resistor: what the sink draws besides is the disturbance, and the resistor's own part has to be taken out.
        let whole = simulated_ohm(&circuit, load_a, (3000, 1013), sines, 1e-4);
        let found = 1.0 / (1.0 / whole + load_a / board.output_v);
        let off = (ours / found - 1.0).norm();
        println!("{hz:.0} Hz: {:.5e} ohm, off {off:.1e}", ours.norm());
        assert!(off <= SINE);
    }
}

#[test]
fn law_twin_has_the_same_impedance_to_the_last_bit() {
    let demo = demo::valve_controller();
    let [a, b] = [(), ()].map(|()| impedance(&orbit_of(circuit_of(&demo), demo.steady_a).2, &[1.3e3, 41e3, 170e3]));
    assert_eq!(a, b);
}

#[test]
fn law_opened_loop_of_fixed_duty_is_the_closed_one() {
    let demo = demo::sorrel_feeder();
    let (_, _, orbit) = orbit_of(circuit_of(&demo), demo.steady_a);
    assert_eq!(impedance(&orbit, &[9.1e3]), impedance(&orbit.opened(), &[9.1e3]));
}
