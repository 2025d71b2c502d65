//! The worst load as a user meets it: the decision first, loads that a case takes as they are, refusals.

use crate::folders;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The same load as a condition of the case: seen on a grid of instants, and the mean at the level by itself with its winding as warm as that
/// level makes it.
const PASTED: f64 = 5e-3;

fn case(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("cases").join(name)
}

fn run(command: &str, case: &Path, arguments: &[&str]) -> Output {
    let mut program = Command::new(env!("CARGO_BIN_EXE_presolder"));
    program.arg(command).arg(case).args(arguments).env("COLUMNS", "80");
    program.output().expect("the program runs")
}

fn text(output: &Output) -> String {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// The output voltages of a table of waveforms.
fn outputs(table: &str) -> impl Iterator<Item = f64> + '_ {
    table.lines().skip(1).map(|line| line.split(',').nth(1).expect("a field").parse().expect("a number"))
}

fn refusal(name: &str, arguments: &[&str]) -> String {
    let output = run("worst-load", &case(name), arguments);
    assert_eq!(output.status.code(), Some(2));
    assert!(output.stdout.is_empty());
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn law_decision_comes_first_and_fits_a_terminal() {
    let arguments = ["--part", "Rowan-47", "--dwell", "6us", "--random", "5", "--set", "load.step.to=3 A"];
    let told = text(&run("worst-load", &case("ticket-kiosk"), &arguments));
    assert!(told.lines().all(|line| line.chars().count() <= 80), "{told}");
    let at = |words: &str| told.find(words).unwrap_or_else(|| panic!("{words} is not in\n{told}"));
    assert!(at("Set: load.step.to=3 A") < at("Limit 240 mV") && at("Limit 240 mV") < at("Rowan-47"));
    at("linear bound");
    at("the worst found in full simulation");
    at("single step");
    at("of 5 random loads");
}

#[test]
fn law_loads_that_were_found_are_profiles_of_the_case() {
    let folder = tempfile::tempdir().expect("a folder");
    let copy = folder.path().join("valve-controller");
    folders::copy(&case("valve-controller"), &copy);
    let profiles = copy.join("worst");
    let place = profiles.display().to_string();
    let arguments = ["--part", "Kestrel-10", "--dwell", "4us", "--profiles", &place];
    let told = text(&run("worst-load", &copy, &arguments));
    let json = text(&run("worst-load", &copy, &[&arguments[..4], &["--json"][..]].concat()));
    let json: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    let blocks = &told[told.find("[[load.profiles]]").expect("the blocks")..];
    let board = std::fs::read_to_string(copy.join("board.toml")).expect("the board");
    std::fs::write(copy.join("board.toml"), format!("{board}\n{blocks}")).expect("it is written");
    for (number, side) in ["undershoot", "overshoot"].iter().enumerate() {
        let name = format!("worst {side} of Kestrel-10");
        let table = text(&run("waveforms", &copy, &["--part", "Kestrel-10", "--named", &name, "--every", "25ns"]));
        let (low_v, high_v) = outputs(&table).fold((f64::INFINITY, 0.0f64), |(low, high), v| (low.min(v), high.max(v)));
        let found = &json["parts"][0]["sides"][number];
        let found_v = found["found_v"].as_f64().expect("a number");
        let base_a = found["base_a"].as_f64().expect("a number");
        let level_a = if number == 0 { base_a } else { base_a + json["swing_a"].as_f64().expect("a number") };
        let load = format!("{level_a}A");
        let steady = text(&run("waveforms", &copy, &["--part", "Kestrel-10", "--load", &load]));
        let mean_v = outputs(&steady).sum::<f64>() / outputs(&steady).count() as f64;
        let excursion_v = if number == 0 { mean_v - low_v } else { high_v - mean_v };
        println!("{name}: {found_v} V, as a profile {excursion_v} V");
        assert!((excursion_v / found_v - 1.0).abs() < PASTED);
    }
    // A folder that exists is left as it is.
    let again = run("worst-load", &copy, &arguments);
    assert_eq!(again.status.code(), Some(2));
    assert!(profiles.join("Kestrel-10-undershoot.csv").is_file());
}

#[test]
fn error_bounds_that_make_no_sense() {
    assert!(refusal("valve-controller", &["--slew", "0 A/us"]).contains("expected a slew above zero"));
    assert!(refusal("valve-controller", &["--swing", "0 A"]).contains("expected a current above zero"));
    let wide = refusal("valve-controller", &["--swing", "3.5 A"]);
    assert!(wide.contains("expected at most 2.85 A, from the least load of 150 mA to the highest of 3 A"), "{wide}");
    let long = refusal("valve-controller", &["--dwell", "1 s"]);
    assert!(long.contains("600 switching periods"), "{long}");
    assert!(refusal("valve-controller", &["--base", "3 A"]).contains("--base and --swing together"));
}
