//! Waveforms of several parts side by side, and the example of the docs on them.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

/// Four decimals are printed of a voltage, three of a current.
const PRINTED: [f64; 3] = [0.6e-4, 0.6e-4, 0.6e-3];
const PARTS: [&str; 4] = ["Larkspur-10", "Meadowsweet-10", "Kestrel-10", "Sedge-6R8"];

fn run(arguments: &[&str]) -> Output {
    let case = Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller");
    let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
    command.arg("waveforms").arg(case).args(["--condition", "load-step", "--corner", "low-l"]).args(arguments);
    command.output().expect("the program runs")
}

/// Names and rows of a table.
fn table(output: &Output) -> (Vec<String>, Vec<Vec<f64>>) {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let mut lines = text.lines();
    let names = lines.next().expect("a head").split(',').map(String::from).collect();
    let row = |line: &str| line.split(',').map(|field| field.parse().expect("a number")).collect();
    (names, lines.map(row).collect())
}

fn column(table: &(Vec<String>, Vec<Vec<f64>>), name: &str) -> Vec<f64> {
    let at = table.0.iter().position(|other| other == name).unwrap_or_else(|| panic!("no column {name}"));
    table.1.iter().map(|row| row[at]).collect()
}

#[test]
fn law_parts_side_by_side_are_what_each_is_alone() {
    let samples = ["--every", "70ns", "--from", "-3.1us", "--to", "23.7us"];
    let all = table(&run(&[&["--all-parts"][..], &samples].concat()));
    assert_eq!(all.0.len(), 1 + 6 * PARTS.len());
    assert_eq!(all.0[1..4], ["output_v:Larkspur-10", "output_v:Meadowsweet-10", "output_v:Kestrel-10"]);
    for part in PARTS {
        let alone = table(&run(&[&["--part", part][..], &samples].concat()));
        assert_eq!(alone.0, ["time_s", "output_v", "output_20mhz_v", "current_a", "load_a", "switch_v", "control_v"]);
        assert_eq!(column(&all, "time_s"), column(&alone, "time_s"));
        for signal in &alone.0[1..] {
            assert_eq!(column(&all, &format!("{signal}:{part}")), column(&alone, signal), "{signal} of {part}");
        }
    }
    let two = table(&run(&[&["--part", PARTS[2], "--part", PARTS[0], "--part", PARTS[2]][..], &samples].concat()));
    assert_eq!(two.0[1..3], ["output_v:Kestrel-10", "output_v:Larkspur-10"]);
}

#[test]
fn error_too_many_samples_together_and_parts_named_twice_over() {
    let said = |arguments: &[&str]| {
        let output = run(arguments);
        assert_eq!(output.status.code(), Some(2));
        String::from_utf8_lossy(&output.stderr).into_owned()
    };
    assert!(said(&["--all-parts", "--every", "100ps"]).contains("4 parts side by side"));
    assert!(said(&["--all-parts", "--part", PARTS[1]]).contains("--all-parts"));
}

/// The example of docs/waveforms.md as it stands there, run where there is a Python.
#[test]
fn law_the_notebook_example_of_the_docs_runs_and_reads_the_same_numbers() {
    if Command::new("python3").arg("--version").output().is_err() {
        return println!("skipped: no python3");
    }
    let folder = tempfile::tempdir().expect("a temporary folder");
    let made = run(&["--all-parts", "--out", &folder.path().join("side-by-side.csv").display().to_string()]);
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    let page = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/waveforms.md")).expect("the page");
    let example = page.split("```python\n").nth(1).and_then(|rest| rest.split("```").next()).expect("an example");
    assert!(example.trim().lines().count() <= 10, "ten lines");
    let output = Command::new("python3").args(["-c", example]).current_dir(folder.path()).output().expect("it runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let printed = String::from_utf8_lossy(&output.stdout).into_owned();
    let all = table(&run(&["--all-parts"]));
    assert_eq!(printed.lines().count(), PARTS.len());
    for (line, part) in printed.lines().zip(PARTS) {
        let told: Vec<f64> = line.split([' ', ',']).filter_map(|word| word.parse().ok()).collect();
        let (output_v, current_a) =
            (column(&all, &format!("output_v:{part}")), column(&all, &format!("current_a:{part}")));
        let most = |values: &[f64]| values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let lowest_v = output_v.iter().copied().fold(f64::INFINITY, f64::min);
        for ((told, wanted), printed) in told.iter().zip([lowest_v, most(&output_v), most(&current_a)]).zip(PRINTED) {
            assert!((told - wanted).abs() < printed, "{line}: {wanted}");
        }
        assert!(line.starts_with(part) && told.len() == 3, "{line}");
    }
}

/// What the bank does before anything else can act: resistance, inductance and capacitance of three alike under a load that grows evenly.
/// Against a step so small that it only tells what the output does by itself. The inductor's current follows by a thousandth of it.
#[test]
fn closed_form_a_bank_under_a_ramped_step() {
    const BANK: (f64, f64, f64) = (4e-3 / 3.0, 0.6e-9 / 3.0, 45e-6);
    const SLEW_A_PER_S: f64 = 10e6;
    let room = tempfile::tempdir().expect("a temporary folder");
    let presolder = |arguments: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
        let output = command.current_dir(room.path()).args(arguments).output().expect("the program runs");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).expect("output is UTF-8")
    };
    presolder(&["new", "stage", "--control", "fixed-duty"]);
    // The output in V at two instants: just before the step, and while it still grows.
    let fall_v = |to: &str| {
        let bank = ["output.capacitors.ceramic.esr=4 mohm", "output.capacitors.ceramic.esl=0.6 nH"];
        let step = [format!("load.step.to={to}"), "load.step.slew=10 A/us".into()];
        let mut arguments = vec!["waveforms", "stage", "--condition", "load-step"];
        bank.iter().copied().chain(step.iter().map(String::as_str)).for_each(|set| arguments.extend(["--set", set]));
        let table = presolder(&[&arguments[..], &["--every", "20ns", "--from=-20ns", "--to", "140ns"]].concat());
        let rows: Vec<Vec<&str>> =
            table.lines().filter(|line| !line.starts_with('#')).map(|line| line.split(',').collect()).collect();
        let at = rows[0].iter().position(|title| *title == "output_v").expect("a column");
        let value = |row: &Vec<&str>| row[at].parse::<f64>().expect("a number");
        value(&rows[1]) - value(rows.last().expect("rows"))
    };
    let (t_s, (ohm, henry, farad)) = (140e-9, BANK);
    let drawn = |step_a: f64| {
        let rise_s = step_a / SLEW_A_PER_S;
        let now_a = step_a.min(SLEW_A_PER_S * t_s);
        let charge_c = 0.5 * now_a * now_a / SLEW_A_PER_S + now_a * (t_s - rise_s).max(0.0);
        let slope_v = if rise_s > t_s { henry * SLEW_A_PER_S } else { 0.0 };
        ohm * now_a + slope_v + charge_c / farad
    };
    let (found_v, wanted_v) = (fall_v("2.25 A") - fall_v("0.76 A"), drawn(1.5) - drawn(0.01));
    assert!((found_v / wanted_v - 1.0).abs() < 5e-3, "{found_v} V, {wanted_v} V");
}
