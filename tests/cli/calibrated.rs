//! `compare --calibrated`: what captures have told of the board is used, and what it changes is said.

use crate::folders;
use presolder::case::{self, calibration};
use presolder::record::layout::Record;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

const SMALL: [&str; 5] = ["--calibrated", "--only", "Meadowsweet-10", "--only-condition", "steady"];

fn run(at: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
    command.current_dir(at).env("COLUMNS", "80").args(arguments).output().expect("the program runs")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("output is UTF-8")
}

/// A calibration that tells how well the board cools.
fn calibration_of(folder: &Path) -> String {
    let case = case::read(folder).expect("the case");
    format!(
        "case = \"{}\"\ndata_sha256 = \"{}\"\nboard = \"serial 0007\"\nmisfit = \"3.2\"\nfigures = 4\nsound = true\n\n[[learned]]\n\
         key = \"thermal_resistance\"\nlabel = \"factor on the thermal resistance that this board makes\"\nof_part = false\n\
         value = \"1.04\"\nuncertainty = \"0.02\"\nbefore = \"1\"\nbefore_uncertainty = \"0.12\"\n",
        case.name,
        calibration::data_hash(&case)
    )
}

#[test]
fn law_a_calibration_narrows_the_band_and_says_so() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let folder = room.path().join("board");
    folders::copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller"), &folder);
    // Without the reading, which tells how the board cools, that is what is doubtful most.
    let board = fs::read_to_string(folder.join("board.toml")).expect("the board");
    let (before, reading) = board.split_once("[[reading]]").expect("a reading");
    let (_, behind) = reading.split_once("[limits]").expect("limits");
    fs::write(folder.join("board.toml"), format!("{before}[limits]{behind}")).expect("a file");
    let arguments = [&["compare", "board", "--out", "result"], &SMALL[..]].concat();
    let refused = run(room.path(), &arguments);
    assert_eq!(refused.status.code(), Some(2));
    assert!(text(&refused.stderr).contains("calibration.toml"), "{}", text(&refused.stderr));
    assert!(!room.path().join("result").exists());

    fs::write(folder.join("calibration.toml"), calibration_of(&folder)).expect("a file");
    let output = run(room.path(), &arguments);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let told = text(&output.stdout);
    assert!(told.contains("for the board that was captured (serial 0007)"), "{told}");
    let record = fs::read_to_string(room.path().join("result/record.json")).expect("the record");
    let record: Record = serde_json::from_str(&record).expect("it reads back");
    let changed = record.calibration.expect("what it changed");
    assert_eq!((changed.data.len(), changed.left.len(), changed.data[0].after.0), (1, 0, 1.04));
    let is_it = |label: &str, part: &str| label == "Winding temperature" && part == "Meadowsweet-10";
    let winding = changed.checks.iter().find(|check| is_it(&check.label, &check.part)).expect("it acts on the winding");
    let (before, after) = (winding.before.2, winding.after.2);
    assert!(after < before && after > 0.0, "{before} {after}");
    // The winding is hotter by what the board cools worse: the rise over the ambient of 50 degC.
    let rise = |value: &presolder::record::layout::Value| value.number().expect("a number") - 50.0;
    assert!(rise(&winding.after.1) > rise(&winding.before.1), "{winding:?}");
    let page = fs::read_to_string(room.path().join("result/report.html")).expect("the page");
    assert!(page.contains("<h2>Calibrated</h2>") && page.contains("serial 0007"));

    let verified = run(room.path(), &["verify", "result"]);
    assert_eq!((verified.status.code(), text(&verified.stdout).starts_with("Identical")), (Some(0), true));
}
