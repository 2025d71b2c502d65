//! Loop gain from the period map: against an injection in the time domain, the multipliers and the edge of stability. Closed forms,
//! averaged models and published loops: `engine_validation`.

use crate::support;
use nalgebra::Complex;
use presolder::board::{Board, Compensator, LoadKind, Modulator, Ramp};
use presolder::engine::machine::{Machine, Observer, Output, Stretch};
use presolder::engine::network::Circuit;
use presolder::engine::program::Program;
use presolder::measure::steady;
use presolder::parts::SaturationCurve;
use presolder::parts::saturation::{FluxCurve, FluxTable};
use presolder::stability::Loop;
use std::f64::consts::{PI, TAU};
use support::demo::{self, DemoBoard};

/// An injection is followed within this: relative gain, and degrees. What remains is the finite size of the injection, and where
/// the current saturates or ends, the second order of that.
const ANALYSER: (f64, f64) = (1e-5, 1e-3);
/// Size of the injection relative to the control signal: small against the ripple, large against rounding.
const INJECTION: f64 = 2e-4;
/// 1 + L at a multiplier: the map is inverted close to where it is singular.
const IDENTITY: f64 = 1e-7;

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

/// Holds the loop of a circuit against an injection at several frequencies. `weight` as in [`injected_gain`].
fn holds_against_injection(name: &str, circuit: &Circuit, load_a: f64, weight: f64) {
    let (_, _, control) = loop_of(circuit, load_a);
    // Cycles to settle and to measure; the injection has a whole number of periods in the latter.
    for injection_periods in [7, 23, 61, 113, 191] {
        let cycles = (1500, 1013);
        let frequency_hz = injection_periods as f64 * circuit.board.frequency_hz / cycles.1 as f64;
        let expected = control.analyser(frequency_hz).unwrap();
        let found = injected_gain(circuit, load_a, cycles, injection_periods, weight);
        let gain = found.norm() / expected.norm() - 1.0;
        let degrees = (found / expected).arg() * 180.0 / PI;
        println!(
            "{name} {frequency_hz:.0} Hz: {:.5} {:.2} deg, gain off {gain:.1e}, phase off {degrees:.1e} deg",
            found.norm(),
            found.arg().to_degrees()
        );
        assert!(gain.abs() < ANALYSER.0 && degrees.abs() < ANALYSER.1);
    }
}

#[test]
fn outside_injection_in_the_time_domain_as_a_bench_analyser_does_it() {
    for (demo, weight) in [(demo::ticket_kiosk(), -1.0), (demo::valve_controller(), -5.0)] {
        holds_against_injection(demo.name, &demo_circuit(&demo), demo.steady_a, weight);
    }
}

#[test]
fn outside_injection_with_a_saturating_inductor() {
    let demo = demo::valve_controller();
    let curve = SaturationCurve { temperature_degc: 25.0, points: demo.inductance.clone() };
    let curve = FluxCurve::new(&[curve], 25.0, 1.0).unwrap();
    let circuit = Circuit { flux: FluxTable::from_curve(&curve, 3.7e-3).unwrap(), ..demo_circuit(&demo) };
    holds_against_injection("saturating", &circuit, 2.9, -5.0);
}

#[test]
fn outside_injection_in_discontinuous_conduction() {
    let board = Board { load_kind: LoadKind::Resistance, ..support::validation::regulator::regulator() };
    let load_a = board.output_v / 25.0;
    holds_against_injection("discontinuous", &circuit_of(&board, 50e-6, 0.0, load_a), load_a, -1.0);
}

#[test]
fn closed_form_one_plus_gain_is_zero_at_every_multiplier() {
    for demo in [demo::ticket_kiosk(), demo::valve_controller()] {
        let (_, orbit, control) = loop_of(&demo_circuit(&demo), demo.steady_a);
        // Smaller multipliers are those of fast decay, which rounding has reached.
        let belonging: Vec<_> = orbit.multipliers.iter().filter(|z| z.norm() > 0.05).collect();
        assert!(belonging.len() >= 3);
        for z in belonging {
            // Both the loop between samples, and the one by which a factor on the gain counts.
            for gain in [control.at(*z), control.by_gain(*z)].map(|gain| gain.expect("the loop at a complex frequency"))
            {
                println!("{} {z}: 1 + L = {}", demo.name, gain + 1.0);
                assert!((gain + 1.0).norm() <= IDENTITY * (gain.norm() + 1.0));
            }
        }
    }
}

/// The board with a factor on the gain of its modulator: the operating point stays as it is, the integrator sees to that.
fn with_gain(board: &Board, factor: f64) -> Board {
    let mut board = board.clone();
    match &mut board.control.modulator {
        Modulator::VoltageMode { ramp: Ramp::InputOver(divisor), .. } => *divisor *= factor,
        Modulator::PeakCurrent { gain_a_per_v, .. } => *gain_a_per_v *= factor,
        other => panic!("no demo board has {other:?}"),
    }
    board
}

#[test]
fn law_gain_margin_is_the_factor_to_the_edge_of_stability() {
    /// The margin in dB is exact; the finite gain of a transconductance amplifier moves the operating point a little.
    const ROOM: f64 = 5e-4;
    for demo in [demo::ticket_kiosk(), demo::valve_controller()] {
        let (_, _, control) = loop_of(&demo_circuit(&demo), demo.steady_a);
        let margins = control.margins().unwrap();
        println!("{}: {margins:?}", demo.name);
        let largest = |factor: f64| {
            let board = with_gain(&demo.board, factor);
            let circuit = circuit_of(&board, demo.inductance[0].1, demo.dcr_ohm, demo.steady_a);
            let orbit = Machine::new(circuit).unwrap().steady(demo.steady_a).ok();
            orbit.filter(|orbit| orbit.periods == 1).map(|orbit| orbit.largest_multiplier())
        };
        let edge = 10f64.powf(margins.gain_db / 20.0);
        let below = largest((1.0 - ROOM) * edge).expect("still an orbit of one period");
        assert!(below > 0.99 && below < 1.0, "{below}");
        assert_eq!(largest((1.0 + ROOM) * edge), None, "no stable orbit of one period any more");
    }
}

#[test]
fn law_gain_that_never_reaches_one_has_no_crossover() {
    let demo = demo::ticket_kiosk();
    let mut board = demo.board.clone();
    // A proportional amplifier with a gain far below one: a feedback resistor whose capacitor is a short at every frequency looked at.
    if let Compensator::OpAmp { r2_ohm, c1_f, c2_f, rb_ohm, r1_ohm, .. } = &mut board.control.compensator {
        (*r2_ohm, *c1_f, *c2_f) = (7.3, 1.0, 1e-9);
        *rb_ohm = *r1_ohm * 0.8 / 11.2;
    }
    let (_, _, control) = loop_of(&circuit_of(&board, 33e-6, demo.dcr_ohm, 2.5), 2.5);
    assert!(control.curve().iter().all(|(_, gain)| gain.norm() < 1.0));
    assert_eq!(control.margins(), None);
}

#[test]
fn law_fixed_duty_has_no_loop() {
    let board = support::open_loop(28.0, 0.41, 100e3, vec![support::branch(470e-6, 7e-3, 0.0)], 3.3);
    let mut machine = Machine::new(circuit_of(&board, 47e-6, 13e-3, 3.3)).unwrap();
    let orbit = machine.steady(3.3).unwrap();
    assert!(Loop::around(&mut machine, &orbit).unwrap().is_none());
}
