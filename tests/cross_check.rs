//! The exact engine against an independent integration of the nonlinear circuit on the smooth saturation curve.

mod support;

use presolder::engine::crosscheck::{Difference, compare};
use presolder::engine::machine::Machine;
use presolder::engine::network::Circuit;
use presolder::engine::program::Program;
use presolder::measure::step::Timing;
use presolder::parts::SaturationCurve;
use presolder::parts::saturation::{FluxCurve, FluxTable};
use support::demo::{self, DemoBoard};

fn smooth(points: &[(f64, f64)]) -> FluxCurve {
    let curve = SaturationCurve { temperature_degc: 25.0, points: points.to_vec() };
    FluxCurve::new(&[curve], 25.0, 1.0).unwrap()
}

fn machine(board: &DemoBoard, error_a: f64) -> (Machine, FluxCurve) {
    let curve = smooth(&board.inductance);
    let flux = FluxTable::from_curve(&curve, error_a).unwrap();
    let mut circuit = Circuit::new(&board.board, flux, board.dcr_ohm, board.board.nominal_input_v, 0.0);
    circuit.instrument = false;
    (Machine::new(circuit).unwrap(), curve)
}

#[test]
fn trial() {
    for board in [demo::ticket_kiosk(), demo::valve_controller()] {
        for error_a in [1e-3, 1e-4, 1e-5] {
            for tol in [1e-7, 1e-9] {
                let (mut machine, curve) = machine(&board, error_a);
                let step = board.board.load_step.unwrap();
                let steady = machine.steady(board.steady_a).unwrap();
                let low = machine.steady(step.from_a).unwrap();
                let period = machine.period_s();
                let t0 = std::time::Instant::now();
                let d = compare(
                    &mut machine,
                    &curve,
                    &steady.x,
                    200,
                    &Program::constant(board.steady_a),
                    period / 7.3,
                    0.0,
                    tol,
                );
                println!("{} {error_a:e} {tol:e} steady {d:?} {:?}", board.name, t0.elapsed());
                let timing = Timing::new(&step, period, 0.0);
                let program = timing.program(&step, &machine);
                let t0 = std::time::Instant::now();
                let d: Result<Difference, _> =
                    compare(&mut machine, &curve, &low.x, timing.cycles, &program, period / 7.3, 0.0, tol);
                println!("{} {error_a:e} {tol:e} step {d:?} {:?}", board.name, t0.elapsed());
            }
        }
    }
}
