//! The plot of what decides: the run of the deciding check, in its condition and corner, repeated by simulation.

use presolder::case::{self, Case};
use presolder::condition::curves::Curve;
use presolder::condition::figures::Value;
use presolder::corridor::deciding::Deciding;
use presolder::corridor::{self, Comparison, Depth};
use presolder::judge::finding::Finding;
use std::path::Path;

/// A curve keeps the extremes of a run to rounding.
const ROUNDING: f64 = 1e-9;
/// Phase between two points of the curve of a loop gain, in degrees.
const BETWEEN_POINTS_DEG: f64 = 0.5;

/// The demo board with the parts of these numbers.
fn demo(name: &str, parts: &[usize]) -> Case {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("cases").join(name);
    let mut case = case::read(&folder).unwrap_or_else(|error| panic!("{error}"));
    case.keep_parts(parts);
    case
}

/// Every datum as it is shown.
fn compared(case: &Case) -> Comparison {
    corridor::compare(case, Depth::Quick, &|_, _| {}).unwrap_or_else(|failure| panic!("{failure}"))
}

fn what_decides<'a>(comparison: &'a Comparison, quantity: &str) -> (&'a Deciding, &'a Finding) {
    let found = |deciding: &'a Deciding| (deciding, &comparison.verdicts[deciding.part].findings[deciding.finding]);
    let mut all = comparison.deciding.iter().map(found);
    all.find(|(_, finding)| finding.quantity.id == quantity).unwrap_or_else(|| panic!("{quantity} does not decide"))
}

fn number(value: &Value) -> f64 {
    value.number().expect("a number")
}

/// The deepest undershoot of the curves is the value of the check, in its corner; at the nominal corner it is another.
#[test]
fn law_the_curve_of_an_undershoot_is_that_of_its_own_corner() {
    let comparison = compared(&demo("oven-panel", &[2]));
    let (deciding, finding) = what_decides(&comparison, "dip");
    let depth_v = |curve: &Curve| match curve {
        Curve::Event("load step", run) => {
            run.mean_low_load_v - run.output_low_v.iter().copied().fold(f64::INFINITY, f64::min)
        }
        other => panic!("not a load step: {other:?}"),
    };
    let deepest_v = |curves: &[Curve]| curves.iter().map(depth_v).fold(0.0, f64::max);
    assert!(!finding.place.corner.is_nominal());
    let (shown_v, value_v) = (deepest_v(&deciding.substitute), number(&finding.value.value));
    assert!((shown_v - value_v).abs() <= ROUNDING * value_v, "{shown_v} V drawn, {value_v} V in the check");
    assert!(deepest_v(&deciding.original) < shown_v, "the original is better");
    let nominal = comparison.found[deciding.part].iter().flat_map(|found| &found.curves);
    let nominal = nominal.filter(|curve| matches!(curve, Curve::Event("load step", _))).map(depth_v);
    nominal.for_each(|depth_v| assert!((depth_v - value_v).abs() > 1e-3 * value_v, "drawn nominal"));
}

/// The phase at the crossover of the curve is the margin of the check.
#[test]
fn law_the_curve_of_a_phase_margin_is_that_of_its_own_corner() {
    let mut case = demo("ticket-kiosk", &[3]);
    // More than any part has.
    case.limits.phase_margin_deg = Some(71.0);
    let comparison = compared(&case);
    let (deciding, finding) = what_decides(&comparison, "phase_margin");
    let loops: Vec<_> = deciding
        .substitute
        .iter()
        .filter_map(|curve| if let Curve::Loop(gain) = curve { Some(gain) } else { None })
        .collect();
    let [gain] = loops[..] else { panic!("{} loops", loops.len()) };
    let crossover_hz = gain.crossover_hz.expect("a crossover");
    let k = gain.frequency_hz.partition_point(|hz| *hz < crossover_hz);
    let share = (crossover_hz / gain.frequency_hz[k - 1]).ln() / (gain.frequency_hz[k] / gain.frequency_hz[k - 1]).ln();
    let phase_deg = gain.phase_deg[k - 1] + share * (gain.phase_deg[k] - gain.phase_deg[k - 1]);
    let (margin_deg, value_deg) = (180.0 + phase_deg, number(&finding.value.value));
    assert!(
        (margin_deg - value_deg).abs() < BETWEEN_POINTS_DEG,
        "{margin_deg} deg drawn, {value_deg} deg in the check"
    );
}

/// The load of the curve grows up to where the check says that the output gives way.
#[test]
fn law_the_curve_of_an_overload_ends_where_the_output_gives_way() {
    let comparison = compared(&demo("buoy-winch", &[3]));
    let (deciding, finding) = what_decides(&comparison, "trip_lowest");
    let [Curve::Event("overload", run)] = &deciding.substitute[..] else { panic!("{:?}", deciding.substitute) };
    let (trip_a, band_v) = (number(&finding.value.value), run.mean_low_load_v);
    let ends = (run.load_a[0], run.load_a[run.load_a.len() - 1]);
    // A pause begins behind the last sample, by one interval at most.
    let interval_a = (ends.1 - ends.0) / (run.load_a.len() - 1) as f64;
    assert!(ends.0 < trip_a && trip_a <= ends.1 + interval_a, "{trip_a} A outside {ends:?}");
    let given_way = run.load_a.iter().zip(&run.output_low_v).find(|(_, low_v)| **low_v < 0.9 * band_v);
    assert!(given_way.is_none_or(|(load_a, _)| *load_a >= 0.98 * trip_a), "{given_way:?}, {trip_a} A");
}
