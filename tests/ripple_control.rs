//! Constant on-time and hysteretic control.

mod support;

use presolder::board::{Compensator, Control, LoadKind, LoadStep, LowSide, Modulator, Stage};
use presolder::engine::machine::Machine;
use presolder::engine::network::Circuit;
use presolder::measure::{steady, step};
use presolder::parts::saturation::FluxTable;
use support::{branch, ideal_stage, open_loop};

fn oven_panel() -> presolder::board::Board {
    let mut board = open_loop(12.0, 0.1, 600e3, vec![branch(240e-6, 0.5e-3, 0.1e-9)], 6.0);
    board.output_v = 1.2;
    board.load_kind = LoadKind::Current;
    board.stage = Stage {
        high_side_ohm: 9e-3,
        low_side: LowSide::Switch { on_ohm: 3.2e-3, dead_time_s: 18e-9, body_diode_v: 0.75, emulation: false },
        hot_factor: 1.25,
        ..ideal_stage()
    };
    board.control = Control {
        compensator: Compensator::Ripple {
            reference_v: 0.6,
            r1_ohm: 7.5e3,
            rb_ohm: 8.06e3,
            cff_f: 470e-12,
            injection: Some((75e3, 100e-9)),
        },
        modulator: Modulator::ConstantOnTime { on_time_s: 167e-9, delay_s: 60e-9 },
        min_on_s: 0.0,
        min_off_s: 220e-9,
        current_limit: None,
    };
    board.load_step = Some(LoadStep { from_a: 2.5, to_a: 7.5, slew_a_per_s: 10e6, hold_s: 200e-6 });
    board
}

#[test]
fn trial() {
    let board = oven_panel();
    let circuit = Circuit::new(&board, FluxTable::linear(0.56e-6).unwrap(), 2.2e-3, 12.0, 6.0);
    let mut machine = Machine::new(circuit).unwrap();
    let run = steady::measure(&mut machine, 6.0).unwrap();
    println!(
        "period {:e} duty {} mean {} ripple {} i {} {} mult {:?} book {:e} res {:e}",
        run.book.duration_s,
        run.duty(),
        run.mean_output_v(),
        run.output.width(),
        run.current.low,
        run.current.high,
        run.orbit.multipliers,
        run.book.residual(),
        run.orbit.residual
    );
    let load = board.load_step.unwrap();
    let low = steady::measure(&mut machine, load.from_a).unwrap();
    let high = steady::measure(&mut machine, load.to_a).unwrap();
    let result =
        step::run(&mut machine, &load, 0.0, &low.orbit, (low.mean_output_v(), high.mean_output_v()), 0.012, &mut ())
            .unwrap();
    println!(
        "dip {} rise {} rec {:e} {:e} book {:e} repeats {}",
        result.dip_v(),
        result.rise_v(),
        result.step.recovery_s,
        result.release.recovery_s,
        result.book_residual,
        result.repeats
    );
}
