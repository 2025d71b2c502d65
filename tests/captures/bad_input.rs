//! Captures that are of something else, or wrong: what is said of them.

use crate::invented::{Truth, USUAL};
use crate::measured::{bench, entry, measure, write};
use presolder::report::measured as report;

#[test]
fn error_a_wrong_probe_scale_says_which_would_fit() {
    let text = entry("Larkspur-10", "load-step", "one.csv").replace("scale = \"10 A/V\"", "scale = \"1 A/V\"");
    let bench = bench(&text);
    write(&bench, &USUAL, "one.csv");
    let measured = measure(&bench).expect("a result");
    let notes = measured.items[0].notes.join("\n");
    assert!(notes.contains("inductor") && notes.contains("scale wrong") && notes.contains("10 of"), "{notes}");
}

#[test]
fn error_a_capture_of_another_board_is_said_to_be_one() {
    let bench = bench(&entry("Larkspur-10", "load-step", "other.csv"));
    let other = Truth { capacitance: 4.0, inductance: 2.2, current_gain: 2.5, ..USUAL };
    write(&bench, &other, "other.csv");
    let measured = measure(&bench).expect("a result");
    let text = report::text(&measured, 80);
    println!("{text}");
    assert!(measured.remarks.iter().any(|remark| remark.contains("Nothing fits")), "{text}");
}

#[test]
fn error_captures_that_hold_no_step_or_no_such_column_are_refused() {
    let with = |from: &str, to: &str| entry("Larkspur-10", "load-step", "one.csv").replace(from, to);
    let quiet = Truth { load_a: (1.5, 1.5 + 1e-9), length_s: 60e-6, step_s: (20e-6, 40e-6), ..USUAL };
    let cases = [
        (with("", ""), quiet, "step not found"),
        (with("\"CH3\"", "\"CH9\""), quiet, "CH9"),
        (with("one.csv", "two.csv"), quiet, "two.csv"),
    ];
    for (text, truth, word) in cases {
        let bench = bench(&text);
        write(&bench, &truth, "one.csv");
        let error = measure(&bench).map(|_| ()).expect_err("it is refused");
        assert!(error.contains(word), "{word}: {error}");
    }
}

#[test]
fn error_a_file_whose_time_falls_is_refused_with_its_line() {
    let bench = bench(&entry("Larkspur-10", "load-step", "one.csv"));
    let mut text = String::from("Time (s),CH1,CH2,CH3\n");
    (0..50).for_each(|k| text.push_str(&format!("{:.2},1,2,3\n", 0.01 * f64::from(if k == 30 { 3 } else { k }))));
    std::fs::write(bench.folder.join("one.csv"), text).expect("room");
    let error = measure(&bench).map(|_| ()).expect_err("it is refused");
    assert!(error.contains("one.csv:32") && error.contains("rising") && error.contains("captures.toml:5"), "{error}");
    assert!(error.contains("0.03,1,2,3"), "the line itself: {error}");
}

#[test]
fn error_wrong_entries_are_told_with_their_key() {
    let good = entry("Larkspur-10", "load-step", "one.csv");
    let cases = [
        (good.replace("Larkspur-10", "Larkspur-11"), "capture[0].part", "did you mean \"Larkspur-10\""),
        (good.replace("load-step", "load-stop"), "capture[0].condition", "load-step"),
        (good.replace("24.05 V", "2.405 V"), "capture[0].input", "more than the output"),
        (good.replace("error = \"2 %\"", "eror = \"2 %\""), "capture[0].output.eror", "did you mean error"),
        (good.replace("scale = \"10 A/V\"", "scale = \"10 V\""), "capture[0].inductor.scale", "A/V"),
        ("\n[[reading]]\npart = \"Larkspur-10\"\nquantity = \"dip\"\ncondition = \"load-step\"\ninput = \"24 V\"\nvalue = \"0.2 A\"\nerror = \"1 mV\"\n".into(), "reading[0].value", "voltage"),
        (String::new(), "captures.toml", "captured or read"),
        (meters("0.2 A"), "meters[0]", "less power out than in"),
    ];
    for (text, key, word) in cases {
        let error = measure(&bench(&text)).map(|_| ()).expect_err("it is refused");
        assert!(error.contains(key) && error.contains(word), "{key}, {word}: {error}");
    }
}

fn meters(input: &str) -> String {
    format!(
        "\n[[meters]]\npart = \"Larkspur-10\"\ninput_voltage = \"24 V\"\ninput_current = \"{input}\"\noutput_voltage = \"5 V\"\n\
         output_current = \"3 A\"\nvoltage_error = \"0.1 %\"\ncurrent_error = \"0.5 %\"\n"
    )
}
