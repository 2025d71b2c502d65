//! Leaps along a slow mode, against the same runs in full.

use crate::support;
use presolder::board::{Board, Compensator, Injection, LoadStep};
use presolder::condition::load_step::{self, StepResult};
use presolder::engine::machine::{Machine, Observer, Stretch};
use presolder::engine::network::Circuit;
use presolder::measure::steady;
use presolder::parts::saturation::FluxTable;
use support::demo;

/// Largest difference of a voltage, as a share of the output: each leap may be off by 1e-6 of a state's size.
const VOLTAGE: f64 = 2e-6;
/// The same of the recovery. The output creeps into its band over milliseconds, so that a voltage off by a millionth is a time off by
/// more.
const RECOVERY: f64 = 1e-3;

/// Counts leaps, or does not let the run leap.
struct Leaps {
    allowed: bool,
    count: usize,
}

impl Observer for Leaps {
    fn stretch(&mut self, _: &Stretch<'_>) {}

    fn knows_leaps(&self) -> bool {
        self.allowed
    }

    fn leapt(&mut self) {
        self.count += 1;
    }
}

/// A load step with what follows leapt over, and in full; and how often it leapt.
fn both(board: &Board, inductance_h: f64, load: &LoadStep, half_band_v: f64) -> ([StepResult; 2], usize) {
    let flux = FluxTable::linear(inductance_h).unwrap();
    let mut machine = Machine::new(Circuit::new(board, flux, 10e-3, board.nominal_input_v, load.to_a)).unwrap();
    let low = steady::measure(&mut machine, load.from_a).unwrap();
    let high = steady::measure(&mut machine, load.to_a).unwrap();
    let means_v = (low.mean_output_v(), high.mean_output_v());
    let mut leaps = 0;
    let results = [true, false].map(|allowed| {
        let mut seen = Leaps { allowed, count: 0 };
        let found = load_step::run(&mut machine, load, 0.0, &low.orbit, means_v, half_band_v, &mut seen).unwrap();
        leaps += seen.count;
        found
    });
    (results, leaps)
}

fn assert_alike(name: &str, board: &Board, ([leapt, whole], leaps): &([StepResult; 2], usize)) {
    let off_v = [leapt.dip_v() - whole.dip_v(), leapt.rise_v() - whole.rise_v(), leapt.window_v() - whole.window_v()];
    let off = off_v.iter().map(|off_v| off_v.abs() / board.output_v).fold(0.0, f64::max);
    let recovery = (leapt.recovery_s() / whole.recovery_s() - 1.0).abs();
    println!(
        "{name}: {leaps} leaps, off by {off:.1e} of the output, recovery {:.5e} s off by {recovery:.1e}",
        whole.recovery_s()
    );
    assert!(*leaps > 5 && whole.step.recovered && leapt.step.recovered);
    assert!(off <= VOLTAGE && recovery <= RECOVERY);
}

#[test]
fn order_a_leap_ends_where_the_whole_run_ends_without_a_clock() {
    let mut board = demo::oven_panel().board;
    let Compensator::Ripple { injection, .. } = &mut board.control.compensator else { unreachable!() };
    // What is injected decays over 8 ms, ten thousand periods are held.
    *injection = Some(Injection::SwitchNode { r_ohm: 75e3, c_f: 100e-9 });
    let load = LoadStep { hold_s: 20e-3, ..board.load_step.unwrap() };
    assert_alike("constant on-time", &board, &both(&board, 0.56e-6, &load, 8e-3));
}

#[test]
fn order_a_leap_ends_where_the_whole_run_ends_with_a_clock() {
    let mut board = demo::valve_controller().board;
    // A large capacitor in the compensator: the last of a deviation takes long.
    let Compensator::Transconductance { cc_f, .. } = &mut board.control.compensator else { unreachable!() };
    *cc_f *= 300.0;
    let load = LoadStep { hold_s: 0.1, ..board.load_step.unwrap() };
    assert_alike("peak current", &board, &both(&board, 10e-6, &load, 5e-3));
}
