//! The load's own edges: what a program makes of them.

use presolder::board::LoadStep;
use presolder::engine::program::Program;

/// A step as points of a profile, and as edges of a program, are one and the same load.
#[test]
fn law_a_step_is_a_profile_of_four_points() {
    let step = LoadStep { release_a_per_s: 0.31e6, ..LoadStep::once(0.4, 2.9, 1.3e6, 23.7e-6) };
    let period_s = 1.0 / 317e3;
    let begin = (2, 0.61 * period_s);
    let later = |after_s: f64| presolder::engine::program::later(begin, after_s, period_s);
    let release = later(step.rise_s() + step.hold_s);
    let mut edges = Program::constant(step.from_a).edge(begin.0, begin.1, step.to_a, step.slew_a_per_s, period_s).edge(
        release.0,
        release.1,
        step.from_a,
        step.release_a_per_s,
        period_s,
    );
    let mut points = Program::constant(step.from_a).through(begin, &step.profile(1).points, 0.0, period_s);
    for number in 0..400 {
        let (cycle, phase_s) = (number / 13, (number % 13) as f64 / 13.0 * period_s);
        let [a, b] = [&mut edges, &mut points].map(|program| program.at(cycle, phase_s, period_s).load_a);
        assert!((a.value - b.value).abs() < 1e-9, "{number}: {a:?} {b:?}");
    }
}
