//! What a map of load steps costs: a nominal map of four parts, its growth with the number of points, and each point beside a step of a
//! general-purpose integrator in the same run.
//!
//! `cargo bench --bench maps`. Cycles simulated are counted, so that no answer kept from before passes for speed.

#[path = "../tests/support/mod.rs"]
mod support;

use presolder::case;
use presolder::corridor::learned;
use presolder::corridor::maps::{Kind, Maps, Ranges, Setting};
use presolder::crosscheck::{CrossCheck, Sampling};
use presolder::engine::machine::{Begin, CYCLES, Machine};
use presolder::engine::network::Circuit;
use presolder::engine::program::Program;
use presolder::model::parts::SaturationCurve;
use presolder::model::parts::saturation::{FluxCurve, FluxTable};
use rayon::prelude::*;
use std::hint::black_box;
use std::path::Path;
use std::sync::atomic::Ordering;
use std::time::Instant;
use support::demo;

/// Tolerance of the integrator that every time is held against, and cycles that it runs.
const PEER: (f64, u64) = (1e-8, 400);
/// Columns and rows of the maps.
const GRIDS: [(usize, usize); 3] = [(10, 10), (20, 10), (20, 20)];

/// ns per cycle of the general-purpose integrator on the kiosk's board.
fn peer_ns() -> f64 {
    let board = demo::ticket_kiosk();
    let points = board.inductance.clone();
    let curve = FluxCurve::new(&[SaturationCurve { temperature_degc: 25.0, points }], 25.0, 1.0).expect("sound");
    let flux = FluxTable::from_curve(&curve, 1e-3).expect("a table");
    let circuit = Circuit::new(&board.board, flux, board.dcr_ohm, board.board.nominal_input_v, 0.0);
    let mut machine = Machine::new(circuit).expect("a sound circuit");
    let x = machine.steady(board.steady_a).expect("a steady state").x;
    let peer = CrossCheck::new(&machine.circuit, curve, PEER.0).expect("a scheme that is covered");
    let begin = Instant::now();
    black_box(
        peer.run(Begin::Clock(x), PEER.1, Program::constant(board.steady_a), Sampling::NONE, |_, _| {}).expect("a run"),
    );
    begin.elapsed().as_secs_f64() * 1e9 / PEER.1 as f64
}

fn main() {
    if !std::env::args().any(|argument| argument == "--bench") {
        return;
    }
    let peer_ns = peer_ns();
    println!("integrator at {:.0e} on the kiosk's board: {peer_ns:.0} ns a cycle", PEER.0);
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller");
    let case = learned(&case::read(&folder).expect("a demo board")).expect("a board that can be laid out");
    let own = case.board.load_step.expect("a step");
    for kind in Kind::ALL {
        for grid in GRIDS {
            let map = kind.over(&case.board, &own, &Ranges::default(), grid).expect("axes");
            let maps = Maps::new(&case, own, Setting::nominal(&case), vec![map]);
            let (begin, before) = (Instant::now(), CYCLES.load(Ordering::Relaxed));
            maps.jobs().par_iter().for_each(|job| assert!(black_box(maps.line(*job)).is_ok()));
            let (took_s, cycles) = (begin.elapsed().as_secs_f64(), CYCLES.load(Ordering::Relaxed) - before);
            let points = grid.0 * grid.1;
            println!(
                "{kind:?}, {points} points, {} parts: {took_s:.2} s, {:.2} ms a point and part, {cycles} cycles, {:.0} times as fast as \
                 the integrator",
                case.parts.len(),
                1e3 * took_s / (points * case.parts.len()) as f64,
                peer_ns * cycles as f64 * 1e-9 / took_s
            );
        }
    }
}
