//! The linearised period map against differences of the map, and orbits of more than one period.

use crate::support;
use presolder::board::{Board, Compensator, LoadKind, Modulator};
use presolder::engine::machine::Machine;
use presolder::engine::network::{Circuit, FLUX_STATE};
use presolder::engine::program::Program;
use presolder::engine::row::StateVector;
use presolder::engine::sensitivity::Sensitivity;
use presolder::engine::steady::Orbit;
use presolder::measure::steady::{Conduction, measure};
use support::demo::{self, DemoBoard};
use support::*;

/// Extrapolated central differences leave an error of fourth order in the step and rounding over the step: both are below this.
const DIFFERENCES: f64 = 1e-6;
/// Step as a part of the size of each state: switching instants are known to their rounding, which a smaller step would show.
const STEP: f64 = 1e-4;

fn end_of_period(
    machine: &mut Machine,
    orbit: &Orbit,
    x: StateVector,
    sensitivity: Option<&mut Sensitivity>,
) -> StateVector {
    let mut state = machine.at_clock(x);
    let mut program = Program::constant(orbit.program_a);
    machine.run(&mut state, orbit.periods, &mut program, &mut (), sensitivity).unwrap();
    state.x
}

/// Size of each state: how far it moves in a period would be too small for some, its value too small for others.
fn sizes(machine: &Machine, orbit: &Orbit) -> Vec<f64> {
    let current_a = 1.0;
    let mut sizes = vec![1.0; machine.states];
    sizes[FLUX_STATE] = machine.circuit.flux.flux_wb(current_a);
    let bank = machine.circuit.bank.len();
    (1..=bank).for_each(|k| sizes[k] = orbit.x[k]);
    sizes
}

fn compare_map(machine: &mut Machine, load_a: f64, what: &str) {
    let mut orbit = machine.steady(load_a).unwrap();
    let n = machine.states;
    // A resting current comes out of Newton's steps as zero to rounding.
    let rests = orbit.x[FLUX_STATE].abs() < 1e-9 * machine.circuit.flux.flux_wb(1.0);
    if rests {
        orbit.x[FLUX_STATE] = 0.0;
    }
    let mut sensitivity = Sensitivity::identity(n, None);
    end_of_period(machine, &orbit, orbit.x, Some(&mut sensitivity));
    let size = sizes(machine, &orbit);
    let mut column = |j: usize, step: f64| -> Vec<f64> {
        let mut shifted = |sign: f64| {
            let mut x = orbit.x;
            x[j] += sign * step * size[j];
            end_of_period(machine, &orbit, x, None)
        };
        let (up, down) = (shifted(1.0), shifted(-1.0));
        (0..n).map(|i| (up[i] - down[i]) / (2.0 * step * size[i])).collect()
    };
    // A current that ended before the clock edge is zero there whatever came before: its row is zero, and a state that could
    // not have come about is no direction to look into (either sign of it would die in the dead time).
    if rests {
        let row = sensitivity.matrix.row(FLUX_STATE).columns(0, n).amax() / size[FLUX_STATE];
        assert!(row <= DIFFERENCES, "{what}: the resting current depends on the past by {row:e}");
    }
    let mut worst = 0.0f64;
    for j in (0..n).filter(|&j| !(rests && j == FLUX_STATE)) {
        let (wide, narrow) = (column(j, 2.0 * STEP), column(j, STEP));
        let exact: Vec<f64> = (0..n).map(|i| sensitivity.matrix[(i, j)] * size[j] / size[i]).collect();
        let largest = exact.iter().fold(1e-3f64, |m, v| m.max(v.abs()));
        for i in (0..n).filter(|&i| !(rests && i == FLUX_STATE)) {
            let extrapolated = (4.0 * narrow[i] - wide[i]) / 3.0;
            worst = worst.max((extrapolated - exact[i]).abs() / largest);
        }
    }
    println!("{what}: worst difference {worst:.2e} of the largest entry of its column");
    assert!(worst <= DIFFERENCES, "{what}: {worst:e}");
}

fn linear_machine(board: &DemoBoard) -> Machine {
    let flux = linear(board.inductance[0].1);
    Machine::new(Circuit::new(&board.board, flux, board.dcr_ohm, board.board.nominal_input_v, 0.0)).unwrap()
}

#[test]
fn order_sensitivity_of_the_voltage_mode_board() {
    let board = demo::ticket_kiosk();
    for load_a in [2.5, 0.17] {
        compare_map(&mut linear_machine(&board), load_a, &format!("voltage mode, {load_a} A"));
    }
}

#[test]
fn order_sensitivity_of_the_current_mode_board() {
    let board = demo::valve_controller();
    for (load_a, conduction) in [(2.0, Conduction::Continuous), (0.17, Conduction::Discontinuous)] {
        let mut machine = linear_machine(&board);
        assert_eq!(measure(&mut machine, load_a).unwrap().conduction(), conduction);
        compare_map(&mut machine, load_a, &format!("current mode, {load_a} A"));
    }
}

/// With a saturating part the pieces of the curve change within the period; the instants of these changes move with the state.
#[test]
fn order_sensitivity_with_saturation() {
    let board = demo::valve_controller();
    let knots: Vec<(f64, f64)> = [(0.0, 0.0), (9e-6, 0.93), (17e-6, 1.89), (24e-6, 2.83), (31e-6, 3.97)].into();
    let flux = presolder::parts::saturation::FluxTable::from_samples(&knots).unwrap();
    let circuit = Circuit::new(&board.board, flux, board.dcr_ohm, board.board.nominal_input_v, 0.0);
    let mut machine = Machine::new(circuit).unwrap();
    compare_map(&mut machine, 2.31, "saturating, 2.31 A");
}

/// The multipliers are eigenvalues of the map: a disturbance along the slowest dies away by the largest of them each period.
#[test]
fn law_disturbances_die_away_by_the_largest_multiplier() {
    /// The second multiplier's share has gone to this after the periods run.
    const ALONE: f64 = 1e-4;
    let board = demo::ticket_kiosk();
    let mut machine = linear_machine(&board);
    let orbit = machine.steady(2.5).unwrap();
    let mut x = orbit.x;
    x[1] += 1e-4;
    x[2] += 1e-4;
    let mut sizes = vec![];
    for _ in 0..200 {
        x = end_of_period(&mut machine, &orbit, x, None);
        sizes.push(x[2] - orbit.x[2]);
    }
    let ratio = sizes[199] / sizes[198];

    println!("ratio {ratio:.8}, largest multiplier {:.8}", orbit.largest_multiplier());
    assert!((ratio / orbit.largest_multiplier() - 1.0).abs() < ALONE);
}

/// Peak current mode at a duty of 0.63 without slope compensation.
fn without_slope() -> Board {
    let mut board = demo::valve_controller().board;
    board.output_v = 15.1;
    board.load_kind = LoadKind::Current;
    board.control.modulator = Modulator::PeakCurrent { gain_a_per_v: 5.0, slope_a_per_s: 0.0, delay_s: 0.0 };
    if let Compensator::Transconductance { gm_s, .. } = &mut board.control.compensator {
        *gm_s = 71e-6;
    }
    board
}

/// Output voltages at the clock edges of a long run that starts somewhere else.
fn settled_edges(machine: &mut Machine, orbit: &Orbit, count: usize) -> Vec<f64> {
    let mut state = machine.at_clock(orbit.x);
    state.x[1] += 0.013;
    let mut program = Program::constant(orbit.program_a);
    machine.run(&mut state, 3000, &mut program, &mut (), None).unwrap();
    (0..count)
        .map(|_| {
            machine.run(&mut state, 1, &mut program, &mut (), None).unwrap();
            state.x[1]
        })
        .collect()
}

/// Cycles that alternate are an orbit of two periods, and of four where these alternate again; the orbit of one period exists but no run
/// stays on it. A run from elsewhere ends on the orbit found.
#[test]
fn law_alternating_cycles_are_one_orbit() {
    /// What a run from elsewhere has left of its disturbance.
    const SETTLED_V: f64 = 1e-9;
    let board = without_slope();
    for (load_a, periods) in [(0.43, 1), (0.97, 2), (1.23, 2), (1.53, 4)] {
        let mut machine = Machine::new(Circuit::new(&board, linear(10e-6), 36e-3, 24.0, 0.0)).unwrap();
        let orbit = machine.steady(load_a).unwrap();
        println!("{load_a} A: {} periods, largest multiplier {:.4}", orbit.periods, orbit.largest_multiplier());
        assert_eq!(orbit.periods, periods, "at {load_a} A");
        assert!(orbit.largest_multiplier() < 1.0);
        let edges = settled_edges(&mut machine, &orbit, 8);
        let repeat = periods as usize;
        let far = |a: f64, b: f64| (a - b).abs() > 1e3 * SETTLED_V;
        for k in repeat..8 {
            assert!((edges[k] - edges[k - repeat]).abs() <= SETTLED_V, "{load_a} A: {edges:?}");
        }
        assert!(repeat == 1 || far(edges[0], edges[repeat / 2]), "{load_a} A: {edges:?} repeats sooner");
        let nearest = edges.iter().map(|v| (v - orbit.x[1]).abs()).fold(f64::INFINITY, f64::min);
        assert!(nearest <= SETTLED_V, "{load_a} A: the run ends {nearest:e} V from the orbit");
    }
}

/// The same board with enough slope compensation repeats every period at all these loads.
#[test]
fn law_slope_compensation_ends_the_alternation() {
    let mut board = without_slope();
    // Half the down slope of the current is enough at any duty (Erickson, Maksimovic, Fundamentals of Power Electronics, 3rd ed., 2020, eq. 18.54).
    let slope_a_per_s = 0.5 * board.output_v / 10e-6;
    board.control.modulator = Modulator::PeakCurrent { gain_a_per_v: 5.0, slope_a_per_s, delay_s: 0.0 };
    for load_a in [0.97, 1.23, 1.53, 1.87] {
        let mut machine = Machine::new(Circuit::new(&board, linear(10e-6), 36e-3, 24.0, 0.0)).unwrap();
        assert_eq!(machine.steady(load_a).unwrap().periods, 1, "at {load_a} A");
    }
}
