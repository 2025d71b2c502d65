//! Output impedance as a user meets it: the decision first, tables, pages, refusals.

use crate::folders;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn case(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("cases").join(name)
}

fn run(case: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
    command.arg("impedance").arg(case).args(arguments).env("COLUMNS", "80");
    command.output().expect("the program runs")
}

fn text(case: &Path, arguments: &[&str]) -> String {
    let output = run(case, arguments);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn refusal(case: &Path, arguments: &[&str]) -> String {
    let output = run(case, arguments);
    assert_eq!(output.status.code(), Some(2));
    assert!(output.stdout.is_empty());
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn law_decision_comes_first_and_fits_a_terminal() {
    let told = text(&case("ticket-kiosk"), &["--set", "load.step.to=2.6 A"]);
    assert!(told.lines().all(|line| line.chars().count() <= 80), "{told}");
    let at = |words: &str| told.find(words).unwrap_or_else(|| panic!("{words} is not in\n{told}"));
    assert!(at("Set: load.step.to=2.6 A") < at("Target"));
    // 240 mV over 1.6 A.
    assert!(at("Target 150 mohm") < at("Rowan-47 stays below the target"));
    assert!(at("Rowan-47 stays below the target") < at("frequency"));
    let told = text(&case("ticket-kiosk"), &["--part", "Rowan-47", "--target", "90 mohm"]);
    assert!(told.contains("Rowan-47 EXCEEDS the target from"), "{told}");
    assert!(!told.contains("Alder-33"));
}

/// The impedance itself is told by more digits than the table has: JSON and CSV hold the same curves.
#[test]
fn law_table_and_json_hold_the_same_curves() {
    let folder = tempfile::tempdir().expect("a folder");
    let [csv, page, plot] = ["z.csv", "z.html", "z.svg"].map(|name| folder.path().join(name).display().to_string());
    let all = ["--json", "--csv", &csv, "--page", &page, "--plot", &plot, "--part", "Kestrel-10", "--load", "1.3A"];
    let json: serde_json::Value = serde_json::from_str(&text(&case("valve-controller"), &all)).expect("JSON");
    let table = std::fs::read_to_string(&csv).expect("the table");
    let mut lines = table.split_terminator("\r\n");
    let head = "frequency_hz,target_ohm,closed_ohm:Kestrel-10,closed_deg:Kestrel-10,opened_ohm:Kestrel-10,opened_deg:Kestrel-10";
    assert_eq!(lines.next(), Some(head));
    let rows: Vec<Vec<f64>> =
        lines.map(|line| line.split(',').map(|field| field.parse().expect("a number")).collect()).collect();
    assert_eq!(rows.len(), json["frequency_hz"].as_array().expect("a list").len());
    for k in [0, 17, rows.len() - 1] {
        let of = |value: &serde_json::Value| value.as_f64().expect("a number");
        let closed = of(&json["parts"][0]["closed"]["magnitude_ohm"][k]);
        // Ten digits are written.
        assert!(
            (rows[k][2] / closed - 1.0).abs() < 1e-9 && (rows[k][0] / of(&json["frequency_hz"][k]) - 1.0).abs() < 1e-9
        );
    }
    assert_eq!(json["load_a"], 1.3);
    let drawn = std::fs::read_to_string(&plot).expect("the plot");
    assert!(drawn.starts_with("<svg") && drawn.contains("Loop closed"));
    let shown = std::fs::read_to_string(&page).expect("the page");
    assert!(shown.contains("<svg") && shown.contains("Output impedance: valve-controller"));
    // Nothing is overwritten, and nothing is simulated before that is known.
    assert!(refusal(&case("valve-controller"), &["--csv", &csv]).contains("is not overwritten"));
}

#[test]
fn law_twin_differs_by_nothing_at_any_frequency() {
    let folder = tempfile::tempdir().expect("a folder");
    let copy = folder.path().join("buoy-winch");
    folders::copy(&case("buoy-winch"), &copy);
    let parts = std::fs::read_to_string(copy.join("parts.toml")).expect("the parts");
    let original = parts.split("[[part]]").nth(1).expect("a first part");
    let twin = format!("{parts}\n[[part]]\n{}", original.replace("Tamarisk-15", "Twin-15"));
    std::fs::write(copy.join("parts.toml"), twin).expect("the twin is written");
    let told = text(&copy, &["--part", "Tamarisk-15", "--part", "Twin-15"]);
    assert!(told.contains("Twin-15: the same as the original's at every frequency."), "{told}");
}

#[test]
fn error_values_that_make_no_sense() {
    let valve = case("valve-controller");
    assert!(refusal(&valve, &["--target", "0 ohm"]).contains("expected a resistance above zero"));
    assert!(refusal(&valve, &["--from", "300 kHz"]).contains("of the switching frequency"));
    assert!(refusal(&valve, &["--load", "9 A"]).contains("lowest current-limit threshold"));
    assert!(refusal(&valve, &["--part", "Kestrel-11"]).contains("did you mean Kestrel-10?"));
    assert!(refusal(&valve, &["--input", "4 V"]).contains("more than the output voltage"));
}
