//! The comparison as text.

use crate::support;
use presolder::record::layout::{ChangeKind, Judgement, LimitRecord, QuantityRow, Side, Value};
use presolder::report::number::{RowFormat, Scale, quantity};
use presolder::report::text::comparison;

#[test]
fn law_no_line_is_wider_than_asked_for_two_to_eight_parts() {
    for parts in 2..=8 {
        for width in [40, 61, 80, 100, 133] {
            let text = comparison(&support::comparison(parts).0, width);
            for line in text.lines() {
                assert!(line.chars().count() <= width, "{parts} parts, {width} columns: {line}");
            }
        }
    }
}

#[test]
fn law_a_long_part_name_is_broken_and_never_cut() {
    let long = "Peregrine-10-HT-W5-reel-of-1500-pieces";
    let text = comparison(&support::comparison_of(&["Original-10", long]).0, 80);
    assert!(text.lines().all(|line| line.chars().count() <= 80));
    for piece in ["Peregrine-10-H", "T-W5-reel-of-1", "500-pieces"] {
        assert!(text.contains(piece), "{piece} is missing:\n{text}");
    }
}

#[test]
fn law_every_part_has_a_column_and_every_substitute_a_verdict() {
    let (record, _) = support::comparison(8);
    let text = comparison(&record, 80);
    let heads: Vec<&str> = text.lines().filter(|line| line.starts_with("Quantity")).collect();
    for part in &record.parts {
        assert!(heads.iter().any(|head| head.contains(&part.name)));
    }
    assert!(heads.iter().all(|head| head.contains("Original-10")), "the original leads every block");
    for verdict in &record.verdicts {
        assert!(text.contains(&format!("{}: ", verdict.part)));
    }
}

#[test]
fn law_no_control_codes_and_no_trailing_blanks() {
    let text = comparison(&support::comparison(4).0, 80);
    assert!(text.chars().all(|c| c == '\n' || !c.is_control()));
    assert!(text.lines().all(|line| line == line.trim_end()));
}

#[test]
fn law_marks_are_explained_only_where_they_occur() {
    let mut record = support::comparison(2).0;
    let text = comparison(&record, 80);
    assert!(text.contains("\n~ a change that the stated bench would not see\n"));
    for cell in record.quantities.iter_mut().flat_map(|row| row.cells.iter_mut().flatten()) {
        cell.bench_sees = cell.change.as_ref().map(|_| true);
    }
    assert!(!comparison(&record, 80).contains("\n~ "));
}

#[test]
fn law_the_bench_plan_is_told_with_its_expected_values_or_not_at_all() {
    let mut record = support::comparison(4).0;
    let text = comparison(&record, 80);
    let plan = text.find("Which test would show it: ").expect("the plan");
    assert!(plan < text.find("\nKestrel-10: ").expect("a verdict"), "verdicts come last");
    for part in ["- Kestrel-10:    27.31 ±0.82 mV, the same", "Equal for this bench: Original-10 and Kestrel-10"] {
        assert!(text.contains(part), "{part} is missing:\n{text}");
    }
    record.bench_plan = Default::default();
    assert!(!comparison(&record, 80).contains("Which test"), "a record without a plan has none");
}

#[test]
fn frozen_text_of_four_parts() {
    let text = comparison(&support::comparison(4).0, 80);
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/frozen/report_comparison.txt");
    if std::env::var_os("PRESOLDER_FREEZE").is_some() {
        std::fs::write(path, &text).expect("the frozen text can be written");
    }
    let frozen = std::fs::read_to_string(path).expect("the frozen text is there");
    assert_eq!(text, frozen.replace("\r\n", "\n"), "set PRESOLDER_FREEZE to accept the new text");
}

#[test]
fn closed_form_prefix_and_digits() {
    for (value, unit, text) in [
        (0.02731, "V", "27.31 mV"),
        (9.7e-6, "H", "9.7 µH"),
        (0.0187, "ohm", "18.7 mΩ"),
        (417e3, "Hz", "417 kHz"),
        (88.31, "degC", "88.31 °C"),
        (0.9231, "", "0.9231"),
        (-0.0, "V", "0 V"),
        (1234.5, "s", "1234 s"),
        (2.0e7, "W", "20000 kW"),
        (3.17e14, "", "3.17e14"),
        (4.2e-9, "", "4.20e-9"),
    ] {
        assert_eq!(quantity(value, unit), text);
    }
    let scale = Scale::of([0.0273, 0.000153], "V");
    assert_eq!(scale.number(0.0273), "27.30");
    assert_eq!(scale.number(0.000153), "0.153", "a small value keeps three digits in the row's prefix");
}

fn row(change_kind: ChangeKind, unit: &str) -> QuantityRow {
    let mut row = support::comparison(2).0.quantities.remove(0);
    row.change_kind = change_kind;
    row.unit = unit.into();
    row
}

#[test]
fn closed_form_changes_and_shares() {
    let row = row(ChangeKind::Fraction, "V");
    let format = RowFormat::of(&row);
    let mut cell = row.cells[1].clone().expect("the second part has a value");
    for (change, text) in [(0.151, "+15.1 %"), (-0.0421, "-4.21 %"), (0.00001, "0 %"), (12.3, "+1230 %")] {
        cell.change = Some(Value::Number(change));
        assert_eq!(format.change(&cell).as_deref(), Some(text));
    }
    for (share, text) in [(0.474, "47 %"), (0.997, "99.7 %"), (1.0, "100 %"), (1.004, "100.4 %"), (12.0, ">999 %")] {
        cell.share_of_limit = Some(share);
        assert_eq!(format.used(&cell).as_deref(), Some(text));
    }
}

/// What had not come when the watch ended is said in words, in its row's unit where it has one.
#[test]
fn closed_form_a_bound_is_no_count_and_no_time() {
    let mut row = row(ChangeKind::Fraction, "s");
    let cells = row.cells.iter_mut().flatten();
    cells.for_each(|cell| {
        cell.value = Value::AtLeast(1.2e-3);
        cell.change = cell.change.take().and_then(|change| change.number()).map(Value::AtLeast);
    });
    let cell = row.cells[1].clone().expect("the second part has a value");
    assert_eq!(RowFormat::of(&row).value(&cell), ">1.2");
    assert_eq!(RowFormat::of(&row).change(&cell).map(|change| change.starts_with(">+")), Some(true));
    row.unit = String::new();
    assert_eq!(RowFormat::of(&row).value(&cell), "no repeat");
    assert_eq!(RowFormat::of(&row).used(&cell), None);
}

#[test]
fn closed_form_shares_differ_by_points_and_temperatures_by_kelvins() {
    let mut row = row(ChangeKind::Difference, "fraction");
    row.cells.iter_mut().flatten().for_each(|cell| cell.value = Value::Number(0.931));
    row.agreed_change = Some(LimitRecord { value: -0.003, side: Side::AtLeast, stated: false });
    let mut cell = row.cells[1].clone().expect("the second part has a value");
    cell.change = Some(Value::Number(-0.0071));
    assert_eq!(RowFormat::of(&row).change(&cell).as_deref(), Some("-0.71 points"));
    assert_eq!(RowFormat::of(&row).agreed_change().as_deref(), Some("change min -0.3 points*"));
    row.unit = "degC".into();
    row.agreed_change = Some(LimitRecord { value: 7.0, side: Side::AtMost, stated: true });
    assert_eq!(RowFormat::of(&row).agreed_change().as_deref(), Some("change max +7 K"));
}

/// A part that is judged by another limit than the original shows it, and its share is of that one.
#[test]
fn closed_form_a_part_shows_its_own_limit() {
    let mut record = support::comparison(2).0;
    let row = record.quantities.iter_mut().find(|row| row.quantity == "phase_margin").expect("the fixture has one");
    let cell = row.cells[1].as_mut().expect("a value");
    cell.own_limit = Some(LimitRecord { value: 52.0, side: Side::AtLeast, stated: false });
    cell.absolute = Judgement::Inconclusive; // a row well inside its limits is not in the table
    let (cell, format) = (cell.clone(), RowFormat::of(row));
    assert_eq!(format.own_limit(&cell).as_deref(), Some("min 52 °*"));
    // 52 / 55.9 = 0.930
    assert_eq!(format.used(&cell).as_deref(), Some("93 %"));
    assert!(comparison(&record, 80).contains(" min 52 °*"));
}

#[test]
fn closed_form_a_lowest_allowed_value_uses_limit_over_value() {
    let (record, _) = support::comparison(2);
    let row = record.quantities.iter().find(|row| row.quantity == "phase_margin").expect("the fixture has one");
    let cell = row.cells[0].as_ref().expect("the original has a value");
    // 45 / 58.7 = 0.7666
    assert_eq!(RowFormat::of(row).used(cell).as_deref(), Some("77 %"));
}
