//! Verdicts on hand-made results: values that are only bounds, and defaults that the original breaks too.

use crate::support;
use presolder::case::Case;
use presolder::condition::figures::{PartFigures, Value};
use presolder::judge;
use presolder::model::corner::NOMINAL;
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
