//! `--calibrated`: what captures have told of the board is used, and what it changes is said.

use crate::folders;
use presolder::case::{self, calibration};
use presolder::corridor::doubts;
use presolder::model::doubt::{Doubt, Owner};
use presolder::record::layout::Record;
use presolder::record::screen::{ScreenRecord, board_hash};
use std::fs;
use std::path::{Path, PathBuf};
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

/// A copy of the demo case without the reading that tells how its board cools: that is what is doubtful most.
fn case_in(room: &Path) -> PathBuf {
    let folder = room.join("board");
    folders::copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller"), &folder);
    let board = fs::read_to_string(folder.join("board.toml")).expect("the board");
    let (before, reading) = board.split_once("[[reading]]").expect("a reading");
    let (_, behind) = reading.split_once("[limits]").expect("limits");
    fs::write(folder.join("board.toml"), format!("{before}[limits]{behind}")).expect("a file");
    folder
}

#[test]
fn law_a_calibration_narrows_the_band_and_says_so() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let folder = case_in(room.path());
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

/// A calibration that tells the ESR of the first branch, which acts on waveforms.
fn esr_of(folder: &Path) -> String {
    let case = case::read(folder).expect("the case");
    let key = "output.capacitors[0].esr";
    let is_it = |doubt: &Doubt| doubt.key == key && doubt.owner == Owner::Board;
    let label = doubts(&case, 0).into_iter().find(is_it).expect("it is doubtful").rule.label;
    let shown = 1e3 * case.board.output_bank[0].esr_ohm;
    format!(
        "\n[[learned]]\nkey = \"{key}\"\nlabel = \"{label}\"\nof_part = false\nvalue = \"{:.6} mohm\"\nuncertainty = \"{:.6} mohm\"\n\
         before = \"{shown} mohm\"\nbefore_uncertainty = \"{shown} mohm\"\n",
        4.0 * shown,
        0.04 * shown
    )
}

#[test]
fn law_every_command_that_takes_a_calibration_uses_it_and_says_so() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let folder = case_in(room.path());
    const STEADY: [&str; 4] = ["waveforms", "board", "--every", "100ns"];
    const MAPS: [&str; 8] =
        ["transients", "board", "--part", "Meadowsweet-10", "--map", "slew-amplitude", "--grid", "2x2"];
    let refused = run(room.path(), &["check", "board", "--calibrated"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(text(&refused.stderr).contains("calibration.toml"), "{}", text(&refused.stderr));
    fs::write(folder.join("calibration.toml"), calibration_of(&folder) + &esr_of(&folder)).expect("a file");
    for command in [&["check", "board"][..], &STEADY, &MAPS] {
        let [plain, calibrated] = [&[][..], &["--calibrated"]].map(|more| {
            let out = format!("result-{}-{}", command[0], more.len());
            let out = if command[0] == "transients" { vec!["--out", &out] } else { vec![] };
            let output = run(room.path(), &[command, &out, more].concat());
            assert_eq!(output.status.code(), Some(0), "{command:?}: {}", text(&output.stderr));
            text(&output.stdout)
        });
        let told = calibrated.replace("\n  ", " ");
        for said in ["for the board that was captured (serial 0007), no other", "output.capacitors[0].esr"] {
            assert!(told.contains(said) && !plain.contains("serial 0007"), "{command:?}, {said}: {calibrated}");
        }
        let numbers = |text: &str| text.lines().rfind(|line| !line.starts_with('#')).map(str::to_string);
        assert_ne!(numbers(&plain), numbers(&calibrated), "{command:?}: other numbers");
    }
    let record = fs::read_to_string(room.path().join("result-transients-1/transients.json")).expect("the record");
    assert!(record.contains("\"calibration\"") && record.contains("calibration.toml"), "the record says so");
}

#[test]
fn law_a_screening_rests_on_the_calibration_and_goes_on_with_none_else() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let folder = case_in(room.path());
    fs::write(folder.join("calibration.toml"), calibration_of(&folder)).expect("a file");
    let screen = ["screen", "board", "--inductance", "9.9 uH..10.1 uH", "--top", "1"];
    let output = run(room.path(), &[&screen[..], &["--calibrated", "--out", "with"]].concat());
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let told = text(&output.stdout);
    assert!(
        told.contains("for the board that was captured (serial 0007)") && told.contains("thermal_resistance"),
        "{told}"
    );
    let record = fs::read_to_string(room.path().join("with/screen.json")).expect("the record");
    let record: ScreenRecord = serde_json::from_str(&record).expect("it reads back");
    assert_eq!(record.calibration.as_ref().map(|of| of.data.len()), Some(1));
    assert!(record.case.files.iter().any(|file| file.path == "calibration.toml"));
    // A row of the journal belongs to the data as they are known: another uncertainty is another board.
    let mut case = case::read(&folder).expect("the case");
    let before = board_hash(&case);
    let read = calibration::read(&folder, &mut case).expect("it is of this board");
    assert_eq!(board_hash(&case), before);
    presolder::corridor::calibrated::take(&mut case, &read.data);
    let after = board_hash(&case);
    case.learned[0].standard *= 2.0;
    assert!(after != before && board_hash(&case) != after);
    let refused = run(room.path(), &[&screen[..], &["--calibrated", "--also", "board"]].concat());
    assert_eq!(refused.status.code(), Some(2));
}
