//! Both demo boards against a separate derivation with SciPy; every number and sample is compared in
//! tests/engine/independent_derivation.rs.

use super::{Log, Status};
use crate::support::demo::{self, DemoBoard};
use crate::support::*;
use presolder::condition::load_step as step;
use presolder::measure::steady;
use presolder::parts::SaturationCurve;
use presolder::parts::saturation::FluxCurve;
use serde_json::Value;

/// Bound of the piecewise-linear current in A.
const TABLE_A: f64 = 1e-6;
/// The table leaves 1e-6 of the ripple current; the integrator 1e-10.
const TABLE: f64 = 5e-6;

fn board(log: &mut Log, board: &DemoBoard, numbers: &Value) {
    let curve = SaturationCurve { temperature_degc: 25.0, points: board.inductance.clone() };
    let smooth = FluxCurve::new(&[curve], 25.0, 1.0).unwrap();
    let flux = FluxTable::from_curve(&smooth, TABLE_A).unwrap();
    let circuit = Circuit::new(&board.board, flux, board.dcr_ohm, board.board.nominal_input_v, 0.0);
    let mut machine = Machine::new(circuit).unwrap();
    let get = |run: &str, key: &str| numbers[run][key].as_f64().expect("the derivation has this number");
    let run = steady::measure(&mut machine, board.steady_a).unwrap();
    let (name, reference) = (board.name, |key: &str| get("steady", key));
    log.near(format!("{name}, duty"), run.duty(), reference("duty"), TABLE);
    log.near(format!("{name}, ripple at 20 MHz"), run.instrument.width(), reference("ripple_20mhz_v"), TABLE);
    let swing_a = reference("i_l_max_a") - reference("i_l_min_a");
    log.near(format!("{name}, ripple current"), run.current.width(), swing_a, TABLE);
    log.near(format!("{name}, rms inductor current"), run.rms_current_a(), reference("i_l_rms_a"), TABLE);
    log.near(format!("{name}, mean output"), run.mean_output_v(), reference("v_out_mean_v"), TABLE);
    log.near(format!("{name}, input power"), run.book.source_j / run.book.duration_s, reference("p_in_w"), TABLE);
    let load = board.board.load_step.unwrap();
    let low = steady::measure(&mut machine, load.from_a).unwrap();
    let high = steady::measure(&mut machine, load.to_a).unwrap();
    let means = (low.mean_output_v(), high.mean_output_v());
    let band_v = 0.01 * board.board.output_v;
    let result = step::run(&mut machine, &load, 0.0, &low.orbit, means, band_v, &mut ()).unwrap();
    let reference = |key: &str| get("load_step_hold_after_ramp", key);
    log.near(format!("{name}, dip"), result.dip_v(), reference("dip_v"), TABLE);
    log.near(format!("{name}, rise"), result.rise_v(), reference("rise_over_periodic_mean_v"), TABLE);
    log.near(format!("{name}, peak current"), result.peak_a(), reference("i_l_peak_a"), TABLE);
    if result.recovery_s() > 0.0 {
        log.near(format!("{name}, recovery"), result.step.recovery_s, reference("step_recovery_s"), TABLE);
    }
}

pub fn demo_boards(log: &mut Log) {
    log.case(
        "Demo boards, steady state and load step",
        "separate derivation with NumPy and SciPy (tests/independent/rederive.py; its versions are in rederived.json)",
        Status::Oracle,
    );
    let file: Value = serde_json::from_str(include_str!("../../independent/rederived.json")).unwrap();
    for demo in [demo::ticket_kiosk(), demo::valve_controller()] {
        board(log, &demo, &file["boards"][demo.name]["numbers"]);
    }
}
