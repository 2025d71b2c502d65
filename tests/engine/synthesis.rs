//! A compensator from crossover and phase margin: whether the loop has them, and how far it stands in for a known one.

use crate::support;
use presolder::board::{Compensator, LoopAim};
use presolder::condition::load_step as step;
use presolder::engine::machine::Machine;
use presolder::engine::network::Circuit;
use presolder::measure::steady;
use presolder::parts::saturation::FluxTable;
use presolder::stability::synthesis::{SynthesisError, fit};
use presolder::stability::{Loop, Margins};
use support::demo::{self, DemoBoard};

/// The layout is corrected until the loop gain is right to 1e-10; the crossover is located to 2e-9 of itself.
const CROSSOVER: f64 = 1e-7;
const PHASE_DEG: f64 = 1e-5;

fn circuit(demo: &DemoBoard) -> Circuit {
    let flux = FluxTable::linear(demo.inductance[0].1).unwrap();
    Circuit::new(&demo.board, flux, demo.dcr_ohm, demo.board.nominal_input_v, demo.steady_a)
}

fn margins(circuit: &Circuit, load_a: f64) -> Margins {
    let mut machine = Machine::new(circuit.clone()).unwrap();
    let orbit = machine.steady(load_a).unwrap();
    Loop::around(&mut machine, &orbit).unwrap().unwrap().margins().unwrap()
}

fn aim(crossover_hz: f64, phase_deg: f64) -> LoopAim {
    LoopAim { crossover_hz, phase_deg, reference_v: 0.8, clamp_v: (0.0, 6.0) }
}

fn fitted(circuit: &Circuit, aim: &LoopAim, load_a: f64) -> Circuit {
    let mut circuit = circuit.clone();
    circuit.board.control.compensator = fit(&circuit, aim, load_a).unwrap();
    circuit
}

#[test]
fn law_fitted_loop_crosses_over_where_it_was_asked_to() {
    for (demo, aims) in [
        (demo::ticket_kiosk(), [(17.3e3, 61.0), (26e3, 52.0), (11e3, 47.0)]),
        (demo::valve_controller(), [(31e3, 63.0), (44e3, 71.0), (19e3, 84.0)]),
    ] {
        for (crossover_hz, phase_deg) in aims {
            let circuit = fitted(&circuit(&demo), &aim(crossover_hz, phase_deg), demo.steady_a);
            let found = margins(&circuit, demo.steady_a);
            println!(
                "{} {crossover_hz} Hz, {phase_deg} deg: {found:?} {:?}",
                demo.name, circuit.board.control.compensator
            );
            assert!((found.crossover_hz / crossover_hz - 1.0).abs() < CROSSOVER);
            assert!((found.phase_deg - phase_deg).abs() < PHASE_DEG);
        }
    }
}

/// Zeros and poles lie at equal ratios about the crossover, whose ratio follows from the boost; H. D. Venable, "The k factor", Powercon
/// 10, 1983 (from memory): k = tan(boost / 2 + 45 deg) with one zero.
#[test]
fn outside_ratio_of_zero_and_pole_follows_the_boost() {
    let demo = demo::valve_controller();
    let crossover_hz = 31e3;
    let circuit = fitted(&circuit(&demo), &aim(crossover_hz, 43.0), demo.steady_a);
    let Compensator::OpAmp { lead, r2_ohm, c1_f, c2_f, .. } = circuit.board.control.compensator else { unreachable!() };
    assert!(lead.is_none());
    let tau = std::f64::consts::TAU;
    let (zero_hz, pole_hz) = (1.0 / (tau * r2_ohm * c1_f), (c1_f + c2_f) / (tau * r2_ohm * c1_f * c2_f));
    assert!(((zero_hz * pole_hz).sqrt() / crossover_hz - 1.0).abs() < 1e-9);
    let k = (pole_hz / zero_hz).sqrt();
    let boost_deg = (crossover_hz / zero_hz).atan().to_degrees() - (crossover_hz / pole_hz).atan().to_degrees();
    assert!((k - (0.5 * boost_deg + 45.0).to_radians().tan()).abs() < 1e-9 * k);
}

/// A loop with the same crossover and margin is not the same loop, but its dip is about the same.
const SAME_DIP: f64 = 0.12;

#[test]
fn law_stands_in_for_a_known_compensator() {
    for demo in [demo::ticket_kiosk(), demo::valve_controller()] {
        let own = circuit(&demo);
        let known = margins(&own, demo.steady_a);
        let fitted = fitted(&own, &aim(known.crossover_hz, known.phase_deg), demo.steady_a);
        let dips: Vec<f64> = [own, fitted]
            .into_iter()
            .map(|circuit| {
                let load = demo.board.load_step.unwrap();
                let mut machine = Machine::new(circuit).unwrap();
                let high = steady::measure(&mut machine, load.to_a).unwrap();
                let low = steady::measure(&mut machine, load.from_a).unwrap();
                let means_v = (low.mean_output_v(), high.mean_output_v());
                step::run(&mut machine, &load, 0.0, &low.orbit, means_v, 0.05, &mut ()).unwrap().dip_v()
            })
            .collect();
        println!("{}: {known:?}, dips {dips:?}", demo.name);
        assert!((dips[1] / dips[0] - 1.0).abs() < SAME_DIP);
    }
}

#[test]
fn error_aims_out_of_reach() {
    let demo = demo::ticket_kiosk();
    let too_much = fit(&circuit(&demo), &aim(60e3, 118.0), demo.steady_a);
    assert!(matches!(too_much, Err(SynthesisError::TooMuch { .. })), "{too_much:?}");
    let demo = demo::valve_controller();
    let mut circuit = circuit(&demo);
    // A resistor leaves the output's phase at a low frequency.
    circuit.load_s = demo.steady_a / demo.board.output_v;
    let too_little = fit(&circuit, &aim(310.0, 12.0), demo.steady_a);
    assert!(matches!(too_little, Err(SynthesisError::TooLittle { .. })), "{too_little:?}");
}
