//! The comparison as text.

use crate::support;
use presolder::record::layout::{ChangeKind, LimitRecord, QuantityRow, Side, State, Value};
use presolder::report::html;
use presolder::report::number::{RowFormat, Scale, quantity};
use presolder::report::text::{bench_tests, comparison, data, outcome_name, part, quantities, short};

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
fn law_a_long_part_name_stands_whole_beside_its_outcome() {
    let long = "Peregrine-10-HT-W5-reel-of-1500-pieces";
    let text = comparison(&support::comparison_of(&["Original-10", long]).0, 80);
    assert!(text.lines().all(|line| line.chars().count() <= 80));
    assert!(text.contains(&format!("\n{long}  NO WORSE")), "{text}");
}

#[test]
fn law_every_part_has_a_column_and_every_substitute_an_outcome() {
    let (record, _) = support::comparison(8);
    let text = comparison(&record, 80);
    let heads: Vec<&str> = text.lines().filter(|line| line.starts_with("What decides")).collect();
    for verdict in &record.verdicts {
        // A column is at least nine wide; what is longer keeps its begin and its end.
        let (begin, end) = (&verdict.part[..3], &verdict.part[verdict.part.len() - 3..]);
        let is_it = |name: &str| name.starts_with(begin) && name.ends_with(end);
        assert!(heads.iter().any(|head| head.split(' ').any(is_it)), "{}: {heads:?}", verdict.part);
        let decided = text.lines().find(|line| line.starts_with(&verdict.part)).expect("a line of its own");
        assert!(decided.contains(outcome_name(verdict.outcome)), "{decided}");
        // What a part that fails would need may be left out; what would decide is not.
        let may_lack = verdict.outcome == presolder::record::layout::Outcome::Fail;
        assert!(may_lack || text.contains(&verdict.next[..20]), "{} without a next step", verdict.part);
    }
    assert!(heads.iter().all(|head| head.contains("Ori")), "the original leads every block");
    let fitted = text.find("Fitted: Original-10. It meets").expect("the original's own state");
    assert!(fitted < text.find("Kestrel-10").expect("a verdict"), "it comes first");
}

/// A line of the 40 is the caller's: where everything else is.
#[test]
fn law_the_first_screen_of_four_parts_has_forty_lines_of_eighty_columns() {
    for parts in 2..=4 {
        let text = comparison(&support::comparison(parts).0, 80);
        assert!(text.lines().count() < 40, "{parts} parts:\n{text}");
    }
}

#[test]
fn law_a_corner_in_signs() {
    for (place, signs) in [
        ("32 V, 3 A, low L, aged, high DCR", "32 V, 3 A, L- aged DCR+"),
        ("short circuit, 32 V, nominal", "short circuit, 32 V, nominal"),
        ("nominal, high L, low frequency", "L+ f-"),
        ("start at 2 V, 18 V, high L, typical limit, low reference", "start at 2 V, 18 V, L+ limit typ. ref-"),
        ("overload, 22 V, low L, aged, high core loss, cold", "overload, 22 V, L- aged core+ cold"),
        ("", ""),
    ] {
        assert_eq!(short(place), signs);
    }
}

/// What the first screen leaves out is printed on request, in lines as wide as asked for.
#[test]
fn law_everything_else_is_told_on_request() {
    let record = support::comparison(4).0;
    let name = &record.verdicts[0].part;
    let texts = [quantities(&record, 80), part(&record, name, 80).expect("there is that part"), data(&record, 80)];
    for text in &texts {
        assert!(text.lines().all(|line| line.chars().count() <= 80 && line == line.trim_end()), "{text}");
    }
    for row in &record.quantities {
        assert!(texts[0].contains(&format!("\n{}", row.label)), "{} is missing", row.label);
    }
    for check in &record.verdicts[0].checks {
        assert!(texts[1].contains(&check.label), "{} is missing", check.label);
    }
    for origin in &record.origins {
        assert!(texts[2].contains(&origin.datum), "{} is missing", origin.datum);
    }
    assert_eq!(part(&record, "Nobody-1", 80), None);
}

#[test]
fn law_no_control_codes_and_no_trailing_blanks() {
    let text = comparison(&support::comparison(4).0, 80);
    assert!(text.chars().all(|c| c == '\n' || !c.is_control()));
    assert!(text.lines().all(|line| line == line.trim_end()));
}

/// What is not asked and not judged, and how much is open, stands under every result.
#[test]
fn law_an_outcome_says_what_it_covers() {
    let text = comparison(&support::comparison(4).0, 80);
    for line in ["Not asked           short circuit, input step", "Not judged          emissions", "Open checks "] {
        assert!(text.contains(&format!("\n{line}")), "{line} is missing:\n{text}");
    }
}

#[test]
fn law_the_bench_plan_is_named_below_the_outcomes_and_told_in_full_on_request() {
    let mut record = support::comparison(4).0;
    let text = comparison(&record, 80);
    let plan = text.find("Bench tests").expect("the plan");
    assert!(plan > text.find("\nKestrel-10 ").expect("a verdict"), "the decision comes first");
    assert!(text[plan..].contains("1. output ripple, 20 MHz low-pass (32 V input, 3 A load)"), "{text}");
    let told = bench_tests(&record, 80);
    for part in ["- Kestrel-10:    27.31 ±0.82 mV, the same", "Equal for this bench: Original-10 and Kestrel-10"] {
        assert!(told.contains(part), "{part} is missing:\n{told}");
    }
    record.bench_plan = Default::default();
    assert!(!comparison(&record, 80).contains("Bench tests"), "a record without a plan has none");
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
    // The limit is 30 mV.
    let row = row(ChangeKind::Fraction, "V");
    let format = RowFormat::of(&row);
    let mut cell = row.cells[1].clone().expect("the second part has a value");
    let base = 10e-3;
    cell.original = Some(Value::Number(base));
    for (change, text) in [(0.151, "+15 %"), (-0.0421, "-4.2 %"), (0.00001, "0 %"), (12.3, "+1230 %")] {
        cell.value = Value::Number(base * (1.0 + change));
        assert_eq!(format.change(&cell).as_deref(), Some(text));
    }
    for (share, text) in [(0.474, "47 %"), (0.997, "99.7 %"), (1.0, "100 %"), (1.004, "100.4 %"), (12.0, ">999 %")] {
        cell.value = Value::Number(share * 30e-3);
        assert_eq!(format.used(&cell).as_deref(), Some(text));
    }
    // Below a tenth of the limit the original is no base: the difference is told in the unit.
    cell.original = Some(Value::Number(2.9e-3));
    cell.value = Value::Number(5.2e-3);
    assert_eq!(format.change(&cell).as_deref(), Some("+2.30 mV"));
}

/// What had not come when the watch ended is said in words, in its row's unit where it has one, and is no base of a change.
#[test]
fn closed_form_a_bound_is_no_count_and_no_time() {
    let mut row = row(ChangeKind::Fraction, "s");
    row.cells.iter_mut().flatten().for_each(|cell| cell.value = Value::AtLeast(1.2e-3));
    let cell = row.cells[1].clone().expect("the second part has a value");
    assert_eq!(RowFormat::of(&row).value(&cell), ">1.2");
    assert_eq!(RowFormat::of(&row).change(&cell), None);
    row.unit = String::new();
    assert_eq!(RowFormat::of(&row).value(&cell), "no repeat");
    assert_eq!(RowFormat::of(&row).used(&cell), None);
}

#[test]
fn closed_form_shares_differ_by_points_and_temperatures_by_kelvins() {
    let mut row = row(ChangeKind::Difference, "fraction");
    row.limit = None;
    row.cells.iter_mut().flatten().for_each(|cell| cell.value = Value::Number(0.931));
    let mut cell = row.cells[1].clone().expect("the second part has a value");
    let mut changed = |row: &QuantityRow, value: f64, base: f64| {
        cell.value = Value::Number(value);
        cell.original = Some(Value::Number(base));
        RowFormat::of(row).change(&cell)
    };
    assert_eq!(changed(&row, 0.9239, 0.931).as_deref(), Some("-0.71 points"));
    row.unit = "degC".into();
    row.cells.iter_mut().flatten().for_each(|cell| cell.value = Value::Number(88.31));
    assert_eq!(changed(&row, 95.31, 88.31).as_deref(), Some("+7.00 K"));
}

/// A part that is judged by another limit than the original shows it, and its share is of that one.
#[test]
fn closed_form_a_part_shows_its_own_limit() {
    let (mut record, curves) = support::comparison(2);
    let row = record.quantities.iter_mut().find(|row| row.quantity == "phase_margin").expect("the fixture has one");
    let cell = row.cells[1].as_mut().expect("a value");
    cell.own_limit = Some(LimitRecord { value: 52.0, side: Side::AtLeast, stated: true });
    cell.state = Some(State::Open);
    let (cell, format) = (cell.clone(), RowFormat::of(row));
    assert_eq!(format.own_limit(&cell).as_deref(), Some("min 52 °"));
    // 52 / 55.9 = 0.930
    assert_eq!(format.used(&cell).as_deref(), Some("93 %"));
    assert!(html::page(&record, &curves).expect("a page").contains(">min 52 °<"));
}

#[test]
fn closed_form_a_lowest_allowed_value_uses_limit_over_value() {
    let (record, _) = support::comparison(2);
    let row = record.quantities.iter().find(|row| row.quantity == "phase_margin").expect("the fixture has one");
    let cell = row.cells[0].as_ref().expect("the original has a value");
    // 45 / 58.7 = 0.7666
    assert_eq!(RowFormat::of(row).used(cell).as_deref(), Some("77 %"));
}

/// The soak stands in the full plan and on the page, with its range where one can be seen; what runs away has no settled value.
#[test]
fn law_a_soak_is_told_part_by_part() {
    let (mut record, curves) = support::comparison(2);
    assert!(!comparison(&record, 80).contains("Soak"));
    record.bench_plan.soak = Some(support::soak());
    let words = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words(&comparison(&record, 80)).contains("soak 37 min (steady after 19 to 36), then 1. "));
    let (told, page) = (words(&bench_tests(&record, 120)), html::page(&record, &curves).unwrap());
    let both = [
        "Soak at 24 V input, 3 A load, from cold at 31 °C: at least 37 min; steady: so and so",
        "settles at 77.3 °C, steady after 28 (19 to 36) min, then at most 1.4 K to come",
        "resistance × 1.174 (1.171 to 1.175); low after switching off by: 5 s 1.7 (0.9 to 3.1) K; body 66 to 75 °C",
        "no settled value, losses and temperature have no balance; passes 125 °C after 3.7 (2.9 to 4.8) min: stop before",
    ];
    for line in both {
        assert!(told.contains(line) && page.contains(line), "{line} in {told}");
    }
    assert!(
        told.contains("Original-10: 2 min 44 (41 to 52) °C;") && told.contains("Kestrel-10: 2 min 93 °C;"),
        "{told}"
    );
    assert!(page.contains("44 (41 to 52) °C</td>") && page.contains("28 (19 to 36) min</td>"));
}
