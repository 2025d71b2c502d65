//! Convergence and composition: what must not depend on how a run is cut into pieces, and errors that must shrink with their bound.

use crate::support;
use presolder::engine::book::Book;
use presolder::engine::compensator::Analog;
use presolder::engine::machine::Machine;
use presolder::engine::modal::Modal;
use presolder::engine::network::{self, Circuit, ModeKey, Path, Sink};
use presolder::engine::program::Program;
use presolder::engine::row::{INPUTS, Input, InputVector, StateVector};
use support::demo::{self, DemoBoard};
use support::validation::motion::{cubic_bound_a, inputs, propagate, ramp, series_rlc, vector};
use support::*;

/// Rounding of a propagation, some ten states and a hundred pieces.
const ROUNDING: f64 = 1e-11;

fn relative(a: f64, b: f64, size: f64) -> f64 {
    (a - b).abs() / size
}

/// Largest difference between one piece and many, relative to the largest value of each state on the way.
fn composition_error(
    modal: &Modal,
    x: &StateVector,
    u: InputVector,
    slopes: InputVector,
    t_s: f64,
    pieces: usize,
) -> f64 {
    let at = |x: &StateVector, from_s: f64, t_s: f64| {
        let now: InputVector = std::array::from_fn(|k| u[k] + slopes[k] * from_s);
        modal.state(&modal.flow(x, now, slopes), t_s, &modal.basis(t_s))
    };
    let whole = at(x, 0.0, t_s);
    let (mut parts, mut sizes) = (*x, whole.map(f64::abs));
    for k in 0..pieces {
        parts = at(&parts, t_s * k as f64 / pieces as f64, t_s / pieces as f64);
        sizes = std::array::from_fn(|i| sizes[i].max(parts[i].abs()));
    }
    (0..modal.n).map(|i| relative(whole[i], parts[i], sizes[i].max(1e-12))).fold(0.0, f64::max)
}

#[test]
fn order_pieces_of_a_series_circuit() {
    for resistance_ohm in [0.1, 0.6324555320336759, 2.0] {
        let modal = series_rlc(resistance_ohm, 10e-6, 100e-6, 100e-6);
        for pieces in [3, 50, 400] {
            let error = composition_error(&modal, &vector(&[0.3]), inputs(5.0), [0.0; INPUTS], 100e-6, pieces);
            println!("{resistance_ohm} ohm, {pieces} pieces: {error:.1e}");
            assert!(error <= ROUNDING);
        }
        let once = propagate(&modal, &vector(&[0.3]), inputs(5.0), 0.0);
        assert!(relative(once[0], 0.3, 0.3) <= ROUNDING, "no time, no change");
    }
}

fn circuit(board: &DemoBoard) -> Circuit {
    let flux = linear(board.inductance[0].1);
    Circuit::new(&board.board, flux, board.dcr_ohm, board.board.nominal_input_v, 0.0)
}

/// Every path of both demo boards, with the load on a ramp: a cycle in one piece and in many.
#[test]
fn order_pieces_of_the_demo_boards() {
    for board in [demo::ticket_kiosk(), demo::valve_controller()] {
        let mut machine = Machine::new(circuit(&board)).unwrap();
        let x = machine.steady(board.steady_a).unwrap().x;
        for path in [Path::High, Path::Low, Path::LowDiode, Path::HighDiode] {
            let key =
                ModeKey { path, segment: 0, analog: Analog::Linear, load_cell: 0, sink: Sink::Full, shorted: false };
            let network = network::assemble(&machine.circuit, key);
            let period_s = machine.period_s();
            let modal = Modal::new(&network.derivative, period_s);
            let mut u = inputs(board.board.nominal_input_v);
            u[Input::Load as usize] = board.steady_a;
            u[Input::Reference as usize] = 0.8;
            u[Input::LoadSlew as usize] = 0.7e6;
            let mut slopes = [0.0; INPUTS];
            slopes[Input::Load as usize] = 0.7e6;
            for pieces in [7, 64] {
                let error = composition_error(&modal, &x, u, slopes, 0.83 * period_s, pieces);
                println!("{} {path:?}, {pieces} pieces: {error:.1e}", board.name);
                assert!(error <= ROUNDING, "{} {path:?}, {pieces} pieces: {error:e}", board.name);
            }
        }
    }
}

/// Corners of the load program that change nothing cut the stretches; states and integrals must not notice.
#[test]
fn order_quadrature_does_not_depend_on_the_stretches() {
    let board = demo::ticket_kiosk();
    let mut machine = Machine::new(circuit(&board)).unwrap();
    let orbit = machine.steady(board.steady_a).unwrap();
    let period_s = machine.period_s();
    let mut run = |cuts: usize| {
        let mut program = Program::constant(orbit.program_a);
        for cycle in 0..3 {
            for k in 1..=cuts {
                let phase_s = period_s * k as f64 / (cuts as f64 + 1.37);
                program = program.edge(cycle, phase_s, orbit.program_a, f64::INFINITY, period_s);
            }
        }
        let mut book = Book::new(&machine.circuit);
        let mut state = machine.at_clock(orbit.x);
        machine.run(&mut state, 3, &mut program, &mut book, None).unwrap();
        (state.x, book, state.effort.stretches)
    };
    let (x, book, stretches) = run(0);
    for cuts in [1, 5, 23] {
        let (cut_x, cut, cut_stretches) = run(cuts);
        assert!(cut_stretches >= stretches + 3 * cuts as u64, "the corners cut the stretches");
        for (a, b) in x.iter().zip(cut_x) {
            assert!((a - b).abs() <= ROUNDING * a.abs().max(1e-3), "{cuts} cuts: {a:e} against {b:e}");
        }
        let sums = |book: &Book| {
            let mut sums =
                vec![book.source_j, book.load_j, book.winding_j, book.high_side_j, book.low_side_j, book.diode_j];
            sums.extend(&book.branch_j);
            sums.extend([book.current.0, book.current.1, book.source_current.0, book.source_current.1, book.output_vs]);
            sums
        };
        for (a, b) in sums(&book).into_iter().zip(sums(&cut)) {
            println!("{cuts} cuts: {a:.12e}, {:.1e}", b / a - 1.0);
            assert!((b / a - 1.0).abs() <= 1e-10, "{cuts} cuts: {a:e} against {b:e}");
        }
        assert!(cut.residual().abs() <= ENERGY_RESIDUAL);
    }
}

/// Current of a saturating inductor after 7 us at 8 V against its closed form (D16: i = a flux + b flux^3): the error stays below the
/// chord's bound and falls with the square of the number of pieces.
#[test]
fn order_table_of_a_saturating_inductor() {
    let flux: f64 = 8.0 * 6.9e-6;
    let exact_a = 1e5 * flux + 7.463556851312e12 * flux.powi(3);
    let exact_j = 1e5 * flux.powi(2) / 2.0 + 7.463556851312e12 * flux.powi(4) / 4.0;
    let mut energies = vec![];
    for steps in [31, 62, 124, 248, 496] {
        let (ours_a, source_j, _) = ramp(steps, 6.9e-6);
        let bound_a = cubic_bound_a(steps);
        println!("{steps} pieces: {:.2e} A of {bound_a:.2e} A, {:.2e} J", ours_a - exact_a, source_j - exact_j);
        assert!((ours_a - exact_a).abs() <= bound_a, "{steps} pieces: {:e} A", ours_a - exact_a);
        energies.push(source_j - exact_j);
    }
    for pair in energies.windows(2) {
        // The energy integrates the chords' errors, all of one sign: a smooth measure of their size.
        let ratio = pair[0] / pair[1];
        assert!((3.7..4.3).contains(&ratio), "the error falls by {ratio} for half the step");
    }
}

/// The instant of a zero crossing does not depend on where the stretch begins: corners before it cut the way.
#[test]
fn order_crossing_does_not_depend_on_the_stretches() {
    /// Each piece of the idle time may begin with a diode that conducts a current of rounding size.
    const INSTANT: f64 = 1e-9;
    let board = demo::valve_controller();
    let mut machine = Machine::new(circuit(&board)).unwrap();
    let orbit = machine.steady(0.19).unwrap();
    let period_s = machine.period_s();
    let mut idle_s = |cuts: usize| {
        let mut program = Program::constant(orbit.program_a);
        for k in 1..=cuts {
            let phase_s = period_s * k as f64 / (cuts as f64 + 1.61);
            program = program.edge(0, phase_s, orbit.program_a, f64::INFINITY, period_s);
        }
        let mut book = Book::new(&machine.circuit);
        machine.run(&mut machine.at_clock(orbit.x), 1, &mut program, &mut book, None).unwrap();
        book.idle_s
    };
    let whole_s = idle_s(0);
    assert!(whole_s > 0.1 * period_s);
    for cuts in [2, 11, 40] {
        let cut_s = idle_s(cuts);
        println!("{cuts} cuts: {:.1e} s", cut_s - whole_s);
        assert!((cut_s - whole_s).abs() <= INSTANT * period_s);
    }
}
