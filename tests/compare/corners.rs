//! Corners by direction: each check at the combination of tolerances that is its own worst, against the factorial of those that matter.

use presolder::board::Events;
use presolder::case::{self, Case};
use presolder::condition;
use presolder::condition::contract::Condition;
use presolder::condition::figures::{Figures, Place, Value};
use presolder::condition::stand::Stand;
use presolder::corridor::{self, Comparison, Depth};
use presolder::judge::finding::Finding;
use presolder::model::corner::{CORNERS, Corner, End, NOMINAL, PARAMETERS, Parameter, placed};
use presolder::quantity::Side;
use std::path::Path;

/// What the search may miss of the factorial's worst.
pub(super) const MISSED_REL: f64 = 0.01;

pub(super) fn case_with(board: &str, parts: usize) -> Case {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("cases").join(board);
    let mut case = case::read(&folder).unwrap_or_else(|error| panic!("{error}"));
    case.parts.truncate(parts);
    case
}

fn compared(case: &Case) -> Comparison {
    corridor::compare(case, Depth::Full, &|_, _| {}).unwrap_or_else(|failure| panic!("{failure}"))
}

/// Value of a quantity of a part in a place, as the condition gives it in that corner.
fn value(case: &Case, part: usize, id: &str, place: Place) -> Option<f64> {
    let input_v = place.input_v.unwrap_or(case.board.nominal_input_v);
    let stand = Stand::new(case, &case.parts[part], place.corner, input_v);
    let condition: &dyn Condition = condition::find(place.condition).expect("a condition");
    let found = condition.simulate(&stand, place).ok()?;
    found.figures.value(id).and_then(Value::number)
}

pub(super) fn bad(side: Side, number: f64) -> f64 {
    match side {
        Side::AtMost => number,
        Side::AtLeast => -number,
        Side::Within => number.abs(),
    }
}

/// The worst corner of a check that has been looked at, against all combinations of six tolerances at either end, in the setting of its
/// finding: that tells of the place with the least margin in uncertainties, which need not be the worst value.
fn assert_worst(comparison: &Comparison, part: usize, finding: &Finding, six: [Parameter; 6]) -> f64 {
    let (case, id, side) = (&comparison.case, finding.quantity.id, finding.quantity.side);
    let results = comparison.parts[part].results.iter();
    let alike = results.filter(|found| Place { corner: finding.place.corner, ..found.place } == finding.place);
    let ours =
        alike.filter_map(|found| found.number(id)).map(|number| bad(side, number)).fold(f64::NEG_INFINITY, f64::max);
    let mut worst = f64::NEG_INFINITY;
    for number in 0..64 {
        let end = |bit: usize| if number >> bit & 1 == 0 { End::Least } else { End::Most };
        let corner =
            six.iter().enumerate().fold(finding.place.corner, |corner, (bit, one)| corner.with(*one, Some(end(bit))));
        let found = value(case, part, id, Place { corner, ..finding.place });
        worst = worst.max(found.map_or(f64::NEG_INFINITY, |number| bad(side, number)));
    }
    let missed = (worst - ours) / worst.abs();
    println!(
        "{} of {}: {ours:.5} in {}, factorial {worst:.5}, missed {missed:.4}",
        id, case.parts[part].name, finding.place.corner
    );
    assert!(missed <= MISSED_REL, "{id}: the factorial finds {worst}, {ours} was found in {}", finding.place.corner);
    missed
}

const SIX: [Parameter; 6] = [
    Parameter::Inductance,
    Parameter::Resistance,
    Parameter::Capacitance,
    Parameter::SeriesResistance,
    Parameter::Frequency,
    Parameter::Reference,
];

/// Steady quantities and the load step of the oven board against the full factorial of six tolerances.
#[test]
fn balance_the_corner_of_a_check_is_the_worst_of_the_factorial() {
    let mut case = case_with("oven-panel", 2);
    case.only_conditions = Some(vec!["steady", "load step"]);
    let comparison = compared(&case);
    let held = ["ripple_20mhz", "dip", "rise", "output_deviation"];
    let findings = comparison.verdicts[1].findings.iter().filter(|finding| held.contains(&finding.quantity.id));
    let close: Vec<&Finding> = findings.filter(|finding| finding.limit.is_some() && !finding.stands_in).collect();
    assert!(close.len() >= 3, "{} checks are held", close.len());
    close.iter().for_each(|finding| {
        assert_worst(&comparison, 1, finding, SIX);
    });
}

/// Ripple current of an inductor, V (1 - D) / (L f): the least frequency sets it, which no corner of inductance and age does.
#[test]
fn closed_form_the_least_frequency_sets_the_ripple() {
    let case = case_with("valve-controller", 1);
    let steady = |corner: Corner| {
        let place =
            Place { condition: "steady", corner, input_v: Some(32.0), load_a: Some(3.0), prebias_v: 0.0, load: 0 };
        value(&case, 0, "inductor_ripple", place).expect("a number")
    };
    let (aged, slow) = (CORNERS[1], CORNERS[1].with(Parameter::Frequency, Some(End::Least)));
    // Saturation and the losses' share of the duty move it by less than two percent more.
    let ratio = steady(slow) / steady(aged) * (1.0 - case.board.tolerances.frequency);
    assert!((ratio - 1.0).abs() < 0.02, "{ratio}");
}

/// Behind a limit that is sensed on the winding a cold one lets more through: 160 mV at -20 C over a resistance that is less by a sixth.
#[test]
fn closed_form_a_cold_winding_of_least_resistance_sets_the_short_circuit() {
    let mut case = case_with("buoy-winch", 1);
    case.board.events = Events { short: case.board.events.short, ..Events::default() };
    case.board.coldest_degc = Some(-20.0);
    case.only_conditions = Some(vec!["short circuit"]);
    let at = |corner: Corner| {
        let place = Place {
            condition: "short circuit",
            corner,
            input_v: Some(32.0),
            load_a: Some(5.0),
            prebias_v: 0.0,
            load: 0,
        };
        value(&case, 0, "short_peak", place).expect("a number")
    };
    let aged = CORNERS[2];
    let cold = aged.with(Parameter::Ambient, Some(End::Least)).with(Parameter::Resistance, Some(End::Least));
    println!("short circuit: {:.2} A aged, {:.2} A cold with the least resistance", at(aged), at(cold));
    assert!(at(cold) > 1.1 * at(aged));
    let comparison = compared(&case);
    let peak_a = |found: &&Figures| found.number("short_peak").unwrap_or(0.0);
    let found = comparison.parts[0].results.iter().max_by(|a, b| peak_a(a).total_cmp(&peak_a(b))).expect("results");
    let end = |parameter| found.place.corner.end_of(parameter);
    assert_eq!((end(Parameter::Ambient), end(Parameter::Resistance)), (Some(End::Least), Some(End::Least)));
}

/// With new capacitors and high inductance the phase margin of the kiosk is the least, not with aged ones.
#[test]
fn balance_new_capacitors_and_high_inductance_set_the_least_phase_margin() {
    let case = case_with("ticket-kiosk", 1);
    let at = |corner: Corner| {
        let place =
            Place { condition: "steady", corner, input_v: Some(36.0), load_a: Some(2.5), prebias_v: 0.0, load: 0 };
        value(&case, 0, "phase_margin", place).expect("a number")
    };
    let new = CORNERS[2].with(Parameter::Capacitance, Some(End::Most));
    assert!(at(new) < at(CORNERS[2]) && at(new) < at(CORNERS[1]), "{} {} {}", at(new), at(CORNERS[2]), at(CORNERS[1]));
}

/// Every tolerance moves its own datum and nothing else, by what the case states.
#[test]
fn closed_form_each_tolerance_moves_its_own_datum() {
    let mut case = case_with("valve-controller", 1);
    case.board.coldest_degc = Some(-15.0);
    let (board, part) = (&case.board, &case.parts[0]);
    let at = |parameter, end| placed(&NOMINAL.with(parameter, Some(end)), &[], board, part).board;
    let slow = at(Parameter::Frequency, End::Least);
    assert!((slow.frequency_hz / board.frequency_hz - (1.0 - board.tolerances.frequency)).abs() < 1e-12);
    // V = Vref (1 + R1 / R2): a reference 1 % up and both resistors at their ends, 0.5 % each over 84 % of the output.
    let high = at(Parameter::Reference, End::Most);
    assert!((high.output_v / 5.0 - 1.0 - (0.01 + 2.0 * 0.005 * 0.84)).abs() < 1e-12);
    let aged = at(Parameter::Capacitance, End::Least);
    let branch = &board.output_bank[0];
    let expected_f = branch.aged_capacitance_f * (1.0 - branch.tolerance);
    assert!((aged.output_bank[0].capacitance_f / expected_f - 1.0).abs() < 1e-12);
    let cold = at(Parameter::Ambient, End::Least);
    assert_eq!(cold.ambient_degc, -15.0);
    // Five times at -20 C, by the same factor with each kelvin below 20 C.
    let stiff = at(Parameter::SeriesResistance, End::Most);
    let electrolytic = stiff.input_bank[1].esr_ohm / board.input_bank[1].esr_ohm;
    assert!((electrolytic - 5f64.powf(35.0 / 40.0)).abs() < 1e-12, "{electrolytic}");
    assert!(PARAMETERS.into_iter().filter(|parameter| parameter.is_on(board, part)).count() >= 8);
}

/// What a corner is called.
#[test]
fn law_a_corner_is_named_by_what_is_off() {
    assert_eq!(CORNERS.map(|corner| corner.name()), ["nominal", "low L, aged", "high L, aged"]);
    let low = CORNERS[1].with(Parameter::Frequency, Some(End::Least));
    assert_eq!(low.name(), "low L, aged, low frequency");
    assert_eq!(low.with(Parameter::Capacitance, Some(End::Most)).name(), "low L, high C, low frequency");
    assert_eq!(CORNERS[0].with(Parameter::Frequency, Some(End::Most)).name(), "nominal, high frequency");
}

/// In the corner that decides a check absent data are run at their ends as well: the comparator's delay of the gauge is nobody's datum,
/// and the light-load ripple of 10 uH is the worst in a corner of its own.
#[test]
fn law_absent_data_are_run_in_the_corner_of_a_check() {
    let mut case = case_with("river-gauge", usize::MAX);
    case.board.events = Events { light_load_a: case.board.events.light_load_a, ..Events::default() };
    case.parts.retain(|part| ["Cattail-15", "Teasel-10"].contains(&part.name.as_str()));
    case.only_conditions = Some(vec!["light load"]);
    let comparison = compared(&case);
    let of_light_load = |finding: &&Finding| finding.quantity.id == "light_ripple";
    let found = comparison.verdicts[1].findings.iter().find(of_light_load).expect("the ripple is limited");
    assert!(!CORNERS.contains(&found.place.corner), "{}", found.place.corner);
    assert!(found.value.ends.is_some(), "{:?}", found.value);
}
