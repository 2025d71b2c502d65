//! What a whole comparison costs: time per simulated cycle with everything included, a demo board cold, a further part, a second
//! thread. Every figure stands beside a time of the same run: nanoseconds of another machine say little.
//!
//! `cargo bench --bench compare`; `-- parts` goes on to 200 parts, the name of a demo board leaves out the others. Cycles simulated are
//! counted, so that no answer kept from before passes for speed.

#[path = "../tests/support/mod.rs"]
mod support;

use presolder::case::{self, Case};
use presolder::corridor;
use presolder::crosscheck::{CrossCheck, Sampling};
use presolder::engine::machine::{Begin, CYCLES, Machine};
use presolder::engine::network::Circuit;
use presolder::engine::program::Program;
use presolder::model::parts::SaturationCurve;
use presolder::model::parts::saturation::{FluxCurve, FluxTable};
use rayon::ThreadPoolBuilder;
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::atomic::Ordering;
use std::time::Instant;
use support::demo;

/// The demo boards.
const BOARDS: [&str; 5] = ["valve-controller", "ticket-kiosk", "oven-panel", "buoy-winch", "river-gauge"];
/// Tolerance of the integrator that every time is held against.
const PEER: f64 = 1e-8;
/// Cycles that it runs.
const PEER_CYCLES: u64 = 400;
/// Times that a cold start is repeated; the least counts.
const COLD: usize = 3;
/// Numbers of substitutes for which the growth is shown, and those that follow on request.
const PARTS: [usize; 3] = [1, 2, 4];
const MANY_PARTS: [usize; 4] = [8, 25, 80, 200];

fn folder(board: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("cases").join(board)
}

/// ns per cycle of the general-purpose integrator on the kiosk's board.
fn peer_ns() -> f64 {
    let board = demo::ticket_kiosk();
    let points = board.inductance.clone();
    let curve = FluxCurve::new(&[SaturationCurve { temperature_degc: 25.0, points }], 25.0, 1.0).expect("sound");
    let flux = FluxTable::from_curve(&curve, 1e-3).expect("a table");
    let circuit = Circuit::new(&board.board, flux, board.dcr_ohm, board.board.nominal_input_v, 0.0);
    let mut machine = Machine::new(circuit).expect("a sound circuit");
    let x = machine.steady(board.steady_a).expect("a steady state").x;
    let peer = CrossCheck::new(&machine.circuit, curve, PEER).expect("a scheme that is covered");
    let run = || {
        let program = Program::constant(board.steady_a);
        let begin = Instant::now();
        black_box(peer.run(Begin::Clock(x), PEER_CYCLES, program, Sampling::NONE, |_, _| {}).expect("a run"));
        begin.elapsed().as_secs_f64() * 1e9 / PEER_CYCLES as f64
    };
    (0..5).map(|_| run()).fold(f64::INFINITY, f64::min)
}

/// Seconds and simulated cycles of a comparison with that many threads, in this process.
fn compared(case: &Case, threads: usize) -> (f64, u64) {
    let pool = ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
    let before = CYCLES.load(Ordering::Relaxed);
    let begin = Instant::now();
    pool.install(|| black_box(corridor::compare(case, presolder::corridor::Depth::Quick, &|_, _| {}).is_ok()));
    (begin.elapsed().as_secs_f64(), CYCLES.load(Ordering::Relaxed) - before)
}

/// Seconds that the program takes for a board, from its start to its last line, with that many threads (0: as many as there are).
fn cold_s(board: &str, threads: usize) -> f64 {
    let run = || {
        let begin = Instant::now();
        let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
        command.arg("compare").arg(folder(board)).arg("--json").env("RAYON_NUM_THREADS", threads.to_string());
        let status = command.stdout(Stdio::null()).stderr(Stdio::null()).status().expect("the program runs");
        assert!(status.success(), "{board}: {status}");
        begin.elapsed().as_secs_f64()
    };
    (0..COLD).map(|_| run()).fold(f64::INFINITY, f64::min)
}

/// The valve board with a number of substitutes, no two alike.
fn with_parts(case: &Case, count: usize) -> Case {
    let mut case = case.clone();
    let model = case.parts[1].clone();
    case.parts.truncate(1);
    for k in 0..count {
        let mut part = model.clone();
        part.name = format!("Part-{k}");
        let share = 1.0 + 0.001 * k as f64;
        (part.dcr_typical_ohm, part.dcr_max_ohm) = (share * part.dcr_typical_ohm, share * part.dcr_max_ohm);
        case.parts.push(part);
    }
    case
}

fn main() {
    // `cargo test --benches` calls this with arguments that a plain program does not know: it then has nothing to do.
    let arguments: Vec<String> = std::env::args().collect();
    let has = |word: &str| arguments.iter().any(|argument| argument == word);
    if !has("--bench") {
        return;
    }
    let named = BOARDS.iter().any(|board| has(board));
    let peer_ns = peer_ns();
    println!("integrator at {PEER:.0e} on the kiosk's board: {peer_ns:.0} ns a cycle");
    for board in BOARDS.into_iter().filter(|board| !named || has(board)) {
        let case = case::read(&folder(board)).expect("a demo board");
        let (one_s, cycles) = compared(&case, 1);
        let (two_s, _) = compared(&case, 2);
        let ns = one_s * 1e9 / cycles as f64;
        println!(
            "{board}: {cycles} cycles, {ns:.0} ns a cycle with everything ({:.0} times as fast as the integrator); \
             one thread {one_s:.2} s, two {two_s:.2} s ({:.0} % of the ideal); cold {:.2} s",
            peer_ns / ns,
            50.0 * one_s / two_s,
            cold_s(board, 0)
        );
    }
    if named {
        return;
    }
    let case = case::read(&folder("valve-controller")).expect("a demo board");
    let many: &[usize] = if has("parts") { &MANY_PARTS } else { &[] };
    let mut before = (0, compared(&with_parts(&case, 0), 1).0);
    for &count in PARTS.iter().chain(many) {
        let (seconds, _) = compared(&with_parts(&case, count), 1);
        let further_s = (seconds - before.1) / (count - before.0) as f64;
        println!("valve-controller, {count} substitutes: {seconds:.2} s, {further_s:.3} s for each further one");
        before = (count, seconds);
    }
}
