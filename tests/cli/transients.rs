//! `presolder transients`: what it prints and writes, what it keeps after an interruption, requests that are refused.

use crate::folders;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Width of a terminal.
const COLUMNS: usize = 80;

struct Room {
    keep: tempfile::TempDir,
}

impl Room {
    /// The valve board with two parts.
    fn new() -> Room {
        let room = Room { keep: tempfile::tempdir().expect("a temporary folder") };
        folders::copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller"), &room.path("board"));
        room
    }

    fn path(&self, name: &str) -> PathBuf {
        self.keep.path().join(name)
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
        command
            .current_dir(self.keep.path())
            .env("COLUMNS", COLUMNS.to_string())
            .args(["transients", "board"])
            .args(arguments);
        command
    }

    fn run(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().expect("the program runs")
    }

    fn read(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
    }
}

fn printed(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

fn told(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[test]
fn law_text_tables_record_and_page_tell_the_same() {
    let room = Room::new();
    let arguments = ["--part", "Sedge-6R8", "--grid", "3x2", "--out", "maps", "--set", "load.step.to=2.4 A"];
    let output = room.run(&arguments);
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let text = printed(&output);
    assert!(text.lines().all(|line| line.chars().count() <= COLUMNS), "{text}");
    assert!(text.contains("Set: load.step.to=2.4 A.") && text.contains("Against Larkspur-10"), "{text}");
    let record: Value = serde_json::from_str(&room.read("maps/transients.json")).expect("JSON");
    assert_eq!(record["case"]["set"][0], "load.step.to=2.4 A");
    for map in record["maps"].as_array().expect("maps") {
        let table = room.read(&format!("maps/{}.csv", map["name"].as_str().expect("a name")));
        let (remark, rows) = table.split_once("\r\n").expect("lines");
        assert_eq!(remark, "# set load.step.to=2.4 A");
        let mut rows = csv::Reader::from_reader(rows.as_bytes());
        let header: Vec<String> = rows.headers().expect("a header").iter().map(String::from).collect();
        assert!(
            header.iter().any(|name| name == "undershoot_v") && header.iter().any(|name| name == "settling_s"),
            "{header:?}"
        );
        let rows: Vec<csv::StringRecord> = rows.records().map(|row| row.expect("a row")).collect();
        assert_eq!(rows.len(), 2 * 3 * 2);
        let (value, kind) = (3, 4);
        for (number, row) in rows.iter().enumerate() {
            let (part, place) = (number / 6, number % 6);
            let told = &map["cells"][part][place / 3][place % 3][0];
            match told.as_f64() {
                Some(told) => {
                    let written: f64 = row[value].parse().expect("a number");
                    assert!((written / told - 1.0).abs() < 1e-11 && &row[kind] == "value");
                }
                None => assert!(row[value].is_empty() && !row[kind].is_empty(), "{row:?}"),
            }
        }
    }
    // The name of a vocabulary is no address that anything is fetched from.
    let page = room.read("maps/transients.html").replace("http://www.w3.org/2000/svg", "");
    assert!(page.contains("Content-Security-Policy") && !page.contains("http://") && !page.contains("https://"));
    // It is replaced only where that is asked for.
    let again = room.run(&arguments);
    assert!(again.status.code() == Some(2) && told(&again).contains("--replace"), "{}", told(&again));
    let replaced = room.run(&[&arguments[..], &["--replace", "--map", "slew-amplitude"]].concat());
    assert_eq!(replaced.status.code(), Some(0), "{}", told(&replaced));
    assert!(!room.path("maps/rate-share.csv").exists());
}

#[test]
fn law_an_interrupted_run_goes_on_where_it_was() {
    let room = Room::new();
    let arguments = ["--part", "Sedge-6R8", "--map", "slew-amplitude", "--grid", "2x24", "--out", "maps"];
    let mut child = room.command(&arguments).stdout(std::process::Stdio::null()).spawn().expect("the program runs");
    let unfinished = room.path("maps.unfinished");
    let has_lines = || fs::read_to_string(&unfinished).is_ok_and(|text| text.lines().count() > 1);
    while child.try_wait().expect("a child").is_none() && !has_lines() {
        std::thread::sleep(std::time::Duration::from_millis(1));
    }
    let _ = Command::new("kill").args(["-INT", &child.id().to_string()]).status();
    let code = child.wait().expect("it ends").code();
    assert!(code == Some(130) || code == Some(0), "{code:?}");
    if code == Some(130) {
        assert!(!room.path("maps").exists());
        assert!(has_lines());
        assert_eq!(room.run(&arguments).status.code(), Some(0));
        assert!(!unfinished.exists());
    }
    let gone_on: Value = serde_json::from_str(&room.read("maps/transients.json")).expect("JSON");
    let whole = room.run(&["--part", "Sedge-6R8", "--map", "slew-amplitude", "--grid", "2x24", "--json"]);
    let whole: Value = serde_json::from_str(&printed(&whole)).expect("JSON");
    assert_eq!(gone_on["maps"], whole["maps"]);
}

#[test]
fn error_requests_that_no_map_can_answer() {
    let room = Room::new();
    let cases: [(&[&str], &str); 9] = [
        (&["--grid", "0x20"], "--grid 0x20: expected columns and rows, 2 to 200 of each"),
        (&["--grid", "20"], "expected columns and rows"),
        (&["--slew", "0 A/us..1 A/us"], "--slew: expected a smaller and a larger value, both above zero"),
        (&["--slew", "1 A..2 A"], "--slew 1 A..2 A: expected two values in A/us with two dots between them"),
        (&["--amplitude", "1 A..4 A"], "the load range of this board is 150 mA to 3 A"),
        (&["--rate", "1 kHz..300 kHz"], "--rate: expected values from 1 Hz to 200 kHz"),
        (&["--part", "Sedge-6R9"], "did you mean Sedge-6R8?"),
        (&["--set", "load.step.sloo=1 A/us"], "load.step.slew"),
        (&["--set", "load.step.slew=0 A/us"], "load.step.slew"),
    ];
    for (arguments, message) in cases {
        let output = room.run(arguments);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        assert!(told(&output).contains(message), "{arguments:?}: {}", told(&output));
        assert!(output.stdout.is_empty());
        assert_eq!(fs::read_dir(room.keep.path()).expect("a folder").count(), 1, "{arguments:?} left something behind");
    }
}
