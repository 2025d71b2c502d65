//! Verdicts on hand-made results: values that are only bounds, and what was not calculated.

use crate::support;
use presolder::board::Board;
use presolder::case::Case;
use presolder::condition::CONDITIONS;
use presolder::condition::figures::{PartFigures, Value, Why};
use presolder::corridor::tipping::Tipping;
use presolder::corridor::{self, Depth};
use presolder::judge;
use presolder::judge::State;
use presolder::model::build::Refused;
use presolder::model::case::{Agreed, HouseRules};
use presolder::model::corner::{CORNERS, End, NOMINAL, Parameter, placed};
use presolder::parts::{CapacitorBranch, CoreLoss, Inductor};
use presolder::quantity::{Limit, QUANTITIES, Side};
use presolder::record;
use presolder::record::layout::{Outcome, QuantityRow, Verdict};
use support::{Shown, case_of, part};

fn shown(condition: &'static str, quantity: &'static str, value: f64) -> Vec<Shown> {
    vec![Shown { condition, corner: NOMINAL, input_v: 47.0, load_a: 3.9, values: vec![(quantity, value)] }]
}

fn two(condition: &'static str, quantity: &'static str, values: [f64; 2], bound: bool) -> Vec<PartFigures> {
    let mut parts =
        vec![part(0, &shown(condition, quantity, values[0])), part(1, &shown(condition, quantity, values[1]))];
    if bound {
        parts[1].results[0].values[0].value = Value::AtLeast(values[1]);
    }
    parts
}

/// The row of the quantity, and the verdict as it is recorded.
fn judged(case: &Case, parts: &[PartFigures]) -> (QuantityRow, Verdict) {
    let verdicts = judge::verdicts(case, parts);
    let rows = judge::rows(case, parts, &verdicts);
    (record::row(case, rows.first().expect("a row")), record::verdict(case, parts, &verdicts[1], &Tipping::default()))
}

/// The hold ended within the limit, but the output was not back: that is no pass.
#[test]
fn law_a_recovery_that_did_not_come_is_no_pass() {
    let mut case = case_of(2);
    case.limits.recovery_s = Some(1.9e-3);
    let back = judged(&case, &two("load step", "recovery", [0.9e-3, 1.2e-3], false));
    assert_eq!(back.0.cells[1].as_ref().expect("a cell").state, Some(State::Met));
    let (row, verdict) = judged(&case, &two("load step", "recovery", [0.9e-3, 1.2e-3], true));
    let cell = row.cells[1].as_ref().expect("a cell");
    assert_eq!((&cell.value, &cell.original), (&Value::AtLeast(1.2e-3), &Some(Value::Number(0.9e-3))));
    assert_eq!(cell.state, Some(State::Open));
    assert_eq!(verdict.outcome, Outcome::Undecided);
    assert!(verdict.sentence.contains("more than 1.2 ms, limit 1.9 ms"), "{}", verdict.sentence);
}

#[test]
fn law_a_waveform_that_does_not_repeat_has_no_count() {
    let (row, verdict) = judged(&case_of(2), &two("steady", "periods", [1.0, 128.0], true));
    assert_eq!(row.cells[1].as_ref().expect("a cell").state, Some(State::Missed));
    assert!(verdict.sentence.contains("does not repeat") && !verdict.sentence.contains("128"), "{}", verdict.sentence);
    // Alternating cycles that do repeat are counted.
    let (_, verdict) = judged(&case_of(2), &two("steady", "periods", [1.0, 2.0], false));
    assert!(verdict.sentence.contains("2, limit 1"), "{}", verdict.sentence);
}

/// A requirement that the case does not state is not asked, and the verdict says so.
#[test]
fn law_what_is_not_stated_is_not_asked() {
    let mut case = case_of(2);
    let margins = two("steady", "phase_margin", [31.7, 33.1], false);
    case.limits.phase_margin_deg = Some(45.0);
    let (_, verdict) = judged(&case, &margins);
    assert!(verdict.checks.iter().any(|check| check.requirement == "phase_margin"));
    assert!(!verdict.not_asked.contains(&"phase margin".to_string()));
    case.limits.phase_margin_deg = None;
    let (_, verdict) = judged(&case, &margins);
    assert_eq!(verdict.checks, vec![]);
    assert!(verdict.not_asked.contains(&"phase margin".to_string()), "{:?}", verdict.not_asked);
}

/// Runs tell what is only a bound: the gauge's last part has one at 9.6 V.
#[test]
fn law_runs_tell_what_is_only_a_bound() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/river-gauge");
    let mut case = presolder::case::read(&folder).unwrap_or_else(|error| panic!("{error}"));
    case.board.input_v.retain(|input_v| *input_v < 10.0);
    case.board.load_a.retain(|load_a| *load_a > 1.0 && *load_a < 2.0);
    case.board.load_step = case.board.load_step.map(|step| presolder::board::LoadStep { hold_s: 23e-6, ..step });
    case.limits.recovery_band = 1e-3;
    let names = [case.parts[0].name.clone(), case.parts[case.parts.len() - 1].name.clone()];
    case.parts.retain(|part| names.contains(&part.name));
    let (record, _) = record::compare(&case, Depth::Quick, &|_, _| {}).unwrap_or_else(|error| panic!("{error}"));
    for quantity in ["periods", "recovery"] {
        let row = record.quantities.iter().find(|row| row.quantity == quantity).expect("a row");
        assert!(row.cells[1].as_ref().is_some_and(|cell| cell.value.is_bound()), "{quantity}");
    }
}

/// A bound is past a limit, or inside it, only where all that it leaves open is.
#[test]
fn law_a_bound_is_judged_by_its_direction() {
    let limit = |side| Limit { value: 2.3e-3, side, stated: true };
    let (inside, past) = (1.1e-3, 3.9e-3);
    let cases = [
        (Value::Number(inside), Side::AtMost, State::Met),
        (Value::AtLeast(inside), Side::AtMost, State::Open),
        (Value::AtLeast(past), Side::AtMost, State::Missed),
        (Value::AtMost(inside), Side::AtMost, State::Met),
        (Value::AtMost(past), Side::AtMost, State::Open),
        (Value::AtLeast(past), Side::AtLeast, State::Met),
        (Value::AtLeast(inside), Side::AtLeast, State::Open),
        (Value::AtMost(inside), Side::AtLeast, State::Missed),
        (Value::AtMost(past), Side::AtLeast, State::Open),
        (Value::AtLeast(past), Side::Within, State::Missed),
        (Value::NotComputed(Why::NoBase), Side::AtMost, State::Open),
        (Value::NotComputed(Why::Runaway), Side::AtMost, State::Missed),
    ];
    for (value, side, expected) in cases {
        assert_eq!(judge::sight::state(&value, 1e-6, &limit(side)), expected, "{value:?} {side:?}");
    }
}

/// What could not be calculated in one condition is no pass, and takes nothing else with it.
#[test]
fn law_a_condition_that_was_not_calculated_is_no_pass() {
    let mut case = case_of(2);
    case.limits.ripple_v = Some(41e-3);
    let mut parts = two("steady", "ripple_20mhz", [21e-3, 23e-3], false);
    for part in &mut parts {
        let mut again = part.results[0].clone();
        again.place.input_v = Some(36.0);
        part.results.push(again);
    }
    let why = Why::Told("the sum of all currents is a poem".into());
    parts[1].results[1].values[0].value = Value::NotComputed(why.clone());
    let (row, verdict) = judged(&case, &parts);
    let cell = row.cells[1].as_ref().expect("a cell");
    assert_eq!((&cell.value, cell.state), (&Value::NotComputed(why), Some(State::Open)));
    assert_eq!(verdict.outcome, Outcome::Undecided);
    assert!(verdict.sentence.contains("a poem"), "{}", verdict.sentence);
    assert!(verdict.condition.starts_with("36 V, 3.9 A, nominal"), "{}", verdict.condition);
    // A load that is not delivered is missed, wherever the original delivers it.
    parts[1].results[1].values[0].value = Value::NotComputed(Why::NotDelivered);
    assert_eq!(judged(&case, &parts).1.outcome, Outcome::Fail);
}

/// Nothing is a fraction of nothing: an agreed fraction is then one of a tenth of the limit.
#[test]
fn closed_form_an_agreed_fraction_has_a_base() {
    let mut case = case_of(2);
    case.limits.recovery_s = Some(1e-3);
    case.limits.changes.recovery = Agreed { change: 0.3, stated: true };
    // Of a base of 100 us 30 us are agreed.
    let outcome = |to_s| judged(&case, &two("load step", "recovery", [0.0, to_s], false)).1.outcome;
    assert_eq!((outcome(20e-6), outcome(50e-6)), (Outcome::Pass, Outcome::Fail));
}

/// Losses that cannot be calculated leave the waveforms and their figures.
#[test]
fn law_losses_that_cannot_be_had_leave_the_rest() {
    let bank = vec![CapacitorBranch::new("ceramic", 43e-6, 1.7e-3, 0.4e-9).expect("a branch")];
    let board = Board::peak_current(23.0, 5.1, 2.9, 410e3, bank).expect("a board");
    let mut part = Inductor::new("Teal-10", 10.3e-6, 37e-3).expect("a part");
    part.core_loss =
        Some(CoreLoss::VoltSeconds { loss_w: -0.2, frequency_hz: 390e3, swing_wb: 9.7e-6, alpha: 1.3, beta: 2.2 });
    let other = Inductor { name: "Teal-10-B".into(), dcr_typical_ohm: 31e-3, ..part.clone() };
    let case = Case::new(board, vec![part, other]).expect("a case");
    let comparison = corridor::compare(&case, Depth::Full, &|_, _| {}).unwrap_or_else(|failure| panic!("{failure}"));
    let steady = &comparison.parts[1].results[0];
    assert!(matches!(steady.value("efficiency"), Some(Value::NotComputed(Why::Failed(_)))), "{steady:?}");
    assert!(steady.number("ripple_20mhz").is_some_and(|ripple_v| ripple_v > 1e-4));
    assert_eq!(comparison.verdicts[1].outcome, Outcome::Undecided);
}

/// What conditions promise is in the table, which has every identifier once and says what it is.
#[test]
fn law_every_quantity_of_a_condition_is_in_the_table() {
    let known: Vec<&str> = QUANTITIES.iter().map(|quantity| quantity.id).collect();
    assert!(known.iter().enumerate().all(|(k, id)| !known[..k].contains(id)));
    assert!(QUANTITIES.iter().all(|quantity| quantity.definition.ends_with('.') && !quantity.label.is_empty()));
    for condition in CONDITIONS {
        assert!(!condition.quantities().is_empty());
        assert!(condition.quantities().iter().all(|id| known.contains(id)), "{}", condition.name());
    }
}

/// A corner moves what it lists and nothing else, and what a condition adds leaves the nominal corner alone.
#[test]
fn law_a_corner_moves_what_it_lists() {
    let case = case_of(1);
    let (board, part) = (&case.board, &case.parts[0]);
    let further = [(Parameter::LimitThreshold, End::Most), (Parameter::Resistance, End::Least)];
    let [nominal, low, high] = CORNERS.map(|corner| placed(&corner, &further, board, part));
    assert_eq!((nominal.threshold, nominal.dcr_ohm, nominal.inductance_factor), (None, part.dcr_typical_ohm, 1.0));
    assert_eq!(nominal.board.output_bank, board.output_bank);
    assert_eq!((low.threshold, high.threshold), (Some(End::Most), Some(End::Most)));
    assert!(low.dcr_ohm < part.dcr_typical_ohm, "what the condition drives to an end stands before the corner's own");
    assert!(low.inductance_factor < 1.0 && high.inductance_factor > 1.0);
    assert!(
        low.board.output_bank.iter().zip(&board.output_bank).all(|(aged, new)| aged.capacitance_f <= new.capacitance_f)
    );
    assert_eq!(placed(&CORNERS[1], &[], board, part).dcr_ohm, part.dcr_max_ohm);
}

/// The constructors refuse what the reader of files refuses.
#[test]
fn error_constructors_name_what_they_refuse() {
    let bank = || vec![CapacitorBranch::new("ceramic", 43e-6, 1.7e-3, 0.0).expect("a branch")];
    let refused = |result: Result<Board, Refused>| result.expect_err("it is refused").to_string();
    assert!(
        CapacitorBranch::new("", -1e-6, 0.0, 0.0).expect_err("refused").to_string().contains("capacitance in F is -")
    );
    assert!(Inductor::new("Teal", 0.0, 1e-3).expect_err("refused").to_string().contains("inductance in H is 0"));
    assert!(refused(Board::peak_current(5.0, 5.1, 1.3, 3e5, bank())).contains("less than every input voltage"));
    assert!(refused(Board::peak_current(23.0, 5.1, f64::NAN, 3e5, bank())).contains("load in A is NaN"));
    assert!(refused(Board::peak_current(23.0, 5.1, 1.3, 3e5, vec![])).contains("output capacitor branches is 0"));
    let board = Board::peak_current(23.0, 5.1, 1.3, 3e5, bank()).expect("a board");
    assert!(Case::new(board, vec![]).expect_err("refused").to_string().contains("number of parts is 0"));
}

/// A check by a house rule says file and key; without house rules the list of what is not asked has them as one entry.
#[test]
fn law_a_house_rule_is_shown_with_its_source() {
    let mut case = case_of(2);
    case.parts.iter_mut().for_each(|part| part.max_temperature_degc = Some(125.0));
    let warm = two("steady", "winding_temperature", [87.0, 119.0], false);
    let house =
        |verdict: &Verdict| verdict.not_asked.iter().filter(|asked| asked.starts_with("house")).cloned().collect();
    let (_, verdict) = judged(&case, &warm);
    let not_asked: Vec<String> = house(&verdict);
    assert_eq!(not_asked, ["house rules"]);
    assert!(verdict.checks.iter().all(|check| check.source.is_none()));
    let rules = HouseRules { file: "../deratings.toml".into(), winding_margin_k: Some(15.0), ..HouseRules::default() };
    case.rules = Some(rules);
    let (_, verdict) = judged(&case, &warm);
    assert_eq!(verdict.outcome, Outcome::Fail);
    let said = "Winding temperature, house rule 119.0 °C";
    assert!(
        verdict.sentence.starts_with(said)
            && verdict.sentence.ends_with("limit 110.0 °C (../deratings.toml, winding_margin)"),
        "{}",
        verdict.sentence
    );
    assert_eq!(verdict.checks[0].source.as_deref(), Some("../deratings.toml, winding_margin"));
    let not_asked: Vec<String> = house(&verdict);
    assert!(
        not_asked.contains(&"house voltage".into()) && !not_asked.contains(&"house winding".into()),
        "{not_asked:?}"
    );
}

/// Losses out of all proportion are doubted before everything else, and change nothing: 4 A2 in 1.2 ohm are 4.8 W of 10 W. No demo board
/// has such.
#[test]
fn law_losses_above_a_third_of_the_output_are_doubted() {
    let bank = vec![CapacitorBranch::new("ceramic", 100e-6, 2e-3, 0.0).expect("a branch")];
    let board = Board::peak_current(12.0, 5.0, 2.0, 400e3, bank).expect("a board");
    let part = |name: &str, dcr_ohm: f64| Inductor {
        thermal_resistance_k_per_w: 2.0,
        ..Inductor::new(name, 22e-6, dcr_ohm).expect("a part")
    };
    let mut case = Case::new(board, vec![part("Thick", 20e-3), part("Thin", 1.2)]).expect("a case");
    case.places.insert("Thin".into(), "parts.toml:17".into());
    let quick = |case: &Case| record::compare(case, Depth::Quick, &|_, _| {}).expect("a comparison").0.warnings;
    let of_losses = |warnings: &[String]| -> Vec<String> {
        warnings.iter().filter(|warning| warning.contains("the losses at full load")).cloned().collect()
    };
    let doubts = of_losses(&quick(&case));
    assert!(
        doubts.len() == 1 && doubts[0].starts_with("parts.toml:17: Thin: the losses at full load are "),
        "{doubts:?}"
    );
    assert!(doubts[0].contains("% of the output power, usual is at most 30 %"), "{doubts:?}");
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/oven-panel");
    let mut demo = presolder::case::read(&folder).expect("a demo board");
    demo.parts.truncate(2);
    assert!(of_losses(&quick(&demo)).is_empty());
}
