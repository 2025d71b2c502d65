//! Every modulator with every event that may be pending, against a fixed-step integration that shares nothing with the engine
//! but the board's data.
//!
//! The law, from docs/physics.md, "switching sequence":
//!
//! - Modulator and limit have a comparator and a delay each. Whichever is through first opens the switch; one that waits keeps the
//!   other from nothing. A pulse is limited where the limit opened it, not where it only tripped.
//! - Blanking hides both comparators until the shortest conduction is over; without blanking a turn-off waits for it.
//! - A voltage-mode comparator that trips in the leading dead time shortens the pulse, or leaves none.
//! - A clock edge finds the high side open: a turn-off that is still pending by then comes at the end of the longest conduction.
//!   Edges of the time base of a scheme without a clock change nothing.
//! - The valley limit and the inhibit hold a turn-on back; held back is limited.
//! - A pause opens everything at the edge and forgets what is pending.
//! - Diode emulation opens the low side at no current, whatever else is pending.

#[path = "support/stepper.rs"]
mod stepper;
mod support;

use presolder::board::*;
use presolder::engine::book::Book;
use presolder::engine::machine::{Begin, Effort, Machine, Observer, Output, Stretch};
use presolder::engine::network::{self, Circuit, Path};
use presolder::engine::program::{Program, later};
use presolder::engine::row::StateVector;
use presolder::measure::extremes::Extremes;
use presolder::parts::saturation::FluxTable;
use stepper::{Counts, Course, Opener, Pulse, STEP_S, Setup, State, Stepper, Trace};
use support::demo::{self, DemoBoard};

/// Largest difference of the length of a pulse in s: the stepper's rule has a first-order error of a twentieth of the step for each
/// of the few events of a pulse.
const LENGTH_S: f64 = 0.2 * STEP_S;
/// Largest difference of the distance of two pulses in s: without a clock a turn-on is asked for where a tap that hardly moves
/// passes the reference. With one it is none.
const DISTANCE_S: f64 = STEP_S;
/// Largest difference of a current, as a part of what the input would drive through the inductance within a step.
const CURRENT: f64 = 0.2;
/// Largest difference of the mean and the ends of the output, relative to the output aimed at: the current's over a period into
/// the bank leaves less.
const OUTPUT: f64 = 2e-4;

/// What befalls a board, and for how long it runs.
#[derive(Clone, Debug, Default)]
struct Run {
    /// Steady load in A.
    load_a: f64,
    /// Instants in s, levels of the programmed current in A, slews in A/s.
    edges: Vec<(f64, f64, f64)>,
    /// Ohm, H, from when and until when in s.
    short: Option<(f64, f64, f64, f64)>,
    /// Load resistor in ohm with its leads in H.
    resistor: Option<(f64, f64)>,
    /// Output in V from which the board starts.
    rest_v: Option<f64>,
    cycles: u64,
}

/// High-side conductions as the engine's stretches show them.
#[derive(Default)]
struct Pulses {
    period_s: f64,
    found: Vec<Pulse>,
    open: Option<Pulse>,
}

impl Observer for Pulses {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let begin_s = stretch.cycle as f64 * self.period_s + stretch.phase_s;
        if stretch.mode.key.path == Path::High {
            let on_s = self.open.map_or(begin_s, |pulse| pulse.on_s);
            let end_a = stretch.read(Output::Inductor, stretch.end, stretch.duration_s);
            self.open = Some(Pulse { on_s, off_s: begin_s + stretch.duration_s, end_a, opener: Opener::Timer });
        } else {
            self.found.extend(self.open.take());
        }
    }
}

/// What the engine shows of a run, in the stepper's words.
fn by_engine(machine: &mut Machine, begin: Begin, program: &mut Program, cycles: u64) -> Trace {
    let mut pulses = Pulses { period_s: machine.period_s(), ..Pulses::default() };
    let mut extremes = Extremes::of(&[Output::Inductor, Output::Voltage]);
    let mut book = Book::new(&machine.circuit);
    let mut state = machine.begin(begin);
    machine.run(&mut state, cycles, program, &mut (&mut pulses, (&mut extremes, &mut book)), None).unwrap();
    let range = |output| (extremes.range(output).low, extremes.range(output).high);
    let Effort { pulses: count, limited, omitted, pauses, .. } = state.effort;
    Trace {
        pulses: pulses.found,
        counts: Counts { pulses: count, limited, omitted, pauses },
        current_a: range(Output::Inductor),
        output_v: range(Output::Voltage),
        mean_v: book.output_vs / book.duration_s,
        samples: vec![],
    }
}

/// The stepper's state for the engine's at a clock edge.
fn state_of(circuit: &Circuit, x: &StateVector, program_a: f64) -> State {
    let n = circuit.bank.len();
    let control = network::compensator_state(circuit);
    let mut state = State { inductor_a: circuit.flux.current_a(x[0]), ..State::default() };
    state.capacitor_v[..n].copy_from_slice(&x[1..=n]);
    let mut currents = x[1 + n..control].iter().copied();
    let mut next = |is_there: bool| if is_there { currents.next().unwrap() } else { 0.0 };
    let alone = circuit.load_s == 0.0 && circuit.bank.iter().all(|branch| branch.esl_h > 0.0);
    for (k, branch) in circuit.bank.iter().enumerate() {
        state.branch_a[k] = next(branch.esl_h > 0.0 && !(alone && k == n - 1));
    }
    state.resistor_a = next(circuit.resistor.is_some());
    state.short_a = next(circuit.short.is_some());
    if alone {
        // The last branch takes what is left.
        let others: f64 = state.branch_a.iter().sum();
        state.branch_a[n - 1] = state.inductor_a - program_a - state.resistor_a - state.short_a - others;
    }
    let sense = network::sense_state(circuit);
    state.control_v[..sense - control].copy_from_slice(&x[control..sense]);
    state.sense_v = if circuit.winding_sense().is_some() { x[sense] } else { 0.0 };
    state
}

/// The engine's program of a run.
fn program(run: &Run, program_a: f64, period_s: f64) -> Program {
    let at = |at_s: f64| later((0, 0.0), at_s, period_s);
    let program = run.edges.iter().fold(Program::constant(program_a), |program, &(at_s, to_a, slew)| {
        program.edge(at(at_s).0, at(at_s).1, to_a, slew, period_s)
    });
    match run.short {
        Some((_, _, from_s, until_s)) => program.with_short(at(from_s), at(until_s)),
        None => program,
    }
}

/// A board without saturation, by the engine and by the stepper.
fn both(demo: &DemoBoard, run: &Run) -> (Trace, Trace) {
    let (board, inductance_h) = (&demo.board, demo.inductance[0].1);
    let flux = FluxTable::linear(inductance_h).unwrap();
    let mut circuit = Circuit::new(board, flux, demo.dcr_ohm, board.nominal_input_v, run.load_a);
    circuit.short = run.short.map(|(ohm, henry, ..)| (ohm, henry));
    circuit.resistor = run.resistor;
    let mut machine = Machine::new(circuit).unwrap();
    let program_a = if run.resistor.is_some() { 0.0 } else { run.load_a };
    let begin = run.rest_v.map_or(Begin::Clock(machine.first_guess(run.load_a)), Begin::Rest);
    let state = state_of(&machine.circuit, &machine.begin(begin).x, program_a);
    let edges = run.edges.iter();
    let load_a = edges.fold(Course::constant(program_a), |course, &(at_s, to_a, slew)| course.edge(at_s, to_a, slew));
    let of_part = |_: f64| inductance_h;
    let mut setup = Setup::new(board, &of_part, demo.dcr_ohm, load_a);
    (setup.short, setup.resistor) = (run.short, run.resistor);
    let truth = match run.rest_v {
        Some(_) => Stepper::at_rest(setup, state),
        None => Stepper::at_clock(setup, state),
    };
    let period_s = machine.period_s();
    let truth = truth.run(run.cycles as f64 * period_s);
    (by_engine(&mut machine, begin, &mut program(run, program_a, period_s), run.cycles), truth)
}

/// How often something opened the high side.
fn opened_by(trace: &Trace, opener: Opener) -> usize {
    trace.pulses.iter().filter(|pulse| pulse.opener == opener).count()
}

/// Largest of a difference over the pulses of two traces.
fn most(engine: &Trace, truth: &Trace, difference: impl Fn(&[Pulse], &[Pulse]) -> f64, window: usize) -> f64 {
    let pairs = engine.pulses.windows(window).zip(truth.pulses.windows(window));
    pairs.map(|(a, b)| difference(a, b).abs()).fold(0.0, f64::max)
}

/// Holds the engine's trace to the stepper's, pulse by pulse.
fn assert_agree(name: &str, demo: &DemoBoard, engine: &Trace, truth: &Trace) {
    let length = most(engine, truth, |a, b| a[0].off_s - a[0].on_s - (b[0].off_s - b[0].on_s), 1);
    let distance = most(engine, truth, |a, b| a[1].on_s - a[0].on_s - (b[1].on_s - b[0].on_s), 2);
    let end = most(engine, truth, |a, b| a[0].end_a - b[0].end_a, 1);
    let by = |opener| opened_by(truth, opener);
    let openers = (by(Opener::Modulator), by(Opener::Limit), by(Opener::Timer), by(Opener::Pause));
    println!("{name}, {}: {:?}, modulator/limit/timer/pause {openers:?}", demo.name, truth.counts);
    println!("  pulses: length {length:.1e} s, distance {distance:.1e} s, end {end:.1e} A");
    println!(
        "  engine {:?} A {:?} V, mean {} V, {:?}",
        engine.current_a, engine.output_v, engine.mean_v, engine.counts
    );
    println!("  truth  {:?} A {:?} V, mean {} V", truth.current_a, truth.output_v, truth.mean_v);
    let name = format!("{name}, {}", demo.name);
    assert_eq!(engine.counts, truth.counts, "{name}");
    assert_eq!(engine.pulses.len(), truth.pulses.len(), "{name}");
    assert!(length <= LENGTH_S && distance <= DISTANCE_S, "{name}: {length} s, {distance} s");
    let current_a = CURRENT * STEP_S * demo.board.nominal_input_v / demo.inductance[0].1;
    let output_v = OUTPUT * demo.board.output_v;
    assert!(end <= current_a, "{name}: {end} A");
    for (a, b, most) in [
        (engine.current_a.0, truth.current_a.0, current_a),
        (engine.current_a.1, truth.current_a.1, current_a),
        (engine.output_v.0, truth.output_v.0, output_v),
        (engine.output_v.1, truth.output_v.1, output_v),
        (engine.mean_v, truth.mean_v, output_v),
    ] {
        assert!((a - b).abs() <= most, "{name}: {a} against {b}, {most} allowed");
    }
}

fn checked(name: &str, demo: &DemoBoard, run: &Run) -> Trace {
    let (engine, truth) = both(demo, run);
    assert_agree(name, demo, &engine, &truth);
    truth
}

fn fixed_duty() -> DemoBoard {
    demo::sorrel_feeder()
}

fn voltage_mode() -> DemoBoard {
    demo::ticket_kiosk()
}

fn peak_current() -> DemoBoard {
    demo::valve_controller()
}

fn constant_on_time() -> DemoBoard {
    demo::grebe_rail()
}

fn hysteretic() -> DemoBoard {
    demo::plover_rail()
}

fn boards() -> [DemoBoard; 5] {
    [fixed_duty(), voltage_mode(), peak_current(), constant_on_time(), hysteretic()]
}

/// All but constant on-time, whose pulses no limit cuts short.
fn with_peak_limit() -> [DemoBoard; 4] {
    [fixed_duty(), voltage_mode(), peak_current(), hysteretic()]
}

fn steady(demo: &DemoBoard, cycles: u64) -> Run {
    Run { load_a: demo.steady_a, cycles, ..Run::default() }
}

/// A load that follows the output down: a resistor that draws that current at the output aimed at.
fn into_resistor(demo: &DemoBoard, load_a: f64, cycles: u64) -> Run {
    let ohm = demo.board.output_v / load_a;
    Run { load_a, resistor: Some((ohm, 60e-9 * ohm)), cycles, ..Run::default() }
}

fn limited(demo: &DemoBoard, sense: LimitSense, threshold: f64, delay_s: f64) -> DemoBoard {
    let mut demo = demo.clone();
    let threshold = (threshold, threshold, threshold);
    demo.board.control.protection.current_limit =
        Some(CurrentLimit { sense, ..CurrentLimit::peak(threshold, delay_s) });
    demo
}

fn peak_limited(demo: &DemoBoard, threshold_a: f64, delay_s: f64) -> DemoBoard {
    limited(demo, LimitSense::Peak { falls_with_slope: false }, threshold_a, delay_s)
}

fn limit_of(demo: &mut DemoBoard) -> &mut CurrentLimit {
    demo.board.control.protection.current_limit.as_mut().unwrap()
}

fn set_delay(demo: &mut DemoBoard, to_s: f64) {
    match &mut demo.board.control.modulator {
        Modulator::FixedDuty { .. } => {}
        Modulator::VoltageMode { delay_s, .. }
        | Modulator::PeakCurrent { delay_s, .. }
        | Modulator::ConstantOnTime { delay_s, .. }
        | Modulator::Hysteretic { delay_s, .. } => *delay_s = to_s,
    }
}

fn set_low_side(demo: &mut DemoBoard, dead_s: f64, emulates: bool) {
    let LowSide::Switch { dead_time_s, emulation, .. } = &mut demo.board.stage.low_side else { unreachable!() };
    (*dead_time_s, *emulation) = (dead_s, emulates);
}

/// Highest current at the end of a pulse once the board runs as it does.
fn usual_peak_a(demo: &DemoBoard) -> f64 {
    let truth = both(demo, &steady(demo, 90)).1;
    truth.pulses.iter().rev().take(20).map(|pulse| pulse.end_a).fold(0.0, f64::max)
}

#[test]
fn law_plain_cycles_and_load_steps_agree() {
    for demo in boards() {
        let step = demo.board.load_step.unwrap();
        let edges = vec![(41.37e-6, step.to_a, step.slew_a_per_s), (93.81e-6, step.from_a, step.slew_a_per_s)];
        let truth = checked("load step", &demo, &Run { edges, ..steady(&demo, 110) });
        assert!(truth.counts.limited == 0 && truth.counts.pulses > 90);
    }
}

#[test]
fn law_a_limit_whose_delay_runs_leaves_the_pulse_to_the_modulator() {
    for demo in with_peak_limit() {
        let plain = both(&demo, &steady(&demo, 100)).1;
        let highest_a = plain.pulses.iter().map(|pulse| pulse.end_a).fold(0.0, f64::max);
        // It trips in every pulse, and is never through.
        let mut demo = peak_limited(&demo, 0.77 * usual_peak_a(&demo), 1.71e-6);
        limit_of(&mut demo).hiccup = Some(Hiccup { cycles: 4, pause_s: 53e-6 });
        let truth = checked("limit pending", &demo, &steady(&demo, 100));
        assert_eq!((truth.counts.limited, truth.counts.pauses), (0, 0));
        assert_eq!(truth.counts.pulses, plain.counts.pulses);
        let found_a = truth.pulses.iter().map(|pulse| pulse.end_a).fold(0.0, f64::max);
        assert!((found_a - highest_a).abs() < 1e-6, "{found_a} A with the limit, {highest_a} A without");
    }
}

#[test]
fn law_a_comparator_whose_delay_runs_leaves_the_pulse_to_the_limit() {
    for mut demo in with_peak_limit() {
        set_delay(&mut demo, 290e-9);
        let demo = peak_limited(&demo, usual_peak_a(&demo) - 0.11, 9e-9);
        let truth = checked("comparator pending", &demo, &steady(&demo, 100));
        assert!(truth.counts.limited > 5);
    }
}
