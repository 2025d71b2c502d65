//! Time per switching cycle of the exact engine and of a general-purpose integrator on the same runs, side by side, for every
//! control scheme.
//!
//! Both run the same load step and release on the same board. The accuracy of each is measured first, as the largest difference
//! from the integrator at a much tighter tolerance on the smooth saturation curve; a time without an accuracy
//! says nothing. Repeats alternate between the two, and the least time of each counts. The integrator may use the tolerance
//! at which it is fastest, as long as its error is no larger than that of the exact engine.
//!
//! A scheme without a clock counts its own pulses. Where the integrator does not cover a scheme, the exact engine is timed alone.

#[path = "../tests/support/mod.rs"]
mod support;

use presolder::case::usual_saturation_error_a;
use presolder::condition::load_step::Timing;
use presolder::crosscheck::{CrossCheck, Sampling, Side, compare};
use presolder::engine::book::Book;
use presolder::engine::error::EngineError;
use presolder::engine::machine::{Begin, Machine, Observer, Output, Stretch};
use presolder::engine::network::{Circuit, Path};
use presolder::engine::program::Program;
use presolder::engine::row::StateVector;
use presolder::measure::curves::Sample;
use presolder::measure::extremes::Extremes;
use presolder::parts::SaturationCurve;
use presolder::parts::saturation::{FluxCurve, FluxTable};
use std::hint::black_box;
use std::time::Instant;
use support::demo::{self, DemoBoard};

/// Clock periods of a run, or nominal ones.
const CYCLES: u64 = 2400;
/// Times that every measurement is repeated.
const REPEATS: usize = 7;
/// Runs of the exact engine in each repeat: they are so short that a single one may meet nothing but a disturbance.
const SHORT_RUNS: usize = 8;
/// Tolerance of the reference.
const REFERENCE: f64 = 1e-11;
/// Tolerances at which the integrator is timed.
const TOLERANCES: [f64; 4] = [1e-1, 1e-3, 1e-5, 1e-7];
/// Bounds of the piecewise-linear current at which the exact engine is timed, as parts of the program's default.
const BOUNDS: [f64; 3] = [1.0, 0.1, 0.01];
/// Ratio that is aimed at.
const GOAL: f64 = 40.0;
/// Samples a period for the measurement of accuracy.
const SAMPLES_PER_PERIOD: f64 = 7.319;

/// Largest error of the output in V and of the current in A.
type Errors = (f64, f64);

/// Time and accuracy of one of the two at one setting.
struct Timed {
    setting: f64,
    /// ns per switching cycle.
    ns: f64,
    /// The same with the energy book and extremes (exact engine only).
    measured_ns: f64,
    /// Unknown where there is no reference.
    errors: Option<Errors>,
}

/// A board with a load program and the state from which it runs.
struct Run {
    scheme: &'static str,
    board: DemoBoard,
    curve: FluxCurve,
    instrument: bool,
    x0: StateVector,
    program: Program,
    period_s: f64,
    pulses: u64,
}

/// Counts turn-ons and stretches.
struct Pulses {
    count: u64,
    stretches: u64,
    before: Path,
}

impl Observer for Pulses {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let path = stretch.mode.key.path;
        self.count += u64::from(path == Path::High && self.before != Path::High);
        self.stretches += 1;
        self.before = path;
    }
}

impl Run {
    fn new(scheme: &'static str, mut board: DemoBoard, instrument: bool) -> Run {
        let period_s = 1.0 / board.board.frequency_hz;
        let step = board.board.load_step.as_mut().expect("the board has a load step");
        let edge_s = (step.to_a - step.from_a).abs() / step.slew_a_per_s;
        step.hold_s = 0.5 * (CYCLES as f64 - 1.2) * period_s - edge_s;
        let step = *step;
        let points = board.inductance.clone();
        let curve = FluxCurve::new(&[SaturationCurve { temperature_degc: 25.0, points }], 25.0, 1.0).expect("sound");
        let program = Program::constant(0.0);
        let mut run = Run { scheme, board, curve, instrument, x0: [0.0; 18], program, period_s, pulses: 0 };
        let mut machine = run.machine(run.usual_bound_a());
        run.x0 = machine.steady(step.from_a).expect("a steady state").x;
        let timing = Timing::new(&step, period_s, 0.1);
        assert_eq!(timing.cycles, CYCLES);
        run.program = timing.program(&step, &machine);
        run.pulses = run.count(&mut machine).count;
        run
    }

    /// The program's default for the board.
    fn usual_bound_a(&self) -> f64 {
        usual_saturation_error_a(*self.board.board.load_a.last().expect("the board has a load"))
    }

    fn machine(&self, bound_a: f64) -> Machine {
        let flux = FluxTable::from_curve(&self.curve, bound_a).expect("a table");
        let board = &self.board.board;
        let mut circuit = Circuit::new(board, flux, self.board.dcr_ohm, board.nominal_input_v, 0.0);
        circuit.instrument = self.instrument;
        Machine::new(circuit).expect("a sound circuit")
    }

    fn peer(&self, tolerance: f64) -> Result<CrossCheck, EngineError> {
        CrossCheck::new(&self.machine(self.usual_bound_a()).circuit, self.curve.clone(), tolerance)
    }

    fn count(&self, machine: &mut Machine) -> Pulses {
        let mut pulses = Pulses { count: 0, stretches: 0, before: Path::Idle };
        let mut state = machine.at_clock(self.x0);
        machine.run(&mut state, CYCLES, &mut self.program.clone(), &mut pulses, None).expect("a run");
        pulses
    }

    fn per_pulse_ns(&self, begin: Instant) -> f64 {
        begin.elapsed().as_secs_f64() * 1e9 / self.pulses as f64
    }

    /// ns per switching cycle of the exact engine without and with the measures of a report.
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
        let ns = self.per_pulse_ns(begin);
        black_box((&state, &observer));
        ns
    }

    fn peer_ns(&self, peer: &CrossCheck) -> f64 {
        let begin = Instant::now();
        let outcome =
            peer.run(Begin::Clock(self.x0), CYCLES, self.program.clone(), Sampling::NONE, |_, _| {}).expect("a run");
        black_box(outcome);
        self.per_pulse_ns(begin)
    }

    fn sampling(&self) -> Sampling {
        let every_s = self.period_s / SAMPLES_PER_PERIOD;
        Sampling { origin: (0, 0.0), every_s, offset_s: 0.1 * every_s, until_s: (CYCLES as f64 - 0.01) * self.period_s }
    }

    fn peer_samples(&self, tolerance: f64) -> Vec<(Sample, Side)> {
        let mut samples = vec![];
        let sink = |sample: &Sample, side| samples.push((*sample, side));
        let peer = self.peer(tolerance).expect("a scheme that is covered");
        peer.run(Begin::Clock(self.x0), CYCLES, self.program.clone(), self.sampling(), sink).expect("a run");
        samples
    }

    /// Largest errors of the integrator at a tolerance.
    fn peer_errors(&self, reference: &[(Sample, Side)], tolerance: f64) -> Errors {
        let samples = self.peer_samples(tolerance);
        let same_side = samples.iter().zip(reference).filter(|(a, b)| a.1 == b.1);
        same_side.fold((0.0, 0.0), |(v, a): Errors, (p, q)| {
            (v.max((p.0.output_v - q.0.output_v).abs()), a.max((p.0.current_a - q.0.current_a).abs()))
        })
    }

    fn exact_errors(&self, bound_a: f64) -> Errors {
        let Sampling { every_s, offset_s, .. } = self.sampling();
        let mut machine = self.machine(bound_a);
        compare(&mut machine, &self.curve, Begin::Clock(self.x0), CYCLES, &self.program, every_s, offset_s, REFERENCE)
            .map(|difference| (difference.output_v, difference.current_a))
            .expect("two runs")
    }

    /// Both at every setting, repeats in turn. The integrator's list is empty where it does not cover the scheme.
    fn time(&self, covered: bool) -> (Vec<Timed>, Vec<Timed>) {
        let timed = |setting, errors| Timed { setting, ns: f64::INFINITY, measured_ns: f64::INFINITY, errors };
        let mut exact: Vec<Timed> = BOUNDS
            .map(|part| part * self.usual_bound_a())
            .map(|bound_a| timed(bound_a, covered.then(|| self.exact_errors(bound_a))))
            .into();
        let mut peer: Vec<Timed> = vec![];
        if covered {
            let reference = self.peer_samples(REFERENCE);
            peer.extend(TOLERANCES.iter().map(|&t| timed(t, Some(self.peer_errors(&reference, t)))));
        }
        let mut machines: Vec<Machine> = exact.iter().map(|timed| self.machine(timed.setting)).collect();
        let peers: Vec<CrossCheck> = peer.iter().map(|timed| self.peer(timed.setting).expect("covered")).collect();
        for _ in 0..REPEATS {
            for (timed, machine) in exact.iter_mut().zip(&mut machines) {
                for _ in 0..SHORT_RUNS {
                    timed.ns = timed.ns.min(self.exact_ns(machine, false));
                    timed.measured_ns = timed.measured_ns.min(self.exact_ns(machine, true));
                }
            }
            for (timed, integrator) in peer.iter_mut().zip(&peers) {
                timed.ns = timed.ns.min(self.peer_ns(integrator));
            }
        }
        (exact, peer)
    }

    fn name(&self) -> String {
        let instrument = if self.instrument { "with" } else { "without" };
        format!("{} ({}), {instrument} the 20 MHz instrument", self.scheme, self.board.name)
    }

    /// Prints everything about one board; returns its line of the summary.
    fn report(&self) -> String {
        println!("\n{}: {} pulses in {CYCLES} periods", self.name(), self.pulses);
        let refusal = self.peer(REFERENCE).err();
        let (exact, peer) = self.time(refusal.is_none());
        for timed in &exact {
            let mut machine = self.machine(timed.setting);
            let stretches = self.count(&mut machine).stretches as f64 / self.pulses as f64;
            println!(
                "  exact, bound {:.0e} A ({} segments, {stretches:.1} stretches a cycle): {:6.0} ns/cycle, with book and extremes {:6.0}{}",
                timed.setting,
                machine.circuit.flux.segments(),
                timed.ns,
                timed.measured_ns,
                told(timed.errors)
            );
        }
        for timed in &peer {
            println!(
                "  ode_solvers Dopri5, tolerance {:.0e}: {:6.0} ns/cycle{}",
                timed.setting,
                timed.ns,
                told(timed.errors)
            );
        }
        if let Some(error) = refusal {
            println!("  peer does not cover it: {error}");
            return format!(
                "{}: {:.0} ns/cycle at the default bound; peer does not cover it",
                self.name(),
                exact[0].ns
            );
        }
        for timed in &exact {
            println!("  {}", ratio(timed, &peer));
        }
        format!("{}: {}", self.name(), ratio(&exact[0], &peer))
    }
}

fn told(errors: Option<Errors>) -> String {
    errors.map_or(String::new(), |(error_v, error_a)| format!("; error {error_v:.1e} V, {error_a:.1e} A"))
}

/// How many times as fast the exact engine is as the integrator where that is fastest at no larger error.
fn ratio(exact: &Timed, peer: &[Timed]) -> String {
    let as_good = |timed: &&Timed| {
        exact.errors.zip(timed.errors).is_some_and(|(ours, theirs)| theirs.0 <= ours.0 && theirs.1 <= ours.1)
    };
    let Some(best) = peer.iter().filter(as_good).min_by(|a, b| a.ns.total_cmp(&b.ns)) else {
        return format!("bound {:.0e} A: no tolerance of the integrator is as exact", exact.setting);
    };
    let times = best.ns / exact.ns;
    let verdict = if times >= GOAL { "reaches" } else { "misses" };
    format!(
        "bound {:.0e} A: {:.0} against {:.0} ns/cycle at tolerance {:.0e}, {times:.1} times as fast, {verdict} {GOAL} (with measures {:.1})",
        exact.setting,
        exact.ns,
        best.ns,
        best.setting,
        best.ns / exact.measured_ns
    )
}

fn boards() -> [(&'static str, DemoBoard); 5] {
    [
        ("fixed duty", demo::sorrel_feeder()),
        ("voltage mode", demo::ticket_kiosk()),
        ("peak current", demo::valve_controller()),
        ("constant on-time", demo::grebe_rail()),
        ("hysteretic", demo::plover_rail()),
    ]
}

fn main() {
    // `cargo test --benches` calls this with arguments that a plain program does not know: it then has nothing to do.
    let arguments: Vec<String> = std::env::args().collect();
    let has = |word: &str| arguments.iter().any(|argument| argument == word);
    if !has("--bench") {
        return;
    }
    let (exact_only, plain_only) = (has("exact"), has("plain"));
    // The name of a board leaves out the others.
    let named = boards().iter().any(|(_, board)| has(board.name));
    let mut summary = vec![];
    for instrument in [true, false] {
        for (scheme, board) in boards() {
            if named && !has(board.name) {
                continue;
            }
            let run = Run::new(scheme, board, instrument);
            if !exact_only && !plain_only {
                summary.push(run.report());
                continue;
            }
            // For a profiler, or a quick look while the exact engine is being worked on.
            let mut machine = run.machine(run.usual_bound_a());
            let mut least = |measures| {
                let times = (0..60).map(|_| run.exact_ns(&mut machine, measures));
                times.fold(f64::INFINITY, f64::min)
            };
            print!("{}: {:.0} ns/cycle", run.name(), least(false));
            if exact_only {
                print!(", with book and extremes {:.0}", least(true));
            }
            println!();
        }
    }
    if !summary.is_empty() {
        println!("\nSummary, at the program's default bound");
        summary.iter().for_each(|line| println!("  {line}"));
    }
}
