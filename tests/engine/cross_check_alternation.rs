//! Alternating cycles of the river gauge: a long run of the independent integration against the exact engine's steady states.

use presolder::case;
use presolder::condition::stand::Stand;
use presolder::crosscheck::{CrossCheck, Instant, Sampling};
use presolder::engine::machine::{Begin, Machine, Observer, Stretch};
use presolder::engine::network::Path;
use presolder::engine::program::Program;
use presolder::model::corner::CORNERS;
use std::collections::BTreeMap;

/// Input and load at which cycles alternate, and a winding temperature about what the comparison finds.
const CONDITION: (f64, f64, f64) = (9.6, 2.4, 80.0);
/// Cycles of the long runs, and those at their end that are looked at.
const CYCLES: u64 = 3000;
const LOOK: usize = 2400;
/// Tolerance of the integrator: duties are then right to some 1e-8.
const TOLERANCE: f64 = 1e-8;
/// What is left at the end of a long run of how far off it began, below which the run counts as settled. Above it the run is held to
/// one of the exact engine from the same begin: multipliers close to 1 take longer than any run.
const SETTLED: f64 = 1e-4;
/// How far off the long runs begin: factors on flux linkage and on the first capacitor's voltage.
const OFF: (f64, f64) = (1.13, 0.997);
/// Differences of duties of a steady state: half a milliampere of the piecewise-linear curve at 0.2 to 1 A/us.
const SAME_DUTY: f64 = 1e-4;
/// Cycles of a run that does not repeat in which both engines still go the same way, and how far apart they may be by then: the
/// curve makes some 2e-5 in a cycle, and every further cycle at most about doubles what there is.
const TOGETHER: (usize, f64) = (6, 2e-3);
/// Largest differences of the mean and the spread of the duties, and of the shares of the cycles, of a waveform that does not
/// repeat: some hundred of the cycles looked at are independent of each other.
const SAME_MEAN: f64 = 2e-3;
const SAME_SPREAD: f64 = 1.5e-2;
const SAME_SHARE: f64 = 0.08;

#[derive(Default)]
struct TurnOffs {
    instants: Vec<Instant>,
    is_high: bool,
}

impl Observer for TurnOffs {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let is_high = stretch.mode.key.path == Path::High;
        if self.is_high && !is_high {
            self.instants.push((stretch.cycle, stretch.phase_s));
        }
        self.is_high = is_high;
    }
}

/// Turn-off of every cycle as a part of the period.
fn parts(instants: &[Instant], period_s: f64) -> Vec<f64> {
    let by_cycle: BTreeMap<u64, f64> = instants.iter().map(|(cycle, phase_s)| (*cycle, phase_s / period_s)).collect();
    assert_eq!(by_cycle.len(), instants.len(), "one turn-off in a cycle");
    by_cycle.into_values().collect()
}

fn exact(machine: &mut Machine, begin: Begin, program: &Program, cycles: u64) -> Vec<f64> {
    let mut turn_offs = TurnOffs::default();
    let mut state = machine.begin(begin);
    machine.run(&mut state, cycles, &mut program.clone(), &mut turn_offs, None).unwrap();
    parts(&turn_offs.instants, machine.period_s())
}

/// What can be said of a waveform that does not repeat.
#[derive(Debug)]
struct Statistics {
    mean: f64,
    spread: f64,
    /// Share of the cycles after which long turns to short or short to long.
    turning: f64,
    /// Share of the cycles that run to the longest duty.
    longest: f64,
}

fn statistics(parts: &[f64], longest: f64) -> Statistics {
    let n = parts.len() as f64;
    let mean = parts.iter().sum::<f64>() / n;
    let turning = parts.windows(3).filter(|p| (p[1] - p[0]) * (p[2] - p[1]) < 0.0).count();
    Statistics {
        mean,
        spread: (parts.iter().map(|p| (p - mean).powi(2)).sum::<f64>() / n).sqrt(),
        turning: turning as f64 / (n - 2.0),
        longest: parts.iter().filter(|p| **p > longest - 1e-9).count() as f64 / n,
    }
}

#[test]
fn outside_alternating_cycles_by_a_long_run_of_the_independent_integration() {
    let case = case::read(&std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/river-gauge")).unwrap();
    let (input_v, load_a, winding_degc) = CONDITION;
    let mut alternating = vec![];
    for part in &case.parts {
        for corner in &CORNERS[..2] {
            let name = format!("{}, {}", part.name, corner.name());
            let (mut machine, curve) = Stand::new(&case, part, *corner, input_v).machine(load_a, winding_degc).unwrap();
            let orbit = machine.steady(load_a).unwrap();
            let program = Program::constant(orbit.program_a);
            let period_s = machine.period_s();
            let longest = 1.0 - case.board.control.min_off_s / period_s;
            let check = CrossCheck::new(&machine.circuit, curve, TOLERANCE).unwrap();
            let independent = |begin: Begin, cycles: u64| {
                let outcome = check.run(begin, cycles, program.clone(), Sampling::NONE, |_, _| {}).unwrap();
                parts(&outcome.turn_offs, period_s)
            };
            let mut off = orbit.x;
            (off[0], off[1]) = (off[0] * OFF.0, off[1] * OFF.1);
            let found = independent(Begin::Clock(off), CYCLES);
            assert_eq!(found.len(), CYCLES as usize, "{name}");
            let found = &found[CYCLES as usize - LOOK..];
            let left = orbit.largest_multiplier().powf(CYCLES as f64 / orbit.periods as f64);
            if orbit.repeats && left < SETTLED {
                // The long run has come to the orbit: its last cycles are the orbit's in their order.
                let expected = exact(&mut machine, Begin::Clock(orbit.x), &program, orbit.periods);
                let differs = |shift: usize| {
                    let apart =
                        (0..LOOK).rev().take(200).map(|k| (found[k] - expected[(k + shift) % expected.len()]).abs());
                    apart.fold(0.0, f64::max)
                };
                let least = (0..expected.len()).map(differs).fold(f64::INFINITY, f64::min);
                println!("{name}: {} periods, turn-off at {expected:.6?}, apart {least:.1e}", orbit.periods);
                assert!(least < SAME_DUTY, "{name}: {least}");
            } else {
                let begin = Begin::Clock(orbit.x);
                let (cycles, apart) = TOGETHER;
                let (a, b) = (exact(&mut machine, begin, &program, cycles as u64), independent(begin, cycles as u64));
                let grown = a.iter().zip(&b).map(|(p, q)| (p - q).abs()).fold(0.0, f64::max);
                let expected = exact(&mut machine, Begin::Clock(off), &program, CYCLES);
                let expected = statistics(&expected[CYCLES as usize - LOOK..], longest);
                let found = statistics(found, longest);
                println!("{name}: {cycles} cycles together to {grown:.1e}; {expected:.4?} and {found:.4?}");
                assert!(grown < apart, "{name}: {grown}");
                assert!((found.mean - expected.mean).abs() < SAME_MEAN, "{name}");
                assert!((found.spread - expected.spread).abs() < SAME_SPREAD, "{name}");
                assert!((found.turning - expected.turning).abs() < SAME_SHARE && found.turning > 0.7, "{name}");
                assert!((found.longest - expected.longest).abs() < SAME_SHARE, "{name}");
            }
            if orbit.periods > 1 {
                alternating.push(name);
            }
        }
    }
    assert_eq!(alternating, ["Teasel-10, low L, aged", "Mallow-6R8, nominal", "Mallow-6R8, low L, aged"]);
}
