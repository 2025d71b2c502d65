//! `calibration.toml` read back: refused where it is of another board, taken into the case where it is of this one.

use crate::measured::{Bench, bench};
use presolder::case::{self, Case, calibration};
use presolder::corridor::{calibrated, doubts};
use presolder::model::doubt::{Doubt, Nature, Owner};
use std::fs;

const ESR: &str = "output.capacitors[0].esr";
const COOLING: (&str, &str) = ("thermal_resistance", "factor on the thermal resistance that this board makes");
/// Values are written to six digits.
const WRITTEN: f64 = 1e-5;

/// The doubt about a datum of the board.
fn doubt(case: &Case, part: usize, key: &str, label: &str) -> Doubt {
    let is_it = |doubt: &Doubt| doubt.owner == Owner::Board && doubt.key == key && doubt.rule.label == label;
    doubts(case, part).into_iter().find(is_it).unwrap_or_else(|| panic!("nothing is doubtful about {key}, {label}"))
}

fn esr_label(case: &Case) -> String {
    let of_esr = |doubt: &Doubt| doubt.owner == Owner::Board && doubt.key == ESR;
    doubts(case, 0).into_iter().find(of_esr).expect("the ESR is doubtful").rule.label.into()
}

fn datum(key: &str, label: &str, of_part: bool, value: &str, uncertainty: &str) -> String {
    let label = if label.is_empty() { String::new() } else { format!("label = \"{label}\"\n") };
    format!(
        "\n[[learned]]\nkey = \"{key}\"\n{label}of_part = {of_part}\nvalue = \"{value}\"\nuncertainty = \"{uncertainty}\"\n\
         before = \"1\"\nbefore_uncertainty = \"0.1\"\n"
    )
}

/// A case with a calibration of itself.
fn with(learned: &str) -> (Bench, Case) {
    let bench = bench("");
    let case = case::read(&bench.folder).expect("the case");
    let head = format!(
        "case = \"valve-controller\"\ndata_sha256 = \"{}\"\nboard = \"serial 0007\"\nmisfit = \"7.1\"\nfigures = 9\nsound = true\n",
        calibration::data_hash(&case)
    );
    let captures = presolder::sha256::of(&fs::read(bench.folder.join("captures.toml")).expect("captures"));
    let files = format!("\n[[file]]\nname = \"captures.toml\"\nsha256 = \"{captures}\"\n");
    fs::write(bench.folder.join(calibration::FILE), head + &files + learned).expect("a file");
    (bench, case)
}

fn refused(bench: &Bench) -> String {
    let mut case = case::read(&bench.folder).expect("the case");
    calibration::read(&bench.folder, &mut case).expect_err("it is refused").to_string()
}

fn replace(bench: &Bench, file: &str, from: &str, to: &str) {
    let text = fs::read_to_string(bench.folder.join(file)).expect("a file");
    assert!(text.contains(from), "{from} is not in {file}");
    fs::write(bench.folder.join(file), text.replacen(from, to, 1)).expect("a file");
}

#[test]
fn error_a_calibration_of_something_else_is_refused() {
    let one = datum(ESR, "", false, "3.1 mohm", "0.2 mohm");
    let gone = bench("");
    assert!(
        refused(&gone).contains("calibration.toml") && refused(&gone).contains("no such file"),
        "{}",
        refused(&gone)
    );
    type Change = fn(&Bench);
    let changes: [(Change, &str, &str); 7] = [
        (
            |bench| replace(bench, "calibration.toml", "valve-controller", "ticket-kiosk"),
            "case",
            "that of another board",
        ),
        (
            |bench| replace(bench, "calibration.toml", "data_sha256 = \"", "data_sha256 = \"0"),
            "data_sha256",
            "have changed since",
        ),
        (|bench| replace(bench, "board.toml", "\"75 mohm\"", "\"77 mohm\""), "data_sha256", "have changed since"),
        (|bench| replace(bench, "captures.toml", "0007", "0008"), "file[0].sha256", "it has changed since"),
        (|bench| replace(bench, "calibration.toml", "sound = true", "sound = false"), "sound", "nothing is learned"),
        (|bench| replace(bench, "calibration.toml", "\"0.2 mohm\"", "\"0 mohm\""), "uncertainty", "more than 0"),
        (|bench| replace(bench, "calibration.toml", "value = \"3.1 mohm\"", "value = \"3.1 mV\""), "value", "mV"),
    ];
    let (known, case) = with("");
    drop(known);
    let one = one.replace("of_part", &format!("label = \"{}\"\nof_part", esr_label(&case)));
    for (change, key, told) in changes {
        let (bench, _) = with(&one);
        change(&bench);
        let error = refused(&bench);
        assert!(error.contains(key) && error.contains(told), "{key}, {told}: {error}");
    }
}

#[test]
fn law_other_limits_loads_and_substitutes_do_not_matter() {
    let (bench, _) = with("");
    replace(&bench, "board.toml", "\"50 degC\"", "\"41 degC\"");
    let set = ["limits.ripple=31 mV".to_string(), "parts.Kestrel-10.inductance=9.3 uH".into()];
    let mut case = case::read_with(&bench.folder, &set).expect("the case");
    let read = calibration::read(&bench.folder, &mut case).expect("it is of this board");
    assert_eq!((read.board.as_str(), read.data.len()), ("serial 0007", 0));
    assert!(case.files.iter().any(|file| file.path == calibration::FILE), "it is one of the inputs now");
}

#[test]
fn law_what_was_learned_stands_in_the_case_with_its_own_doubt() {
    let (_bench, plain) = with("");
    let label = esr_label(&plain);
    let learned = datum(ESR, &label, false, "3.1 mohm", "0.17 mohm")
        + &datum(COOLING.0, COOLING.1, false, "1.07", "0.03")
        + &datum("output.capacitors[0].tolerance", "", false, "0.96", "0.011")
        + &datum("inductance tolerance", "", true, "1.04", "0.02");
    let (bench, _) = with(&learned);
    let mut case = case::read(&bench.folder).expect("the case");
    let read = calibration::read(&bench.folder, &mut case).expect("it is of this board");
    // The reading in board.toml tells how it cools.
    let with_reading = calibrated::take(&mut case.clone(), &read.data);
    assert_eq!((with_reading.moved.len(), with_reading.left.len()), (2, 2), "{with_reading:?}");
    assert!(with_reading.left[0].1.contains("readings in board.toml"), "{with_reading:?}");
    case.readings.clear();
    let taken = calibrated::take(&mut case, &read.data);
    assert_eq!((taken.moved.len(), taken.left.len()), (3, 1), "{taken:?}");
    assert!(taken.left[0].1.contains("the part that was fitted"), "{taken:?}");

    let esr = doubt(&case, 0, ESR, &label);
    assert!((esr.shown / 3.1e-3 - 1.0).abs() < WRITTEN, "{}", esr.shown);
    assert_eq!(esr.nature, Nature::Spread { standard: 0.17e-3, rectangular: false });
    // Every part cools by that board; a factor is taken up by the value, and what is left is relative.
    for part in 0..case.parts.len() {
        let ratio = case.parts[part].thermal_resistance_k_per_w / plain.parts[part].thermal_resistance_k_per_w;
        assert!((ratio - 1.07).abs() < WRITTEN, "{ratio}");
        let Nature::Spread { standard, .. } = doubt(&case, part, COOLING.0, COOLING.1).nature else {
            panic!("no spread")
        };
        assert!((standard - 0.03 / 1.07).abs() < WRITTEN, "{standard}");
    }
    let (branch, before) = (&case.board.output_bank[0], &plain.board.output_bank[0]);
    assert!((branch.capacitance_f / before.capacitance_f - 0.96).abs() < WRITTEN);
    // A rectangular tolerance of the same standard uncertainty.
    assert!((branch.tolerance - 0.011 * 3f64.sqrt()).abs() < WRITTEN && branch.tolerance < before.tolerance);
    assert_eq!(case.parts[0].inductance_h, plain.parts[0].inductance_h, "parts stay as they are printed");
}

#[test]
fn error_what_cannot_be_is_not_taken() {
    let (_bench, mut case) = with("");
    let told = |key: &str, label: &str, value: f64| presolder::model::case::ToldDatum {
        key: key.into(),
        label: label.into(),
        of_part: false,
        value,
        standard: 1e-4,
    };
    let before = case.board.clone();
    let label = esr_label(&case);
    let data = [told(ESR, &label, -1e-4), told("nothing", "", 1.0), told("output.capacitors[9].tolerance", "", 1.0)];
    let taken = calibrated::take(&mut case, &data);
    assert!(taken.moved.is_empty() && taken.left.len() == data.len(), "{taken:?}");
    assert!(taken.left[0].1.contains("above 0"), "{taken:?}");
    assert_eq!(case.board, before);
}
