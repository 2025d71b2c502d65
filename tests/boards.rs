//! The boards of `cases/`: what their substitutes come to, and the alternating cycles of the river gauge by brute force.

use presolder::board::{Board, LoadKind};
use presolder::case::{self, Case};
use presolder::engine::machine::{Machine, Observer, Stretch};
use presolder::engine::network::{Circuit, Path};
use presolder::engine::program::Program;
use presolder::parts::saturation::FluxTable;
use presolder::run::{self, CORNERS, Corner};

fn demo(name: &str) -> Case {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("cases").join(name);
    case::read(&folder).unwrap_or_else(|error| panic!("{error}"))
}

/// High-side conduction time of every cycle, in s.
#[derive(Default)]
struct OnTimes(Vec<f64>);

impl Observer for OnTimes {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let cycle = stretch.cycle as usize;
        if self.0.len() <= cycle {
            self.0.resize(cycle + 1, 0.0);
        }
        if stretch.mode.key.path == Path::High {
            self.0[cycle] += stretch.duration_s;
        }
    }
}

/// On-times of the last cycles of a long plain run from the state found.
fn last_on_times_s(machine: &mut Machine, load_a: f64, settle: u64, keep: usize) -> Vec<f64> {
    let orbit = machine.steady(load_a).unwrap();
    println!("periods {} repeats {} largest {}", orbit.periods, orbit.repeats, orbit.largest_multiplier());
    let mut x = orbit.x;
    x[0] *= 1.0 + 1e-3;
    let mut state = machine.at_clock(x);
    let mut times = OnTimes::default();
    machine.run(&mut state, settle + keep as u64, &mut Program::constant(orbit.program_a), &mut times, None).unwrap();
    times.0[settle as usize..].to_vec()
}

#[test]
fn probe() {
    let case = demo("river-gauge");
    for part in &case.parts {
        for corner in CORNERS {
            let (mut machine, _) = run::machine(&case, part, corner, 9.6, 2.4, 85.0).unwrap();
            println!("{} {}", part.name, corner.name);
            let t = machine.period_s();
            let times = last_on_times_s(&mut machine, 2.4, 6000, 12);
            println!("  {:?}", times.iter().map(|s| (s / t * 1e4).round() / 1e4).collect::<Vec<_>>());
        }
    }
}
