//! Both demo boards against a separate derivation with SciPy (tests/independent/rederive.py): other equations, other
//! integrator, other code. Its numbers are committed; running it is not part of the tests.

use crate::support;
use presolder::condition::load_step as step;
use presolder::condition::load_step::{StepResult, Timing};
use presolder::engine::book::Book;
use presolder::engine::machine::{Machine, Observer, Output, Stretch};
use presolder::engine::network::{Circuit, Path};
use presolder::measure::curves::{Grid, Sample};
use presolder::measure::extremes::Range;
use presolder::measure::steady;
use presolder::measure::steady::SteadyResult;
use presolder::parts::SaturationCurve;
use presolder::parts::saturation::{FluxCurve, FluxTable};
use serde_json::Value;
use support::ENERGY_RESIDUAL;
use support::demo::{self, DemoBoard};

/// Step of current between the knots of the table for the numbers, where the inductance is not constant: chords are then
/// off by less than step^2 / 8 times |L'/L|, 3e-8 A, so that the comparison is about the derivation.
const FINE_STEP_A: f64 = 2e-3;
/// The runs stay below.
const FINE_UNTIL_A: f64 = 5.0;
/// Bound for the waveforms: a tenth of what the samples may differ by.
const WAVEFORM_BOUND_A: f64 = 2e-5;
/// Voltages, currents and powers: the fine table leaves 3e-8, the integrator 1e-10.
const LEVEL: f64 = 1e-7;
/// Ripples and deviations are small differences of levels, a thousandth of them.
const DIFFERENCE: f64 = 1e-6;
/// The series inductance shows the slope of the current in the output, and a chord's slope is off by half a step times L'/L,
/// 6e-5, where the value itself is not: 4e-8 V of the ripple.
const RIPPLE: f64 = 1e-5;
/// Times of turning points are flat: an error of the value enters with its square root.
const TURNING_S: f64 = 2e-9;
/// Crossings of the band are steep.
const CROSSING_S: f64 = 1e-11;
/// Waveforms at the coarser table.
const SAMPLE_V: f64 = 5e-6;
const SAMPLE_A: f64 = 0.2e-3;
/// At an edge the output jumps by the share of the series inductances within rounding of the instant; samples
/// closer than this to one are left out.
const EDGE_S: f64 = 2e-9;

fn smooth(board: &DemoBoard) -> FluxCurve {
    let curve = SaturationCurve { temperature_degc: 25.0, points: board.inductance.clone() };
    FluxCurve::new(&[curve], 25.0, 1.0).unwrap()
}

fn machine_with(board: &DemoBoard, flux: FluxTable) -> Machine {
    let circuit = Circuit::new(&board.board, flux, board.dcr_ohm, board.board.nominal_input_v, 0.0);
    Machine::new(circuit).unwrap()
}

fn machine(board: &DemoBoard, error_a: f64) -> Machine {
    machine_with(board, FluxTable::from_curve(&smooth(board), error_a).unwrap())
}

/// Knots close together where the runs go and the inductance varies, the points of the data elsewhere.
fn fine_machine(board: &DemoBoard) -> Machine {
    let smooth = smooth(board);
    let flat_a = board.inductance.iter().take_while(|p| p.1 == board.inductance[0].1).last().unwrap().0;
    let steps = ((FINE_UNTIL_A - flat_a) / FINE_STEP_A).ceil() as usize;
    let mut knots: Vec<f64> = (0..=steps).map(|k| flat_a + k as f64 * FINE_STEP_A).collect();
    if flat_a > 0.0 {
        knots.insert(0, 0.0);
    }
    knots.extend(board.inductance.iter().map(|p| p.0).filter(|a| *a > FINE_UNTIL_A + FINE_STEP_A));
    let samples: Vec<(f64, f64)> = knots.iter().map(|a| (smooth.flux_wb(*a), *a)).collect();
    machine_with(board, FluxTable::from_samples(&samples).unwrap())
}

fn rederived() -> Value {
    serde_json::from_str(include_str!("../independent/rederived.json")).unwrap()
}

/// Numbers of one run of one board.
struct Numbers<'a> {
    name: String,
    values: &'a Value,
    unsettled: Vec<&'a str>,
    run: &'a str,
}

impl<'a> Numbers<'a> {
    fn of(file: &'a Value, board: &DemoBoard, run: &'a str) -> Numbers<'a> {
        let entry = &file["boards"][board.name];
        let unsettled = entry["ill_determined_times"].as_array().unwrap().iter().map(|t| t.as_str().unwrap()).collect();
        Numbers { name: format!("{} {run}", board.name), values: &entry["numbers"][run], unsettled, run }
    }

    fn get(&self, key: &str) -> f64 {
        self.values[key].as_f64().unwrap_or_else(|| panic!("{}: no number {key}", self.name))
    }

    fn relative(&self, key: &str, ours: f64, tolerance: f64) {
        let reference = self.get(key);
        self.absolute(key, ours, tolerance * reference.abs());
    }

    fn absolute(&self, key: &str, ours: f64, tolerance: f64) {
        let reference = self.get(key);
        let difference = ours - reference;
        println!("{} {key}: {ours:.12e}, reference {reference:.12e}, difference {difference:.1e}", self.name);
        assert!(difference.abs() <= tolerance, "{} {key}: {ours:e} against {reference:e}", self.name);
    }

    /// A time, unless the derivation itself calls it unsettled.
    fn time(&self, key: &str, ours_s: f64, tolerance_s: f64) {
        if !self.unsettled.contains(&format!("{}.{key}", self.run).as_str()) {
            self.absolute(key, ours_s, tolerance_s);
        }
    }
}

fn compare_steady(numbers: &Numbers, run: &SteadyResult) {
    let per_s = 1.0 / run.book.duration_s;
    numbers.relative("duty", run.duty(), LEVEL);
    numbers.relative("on_time_s", run.book.high_side_s, LEVEL);
    numbers.relative("ripple_raw_v", run.output.width(), RIPPLE);
    numbers.relative("ripple_20mhz_v", run.instrument.width(), RIPPLE);
    numbers.relative("v_out_mean_v", run.mean_output_v(), LEVEL);
    numbers.relative("v_out_max_v", run.output.high, LEVEL);
    numbers.relative("v_out_min_v", run.output.low, LEVEL);
    numbers.absolute("i_l_max_a", run.current.high, LEVEL);
    numbers.absolute("i_l_min_a", run.current.low, LEVEL);
    numbers.relative("i_l_rms_a", run.rms_current_a(), LEVEL);
    numbers.relative("i_l_mean_a", run.mean_current_a(), LEVEL);
    numbers.relative("p_in_w", run.book.source_j * per_s, LEVEL);
    numbers.relative("p_load_w", run.book.load_j * per_s, LEVEL);
    let book = &run.book;
    let lost_j = book.winding_j + book.high_side_j + book.low_side_j + book.diode_j + book.branch_j.iter().sum::<f64>();
    numbers.relative("p_loss_w", lost_j * per_s, DIFFERENCE);
    assert!(run.book.residual().abs() <= ENERGY_RESIDUAL);
}

/// Ranges of the output as the instrument shows it, and of everything else, between two instants.
struct Window {
    from: (u64, f64),
    until: (u64, f64),
    ranges: [Range; 3],
}

const WINDOW: [Output; 3] = [Output::Voltage, Output::Instrument, Output::Inductor];

impl Window {
    fn new(from: (u64, f64), until: (u64, f64)) -> Window {
        Window { from, until, ranges: [Range::EMPTY; 3] }
    }
}

impl Observer for Window {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let begin = (stretch.cycle, stretch.phase_s);
        if begin >= self.from && begin < self.until {
            for (range, output) in self.ranges.iter_mut().zip(WINDOW) {
                range.include_stretch(stretch, output);
            }
        }
    }
}

/// Names that the derivation gives to them.
const NAMES: [&str; 3] = ["v_out", "v_out_20mhz", "i_l"];

fn compare_window(numbers: &Numbers, window: &Window, edge: &str, period_s: f64) {
    let since = |at: (u64, f64)| (at.0 as f64 - window.from.0 as f64) * period_s + at.1 - window.from.1;
    for (range, name) in window.ranges.iter().zip(NAMES) {
        let unit = if name == "i_l" { "a" } else { "v" };
        let tolerance = if name == "i_l" { DIFFERENCE } else { DIFFERENCE * 0.1 };
        numbers.absolute(&format!("{edge}_{name}_max_{unit}"), range.high, tolerance);
        numbers.absolute(&format!("{edge}_{name}_min_{unit}"), range.low, tolerance);
        numbers.time(&format!("{edge}_{name}_max_after_{edge}_s"), since(range.high_at), TURNING_S);
        numbers.time(&format!("{edge}_{name}_min_after_{edge}_s"), since(range.low_at), TURNING_S);
    }
}

fn compare_step(numbers: &Numbers, result: &StepResult, windows: &(Window, Window), period_s: f64) {
    compare_window(numbers, &windows.0, "step", period_s);
    compare_window(numbers, &windows.1, "release", period_s);
    numbers.relative("mean_before_step_v", result.mean_v.0, LEVEL);
    numbers.relative("mean_steady_upper_v", result.mean_v.1, LEVEL);
    numbers.relative("dip_v", result.dip_v(), DIFFERENCE);
    numbers.relative("rise_over_periodic_mean_v", result.rise_v(), DIFFERENCE);
    numbers.relative("dip_20mhz_v", result.mean_v.0 - windows.0.ranges[1].low, DIFFERENCE);
    numbers.relative("i_l_peak_a", result.peak_a(), DIFFERENCE);
    numbers.time("step_recovery_s", result.step.recovery_s, CROSSING_S);
    numbers.time("release_recovery_s", result.release.recovery_s, CROSSING_S);
    assert!(result.step.recovered && result.release.recovered && result.repeats);
    assert!(result.book.residual <= ENERGY_RESIDUAL);
}

/// Steady states at the board's load and at both levels of the step, then the step itself.
fn compare_board(board: &DemoBoard) {
    let file = rederived();
    let mut machine = fine_machine(board);
    let load = board.board.load_step.unwrap();
    let mut at = |run: &str, load_a: f64| {
        let result = steady::measure(&mut machine, load_a).unwrap();
        compare_steady(&Numbers::of(&file, board, run), &result);
        result
    };
    at("steady", board.steady_a);
    let low = at("steady_step_low", load.from_a);
    let high = at("steady_step_high", load.to_a);
    let means = (low.mean_output_v(), high.mean_output_v());
    let period_s = machine.period_s();
    let timing = Timing::new(&load, period_s, 0.0);
    let end = (timing.cycles, 0.0);
    let mut windows = (Window::new(timing.step, timing.release), Window::new(timing.release, end));
    let band_v = 0.01 * board.board.output_v;
    let mut all = (&mut windows.0, &mut windows.1);
    let result = step::run(&mut machine, &load, 0.0, &low.orbit, means, band_v, &mut all).unwrap();
    let numbers = Numbers::of(&file, board, "load_step_hold_after_ramp");
    let release_s = (timing.release.0 - timing.step.0) as f64 * period_s + timing.release.1 - timing.step.1;
    numbers.absolute("release_start_s", release_s, 1e-15);
    compare_step(&numbers, &result, &windows, period_s);
}

#[test]
fn outside_scipy_voltage_mode_board() {
    compare_board(&demo::ticket_kiosk());
}

#[test]
fn outside_scipy_current_mode_board() {
    compare_board(&demo::valve_controller());
}

/// Halving the bound of the table twice must bring the ripple current closer in proportion: what is left of the differences is
/// the table, not the derivation.
#[test]
fn order_difference_follows_the_table() {
    let file = rederived();
    for board in [demo::ticket_kiosk(), demo::valve_controller()] {
        let numbers = Numbers::of(&file, &board, "steady");
        let reference_a = numbers.get("i_l_max_a") - numbers.get("i_l_min_a");
        for bound_a in [1e-3, 1e-4, 1e-5, 1e-6] {
            let run = steady::measure(&mut machine(&board, bound_a), board.steady_a).unwrap();
            let error_a = (run.current.width() - reference_a).abs();
            println!("{} bound {bound_a:e} A: ripple current off by {error_a:.2e} A", board.name);
            // Both ends of the swing are off by no more than the bound, and the swing reads the slope between them.
            assert!(error_a <= 2.0 * bound_a, "{}: {error_a:e} A at a bound of {bound_a:e} A", board.name);
        }
    }
}

/// Instants after the step at which another path begins to conduct.
struct Edges {
    from: (u64, f64),
    period_s: f64,
    path: Option<Path>,
    at_s: Vec<f64>,
}

impl Observer for Edges {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        if self.path.replace(stretch.mode.key.path) != Some(stretch.mode.key.path) {
            let cycles = stretch.cycle as f64 - self.from.0 as f64;
            self.at_s.push(cycles * self.period_s + stretch.phase_s - self.from.1);
        }
    }
}

fn read_samples(name: &str) -> Vec<[f64; 3]> {
    let path = format!("tests/independent/{name}_step.csv");
    let mut reader = csv::Reader::from_path(path).unwrap();
    reader.deserialize::<(f64, f64, f64)>().map(|row| row.map(|(t, v, i)| [t, v, i]).unwrap()).collect()
}

fn compare_samples(board: &DemoBoard) {
    let reference = read_samples(board.name);
    let mut machine = machine(board, WAVEFORM_BOUND_A);
    let load = board.board.load_step.unwrap();
    let orbit = machine.steady(load.from_a).unwrap();
    let period_s = machine.period_s();
    let timing = Timing::new(&load, period_s, 0.0);
    let mut ours: Vec<Sample> = vec![];
    let span = (reference[0][0], reference[reference.len() - 1][0]);
    let grid = Grid::new(timing.step, period_s, 1e-6, span, |sample| ours.push(sample));
    let edges = Edges { from: timing.step, period_s, path: None, at_s: vec![] };
    let mut observer = (grid, (edges, Book::new(&machine.circuit)));
    let mut state = machine.at_clock(orbit.x);
    machine.run(&mut state, timing.cycles, &mut timing.program(&load, &machine), &mut observer, None).unwrap();
    let (_, (edges, book)) = observer;
    assert!(book.residual().abs() <= ENERGY_RESIDUAL);
    assert_eq!(ours.len(), reference.len(), "{}: as many samples as the derivation", board.name);
    let (mut worst_v, mut worst_a, mut skipped) = (0.0f64, 0.0f64, 0);
    for (sample, [time_s, output_v, current_a]) in ours.iter().zip(&reference) {
        assert!((sample.time_s - time_s).abs() < 1e-12, "{}: {} against {time_s}", board.name, sample.time_s);
        if edges.at_s.iter().any(|edge_s| (edge_s - time_s).abs() < EDGE_S) {
            skipped += 1;
            continue;
        }
        worst_v = worst_v.max((sample.output_v - output_v).abs());
        worst_a = worst_a.max((sample.current_a - current_a).abs());
    }
    println!("{}: {worst_v:.2e} V, {worst_a:.2e} A, {skipped} of {} left out", board.name, reference.len());
    assert!(worst_v <= SAMPLE_V && worst_a <= SAMPLE_A, "{}: {worst_v:e} V, {worst_a:e} A", board.name);
    assert!(skipped * 50 <= reference.len(), "{}: {skipped} samples left out", board.name);
}

#[test]
fn outside_scipy_waveform_of_the_voltage_mode_board() {
    compare_samples(&demo::ticket_kiosk());
}

#[test]
fn outside_scipy_waveform_of_the_current_mode_board() {
    compare_samples(&demo::valve_controller());
}

/// The largest multiplier of the period map, which the derivation finds by differences.
#[test]
fn outside_scipy_multiplier() {
    /// The slopes of the current at the instants enter: those of the table's chords, see [`RIPPLE`].
    const MULTIPLIER: f64 = 6e-5;
    let file = rederived();
    for board in [demo::ticket_kiosk(), demo::valve_controller()] {
        let ours = fine_machine(&board).steady(board.steady_a).unwrap().largest_multiplier();
        let reference = file["boards"][board.name]["checks"]["steady"]["largest_multiplier"].as_f64().unwrap();
        println!("{}: {ours:.9}, reference {reference:.9}", board.name);
        assert!((ours / reference - 1.0).abs() <= MULTIPLIER, "{}: {ours} against {reference}", board.name);
    }
}

/// The committed numbers say what made them, and their own second run with a tighter tolerance agrees with the first.
#[test]
fn law_derivation_names_its_libraries_and_checks_itself() {
    /// A hundredth of what our own numbers may differ by.
    const SELF_CHECK: f64 = 1e-10;
    let file = rederived();
    for library in ["python", "numpy", "scipy"] {
        let version = file["versions"][library].as_str().unwrap();
        assert!(version.split('.').count() >= 2, "{library} {version}");
    }
    assert_eq!(file["tolerance"]["method"], "DOP853");
    for board in [demo::ticket_kiosk(), demo::valve_controller()] {
        let entry = &file["boards"][board.name];
        let differences = entry["self_check_difference_tight_minus_base"].as_object().unwrap();
        for (key, value) in differences.values().flat_map(|run| run.as_object().unwrap()) {
            let limit = if key.contains("after_") { f64::INFINITY } else { SELF_CHECK };
            assert!(value.as_f64().unwrap().abs() <= limit, "{} {key}: {value}", board.name);
        }
    }
}
