//! `presolder sweep`: tables that go on after an interruption, the same for any number of threads, and requests that are refused.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

/// Two tolerances of one part in steady states: a unit takes some hundredths of a second.
const QUICK: [&str; 6] = ["--condition", "steady", "--part", "Wren-R56", "--tolerance", "inductance,frequency"];
/// By then a run has written its first line, on a busy machine as well.
const FIRST_LINE: Duration = Duration::from_secs(60);

fn case() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/oven-panel")
}

fn sweep(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
    command.env("COLUMNS", "80").arg("sweep").arg(case()).args(QUICK).args(arguments);
    command
}

fn run(arguments: &[&str]) -> Output {
    sweep(arguments).output().expect("the program runs")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("output is UTF-8")
}

struct Room {
    keep: tempfile::TempDir,
}

impl Room {
    fn new() -> Room {
        Room { keep: tempfile::tempdir().expect("a temporary folder") }
    }

    fn path(&self, name: &str) -> String {
        self.keep.path().join(name).display().to_string()
    }

    /// Sweeps into a table; the table and what is printed, without the place of the table.
    fn table(&self, name: &str, arguments: &[&str]) -> (Vec<u8>, String) {
        let path = self.path(name);
        let output = run(&[arguments, &["--out", path.as_str()]].concat());
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        (fs::read(&path).expect("the table"), text(&output.stdout).replace(&path, ""))
    }
}

#[test]
fn law_a_table_goes_on_wherever_it_was_cut() {
    let room = Room::new();
    let draws = ["--draws", "5", "--seed", "31"];
    let (whole, summary) = room.table("whole.csv", &draws);
    let lines: Vec<usize> =
        whole.iter().enumerate().filter(|(_, byte)| **byte == b'\n').map(|(at, _)| at + 1).collect();
    assert_eq!(lines.len(), 2 + 5, "two lines of header, one a unit");
    // Every byte is tried on the table alone, in src/report/journal.rs; here a cut in each kind of place.
    for cut in [0, 40, lines[0], lines[1], lines[2] - 1, lines[3] + 25, lines[6] - 2, whole.len()] {
        fs::write(room.path("cut.csv"), &whole[..cut]).expect("a file");
        let (again, told) = room.table("cut.csv", &draws);
        assert!(again == whole, "cut at {cut}");
        assert_eq!(told, summary, "cut at {cut}");
    }
    // More draws begin with the same ones.
    let (more, _) = room.table("cut.csv", &["--draws", "7", "--seed", "31"]);
    assert!(more.len() > whole.len() && more.starts_with(&whole));
}

#[test]
fn law_the_number_of_threads_does_not_matter() {
    let room = Room::new();
    let table = |threads: &str| {
        let path = room.path(threads);
        let mut command = sweep(&["--draws", "9", "--spread", "normal", "--out", path.as_str()]);
        let output = command.env("RAYON_NUM_THREADS", threads).output().expect("the program runs");
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        (fs::read(&path).expect("the table"), text(&output.stdout).replace(&path, ""))
    };
    assert!(table("1") == table("2"));
}

#[test]
fn law_an_interrupted_sweep_keeps_what_is_whole_and_goes_on() {
    let room = Room::new();
    let (path, draws) = (room.path("table.csv"), ["--draws", "12", "--seed", "5"]);
    let (whole, _) = room.table("whole.csv", &draws);
    let mut command = sweep(&[&draws[..], &["--out", path.as_str()]].concat());
    let mut child = command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("the program starts");
    let (begin, lines) = (Instant::now(), || fs::read_to_string(&path).map_or(0, |text| text.lines().count()));
    while lines() < 3 && begin.elapsed() < FIRST_LINE {
        std::thread::sleep(Duration::from_millis(2));
    }
    let killed = Command::new("kill").args(["-INT", &child.id().to_string()]).status().expect("kill runs");
    let code = child.wait().expect("it ends").code();
    // On a quick machine it may have come to its end first.
    assert!(code == Some(130) || code == Some(0) && lines() == 14, "{code:?} {killed:?}");
    let kept = fs::read(&path).expect("the table");
    assert!(whole.starts_with(&kept), "what is kept is whole");
    assert!(room.table("table.csv", &draws).0 == whole);
    let names = fs::read_dir(room.keep.path()).expect("a folder").count();
    assert_eq!(names, 2, "nothing is left beside the tables");
}

#[test]
fn error_a_file_of_another_sweep_is_refused_and_stays() {
    let room = Room::new();
    let (table, _) = room.table("table.csv", &["--draws", "2", "--seed", "31"]);
    let path = room.path("table.csv");
    let damaged = text(&table).replacen("Wren-R56,0", "Wren-R56,1", 1);
    let cases: [(&[u8], &[&str], &str); 5] = [
        (&table, &["--draws", "2", "--seed", "32"], "is of another sweep"),
        (&table, &[], "every combination of both ends"),
        (&table, &["--draws", "1", "--seed", "31"], "more draws than are asked for"),
        (b"my notes\n", &["--draws", "2"], "is no table of a sweep"),
        (damaged.as_bytes(), &["--draws", "2", "--seed", "31"], "line 3"),
    ];
    for (content, arguments, message) in cases {
        fs::write(&path, content).expect("a file");
        let output = run(&[arguments, &["--out", path.as_str()]].concat());
        let told = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{told}");
        assert!(told.contains(message) && told.contains("table.csv") && told.contains("left as it is"), "{told}");
        assert!(fs::read(&path).expect("the file") == content, "{message}: the file is touched");
    }
}

#[test]
fn error_requests_that_cannot_be_met() {
    let program = |arguments: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
        command.arg("sweep").arg(case()).args(arguments).output().expect("the program runs")
    };
    let room = Room::new();
    fs::write(room.path("file"), "mine").expect("a file");
    let nowhere = room.path("file/table.csv");
    let cases: [(&[&str], &str); 8] = [
        (&["--draws", "0"], "expected at least one draw"),
        (&["--tolerance", "inductanse"], "did you mean inductance?"),
        (&["--tolerance", "winding"], "expected one of"),
        (&["--part", "Wren-R65"], "did you mean Wren-R56?"),
        (&["--seed", "4"], "--draws"),
        (&["--condition", "load-stpe"], "load-step"),
        (&["--draws", "-3"], "-3"),
        (
            &["--tolerance", "inductance", "--condition", "steady", "--part", "Wren-R56", "--out", nowhere.as_str()],
            "table.csv",
        ),
    ];
    for (arguments, message) in cases {
        let output = program(arguments);
        let told = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {told}");
        assert!(told.contains(message), "{arguments:?}: {told}");
        assert!(output.stdout.is_empty(), "{arguments:?}");
    }
}

#[test]
fn law_the_summary_fits_a_terminal_and_its_counts_add_up() {
    let output = run(&["--draws", "40"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let told = text(&output.stdout);
    assert!(told.lines().all(|line| line.chars().count() <= 80), "{told}");
    assert!(told.contains("seed 1") && told.contains("uniform between its ends"), "{told}");
    assert_eq!(told, text(&run(&["--draws", "40"]).stdout), "the same again");
    let json: serde_json::Value = serde_json::from_str(&text(&run(&["--draws", "40", "--json"]).stdout)).expect("JSON");
    let checks = json["parts"][0]["checks"].as_array().expect("checks");
    assert!(checks.len() >= 5, "{json}");
    for check in checks {
        let count = |key: &str| check[key].as_u64().expect("a count");
        assert_eq!(count("met") + count("missed") + count("open"), count("units"), "{check}");
        let share = |key: &str| check["met_share"][key].as_f64().expect("a share");
        assert!(share("low") <= share("share") && share("share") <= share("high"), "{check}");
        let values: Vec<f64> =
            check["quantiles"].as_array().expect("a list").iter().filter_map(|one| one["value"].as_f64()).collect();
        assert!(values.is_sorted(), "{check}");
    }
}

/// Too many units are told before anything is run.
#[test]
fn error_a_factorial_of_too_many_units_says_how_many() {
    let room = Room::new();
    let folder = room.keep.path().join("many");
    fs::create_dir(&folder).expect("a folder");
    for file in fs::read_dir(case()).expect("the case") {
        let file = file.expect("a file");
        fs::copy(file.path(), folder.join(file.file_name())).expect("a copy");
    }
    let parts = fs::read_to_string(folder.join("parts.toml")).expect("the parts");
    let (_, one) = parts.rsplit_once("[[part]]").expect("a part");
    let name =
        one.lines().find_map(|line| line.trim().strip_prefix("name")).expect("a name").trim_matches([' ', '=', '"']);
    let copies: String = (0..40).map(|n| format!("\n[[part]]{}", one.replace(name, &format!("{name}-{n}")))).collect();
    fs::write(folder.join("parts.toml"), format!("{parts}{copies}")).expect("the parts");
    let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
    let output = command.arg("sweep").arg(&folder).output().expect("the program runs");
    let told = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{told}");
    assert!(told.contains("--draws") && told.contains("units, more than 2048"), "{told}");
}
