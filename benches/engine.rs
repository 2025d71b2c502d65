//! Time per switching cycle of the exact engine and of a general-purpose integrator on the same runs, side by side.
//!
//! Both run the same load step and release on the same board. The accuracy of each is measured first, as the largest difference
//! from the integrator at a much tighter tolerance on the smooth saturation curve; a time without an accuracy
//! says nothing. Repeats alternate between the two, and the least time of each counts.

#[path = "../tests/support/mod.rs"]
mod support;

use presolder::engine::book::Book;
use presolder::engine::crosscheck::{CrossCheck, Sampling, compare};
use presolder::engine::machine::{Begin, Machine, Output};
use presolder::engine::network::Circuit;
use presolder::engine::program::Program;
use presolder::engine::row::StateVector;
use presolder::measure::curves::Sample;
use presolder::measure::extremes::Extremes;
use presolder::measure::step::Timing;
use presolder::parts::SaturationCurve;
use presolder::parts::saturation::{FluxCurve, FluxTable};
use std::hint::black_box;
use std::time::Instant;
use support::demo::{self, DemoBoard};

/// Cycles of a run.
const CYCLES: u64 = 2400;
/// Times that every measurement is repeated.
const REPEATS: usize = 5;
/// Tolerance of the reference.
const REFERENCE: f64 = 1e-11;
/// Tolerances at which the integrator is timed.
const TOLERANCES: [f64; 4] = [1e-3, 1e-5, 1e-7, 1e-9];
/// Bounds of the piecewise-linear current at which the exact engine is timed, in A.
const BOUNDS_A: [f64; 3] = [1e-3, 1e-4, 1e-5];
/// Samples a period for the measurement of accuracy.
const SAMPLES_PER_PERIOD: f64 = 7.319;

/// A board with a load program and the state from which it runs.
struct Run {
    board: DemoBoard,
    curve: FluxCurve,
    instrument: bool,
    x0: StateVector,
    program: Program,
    period_s: f64,
}

impl Run {
    fn new(mut board: DemoBoard, instrument: bool) -> Run {
        let period_s = 1.0 / board.board.frequency_hz;
        let step = board.board.load_step.as_mut().expect("the board has a load step");
        let edge_s = (step.to_a - step.from_a).abs() / step.slew_a_per_s;
        step.hold_s = 0.5 * (CYCLES as f64 - 1.2) * period_s - edge_s;
        let step = *step;
        let points = board.inductance.clone();
        let curve = FluxCurve::new(&[SaturationCurve { temperature_degc: 25.0, points }], 25.0, 1.0).expect("sound");
        let mut run = Run { board, curve, instrument, x0: [0.0; 18], program: Program::constant(0.0), period_s };
        let mut machine = run.machine(BOUNDS_A[0]);
        run.x0 = machine.steady(step.from_a).expect("a steady state").x;
        let timing = Timing::new(&step, period_s, 0.1);
        assert_eq!(timing.cycles, CYCLES);
        run.program = timing.program(&step, &machine);
        run
    }

    fn machine(&self, bound_a: f64) -> Machine {
        let flux = FluxTable::from_curve(&self.curve, bound_a).expect("a table");
        let board = &self.board.board;
        let mut circuit = Circuit::new(board, flux, self.board.dcr_ohm, board.nominal_input_v, 0.0);
        circuit.instrument = self.instrument;
        Machine::new(circuit).expect("a sound circuit")
    }

    fn peer(&self, tolerance: f64) -> CrossCheck {
        CrossCheck::new(&self.machine(BOUNDS_A[0]).circuit, self.curve.clone(), tolerance).expect("a sound circuit")
    }

    /// ns per cycle of the exact engine without and with the measures of a report.
    fn exact_ns(&self, machine: &mut Machine, measures: bool) -> f64 {
        let mut state = machine.at_clock(self.x0);
        let mut program = self.program.clone();
        let outputs = [Output::Voltage, Output::Instrument, Output::Inductor];
        let mut observer = (Book::new(&machine.circuit), Extremes::of(&outputs));
        let begin = Instant::now();
        if measures {
            machine.run(&mut state, CYCLES, &mut program, &mut observer, None).expect("a run");
        } else {
            machine.run(&mut state, CYCLES, &mut program, &mut (), None).expect("a run");
        }
        let ns = begin.elapsed().as_secs_f64() * 1e9 / CYCLES as f64;
        black_box((&state, &observer));
        ns
    }

    fn peer_ns(&self, peer: &CrossCheck) -> f64 {
        let begin = Instant::now();
        let outcome =
            peer.run(Begin::Clock(self.x0), CYCLES, self.program.clone(), Sampling::NONE, |_, _| {}).expect("a run");
        black_box(outcome);
        begin.elapsed().as_secs_f64() * 1e9 / CYCLES as f64
    }

    fn sampling(&self) -> Sampling {
        let every_s = self.period_s / SAMPLES_PER_PERIOD;
        Sampling { origin: (0, 0.0), every_s, offset_s: 0.1 * every_s, until_s: (CYCLES as f64 - 0.01) * self.period_s }
    }

    fn peer_samples(&self, tolerance: f64) -> Vec<(Sample, presolder::engine::crosscheck::Side)> {
        let mut samples = vec![];
        let sink = |sample: &Sample, side| samples.push((*sample, side));
        self.peer(tolerance)
            .run(Begin::Clock(self.x0), CYCLES, self.program.clone(), self.sampling(), sink)
            .expect("a run");
        samples
    }

    /// Largest error of the output in V and of the current in A of the integrator at a tolerance, each tolerance in turn.
    fn peer_errors(&self) -> Vec<(f64, f64)> {
        let reference = self.peer_samples(REFERENCE);
        let error = |tolerance: f64| {
            let samples = self.peer_samples(tolerance);
            let same_side = samples.iter().zip(&reference).filter(|(a, b)| a.1 == b.1);
            same_side.fold((0.0, 0.0), |(v, a): (f64, f64), (p, q)| {
                (v.max((p.0.output_v - q.0.output_v).abs()), a.max((p.0.current_a - q.0.current_a).abs()))
            })
        };
        TOLERANCES.map(error).to_vec()
    }

    fn exact_errors(&self) -> Vec<(f64, f64)> {
        let sampling = self.sampling();
        let error = |bound_a: f64| {
            let mut machine = self.machine(bound_a);
            let (every_s, offset_s) = (sampling.every_s, sampling.offset_s);
            let program = &self.program;
            compare(&mut machine, &self.curve, Begin::Clock(self.x0), CYCLES, program, every_s, offset_s, REFERENCE)
                .map(|difference| (difference.output_v, difference.current_a))
                .expect("two runs")
        };
        BOUNDS_A.map(error).to_vec()
    }

    fn report(&self) {
        let instrument = if self.instrument { "with" } else { "without" };
        println!("\n{}, {CYCLES} cycles, {instrument} the 20 MHz instrument", self.board.name);
        let (exact_errors, peer_errors) = (self.exact_errors(), self.peer_errors());
        let mut machines = BOUNDS_A.map(|bound_a| self.machine(bound_a));
        let peers = TOLERANCES.map(|tolerance| self.peer(tolerance));
        let (mut plain_ns, mut measured_ns) = ([f64::INFINITY; 3], [f64::INFINITY; 3]);
        let mut peer_ns = [f64::INFINITY; 4];
        for _ in 0..REPEATS {
            for k in 0..BOUNDS_A.len() {
                plain_ns[k] = plain_ns[k].min(self.exact_ns(&mut machines[k], false));
                measured_ns[k] = measured_ns[k].min(self.exact_ns(&mut machines[k], true));
            }
            for k in 0..TOLERANCES.len() {
                peer_ns[k] = peer_ns[k].min(self.peer_ns(&peers[k]));
            }
        }
        for k in 0..BOUNDS_A.len() {
            let (error_v, error_a) = exact_errors[k];
            let segments = machines[k].circuit.flux.segments();
            println!(
                "  exact, bound {:.0e} A ({segments} segments): {:7.0} ns/cycle, with book and extremes {:7.0}; error {error_v:.1e} V, {error_a:.1e} A",
                BOUNDS_A[k], plain_ns[k], measured_ns[k]
            );
        }
        for k in 0..TOLERANCES.len() {
            let (error_v, error_a) = peer_errors[k];
            println!(
                "  ode_solvers Dopri5, tolerance {:.0e}:  {:7.0} ns/cycle; error {error_v:.1e} V, {error_a:.1e} A",
                TOLERANCES[k], peer_ns[k]
            );
        }
        for k in 0..BOUNDS_A.len() {
            let as_good = |j: &usize| peer_errors[*j].0 <= exact_errors[k].0 && peer_errors[*j].1 <= exact_errors[k].1;
            let least = (0..TOLERANCES.len()).filter(as_good).map(|j| peer_ns[j]).fold(f64::INFINITY, f64::min);
            let (plain, measured) = (least / plain_ns[k], least / measured_ns[k]);
            println!(
                "  at bound {:.0e} A the exact engine is {plain:.0} times as fast as the integrator at no larger error (with measures {measured:.0})",
                BOUNDS_A[k]
            );
        }
    }
}

fn main() {
    // `cargo test --benches` calls this with arguments that a plain program does not know: it then has nothing to do.
    if !std::env::args().any(|argument| argument == "--bench") {
        return;
    }
    let has = |word: &str| std::env::args().any(|argument| argument == word);
    let (exact_only, plain_only) = (has("exact"), has("plain"));
    for instrument in [false, true] {
        for board in [demo::ticket_kiosk(), demo::valve_controller()] {
            let run = Run::new(board, instrument);
            if !exact_only && !plain_only {
                run.report();
                continue;
            }
            // For a profiler, or a quick look while the exact engine is being worked on.
            let mut machine = run.machine(BOUNDS_A[0]);
            let least = |run: &Run, machine: &mut Machine, measures| {
                (0..60).map(|_| run.exact_ns(machine, measures)).fold(f64::INFINITY, f64::min)
            };
            print!("{}, instrument {instrument}: {:.0} ns/cycle", run.board.name, least(&run, &mut machine, false));
            if exact_only {
                print!(", with book and extremes {:.0}", least(&run, &mut machine, true));
            }
            println!();
        }
    }
}
