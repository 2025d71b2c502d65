//! `presolder verify`: a result is run again from its own copies, and whatever was changed by hand is found.

use crate::folders;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// One substitute and one condition: a second.
const SMALL: [&str; 5] = ["--quick", "--only", "Meadowsweet-10", "--only-condition", "steady"];
/// Room that the record of a part may take.
const MOST_BYTES_A_PART: usize = 50_000;

fn run(at: &Path, arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
    command.current_dir(at).env("COLUMNS", "80").args(arguments).output().expect("the program runs")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("output is UTF-8")
}

fn demo() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller")
}

/// A result of a case in a folder of its own.
fn compared(room: &Path, case: &Path, more: &[&str]) -> PathBuf {
    let case = case.display().to_string();
    let output = run(room, &[&["compare", &case, "--out", "result"], &SMALL[..], more].concat());
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    room.join("result")
}

fn read(folder: &Path, name: &str) -> String {
    fs::read_to_string(folder.join(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

/// What `verify` says of a result after something has been done to a copy of it, and its exit code.
fn verified(result: &Path, change: impl FnOnce(&Path)) -> (i32, String) {
    let room = tempfile::tempdir().expect("a temporary folder");
    let folder = room.path().join("copy");
    folders::copy(result, &folder);
    change(&folder);
    let output = run(room.path(), &["verify", "copy"]);
    (output.status.code().expect("it ends by itself"), text(&output.stdout) + &text(&output.stderr))
}

fn replace(folder: &Path, name: &str, from: &str, to: &str) {
    let before = read(folder, name);
    assert!(before.contains(from), "{from} is not in {name}");
    fs::write(folder.join(name), before.replacen(from, to, 1)).expect("a file");
}

/// Changes a file and the hash in the list of contents, as somebody would who knows what it is for.
fn forge(folder: &Path, name: &str, from: &str, to: &str) {
    let old = presolder::sha256::of(read(folder, name).as_bytes());
    replace(folder, name, from, to);
    let new = presolder::sha256::of(read(folder, name).as_bytes());
    replace(folder, "contents.sha256", &old, &new);
}

#[test]
fn error_what_cannot_be_run_again_is_refused() {
    let room = tempfile::tempdir().expect("a temporary folder");
    fs::create_dir(room.path().join("empty")).expect("a folder");
    for (name, told) in [("missing", "cannot read the record"), ("empty", "cannot read the record")] {
        let output = run(room.path(), &["verify", name]);
        assert_eq!(output.status.code(), Some(2), "{name}");
        assert!(text(&output.stderr).contains(told) && text(&output.stderr).contains(name), "{}", text(&output.stderr));
    }
    let result = compared(room.path(), &demo(), &[]);
    let head = "\"record_version\": 4";
    let (code, told) = verified(&result, |copy| replace(copy, "record.json", head, "\"record_version\": 3"));
    assert!(code == 2 && told.contains("layout 3") && told.contains("its results, checks"), "{code} {told}");
    let (code, told) = verified(&result, |copy| replace(copy, "record.json", "\"rows\"", "\"lines\""));
    assert!(code == 2 && told.contains("a damaged record"), "{code} {told}");
    let gone = |copy: &Path| fs::remove_dir_all(copy.join("inputs")).expect("it goes");
    let (code, told) = verified(&result, gone);
    assert!(code == 2 && told.contains("no copies of the inputs"), "{code} {told}");
    let one_gone = |copy: &Path| fs::remove_file(copy.join("inputs/valve-controller/parts.csv")).expect("it goes");
    let (code, told) = verified(&result, one_gone);
    assert!(code == 2 && told.contains("the copy of parts.csv is not there"), "{code} {told}");
}

#[test]
fn error_what_was_changed_by_hand_is_found() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let result = compared(room.path(), &demo(), &[]);
    let board = "inputs/valve-controller/board.toml";
    type Change = fn(&Path);
    let changes: [(&str, Change, &[&str]); 7] = [
        (
            "an outcome, with the list of contents put right",
            |copy| forge(copy, "record.json", "\"outcome\": \"undecided\"", "\"outcome\": \"pass\""),
            &["DIFFERS", "Larkspur-10: PASS -> UNDECIDED", "report.html"],
        ),
        (
            "a word that no figure tells",
            |copy| forge(copy, "record.json", "Greenhouse irrigation", "Garden irrigation"),
            &["DIFFERS", "case.title: Garden"],
        ),
        ("the page", |copy| forge(copy, "report.html", "UNDECIDED", "PASS"), &["ALTERED", "report.html", "from line"]),
        (
            "a waveform",
            |copy| forge(copy, "waveforms/period-Larkspur-10.csv", "\n0,", "\n1e-9,"),
            &["ALTERED", "period-Larkspur-10.csv"],
        ),
        ("a table", |copy| replace(copy, "quantities.csv", "Larkspur", "Skylark"), &["ALTERED", "changed since"]),
        (
            "an input",
            |copy| forge(copy, "inputs/valve-controller/board.toml", "\"50 degC\"", "\"51 degC\""),
            &["DIFFERS", "Inputs that are not those of the record", "board.toml", "Figures that differ"],
        ),
        (
            "a file that is gone",
            |copy| fs::remove_file(copy.join("bench_plan.csv")).expect("it goes"),
            &["bench_plan.csv: missing"],
        ),
    ];
    assert!(read(&result, board).contains("\"50 degC\""), "the demo case has been changed");
    for (what, change, expected) in changes {
        let (code, told) = verified(&result, change);
        assert_eq!(code, 1, "{what}: {told}");
        // Lines are wrapped.
        let told = told.split_whitespace().collect::<Vec<_>>().join(" ");
        expected.iter().for_each(|part| assert!(told.contains(part), "{what}: {part} is not in {told}"));
    }
}

#[test]
fn law_a_result_runs_again_from_its_own_copies() {
    let room = tempfile::tempdir().expect("a temporary folder");
    // A case with a file outside of its folder, one that is not read, and something set.
    let case = room.path().join("board");
    folders::copy(&demo(), &case);
    let board = read(&case, "board.toml");
    fs::write(case.join("board.toml"), format!("rules = \"../house/rules.toml\"\n{board}")).expect("a file");
    fs::create_dir(room.path().join("house")).expect("a folder");
    fs::write(room.path().join("house/rules.toml"), "winding_margin = \"7 K\"\n").expect("a file");
    fs::write(case.join("prices.csv"), "Part;Price\nMeadowsweet-10;0.41\n").expect("a file");
    let result = compared(room.path(), &case, &["--set", "stage.ambient=47 degC"]);
    fs::remove_dir_all(&case).expect("the case goes");
    fs::remove_dir_all(room.path().join("house")).expect("the rules go");

    let fill_in = |copy: &Path| replace(copy, "captures.toml", "# ", "#  ");
    for change in [|_: &Path| (), fill_in] {
        let (code, told) = verified(&result, change);
        assert!(code == 0 && told.starts_with("Identical"), "{told}");
    }
    let hash = presolder::sha256::of(read(&result, "record.json").as_bytes());
    let page = read(&result, "report.html");
    let (_, sign) = page.split_once("id=\"sign\"").expect("a block to sign");
    assert!(sign.contains(&hash) && sign.contains("presolder verify"), "{sign}");

    // Another machine or version changes no value.
    let machine = |copy: &Path| replace(copy, "record.json", "\"machine\": \"", "\"machine\": \"loom ");
    let output = verified(&result, |copy| {
        let before = read(copy, "record.json");
        let written = before.replacen("\"machine\":\"", "\"machine\":\"loom ", 1);
        if written == before { machine(copy) } else { fs::write(copy.join("record.json"), written).expect("a file") }
    });
    assert!(output.1.contains("Another machine: recorded with loom"), "{}", output.1);
    assert!(!output.1.contains("Values of the record that differ"), "{}", output.1);

    let json = run(room.path(), &["verify", "result/record.json", "--json"]);
    let value: Value = serde_json::from_slice(&json.stdout).expect("JSON");
    assert_eq!(
        (value["agreement"].as_str(), value["record_sha256"].as_str()),
        (Some("identical"), Some(hash.as_str()))
    );
}

#[test]
fn law_the_record_stays_small() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let case = demo().display().to_string();
    let output = run(room.path(), &["compare", &case, "--quick", "--out", "result"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let record = read(&room.path().join("result"), "record.json");
    let value: Value = serde_json::from_str(&record).expect("JSON");
    let parts = value["parts"]["list"].as_array().expect("parts").len();
    assert!(record.len() < parts * MOST_BYTES_A_PART, "{} bytes for {parts} parts", record.len());
}
