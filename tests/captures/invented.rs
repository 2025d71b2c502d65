//! Invented captures: a board that is a little different from its data, integrated step by step, seen through probes of the tests' own.
//! Nothing here is shared with the engine, the reader or the measures.

use crate::stepper::{Course, Setup, State, Stepper};
use presolder::board::Board;
use presolder::model::case::Case;
use presolder::parts::Inductor;
use std::fmt::Write;
use std::path::Path;

/// Time in which the stepper finds its steady state in s.
const SETTLING_S: f64 = 500e-6;
/// Samples are taken so often for the filters, and every third of them is written.
const FINE_S: f64 = 4e-9;
const KEPT: usize = 3;

/// What is true of a board on the bench, whatever its data say.
#[derive(Clone, Copy)]
pub struct Truth {
    /// Number of the part.
    pub part: usize,
    pub input_v: f64,
    pub frequency: f64,
    pub capacitance: f64,
    pub inductance: f64,
    pub current_gain: f64,
    pub dcr_ohm: f64,
    /// Load before and after the step in A, its slew in A/s, and when it steps and releases, counted from the first sample.
    pub load_a: (f64, f64),
    pub slew_a_per_s: f64,
    pub step_s: (f64, f64),
    pub length_s: f64,
    pub seed: u64,
}

pub const USUAL: Truth = Truth {
    part: 0,
    input_v: 24.05,
    frequency: 1.009,
    capacitance: 1.02,
    inductance: 1.05,
    current_gain: 1.0,
    dcr_ohm: 37.5e-3,
    load_a: (0.512, 2.487),
    slew_a_per_s: 0.93e6,
    step_s: (60.7e-6, 240.2e-6),
    length_s: 420e-6,
    seed: 1,
};

/// What the probes see, as clean as can be: samples every 12 ns.
pub struct Capture {
    pub output_v: Vec<f64>,
    pub inductor_a: Vec<f64>,
    pub load_a: Vec<f64>,
    pub step_s: f64,
}

fn of_truth(case: &Case, truth: &Truth) -> Board {
    let mut board = case.board.clone();
    board.frequency_hz *= truth.frequency;
    board.output_bank.iter_mut().for_each(|branch| branch.capacitance_f *= truth.capacitance);
    if let presolder::board::Modulator::PeakCurrent { gain_a_per_v, .. } = &mut board.control.modulator {
        *gain_a_per_v *= truth.current_gain;
    }
    board
}

/// Incremental inductance by straight lines between the points of the coldest curve.
fn inductance_h(points: &[(f64, f64)], current_a: f64) -> f64 {
    let at = current_a.abs();
    let next = points.partition_point(|point| point.0 <= at);
    match (next.checked_sub(1).map(|k| points[k]), points.get(next)) {
        (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (at - a.0) / (b.0 - a.0),
        (Some(a), None) => a.1,
        (None, _) => points[0].1,
    }
}

/// Integrates a truth and looks at it through a first-order 20 MHz bandwidth.
pub fn capture(case: &Case, truth: &Truth) -> Capture {
    capture_of(&of_truth(case, truth), &case.parts[truth.part], truth)
}

/// The same of a board and a part that are as they are; of the truth only what the bench does, and inductance and resistance count.
pub fn capture_of(board: &Board, part: &Inductor, truth: &Truth) -> Capture {
    let points = part.saturation[0].points.clone();
    let of_part = |current_a: f64| truth.inductance * inductance_h(&points, current_a);
    let (from_a, to_a) = truth.load_a;
    let load_a = Course::constant(from_a).edge(SETTLING_S + truth.step_s.0, to_a, truth.slew_a_per_s).edge(
        SETTLING_S + truth.step_s.1,
        from_a,
        truth.slew_a_per_s,
    );
    let mut setup = Setup::new(board, &of_part, truth.dcr_ohm, load_a);
    setup.source_v = Course::constant(truth.input_v);
    let mut state = State { inductor_a: from_a, output_v: board.output_v, ..State::default() };
    state.capacitor_v = [board.output_v; 4];
    state.control_v = [0.24, 0.24, 0.0, 0.0];
    let trace = Stepper::at_clock(setup, state).sampled(FINE_S).run(SETTLING_S + truth.length_s);
    let kept = (-std::f64::consts::TAU * 20e6 * FINE_S).exp();
    let mut seen = trace.samples[0].2;
    let mut capture = Capture { output_v: vec![], inductor_a: vec![], load_a: vec![], step_s: KEPT as f64 * FINE_S };
    for (number, &(time_s, current_a, output_v)) in trace.samples.iter().enumerate() {
        seen = kept * seen + (1.0 - kept) * output_v;
        let since_s = time_s - SETTLING_S;
        if since_s >= 0.0 && number % KEPT == 0 {
            capture.output_v.push(seen);
            capture.inductor_a.push(current_a);
            let up = ((since_s - truth.step_s.0) * truth.slew_a_per_s).clamp(0.0, to_a - from_a);
            let down = ((since_s - truth.step_s.1) * truth.slew_a_per_s).clamp(0.0, to_a - from_a);
            capture.load_a.push(from_a + up - down);
        }
    }
    capture
}

/// Random numbers of the tests' own.
pub struct Random(pub u64);

impl Random {
    /// From 0 to 1.
    pub fn even(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.even()).sum::<f64>() - 6.0
    }
}

/// Writes a capture as a scope would: 8 bits, noise of 1 mV and 10 mA, an output without its mean, a current probe of 10 A/V with an offset, a
/// load probe that lags by 24 ns, probes that are off by 1 %.
pub fn write(capture: &Capture, file: &Path, seed: u64) {
    write_through(capture, file, seed, [1.01, 0.99, 1.005]);
}

/// The same with probes for output, inductor and load that are off by factors.
pub fn write_through(capture: &Capture, file: &Path, seed: u64, [of_output, of_coil, of_load]: [f64; 3]) {
    let mut random = Random(seed.wrapping_mul(0x9e37_79b9).max(1));
    let mean = capture.output_v.iter().sum::<f64>() / capture.output_v.len() as f64;
    let bits = |value: f64, full: f64| (value / full * 256.0).round() * full / 256.0;
    let mut text = String::from("Invented record\nTime (s),CH1 (V),CH2 (V),CH3 (V)\n");
    for (number, (output_v, current_a)) in capture.output_v.iter().zip(&capture.inductor_a).enumerate() {
        let load_a = capture.load_a[number.saturating_sub(2)];
        let output = bits(of_output * (output_v - mean) + 1e-3 * random.normal(), 0.8);
        let coil = bits(of_coil * current_a / 10.0 + 1e-3 * random.normal() + 2e-3, 0.8);
        let load = bits(of_load * load_a + 10e-3 * random.normal(), 4.0);
        let time_s = number as f64 * capture.step_s - 40e-6;
        writeln!(text, "{time_s:.9},{output:.5},{coil:.5},{load:.5}").expect("a string");
    }
    std::fs::create_dir_all(file.parent().expect("a folder")).expect("a folder");
    std::fs::write(file, text).expect("room for the capture");
}
