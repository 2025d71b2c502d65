//! `--set`: what was set stands in the head of every output, and a wrong one leaves nothing behind.

use presolder::record::layout::Record;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// A change of the board that fits, and what is shown of it.
const SET: [&str; 2] = ["--set", "load.step.to=2.3 A"];
const SHOWN: &str = "load.step.to=2.3 A";
/// One part, input and load: a comparison without a closer look takes a second.
const SMALL: [&str; 8] = [
    "--set",
    "input.voltages=24 V, 32 V",
    "--set",
    "load.currents=3 A",
    "--set",
    "input.step.from=24 V",
    "--set",
    "input.step.to=32 V",
];

fn case() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller")
}

fn run(command: &str, arguments: &[&str]) -> Output {
    let mut program = Command::new(env!("CARGO_BIN_EXE_presolder"));
    program.env("COLUMNS", "80").arg(command).arg(case()).args(arguments).output().expect("the program runs")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("output is UTF-8")
}

fn printed(output: &Output) -> String {
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    text(&output.stdout)
}

#[test]
fn error_a_wrong_setting_leaves_nothing_behind() {
    let keep = tempfile::tempdir().expect("a temporary folder");
    let out = keep.path().join("result").display().to_string();
    for command in ["compare", "waveforms", "sweep"] {
        let output = run(command, &["--set", "load.step.too=2.3 A", "--out", &out]);
        let said = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(
            said.contains("--> --set load.step.too=2.3 A") && said.contains("did you mean load.step.to?"),
            "{said}"
        );
        assert!(output.stdout.is_empty(), "{command}");
        assert_eq!(fs::read_dir(keep.path()).expect("a folder").count(), 0, "{command}");
    }
    let said = run("check", &["--set", "load.step.to=23 V"]);
    assert_eq!(said.status.code(), Some(2));
    assert!(text(&said.stderr).contains("--> --set load.step.to=23 V"), "{}", text(&said.stderr));
}

#[test]
fn law_what_was_set_stands_in_the_head_of_every_output_of_a_comparison() {
    let keep = tempfile::tempdir().expect("a temporary folder");
    let out = keep.path().join("result");
    let arguments =
        [&SMALL[..], &SET, &["--quick", "--only", "Kestrel-10", "--out", out.to_str().expect("a name")]].concat();
    let screen = printed(&run("compare", &arguments));
    let head: Vec<&str> = screen.lines().take(6).collect();
    assert!(head.iter().any(|line| line.starts_with("Set: ")) && head.join(" ").contains(SHOWN), "{screen}");
    assert!(screen.lines().count() <= 40, "{screen}");
    let read = |name: &str| fs::read_to_string(out.join(name)).expect("a file of the result");
    let record: Record = serde_json::from_str(&read("record.json")).expect("the record reads back");
    assert_eq!(record.case.set.len(), 5);
    assert_eq!(record.case.set[4], SHOWN);
    assert_eq!(record.case.sha256.len(), 64);
    let page = read("report.html");
    let (head, _) = page.split_once("<main>").expect("a header");
    assert!(head.contains(SHOWN), "{head}");
    assert!(page.contains(&record.case.sha256));
    let tables = fs::read_dir(out.join("waveforms")).expect("waveforms").map(|entry| entry.expect("an entry").path());
    for table in tables.chain([out.join("quantities.csv"), out.join("bench_plan.csv")]) {
        let table = fs::read_to_string(table).expect("a table");
        let remarks: Vec<&str> = table.split("\r\n").take_while(|line| line.starts_with('#')).collect();
        assert_eq!(remarks.len(), 5);
        assert_eq!(remarks[4], format!("# set {SHOWN}"));
    }
}

/// A load step and a profile of their own, named on the command line.
const LOADS: [&str; 20] = [
    "--set",
    "load.steps[0].name=motor",
    "--set",
    "load.steps.motor.from=0.4 A",
    "--set",
    "load.steps.motor.to=2.2 A",
    "--set",
    "load.steps.motor.slew=3 A/us",
    "--set",
    "load.steps.motor.repeat=190 kHz",
    "--set",
    "load.steps.motor.deviation=9 mV",
    "--set",
    "load.profiles[0]={ name = \"noise\", kind = \"random\", from = \"0.4 A\", to = \"2.2 A\", slew = \"3 A/us\", shortest = \"7 us\", longest = \"90 us\", duration = \"400 us\", seed = 11 }",
    "--set",
    "measure.step_phases=2",
    "--set",
    "measure.settling_periods=60",
    "--set",
    "limits.recovery=45 us",
];

#[test]
fn law_named_loads_go_through_everything_that_is_written() {
    let keep = tempfile::tempdir().expect("a temporary folder");
    let out = keep.path().join("result");
    let more = ["--quick", "--only", "Kestrel-10", "--out", out.to_str().expect("a name")];
    let screen = printed(&run("compare", &[&SMALL[..], &LOADS, &more].concat()));
    assert!(screen.lines().count() <= 40, "{screen}");
    let read = |name: &str| fs::read_to_string(out.join(name)).unwrap_or_else(|error| panic!("{name}: {error}"));
    let record: Record = serde_json::from_str(&read("record.json")).expect("the record reads back");
    let conditions: Vec<&str> = record.parts[1].results.iter().map(|result| result.condition.as_str()).collect();
    for name in ["load step", "load step motor", "load profile noise"] {
        assert!(conditions.contains(&name), "{name}: {conditions:?}");
    }
    let checks = &record.verdicts[0].checks;
    let of = |label: &str| checks.iter().find(|check| check.label == label).unwrap_or_else(|| panic!("no {label}"));
    assert_eq!(of("Load-step undershoot, motor").limit.expect("a limit").value, 9e-3);
    assert_eq!(of("Load-step undershoot, noise").limit, of("Load-step undershoot").limit);
    assert!(of("Load-step undershoot, motor").place.starts_with("load step motor, "));
    assert!(checks.iter().all(|check| check.label != "Settling time, motor"));
    let page = read("report.html");
    assert!(page.contains("Load step motor") && page.contains("Load profile noise"));
    for file in ["load-step-motor", "load-profile-noise"] {
        assert!(read(&format!("plots/{file}.svg")).contains("<svg"));
        assert!(read(&format!("waveforms/{file}-Kestrel-10.csv")).contains("output_low_v"));
    }
    let table = printed(&run("waveforms", &[&LOADS[..], &["--named", "motor", "--every", "0.5us"]].concat()));
    let load = |line: &str| line.split(',').nth(4).and_then(|field| field.parse::<f64>().ok());
    let highest = table.lines().filter_map(load).fold(0.0, f64::max);
    assert!((highest - 2.2).abs() < 1e-9, "{highest}");
    let wrong = run("waveforms", &[&LOADS[..], &["--named", "motr"]].concat());
    assert!(text(&wrong.stderr).contains("did you mean motor?"), "{}", text(&wrong.stderr));
}

#[test]
fn law_what_was_set_stands_in_the_head_of_the_other_outputs() {
    let waveform = ["--condition", "load-step", "--every", "2us", "--to", "20us"];
    let plain = printed(&run("waveforms", &waveform));
    let set = printed(&run("waveforms", &[&SET[..], &waveform].concat()));
    assert!(set.starts_with(&format!("# set {SHOWN}\r\ntime_s,")), "{set}");
    assert!(plain.starts_with("time_s,"), "{plain}");
    let load = |table: &str| table.lines().last().and_then(|line| line.split(',').nth(4)?.parse::<f64>().ok());
    assert_eq!((load(&plain), load(&set)), (Some(2.5), Some(2.3)));
    let keep = tempfile::tempdir().expect("a temporary folder");
    let table = keep.path().join("draws.csv").display().to_string();
    let quick = ["--condition", "load-step", "--part", "Kestrel-10", "--tolerance", "reference", "--out", &table];
    let said = printed(&run("sweep", &[&SET[..], &quick].concat()));
    assert!(said.contains(&format!("Set: {SHOWN}.")), "{said}");
    assert!(fs::read_to_string(&table).expect("the table").lines().next().is_some_and(|line| line.contains(SHOWN)));
    // A table of another board is not gone on with.
    let other = run("sweep", &quick);
    assert_eq!(other.status.code(), Some(2), "{}", text(&other.stdout));
    let checked = printed(&run("check", &SET));
    assert!(checked.lines().any(|line| line == format!("Set     {SHOWN}")), "{checked}");
    assert!(checked.trim_end().ends_with(&format!("--set '{SHOWN}'")), "{checked}");
}
