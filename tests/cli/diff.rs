//! `presolder diff`: the same is the same, what moved is told with why, and what is no record is refused.

use presolder::record::layout::{Record, Value};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Relative change of a figure that is to be found.
const SEEN: f64 = 3e-9;

fn run(arguments: &[&str], at: &Path) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
    command.current_dir(at).env("COLUMNS", "80").args(arguments).output().expect("the program runs")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("output is UTF-8")
}

#[test]
fn law_two_results_are_told_apart_and_why() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let case = Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller").display().to_string();
    let compare = |out: &str, more: &[&str]| {
        let arguments = ["compare", &case, "--quick", "--only", "Meadowsweet-10", "--out", out];
        let output = run(&[&arguments[..], more].concat(), room.path());
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    };
    compare("old", &[]);
    compare("new", &["--set", "limits.ripple=4 mV", "--only-condition", "steady"]);
    let same = run(&["diff", "old", "old/record.json"], room.path());
    assert_eq!((same.status.code(), text(&same.stdout).starts_with("The same")), (Some(0), true));

    let moved = run(&["diff", "old", "new"], room.path());
    let told = text(&moved.stdout);
    assert_eq!(moved.status.code(), Some(1));
    for part in [
        "Meadowsweet-10: PASS -> UNDECIDED",
        "option --only-condition: all -> steady",
        "set limits.ripple: nothing -> 4 mV",
        "Checks that moved",
        "met",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
    assert!(!told.contains("option --quick") && !told.contains("option --only:"), "the same in both: {told}");
    assert!(told.lines().all(|line| line.chars().count() <= 80), "{told}");

    // A figure that somebody has changed by hand is found.
    let record = fs::read_to_string(room.path().join("old/record.json")).expect("a record");
    let mut edited: Record = serde_json::from_str(&record).expect("it reads back");
    let values = edited.parts[0].results.iter_mut().flat_map(|result| &mut result.values);
    let figure = values.into_iter().find(|value| value.quantity == "ripple_raw").expect("a figure");
    figure.value = Value::Number(figure.value.exact().expect("a number") * (1.0 + SEEN));
    fs::write(room.path().join("edited.json"), serde_json::to_string(&edited).expect("JSON")).expect("a file");
    let found = run(&["diff", "old", "edited.json"], room.path());
    assert_eq!(found.status.code(), Some(1));
    assert!(text(&found.stdout).contains("ripple_raw"), "{}", text(&found.stdout));
}

#[test]
fn error_what_is_no_record_is_refused() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let file = |name: &str, text: &str| -> PathBuf {
        let path = room.path().join(name);
        fs::write(&path, text).expect("a file");
        path
    };
    file("letter.json", "Dear colleague");
    file("other.json", "{\"record_version\": 1}");
    file("torn.json", "{\"record_version\": 4, \"parts\": [");
    fs::create_dir(room.path().join("empty")).expect("a folder");
    for (name, told) in [
        ("missing", "read the record"),
        ("empty", "record.json"),
        ("letter.json", "no record"),
        ("other.json", "layout 1"),
        ("torn.json", "no record"),
    ] {
        let output = run(&["diff", name, name], room.path());
        assert_eq!(output.status.code(), Some(2), "{name}");
        let error = text(&output.stderr);
        assert!(error.contains(told) && error.contains(name), "{name}: {error}");
    }
}
