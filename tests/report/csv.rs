//! Waveforms and quantities as CSV.

use crate::support;
use presolder::report::ReportError;
use presolder::report::csv::{bench_plan, loop_gain, period, quantities, step, waveforms};

/// Numbers are written with twelve significant digits.
const WRITTEN_DIGITS: f64 = 1e-11;

fn parsed(text: &str) -> (Vec<String>, Vec<Vec<f64>>) {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let head = reader.headers().expect("a header").iter().map(String::from).collect();
    let rows = reader.records().map(|row| row.expect("a row").iter().map(|f| f.parse().expect("a number")).collect());
    (head, rows.collect())
}

fn assert_column(rows: &[Vec<f64>], column: usize, values: &[f64]) {
    assert_eq!(rows.len(), values.len());
    for (row, value) in rows.iter().zip(values) {
        assert!(
            (row[column] - value).abs() <= WRITTEN_DIGITS * value.abs(),
            "{} was written as {}",
            value,
            row[column]
        );
    }
}

#[test]
fn law_a_period_reads_back() {
    let curve = &support::comparison(2).1.periods[1];
    let (head, rows) = parsed(&period(curve).expect("a table"));
    assert_eq!(head, ["time_s", "current_a", "output_v", "output_20mhz_v", "switch_v"]);
    assert_column(&rows, 0, &curve.time_s);
    assert_column(&rows, 1, &curve.current_a);
    assert_column(&rows, 3, &curve.output_20mhz_v);
    assert!(rows.windows(2).all(|pair| pair[0][0] <= pair[1][0]), "time ascends");
}

#[test]
fn law_a_step_reads_back() {
    let curve = &support::comparison(3).1.steps[2];
    let (head, rows) = parsed(&step(curve).expect("a table"));
    assert_eq!(head, ["time_s", "output_low_v", "output_high_v", "current_low_a", "current_high_a", "load_a"]);
    assert_column(&rows, 2, &curve.output_high_v);
    assert_column(&rows, 5, &curve.load_a);
}

#[test]
fn law_a_loop_gain_reads_back() {
    let curve = &support::comparison(2).1.loops[1];
    let (head, rows) = parsed(&loop_gain(curve).expect("a table"));
    assert_eq!(head, ["frequency_hz", "gain_db", "phase_deg"]);
    assert_column(&rows, 0, &curve.frequency_hz);
    assert_column(&rows, 1, &curve.gain_db);
    assert_column(&rows, 2, &curve.phase_deg);
}

#[test]
fn law_lines_end_as_rfc_4180_says_and_numbers_have_a_point() {
    let text = period(&support::comparison(2).1.periods[0]).expect("a table");
    assert_eq!(text.matches('\n').count(), text.matches("\r\n").count());
    assert!(text.ends_with("\r\n") && text.is_ascii());
    assert!(!text.contains('"') && !text.contains(';'));
}

#[test]
fn law_one_file_a_part_and_kind() {
    let (_, mut curves) = support::comparison(4);
    assert_eq!(waveforms(&curves).expect("tables").len(), 12);
    curves.steps.clear();
    assert!(waveforms(&curves).expect("tables").iter().all(|file| file.kind != "step"));
    // A part without a loop has no file of one.
    curves.loops[1].frequency_hz.clear();
    let files = waveforms(&curves).expect("tables");
    assert_eq!(files.iter().filter(|file| file.kind == "loop").count(), 3);
}

#[test]
fn law_quantities_hold_every_cell_in_si_units() {
    let (record, _) = support::comparison(4);
    let text = quantities(&record).expect("a table");
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let head = reader.headers().expect("a header").clone();
    let at = |name: &str| head.iter().position(|h| h == name).expect("the column is there");
    let rows: Vec<csv::StringRecord> = reader.records().map(|row| row.expect("a row")).collect();
    assert_eq!(rows.len(), record.quantities.len() * 4);
    let dip = rows.iter().find(|row| &row[at("quantity")] == "dip" && &row[at("part")] == "Kestrel-10").expect("a row");
    let cell = record.quantities[2].cells[1].as_ref().expect("a cell");
    let value: f64 = dip[at("value")].parse().expect("a number");
    assert!((value - cell.value.exact().expect("a number")).abs() <= WRITTEN_DIGITS * value);
    assert_eq!(&dip[at("limit_side")], "at-most");
    assert_eq!(&dip[at("unit")], "V");
    let absent = rows.iter().find(|row| &row[at("quantity")] == "height" && &row[at("part")] == "Harrier-10-HT");
    assert_eq!(&absent.expect("a row")[at("value")], "", "what does not exist is empty, not a number");
}

#[test]
fn law_the_bench_plan_has_a_line_for_every_expected_value() {
    let (record, _) = support::comparison(3);
    let text = bench_plan(&record).expect("a table");
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let head = reader.headers().expect("a header").clone();
    let at = |name: &str| head.iter().position(|h| h == name).expect("the column is there");
    let rows: Vec<csv::StringRecord> = reader.records().map(|row| row.expect("a row")).collect();
    // The measurement and two readings of three parts, and a quantity that nothing reads.
    assert_eq!(rows.len(), 3 * 3 + 1);
    assert_eq!((&rows[0][at("measurement")], &rows[3][at("measurement")]), ("1", ""));
    let value: f64 = rows[2][at("expected")].parse().expect("a number");
    let expected = record.bench_plan.measurements[0].reading.expected[2].value;
    assert!((value - expected).abs() <= WRITTEN_DIGITS * expected);
    assert_eq!(&rows[9][at("answer")], "no-instrument");
    assert_eq!(&rows[9][at("expected")], "");
}

#[test]
fn error_not_finite_and_ragged_columns_are_refused() {
    let (mut record, curves) = support::comparison(2);
    let mut curve = curves.periods[0].clone();
    curve.output_v[17] = f64::NAN;
    let error = period(&curve).expect_err("NaN must not be written").to_string();
    assert!(error.contains("Original-10") && error.contains("output_v") && error.contains("18"), "{error}");
    curve.output_v.truncate(17);
    assert!(matches!(period(&curve), Err(ReportError::Ragged { .. })));
    record.quantities[3].cells[1].as_mut().expect("a cell").uncertainty = f64::INFINITY;
    assert!(matches!(quantities(&record), Err(ReportError::NotFinite { .. })));
}
