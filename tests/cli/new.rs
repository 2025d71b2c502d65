//! `presolder new`: a case that runs as it is written, for every control.

use presolder::record::layout::{Record, State};
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

const CONTROLS: [&str; 6] = ["peak-current", "voltage-mode", "constant-on-time", "hysteretic", "margins", "fixed-duty"];

fn run(in_folder: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
    command.current_dir(in_folder).env("COLUMNS", "80").args(arguments).output().expect("the program runs")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("output is UTF-8")
}

/// As written it is read without a problem, runs, and says how many of its values are not one's own.
#[test]
fn law_a_new_case_runs_as_it_is_written() {
    let keep = tempfile::tempdir().expect("a temporary folder");
    for control in CONTROLS {
        let made = run(keep.path(), &["new", control, "--control", control]);
        assert_eq!(made.status.code(), Some(0), "{control}: {}", text(&made.stderr));
        assert!(text(&made.stdout).contains(&format!("presolder compare {control}")));
        let board = fs::read_to_string(keep.path().join(control).join("board.toml")).expect("a board");
        let marks = board.lines().filter(|line| line.contains("# REPLACE")).count();
        assert!(marks > 20 && !board.contains("CONTROL"), "{control}: {marks} marks");
        // A file of the case stands for its folder, and the folders above a result are made.
        let output = run(keep.path(), &["compare", &format!("{control}/board.toml"), "--quick", "--out", "some/where"]);
        fs::rename(keep.path().join("some"), keep.path().join(format!("result-{control}"))).expect("a result");
        let (told, shown) = (text(&output.stderr), text(&output.stdout));
        assert_eq!(output.status.code(), Some(0), "{control}: {told}");
        let found = shown.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(found.contains(&format!("{marks} values are still those of the skeleton")), "{control}:\n{shown}");
        assert!(!found.contains("could not be computed"), "{control}:\n{shown}");
    }
}

/// What every skeleton but the unregulated one promises: the fitted part meets what nobody but the reader of the sheets could fill in.
#[test]
fn law_the_fitted_part_of_a_skeleton_misses_nothing() {
    let keep = tempfile::tempdir().expect("a temporary folder");
    for control in CONTROLS.iter().filter(|control| **control != "fixed-duty") {
        run(keep.path(), &["new", control, "--control", control]);
        let output = run(keep.path(), &["compare", control, "--quick", "--json"]);
        let record: Record = serde_json::from_slice(&output.stdout).expect("a record");
        let missed = record.original.checks.iter().filter(|check| check.state == State::Missed);
        let missed: Vec<&String> = missed.map(|check| &check.key).collect();
        assert!(missed.is_empty(), "{control}: {missed:?}");
    }
}

#[test]
fn error_a_new_case_writes_over_nothing() {
    let keep = tempfile::tempdir().expect("a temporary folder");
    let mine = keep.path().join("mine");
    fs::create_dir(&mine).expect("a folder");
    fs::write(mine.join("notes.txt"), "mine").expect("a file");
    fs::write(keep.path().join("file"), "mine").expect("a file");
    for (folder, why) in [("mine", "is not empty"), ("file", "is no folder")] {
        let refused = run(keep.path(), &["new", folder]);
        assert_eq!(refused.status.code(), Some(2));
        assert!(text(&refused.stderr).contains(&format!("{folder} {why}")), "{}", text(&refused.stderr));
    }
    assert_eq!(fs::read_dir(&mine).expect("a folder").count(), 1);
    let wrong = run(keep.path(), &["new", "other", "--control", "average"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(!keep.path().join("other").exists());
}
