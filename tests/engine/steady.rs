//! Steady states of the engine against closed forms, matrix exponentials and published examples; sources stand in tests/support/validation.

use crate::support;
use presolder::board::{CurrentLimit, Foldback};
use presolder::engine::machine::Machine;
use presolder::engine::network::Circuit;
use presolder::parts::saturation::FluxTable;
use support::demo::{self, DemoBoard};
use support::validation::Log;
use support::validation::steady as cases;

#[test]
fn outside_hart_6_1_exact_waveform() {
    cases::hart_6_1(&mut Log::default());
}

#[test]
fn outside_hart_6_1_with_series_resistance() {
    cases::hart_6_1_esr(&mut Log::default());
}

#[test]
fn outside_hart_6_9_discontinuous() {
    cases::hart_6_9(&mut Log::default());
}

#[test]
fn closed_form_ripple_in_three_regimes() {
    cases::esr_ripple(&mut Log::default());
}

#[test]
fn closed_form_diode_drop_in_both_modes() {
    cases::diode_drop(&mut Log::default());
}

#[test]
fn outside_published_power_stage() {
    cases::power_stage(&mut Log::default());
}

#[test]
fn closed_form_winding_divider() {
    cases::winding_divider(&mut Log::default());
}

#[test]
fn balance_every_conduction_loss() {
    cases::lossy_buck(&mut Log::default());
}

#[test]
fn outside_point_of_load_stage() {
    cases::pol_stage(&mut Log::default());
}

#[test]
fn closed_form_rms_currents() {
    cases::trapezoids(&mut Log::default());
}

/// A board whose frequency folds back below 97 % of its output, into a load that goes on drawing its current: once down it stays down.
/// Without foldback it comes back from there; so do boards of every other scheme.
#[test]
fn law_a_second_waveform_is_found_where_foldback_meets_a_current_sink() {
    let machine_of = |demo: &DemoBoard, foldback: Option<Foldback>| {
        let mut board = demo.board.clone();
        board.control.protection.current_limit = Some(CurrentLimit::peak((4.1, 4.7, 5.2), 90e-9));
        board.control.protection.foldback = foldback;
        let flux = FluxTable::linear(demo.inductance[0].1).unwrap();
        Machine::new(Circuit::new(&board, flux, demo.dcr_ohm, board.nominal_input_v, 3.4)).unwrap()
    };
    let demo = demo::valve_controller();
    let foldback = Foldback { below: 0.97, divisor: 4 };
    let mut machine = machine_of(&demo, Some(foldback));
    let known = machine.steady(3.4).unwrap();
    let others = machine.other_orbits(&known, 3.4).unwrap();
    println!("known {:?}, others {:?}", known.x[1], others.iter().map(|o| (o.x[1], o.periods)).collect::<Vec<_>>());
    assert!((known.x[1] - 5.0).abs() < 0.1 && others.len() == 1);
    assert!(others[0].x[1] < 4.0 && others[0].periods == 4 && others[0].largest_multiplier() < 1.0);

    for demo in [demo::valve_controller(), demo::ticket_kiosk(), demo::oven_panel()] {
        let mut demo = demo;
        let flux = FluxTable::linear(demo.inductance[0].1).unwrap();
        demo.board.control.protection.current_limit = None;
        let circuit = Circuit::new(&demo.board, flux, demo.dcr_ohm, demo.board.nominal_input_v, 1.7);
        let mut machine = Machine::new(circuit).unwrap();
        let known = machine.steady(1.7).unwrap();
        assert_eq!(machine.other_orbits(&known, 1.7).unwrap().len(), 0);
    }
}
