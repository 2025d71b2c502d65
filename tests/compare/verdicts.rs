//! Verdicts on hand-made results: values that are only bounds, and defaults that the original breaks too.

use crate::support;
use presolder::board::Board;
use presolder::case::Case;
use presolder::condition::CONDITIONS;
use presolder::condition::figures::{PartFigures, Value, Why};
use presolder::corridor;
use presolder::judge;
use presolder::model::build::Refused;
use presolder::model::case::Agreed;
use presolder::model::corner::{CORNERS, End, NOMINAL, Parameter, placed};
use presolder::parts::{CapacitorBranch, CoreLoss, Inductor};
use presolder::quantity::{Limit, QUANTITIES, Side};
use presolder::record;
use presolder::record::layout::{Judgement, Outcome, QuantityRow, Verdict};
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

fn judged(case: &Case, parts: &[PartFigures]) -> (QuantityRow, Verdict) {
    let rows = judge::rows(case, parts);
    let verdict = record::verdict(case, &rows, parts, &judge::verdict(case, &rows, parts, 1));
    (record::row(rows.first().expect("a row")), verdict)
}

/// The hold ended within the limit, but the output was not back: that is no pass.
#[test]
fn law_a_recovery_that_did_not_come_is_no_pass() {
    let mut case = case_of(2);
    case.limits.recovery_s = Some(1.9e-3);
    let back = judged(&case, &two("load step", "recovery", [0.9e-3, 1.2e-3], false));
    assert_eq!(back.0.cells[1].as_ref().expect("a cell").absolute, Judgement::Pass);
    let (row, verdict) = judged(&case, &two("load step", "recovery", [0.9e-3, 1.2e-3], true));
    let cell = row.cells[1].as_ref().expect("a cell");
    assert_eq!(cell.value, Value::AtLeast(1.2e-3));
    assert!(
        cell.change.as_ref().is_some_and(Value::is_bound) && !row.cells[0].as_ref().expect("a cell").value.is_bound()
    );
    assert_eq!(cell.absolute, Judgement::Inconclusive);
    assert_eq!(verdict.outcome, Outcome::Inconclusive);
    assert!(verdict.sentence.contains("more than 1.2 ms, where the limit is 1.9 ms"), "{}", verdict.sentence);
    assert!(verdict.notes.iter().any(|note| note.contains("at least +33.3 %")), "{:?}", verdict.notes);
}

#[test]
fn law_a_waveform_that_does_not_repeat_has_no_count() {
    let (row, verdict) = judged(&case_of(2), &two("steady", "periods", [1.0, 128.0], true));
    let cell = row.cells[1].as_ref().expect("a cell");
    assert_eq!((cell.absolute, &cell.change), (Judgement::Fail, &None));
    assert!(verdict.sentence.contains("does not repeat") && !verdict.sentence.contains("128"), "{}", verdict.sentence);
    // Alternating cycles that do repeat are counted.
    let (_, verdict) = judged(&case_of(2), &two("steady", "periods", [1.0, 2.0], false));
    assert!(verdict.sentence.contains("2 is past its limit of 1"), "{}", verdict.sentence);
}

/// A default that the original breaks as well decides nothing, and is told.
#[test]
fn law_a_default_that_the_original_breaks_too_is_a_note() {
    let mut case = case_of(2);
    case.limits.phase_margin_deg = None;
    let noted = |case: &Case, values| {
        let (_, verdict) = judged(case, &two("steady", "phase_margin", values, false));
        let note = verdict.notes.iter().find(|note| note.contains("no yardstick")).cloned();
        (verdict.outcome, note)
    };
    let (outcome, note) = noted(&case, [31.7, 33.1]);
    let note = note.expect("a note");
    assert!(note.contains("33.1° is below the default of 45.0°") && note.contains("31.7°"), "{note}");
    assert!(outcome <= Outcome::PassWithNote);
    assert_eq!(noted(&case, [61.7, 33.1]).1, None, "the substitute alone breaks it: a finding, not a remark");
    case.limits.phase_margin_deg = Some(45.0);
    assert_eq!(noted(&case, [31.7, 33.1]).1, None, "a stated limit is a finding of its own");
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
    let (record, _) = record::compare(&case, &|_, _| {}).unwrap_or_else(|error| panic!("{error}"));
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
        (Value::Number(inside), Side::AtMost, Judgement::Pass),
        (Value::AtLeast(inside), Side::AtMost, Judgement::Inconclusive),
        (Value::AtLeast(past), Side::AtMost, Judgement::Fail),
        (Value::AtMost(inside), Side::AtMost, Judgement::Pass),
        (Value::AtMost(past), Side::AtMost, Judgement::Inconclusive),
        (Value::AtLeast(past), Side::AtLeast, Judgement::Pass),
        (Value::AtLeast(inside), Side::AtLeast, Judgement::Inconclusive),
        (Value::AtMost(inside), Side::AtLeast, Judgement::Fail),
        (Value::AtLeast(past), Side::Within, Judgement::Fail),
        (Value::NotComputed(Why::NoBase), Side::AtMost, Judgement::Inconclusive),
    ];
    for (value, side, expected) in cases {
        assert_eq!(judge::judge(&value, 1e-6, &limit(side)), expected, "{value:?} {side:?}");
    }
}

/// What could not be calculated in one condition is no pass, and takes nothing else with it.
#[test]
fn law_a_condition_that_was_not_calculated_is_no_pass() {
    let mut case = case_of(2);
    case.limits.ripple_v = Some(41e-3);
    let mut parts = two("steady", "ripple_20mhz", [21e-3, 23e-3], false);
    let why = Why::Told("the sum of all currents is a poem".into());
    let again = parts[1].results[0].clone();
    parts[1].results.push(again);
    parts[1].results[1].place.input_v = Some(36.0);
    parts[1].results[1].values[0].value = Value::NotComputed(why.clone());
    let (row, verdict) = judged(&case, &parts);
    let cell = row.cells[1].as_ref().expect("a cell");
    assert_eq!((&cell.value, cell.absolute), (&Value::Number(23e-3), Judgement::Inconclusive));
    assert_eq!(verdict.outcome, Outcome::Inconclusive);
    assert!(verdict.sentence.contains("a poem (36 V, 3.9 A, nominal)"), "{}", verdict.sentence);
    // A load that is not delivered is judged as such and leaves nothing open.
    parts[1].results[1].values[0].value = Value::NotComputed(Why::NotDelivered);
    assert_eq!(judged(&case, &parts).0.cells[1].as_ref().map(|cell| cell.absolute), Some(Judgement::Pass));
}

/// Nothing is a fraction of nothing: the difference is told in its unit.
#[test]
fn law_a_change_from_nothing_is_no_ratio() {
    let mut case = case_of(2);
    case.limits.recovery_s = None;
    let (row, verdict) = judged(&case, &two("load step", "recovery", [0.0, 83e-6], false));
    let cell = row.cells[1].as_ref().expect("a cell");
    assert!(matches!(cell.change, Some(Value::NotComputed(_))), "{:?}", cell.change);
    assert_eq!(verdict.outcome, Outcome::PassWithNote);
    let said = [&verdict.sentence].into_iter().chain(&verdict.notes).find(|said| said.contains("+83 µs against"));
    assert!(said.is_some_and(|said| said.contains("next to none")), "{verdict:?}");
    case.limits.changes.recovery = Agreed { change: 0.3, stated: true };
    let (_, verdict) = judged(&case, &two("load step", "recovery", [0.0, 83e-6], false));
    assert_eq!(verdict.outcome, Outcome::Inconclusive);
}

/// Losses that cannot be calculated leave the waveforms and their figures.
#[test]
fn law_losses_that_cannot_be_had_leave_the_rest() {
    let bank = vec![CapacitorBranch::new("ceramic", 43e-6, 1.7e-3, 0.4e-9).expect("a branch")];
    let board = Board::peak_current(23.0, 5.1, 2.9, 410e3, bank).expect("a board");
    let mut part = Inductor::new("Teal-10", 10.3e-6, 37e-3).expect("a part");
    part.core_loss =
        Some(CoreLoss::VoltSeconds { loss_w: -0.2, frequency_hz: 390e3, swing_wb: 9.7e-6, alpha: 1.3, beta: 2.2 });
    let twin = Inductor { name: "Teal-10-B".into(), ..part.clone() };
    let case = Case::new(board, vec![part, twin]).expect("a case");
    let comparison = corridor::compare(&case, &|_, _| {}).unwrap_or_else(|failure| panic!("{failure}"));
    let steady = &comparison.parts[1].results[0];
    assert!(matches!(steady.value("efficiency"), Some(Value::NotComputed(Why::Failed(_)))), "{steady:?}");
    assert!(steady.number("ripple_20mhz").is_some_and(|ripple_v| ripple_v > 1e-4));
    assert_eq!(comparison.verdicts[0].outcome, Outcome::Inconclusive);
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
    assert_eq!(nominal.bank, board.output_bank);
    assert_eq!((low.threshold, high.threshold), (Some(End::Most), Some(End::Most)));
    assert!(low.dcr_ohm < part.dcr_typical_ohm, "what the condition drives to an end stands before the corner's own");
    assert!(low.inductance_factor < 1.0 && high.inductance_factor > 1.0);
    assert!(low.bank.iter().zip(&board.output_bank).all(|(aged, new)| aged.capacitance_f <= new.capacitance_f));
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
