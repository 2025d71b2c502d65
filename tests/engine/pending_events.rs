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

use crate::{stepper, support};

use presolder::board::*;
use presolder::condition;
use presolder::condition::contract::Wish;
use presolder::condition::stand::Stand;
use presolder::engine::book::Book;
use presolder::engine::machine::{Begin, Effort, Machine, Observer, Output, Stretch};
use presolder::engine::network::{self, Circuit, LimitLevel, Path};
use presolder::engine::program::{Program, later};
use presolder::engine::row::StateVector;
use presolder::measure::extremes::Extremes;
use presolder::model::corner::CORNERS;
use presolder::parts::saturation::FluxTable;
use stepper::{Counts, Course, Opener, Pulse, STEP_S, Setup, State, Stepper, Trace};
use support::demo::{self, DemoBoard};

/// Largest difference of the length of a pulse, and of the distance of two, in s. Most agree to some ps; where a current or a tap
/// hardly moves when it passes its threshold, the rule's first-order error of a twentieth of the step for each event shows.
const INSTANT_S: f64 = STEP_S;
/// Largest difference of a current, as a part of what the input drives through the inductance within a step: an instant is off by no
/// more than that step.
const CURRENT: f64 = 1.0;
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
    let alone = circuit.bank.iter().all(|branch| branch.esl_h > 0.0);
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
    // The knee of docs/physics.md, "load".
    setup.knee_s = board.load_a.last().map_or(0.0, |full_a| full_a / (0.05 * board.output_v));
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
    assert!(length <= INSTANT_S && distance <= INSTANT_S, "{name}: {length} s, {distance} s");
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

#[test]
fn law_limits_that_sense_otherwise_wait_in_the_same_way() {
    for delay_s in [9e-9, 1.71e-6] {
        let mut demo = voltage_mode();
        let (c_f, time_s) = (91e-9, demo.inductance[0].1 / demo.dcr_ohm);
        set_delay(&mut demo, 310e-9);
        let sense = LimitSense::Winding { r_ohm: 1.3 * time_s / c_f, c_f };
        let demo = limited(&demo, sense, 0.99 * demo.steady_a * demo.dcr_ohm, delay_s);
        let truth = checked("winding", &demo, &steady(&demo, 100));
        assert_eq!(truth.counts.limited > 20, delay_s < 1e-6);

        let mut demo = peak_current();
        set_delay(&mut demo, 210e-9);
        let threshold_a = usual_peak_a(&demo) - 0.07;
        let demo = limited(&demo, LimitSense::Peak { falls_with_slope: true }, threshold_a, delay_s);
        let truth = checked("falling limit", &demo, &steady(&demo, 100));
        assert_eq!(truth.counts.limited > 20, delay_s < 1e-6);
    }
}

#[test]
fn law_a_limit_in_the_shortest_conduction_waits_for_its_end() {
    // Where comparators are blanked they are looked at afterwards; where not, the turn-off waits.
    for mut demo in with_peak_limit() {
        let min_on_s =
            0.62 * both(&demo, &steady(&demo, 60)).1.pulses.last().map_or(0.0, |pulse| pulse.off_s - pulse.on_s);
        demo.board.control.min_on_s = min_on_s;
        let demo = peak_limited(&demo, 0.93 * demo.steady_a, 13e-9);
        let truth = checked("shortest conduction", &demo, &into_resistor(&demo, demo.steady_a, 100));
        let shortest_s = truth.pulses.iter().map(|pulse| pulse.off_s - pulse.on_s).fold(f64::INFINITY, f64::min);
        let blanked =
            matches!(demo.board.control.modulator, Modulator::PeakCurrent { .. } | Modulator::Hysteretic { .. });
        println!("shortest {shortest_s} of {min_on_s}");
        assert!(truth.counts.limited > 5);
        let expected_s = min_on_s + if blanked { 13e-9 } else { 0.0 };
        assert!((shortest_s - expected_s).abs() < 1e-12, "{shortest_s} s, expected {expected_s} s");
    }
}

#[test]
fn law_a_trip_in_the_leading_dead_time_shortens_the_pulse_or_leaves_none() {
    for demo in boards() {
        for delay_s in [4.3e-9, 57e-9] {
            let mut demo = demo.clone();
            set_delay(&mut demo, delay_s);
            // A release in a time that no loop follows: the command falls to nothing.
            let edges = vec![(17.31e-6, 2.9 * demo.steady_a, 3e6), (91.83e-6, 0.07 * demo.steady_a, 17e6)];
            let truth = checked("dead time", &demo, &Run { edges, ..steady(&demo, 110) });
            let period_s = 1.0 / demo.board.frequency_hz;
            let early = truth.pulses.iter().filter(|pulse| pulse.off_s - pulse.on_s < delay_s).count();
            println!("{early} pulses shorter than the delay");
            if matches!(demo.board.control.modulator, Modulator::VoltageMode { .. }) {
                let none = truth.pulses.windows(2).filter(|pair| pair[1].on_s - pair[0].on_s > 1.5 * period_s).count();
                assert!(none > 0 || early > 0, "{none} gaps");
            }
        }
    }
}

#[test]
fn law_a_clock_edge_finds_the_switch_open_and_a_time_base_changes_nothing() {
    for mut demo in boards() {
        set_delay(&mut demo, 190e-9);
        match &mut demo.board.control.modulator {
            Modulator::FixedDuty { duty } => *duty = 0.93,
            Modulator::VoltageMode { .. } | Modulator::PeakCurrent { .. } => {
                // So little input that the comparator trips too late or not at all.
                demo.board.nominal_input_v = 1.045 * demo.board.output_v;
            }
            // Some edges in every conduction.
            Modulator::ConstantOnTime { .. } | Modulator::Hysteretic { .. } => demo.board.frequency_hz = 9.73e6,
        }
        demo.board.control.min_off_s = 170e-9;
        let clocked = demo.board.frequency_hz < 1e6;
        let cycles = if clocked { 110 } else { 1500 };
        let demo = if clocked { peak_limited(&demo, 1.6 * demo.steady_a, 260e-9) } else { demo };
        let edges = vec![(71.37e-6, 1.3 * demo.steady_a, 1e6)];
        let truth = checked("clock edge", &demo, &Run { edges, ..steady(&demo, cycles) });
        assert!(!clocked || opened_by(&truth, Opener::Timer) > 10);
    }
}

#[test]
fn law_valley_limit_and_inhibit_hold_a_turn_on_back() {
    for demo in [fixed_duty(), voltage_mode(), peak_current()] {
        let peak_a = usual_peak_a(&demo);
        let mut demo = peak_limited(&demo, 1.13 * peak_a, 90e-9);
        limit_of(&mut demo).inhibit_a = Some(0.93 * demo.steady_a);
        let edges = vec![(31.3e-6, 1.3 * demo.steady_a, 1e6), (121.7e-6, demo.steady_a, 1e6)];
        let truth = checked("inhibit", &demo, &Run { edges, ..steady(&demo, 110) });
        assert!(truth.counts.omitted > 2 && truth.counts.limited > 2);
    }
    for delay_s in [3.7e-9, 260e-9] {
        let mut demo = limited(&constant_on_time(), LimitSense::Valley, 5.9, 0.0);
        set_delay(&mut demo, delay_s);
        let edges = vec![(31.3e-6, 8.3, 10e6), (97.7e-6, 3.1, 10e6), (141.2e-6, 6.3, 10e6)];
        let truth = checked("valley", &demo, &Run { edges, ..steady(&demo, 110) });
        assert!(truth.counts.limited > 9 && truth.counts.pulses > 50);
    }
}

#[test]
fn law_a_pause_opens_everything_and_forgets_what_is_pending() {
    for demo in boards() {
        let fixed_time = matches!(demo.board.control.modulator, Modulator::ConstantOnTime { .. });
        let mut demo = if fixed_time {
            limited(&demo, LimitSense::Valley, 0.8 * demo.steady_a, 0.0)
        } else {
            peak_limited(&demo, 1.02 * demo.steady_a, 37e-9)
        };
        limit_of(&mut demo).hiccup = Some(Hiccup { cycles: 6, pause_s: 33.7e-6 });
        demo.board.control.protection.soft_start_s = 41.3e-6;
        for emulates in [false, true] {
            set_low_side(&mut demo, 23e-9, emulates);
            let run = into_resistor(&demo, 1.5 * demo.steady_a, 150);
            let truth = checked("pause", &demo, &run);
            assert!(truth.counts.pauses > 1);
        }
    }
}

#[test]
fn law_emulation_opens_the_low_side_at_no_current_whatever_is_pending() {
    for demo in boards() {
        // The end of the current moves through everything: from the turn-off's dead time to the turn-on's, and beyond.
        for (dead_s, delay_s) in [(23e-9, 61e-9), (170e-9, 310e-9)] {
            let mut demo = demo.clone();
            set_low_side(&mut demo, dead_s, true);
            set_delay(&mut demo, delay_s);
            demo.board.control.min_off_s = 390e-9;
            let edges = vec![(21.3e-6, 0.04 * demo.steady_a, 0.02e6), (171.3e-6, 0.4 * demo.steady_a, 0.05e6)];
            let truth = checked("no current", &demo, &Run { edges, load_a: 0.6 * demo.steady_a, ..steady(&demo, 130) });
            assert!(truth.current_a.0 > -1e-6, "{}", truth.current_a.0);
        }
    }
}

#[test]
fn law_clamps_of_the_amplifier_hold_while_switches_wait() {
    for mut demo in [voltage_mode(), peak_current()] {
        let highest_v = match &mut demo.board.control.compensator {
            Compensator::OpAmp { clamp_v, .. } => &mut clamp_v.1,
            Compensator::Transconductance { clamp_v, .. } => &mut clamp_v.1,
            _ => unreachable!(),
        };
        *highest_v *= if matches!(demo.board.control.modulator, Modulator::VoltageMode { .. }) { 0.37 } else { 0.57 };
        set_delay(&mut demo, 83e-9);
        let demo = peak_limited(&demo, 1.31 * demo.steady_a, 140e-9);
        let edges = vec![(31.3e-6, 1.9 * demo.steady_a, 3e6), (97.7e-6, 0.3 * demo.steady_a, 3e6)];
        let truth = checked("clamp", &demo, &Run { edges, ..steady(&demo, 110) });
        assert!(opened_by(&truth, Opener::Limit) > 3 && opened_by(&truth, Opener::Modulator) > 3);
    }
}

#[test]
fn law_load_edges_at_every_place_of_a_cycle_agree() {
    for mut demo in boards() {
        set_delay(&mut demo, 130e-9);
        let period_s = 1.0 / demo.board.frequency_hz;
        // Short edges, each at another phase.
        let edges = (0..23).map(|k| {
            let at_s = (9.0 + 3.0 * f64::from(k) + f64::from(k) / 23.0) * period_s;
            (at_s, demo.steady_a * if k % 2 == 0 { 1.37 } else { 0.71 }, 41e6)
        });
        checked("load edges", &demo, &Run { edges: edges.collect(), ..steady(&demo, 90) });
    }
}

#[test]
fn law_starts_with_and_without_a_charged_output_agree() {
    for mut demo in boards() {
        demo.board.control.protection.soft_start_s = 173e-6;
        for (share, emulates) in [(0.0, false), (0.37, true), (0.37, false)] {
            set_low_side(&mut demo, 23e-9, emulates);
            let rest_v = Some(share * demo.board.output_v);
            let run = Run { rest_v, ..into_resistor(&demo, 0.3 * demo.steady_a, 130) };
            let truth = checked("start", &demo, &run);
            assert!(truth.counts.pulses > 10);
        }
    }
}

#[test]
fn law_short_circuits_agree() {
    for demo in boards() {
        let fixed_time = matches!(demo.board.control.modulator, Modulator::ConstantOnTime { .. });
        for hiccup in [None, Some(Hiccup { cycles: 9, pause_s: 47.3e-6 })] {
            let sense = if fixed_time { LimitSense::Valley } else { LimitSense::Peak { falls_with_slope: false } };
            // A limit that is slower than the modulator would limit nothing.
            let hysteretic = matches!(demo.board.control.modulator, Modulator::Hysteretic { .. });
            let (min_on_s, delay_s) = if hysteretic { (17e-9, 21e-9) } else { (90e-9, 110e-9) };
            let mut demo = limited(&demo, sense, 1.7 * demo.steady_a, delay_s);
            demo.board.control.min_on_s = min_on_s;
            demo.board.control.protection.soft_start_s = 41.3e-6;
            let clocked = !fixed_time && !hysteretic;
            limit_of(&mut demo).hiccup = hiccup;
            limit_of(&mut demo).inhibit_a = clocked.then_some(1.5 * demo.steady_a);
            let short = Some((31e-3, 97e-9, 27.13e-6, 113.7e-6));
            let truth = checked("short circuit", &demo, &Run { short, ..into_resistor(&demo, demo.steady_a, 110) });
            assert!(truth.counts.limited > 3);
        }
    }
}

/// What is left of the output where a paused board has emptied its bank into a load that draws nothing at zero volts, relative to
/// the output aimed at.
const EMPTY: f64 = 1e-3;

#[test]
fn law_a_constant_current_empties_a_pausing_board_and_no_more() {
    // With and without a branch that has no inductance.
    let mut mixed = peak_current();
    mixed.board.output_bank.push(support::branch(13e-6, 9e-3, 0.0));
    for demo in [voltage_mode(), peak_current(), hysteretic(), mixed] {
        let mut demo = peak_limited(&demo, 0.83 * demo.steady_a, 37e-9);
        // Long enough for the load to empty the bank.
        let bank_f: f64 = demo.board.output_bank.iter().map(|branch| branch.capacitance_f).sum();
        let pause_s = 1.7 * bank_f * demo.board.output_v / demo.steady_a;
        limit_of(&mut demo).hiccup = Some(Hiccup { cycles: 6, pause_s });
        demo.board.control.protection.soft_start_s = 61.3e-6;
        let cycles = (1.3 * pause_s * demo.board.frequency_hz) as u64 + 30;
        let truth = checked("constant current in a pause", &demo, &steady(&demo, cycles));
        assert!(truth.counts.pauses > 0);
        let lowest = truth.output_v.0 / demo.board.output_v;
        assert!(lowest > -EMPTY && lowest < EMPTY, "{lowest} of the output aimed at");
    }
}

// The stepper itself.

/// Of a peak: some 1e-9 s of the step against 1e-6 s, squared, and what the weight of a twentieth beyond a half adds.
const RINGING: f64 = 2e-4;

#[test]
fn closed_form_stepper_rings_as_a_series_circuit() {
    // The high side stays closed: R, L, C in series from rest, i = V / (w L) exp(-a t) sin w t.
    let (source_v, henry, farad, dcr_ohm, esr_ohm, esl_h) = (13.7, 1.9e-6, 3.3e-6, 31e-3, 17e-3, 0.7e-9);
    let mut board = support::open_loop(source_v, 0.47, 3.1e3, vec![support::branch(farad, esr_ohm, esl_h)], 0.0);
    board.load_kind = LoadKind::Current;
    let of_part = |_: f64| henry;
    let setup = Setup::new(&board, &of_part, dcr_ohm, Course::constant(0.0));
    let period_s = std::f64::consts::TAU * ((henry + esl_h) * farad).sqrt();
    let trace = Stepper::at_clock(setup, State::default()).sampled(0.013 * period_s).run(1.7 * period_s);
    let damping = (dcr_ohm + esr_ohm) / (2.0 * (henry + esl_h));
    let omega = (1.0 / ((henry + esl_h) * farad) - damping * damping).sqrt();
    let exact_a = |t_s: f64| source_v / (omega * (henry + esl_h)) * (-damping * t_s).exp() * (omega * t_s).sin();
    let peak_a = exact_a(0.25 * period_s);
    let worst_a = trace.samples.iter().map(|&(t_s, a, _)| (a - exact_a(t_s)).abs()).fold(0.0, f64::max);
    println!("{worst_a} A of {peak_a} A in {} samples", trace.samples.len());
    assert!(trace.samples.len() > 100 && worst_a < RINGING * peak_a);
}

#[test]
fn order_of_the_stepper_is_that_of_its_step() {
    // A start with everything in it, at 8, 4 and 2 ns against the step of 1 ns halved.
    let mut demo = peak_current();
    demo.board.control.protection.soft_start_s = 73e-6;
    let of_part = |_: f64| demo.inductance[0].1;
    let end_v = |step_s: f64| {
        let mut setup = Setup::new(&demo.board, &of_part, demo.dcr_ohm, Course::constant(0.0));
        setup.resistor = Some((3.7, 0.22e-6));
        setup.step_s = step_s;
        let asleep = State::default();
        Stepper::at_rest(setup, asleep).run(117.3e-6).mean_v
    };
    let best_v = end_v(0.5e-9);
    let errors = [8e-9, 4e-9, 2e-9].map(|step_s| (end_v(step_s) - best_v).abs());
    println!("{errors:?} of {best_v} V");
    assert!(errors[0] > 1.6 * errors[1] && errors[1] > 1.6 * errors[2] && errors[2] < 1e-5 * best_v);
}

/// Of a ripple, where the bank is all inductive and the output steps with the slope of the current: a few first-order errors of a
/// step against edges of some hundred.
const STEPPED_RIPPLE: f64 = 0.01;

/// Ripple in V of an orbit by the engine, and stepped from the same instant.
fn ripples(demo: &DemoBoard, load_a: f64) -> (f64, f64) {
    let (board, inductance_h) = (&demo.board, demo.inductance[0].1);
    let flux = FluxTable::linear(inductance_h).unwrap();
    let mut machine = Machine::new(Circuit::new(board, flux, demo.dcr_ohm, board.nominal_input_v, load_a)).unwrap();
    let orbit = machine.steady(load_a).unwrap();
    let mut seen = (Extremes::of(&[Output::Voltage]), Book::new(&machine.circuit));
    machine.trace_orbit(&orbit, &mut seen).unwrap();
    let mut state = state_of(&machine.circuit, &orbit.x, orbit.program_a);
    // What rounding leaves of an orbit without current is none.
    if state.inductor_a.abs() < 1e-12 {
        state.inductor_a = 0.0;
    }
    let of_part = |_: f64| inductance_h;
    let setup = Setup::new(board, &of_part, demo.dcr_ohm, Course::constant(orbit.program_a));
    let truth = Stepper::at_clock(setup, state).run(seen.1.duration_s);
    (seen.0.range(Output::Voltage).width(), truth.output_v.1 - truth.output_v.0)
}

#[test]
fn law_ripple_beside_a_bank_that_is_all_inductive_agrees_where_the_current_ends() {
    for mut demo in [voltage_mode(), peak_current(), constant_on_time(), hysteretic()] {
        demo.board.output_bank = vec![support::branch(21.3e-6, 7.7e-3, 1.9e-9), support::branch(57e-6, 2.3e-3, 3.1e-9)];
        for emulates in [true, false] {
            set_low_side(&mut demo, 23e-9, true);
            if !emulates {
                demo.board.stage.low_side = support::diode(0.47, 11e-3);
            }
            for share in [0.013, 0.029, 0.047, 0.061, 0.083] {
                let (engine_v, stepped_v) = ripples(&demo, share * demo.steady_a);
                println!("{} {emulates} {share}: {engine_v} V, stepped {stepped_v} V", demo.name);
                assert!((engine_v / stepped_v - 1.0).abs() < STEPPED_RIPPLE, "{}: {engine_v}, {stepped_v}", demo.name);
            }
        }
    }
}

// Saturation, a warm winding and everything that a case states.

/// Largest error of the table in A, as far as the current goes: a case's own widens beyond normal operation.
const SHORT_TABLE_A: f64 = 0.6e-3;
/// Difference of a short circuit's peak in A: the engine's straight pieces of the curve lie within that of it, at each end of
/// a rise, and the step adds a tenth of that.
const SHORT_PEAK_A: f64 = 3e-3;

#[test]
fn law_short_circuit_of_a_case_peaks_as_stepped() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/cases/valve-controller");
    let case = presolder::case::read(std::path::Path::new(path)).unwrap();
    let part = case.parts.iter().find(|part| part.name == "Kestrel-10").unwrap();
    let short = case.board.events.short.unwrap();
    for source_v in [24.0, 32.0] {
        let stand = Stand::new(&case, part, CORNERS[1], source_v);
        let ready = condition::find("short circuit").unwrap().set_up(&stand, &Wish::default());
        let ready = ready.unwrap_or_else(|error| panic!("{error}")).unwrap();
        let Begin::Clock(x) = ready.begin else { unreachable!() };
        let period_s = ready.machine.period_s();
        // Away from the phases at which one more pulse fits in.
        for (level, phase) in [(LimitLevel::Highest, 0.17), (LimitLevel::Highest, 0.61), (LimitLevel::Typical, 0.89)] {
            let mut circuit = ready.machine.circuit.clone();
            circuit.limit_level = level;
            circuit.flux = FluxTable::from_curve(&ready.curve, SHORT_TABLE_A).unwrap();
            let (from_s, of_part) = ((2.0 + phase) * period_s, |current_a: f64| ready.curve.inductance_h(current_a));
            let mut setup = Setup::new(&case.board, &of_part, circuit.dcr_ohm, Course::constant(0.0));
            (setup.bank, setup.limit, setup.resistor) = (&circuit.bank, circuit.limit_threshold(), circuit.resistor);
            setup.source_v = Course::constant(source_v);
            setup.short = Some((short.ohm, short.henry, from_s, from_s + short.hold_s));
            let truth = Stepper::at_clock(setup, state_of(&circuit, &x, 0.0)).run(40.0 * period_s);
            let begin = later((0, 0.0), from_s, period_s);
            let mut program = Program::constant(0.0).with_short(begin, later(begin, short.hold_s, period_s));
            let engine = by_engine(&mut Machine::new(circuit).unwrap(), ready.begin, &mut program, 40);
            println!("{source_v} V, {level:?}, {phase}: {} A, stepped {} A", engine.current_a.1, truth.current_a.1);
            assert!((engine.current_a.1 - truth.current_a.1).abs() < SHORT_PEAK_A);
            assert_eq!(engine.counts, truth.counts);
        }
    }
}
