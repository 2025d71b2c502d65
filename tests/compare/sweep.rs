//! Units between the ends of their tolerances, and a sweep against its units run one by one.

use super::corners::case_with;
use presolder::case::Case;
use presolder::condition::figures::{Place, Value};
use presolder::condition::stand::Stand;
use presolder::condition::{self};
use presolder::corridor::sweep::{How, Plan, Sweep, tolerances};
use presolder::model::between::between;
use presolder::model::corner::{Corner, End, NOMINAL, PARAMETERS, Parameter, Placed, placed};

const BOARDS: [&str; 5] = ["ticket-kiosk", "valve-controller", "oven-panel", "river-gauge", "buoy-winch"];
/// A few roundings of numbers that are multiplied and added in another order.
const ROUNDING: f64 = 1e-12;
/// Steady states are iterated to less than this of their ripple, from wherever they begin.
const ITERATED: f64 = 1e-6;
/// Part of every board that is looked at.
const PART: usize = 1;

/// What a corner does to a board and a part, as numbers.
fn numbers(placed: &Placed, threshold: f64) -> Vec<f64> {
    let board = &placed.board;
    let banks = || board.output_bank.iter().chain(&board.input_bank);
    let mut all =
        vec![placed.inductance_factor, placed.dcr_ohm, placed.core_factor, board.ambient_degc, board.output_v];
    all.extend([board.frequency_hz, threshold, board.control.compensator.reference_v().unwrap_or(0.0)]);
    all.extend(banks().flat_map(|branch| [branch.capacitance_f, branch.esr_ohm]));
    all
}

/// The threshold that a corner of a case has.
fn threshold(case: &Case, end: Option<End>) -> f64 {
    let ends = case.board.control.protection.current_limit.map_or((0.0, 0.0, 0.0), |limit| limit.threshold);
    match end {
        None => ends.1,
        Some(End::Least) => ends.0,
        Some(End::Most) => ends.2,
    }
}

fn at_corner(case: &Case, corner: Corner) -> Vec<f64> {
    let placed = placed(&corner, &[], &case.board, &case.parts[PART]);
    let threshold = threshold(case, placed.threshold);
    numbers(&placed, threshold)
}

fn at_position(case: &Case, parameter: Parameter, position: f64) -> Vec<f64> {
    let (unit, corner) = between(case, PART, &[(parameter, position)]);
    at_corner(&unit, corner)
}

/// At its ends a unit is what the corner is, and between them between the two: each tolerance on every board.
#[test]
fn law_a_unit_at_an_end_is_the_corner_and_one_between_lies_between() {
    let mut tried = 0;
    for name in BOARDS {
        let mut case = case_with(name, PART + 1);
        case.board.coldest_degc = Some(-17.0);
        for parameter in PARAMETERS.into_iter().filter(|one| one.is_on(&case.board, &case.parts[PART])) {
            let ends = [End::Least, End::Most].map(|end| at_corner(&case, NOMINAL.with(parameter, Some(end))));
            let close = |a: &[f64], b: &[f64]| a.iter().zip(b).all(|(a, b)| (a - b).abs() <= ROUNDING * b.abs());
            assert!(close(&at_position(&case, parameter, 0.0), &ends[0]), "{name}: {parameter:?} at its least");
            assert!(close(&at_position(&case, parameter, 1.0), &ends[1]), "{name}: {parameter:?} at its most");
            let [some, more] = [0.31, 0.74].map(|position| at_position(&case, parameter, position));
            for (number, (least, most)) in ends[0].iter().zip(&ends[1]).enumerate() {
                let slack = ROUNDING * most.abs();
                let in_order = |a: f64, b: f64, c: f64, d: f64| a <= b + slack && b <= c + slack && c <= d + slack;
                let rising = in_order(*least, some[number], more[number], *most);
                let falling = in_order(*most, more[number], some[number], *least);
                assert!(
                    rising || falling,
                    "{name}: {parameter:?}: {least}, {}, {}, {most}",
                    some[number],
                    more[number]
                );
            }
            tried += 1;
        }
    }
    assert!(tried >= 35, "{tried} tolerances are tried");
}

/// What stands between the ends, worked out by hand.
#[test]
fn closed_form_what_lies_between_two_ends() {
    let mut case = case_with("valve-controller", PART + 1);
    case.board.coldest_degc = Some(-20.0);
    let at = |parameter, position| {
        let (unit, corner) = between(&case, PART, &[(parameter, position)]);
        placed(&corner, &[], &unit.board, &unit.parts[PART])
    };
    let (board, part) = (&case.board, &case.parts[PART]);
    let close =
        |found: f64, expected: f64| assert!((found / expected - 1.0).abs() < ROUNDING, "{found}, not {expected}");
    close(at(Parameter::Inductance, 0.3).inductance_factor, 1.0 - 0.4 * part.tolerance);
    close(
        at(Parameter::Frequency, 0.8).board.frequency_hz,
        board.frequency_hz * (1.0 + 0.6 * board.tolerances.frequency),
    );
    let branch = &board.output_bank[0];
    let (aged_f, new_f) =
        (branch.aged_capacitance_f * (1.0 - branch.tolerance), branch.capacitance_f * (1.0 + branch.tolerance));
    close(at(Parameter::Capacitance, 0.25).board.output_bank[0].capacitance_f, 0.75 * aged_f + 0.25 * new_f);
    // An electrolytic branch has five times its resistance at -20 C, and the root of that half way.
    let cold = &board.input_bank[1];
    close(
        at(Parameter::SeriesResistance, 0.5).board.input_bank[1].esr_ohm,
        cold.esr_ohm * (5.0 * cold.least_esr).sqrt(),
    );
    close(at(Parameter::Ambient, 0.5).board.ambient_degc, 0.5 * (board.ambient_degc - 20.0));
}

/// Every combination of two tolerances in a sweep is what a stand in that corner shows, the worst of all inputs and loads.
#[test]
fn law_a_factorial_is_its_corners_run_one_by_one() {
    let case = case_with("oven-panel", PART + 1);
    let steady = condition::find("steady").expect("it is registered");
    let two = vec![Parameter::Inductance, Parameter::Frequency];
    assert!(two.iter().all(|one| tolerances(&case, &[PART]).contains(one)));
    let plan = Plan { parts: vec![PART], tolerances: two.clone(), conditions: vec![steady], how: How::Factorial };
    let sweep = Sweep::new(&case, plan).expect("it is laid out");
    let column = sweep.columns.iter().position(|column| column.quantity.id == "ripple_20mhz").expect("it is limited");
    let mut units = vec![];
    let mut take = |unit| {
        units.push(unit);
        true
    };
    sweep.run(0, &mut take, &|_, _| {}).expect("it runs");
    assert_eq!(units.iter().map(|unit| unit.number).collect::<Vec<_>>(), [0, 1, 2, 3]);
    for unit in &units {
        let end = |position: f64| if position == 0.0 { End::Least } else { End::Most };
        let corner =
            two.iter().zip(&unit.positions).fold(NOMINAL, |corner, (one, at)| corner.with(*one, Some(end(*at))));
        let mut worst_v = 0f64;
        for &input_v in &sweep.case.board.input_v {
            let stand = Stand::new(&sweep.case, &sweep.case.parts[PART], corner, input_v);
            for place in steady.places(&stand) {
                let found = steady.simulate(&stand, Place { corner, ..place }).expect("it is steady").figures;
                worst_v = worst_v.max(found.number("ripple_20mhz").expect("it has a ripple"));
            }
        }
        let shown_v = unit.values[column].as_ref().and_then(Value::exact).expect("a number");
        assert!((shown_v / worst_v - 1.0).abs() < ITERATED, "{shown_v} V in the sweep, {worst_v} V in {corner}");
    }
}
