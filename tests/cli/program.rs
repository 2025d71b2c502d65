//! The program as a user meets it: exit codes, files, interruption, pipes.

use presolder::record::layout::{Outcome, Record};
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, Instant};

const KIOSK: &str = "ticket-kiosk";
const VALVE: &str = "valve-controller";
/// An interrupted run stops at the next clock edge; this allows for a busy machine.
const PROMPT: Duration = Duration::from_secs(5);
/// Memory of a run of 100 ms: waveforms are thinned, so it does not grow with the time simulated.
const MOST_MEMORY_KIB: u64 = 150 * 1024;

fn case(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("cases").join(name)
}

fn program() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
    command.env("COLUMNS", "80");
    command
}

fn run(arguments: &[&str]) -> Output {
    program().args(arguments).output().expect("the program runs")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("output is UTF-8")
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .expect("a folder")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

/// A comparison of a demo case, done once for all tests.
struct Compared {
    keep: tempfile::TempDir,
    output: Output,
}

impl Compared {
    fn folder(&self) -> PathBuf {
        self.keep.path().join("result")
    }

    fn record(&self) -> Record {
        let text = std::fs::read_to_string(self.folder().join("record.json")).expect("the record");
        serde_json::from_str(&text).expect("the record reads back")
    }
}

fn compared(name: &str) -> &'static Compared {
    static KIOSK_RUN: OnceLock<Compared> = OnceLock::new();
    static VALVE_RUN: OnceLock<Compared> = OnceLock::new();
    let once = if name == KIOSK { &KIOSK_RUN } else { &VALVE_RUN };
    once.get_or_init(|| {
        let keep = tempfile::tempdir().expect("temporary folder");
        let output = program()
            .args(["compare", "--strict", "--out"])
            .arg(keep.path().join("result"))
            .arg(case(name))
            .output()
            .expect("the program runs");
        Compared { keep, output }
    })
}

#[test]
fn law_demo_boards_give_their_verdicts_and_strict_tells_of_a_failure() {
    let expected = [
        (KIOSK, "Hawthorn-33", Outcome::Pass, "meets every check; closest: phase margin 49.4"),
        (KIOSK, "Hornbeam-33", Outcome::Fail, "Working voltage rating 40 V, at least 72.8 V"),
        (KIOSK, "Rowan-47", Outcome::Fail, "Phase margin 38."),
        (VALVE, "Meadowsweet-10", Outcome::Pass, "meets every check; closest: winding temperature 96."),
        (VALVE, "Kestrel-10", Outcome::Fail, "Short-circuit peak current, switches 8.0"),
        (VALVE, "Sedge-6R8", Outcome::Fail, "Pad coverage 57.7 %"),
    ];
    for (name, part, outcome, begins) in expected {
        let run = compared(name);
        assert_eq!(run.output.status.code(), Some(1), "{}", text(&run.output.stderr));
        let record = run.record();
        let verdict = record.verdicts.iter().find(|verdict| verdict.part == part).expect("a verdict");
        assert_eq!(verdict.outcome, outcome, "{part}: {}", verdict.sentence);
        assert!(verdict.sentence.starts_with(begins), "{part}: {}", verdict.sentence);
        assert!(text(&run.output.stdout).contains(part));
    }
}

/// The original of the oven panel and a second source that passes, asked for steady states, load step and start at the nominal input.
#[test]
fn law_strict_ends_well_where_every_substitute_passes() {
    let keep = tempfile::tempdir().expect("temporary folder");
    let text_of = |file: &str| std::fs::read_to_string(case("oven-panel").join(file)).expect("a demo file");
    let left_out = ["input.step]", "load.overload]", "load.short]"];
    let board = text_of("board.toml");
    let kept = board.split("\n[").filter(|section| !left_out.iter().any(|name| section.starts_with(name)));
    let board = kept.collect::<Vec<_>>().join("\n[");
    let is_kept = |line: &&str| !line.starts_with("lightest");
    let line =
        |line: &str| if line.starts_with("voltages") { "voltages = [\"12 V\"]".into() } else { line.to_string() };
    let board: Vec<String> = board.lines().filter(is_kept).map(line).collect();
    let parts = text_of("parts.toml");
    let two: Vec<&str> = parts.split("[[part]]").take(3).collect();
    std::fs::write(keep.path().join("board.toml"), board.join("\n")).expect("a file");
    std::fs::write(keep.path().join("parts.toml"), two.join("[[part]]")).expect("a file");
    let output = program().args(["compare", "--strict", "--json"]).arg(keep.path()).output().expect("the program runs");
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let record: Record = serde_json::from_slice(&output.stdout).expect("a record");
    assert!(record.verdicts.len() == 1 && record.verdicts[0].outcome == Outcome::Pass, "{:?}", record.verdicts);
}

#[test]
fn balance_energy_book_closes_in_every_run_of_both_boards() {
    for name in [KIOSK, VALVE] {
        let book = compared(name).record().energy_book;
        assert!(book.runs > 200 && book.worst_residual <= 1e-9, "{book:?}");
    }
}

#[test]
fn law_table_fits_a_terminal_and_nothing_but_it_goes_to_standard_output() {
    for name in [KIOSK, VALVE] {
        let run = compared(name);
        let table = text(&run.output.stdout);
        let folder = run.folder().display().to_string();
        for line in table.lines().filter(|line| !line.contains(&folder)) {
            assert!(line.chars().count() <= 80, "{line}");
        }
        assert!(table.lines().count() <= 40, "the decision fits a screen:\n{table}");
        assert!(!table.contains('\u{1b}'), "no colour codes in a pipe");
        let told = text(&run.output.stderr);
        assert!(told.lines().all(|line| line.starts_with("simulated ")), "progress and nothing else: {told}");
        assert_eq!(
            names(&run.folder()),
            [
                "bench_plan.csv",
                "captures.toml",
                "contents.sha256",
                "inputs",
                "plots",
                "quantities.csv",
                "record.json",
                "report.html",
                "waveforms"
            ]
        );
    }
}

/// A copy of the valve controller with one substitute, one input voltage and full load only: what takes seconds takes one.
fn small_case(keep: &tempfile::TempDir) -> PathBuf {
    let folder = keep.path().join("small");
    std::fs::create_dir_all(folder.join("curves")).expect("a folder");
    for curve in names(&case(VALVE).join("curves")) {
        std::fs::copy(case(VALVE).join("curves").join(&curve), folder.join("curves").join(&curve)).expect("a copy");
    }
    let source = |file: &str| std::fs::read_to_string(case(VALVE).join(file)).expect("a file of the case");
    let board = source("board.toml")
        .replace("[\"18 V\", \"24 V\", \"32 V\"]", "[\"24 V\"]")
        .replace("[\"0.15 A\", \"2 A\", \"3 A\"]", "[\"3 A\"]");
    let step = board.find("[input.step]").expect("the step")..board.find("[output]").expect("the output");
    std::fs::write(folder.join("board.toml"), [&board[..step.start], &board[step.end..]].concat()).expect("a copy");
    let parts: Vec<String> = source("parts.csv").lines().take(4).map(|line| format!("{line}\n")).collect();
    std::fs::write(folder.join("parts.csv"), parts.concat()).expect("a copy");
    folder
}

#[test]
fn law_output_is_the_same_bit_for_bit_whatever_the_number_of_threads() {
    let keep = tempfile::tempdir().expect("temporary folder");
    let folder = small_case(&keep);
    // Everything as data are shown, and the independent integration of one condition.
    let runs: [&[&str]; 2] = [&[], &["--cross-check", "--only-condition", "load-step"]];
    for (number, run) in runs.into_iter().enumerate() {
        let of_threads = |threads: &str| {
            let out = keep.path().join(format!("result-{number}-{threads}"));
            let mut command = program();
            command.env("RAYON_NUM_THREADS", threads).args(["compare", "--quick", "--out"]).args([&out, &folder]);
            let output = command.args(run).output().expect("the program runs");
            assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
            out
        };
        same_folders(&of_threads("1"), &of_threads("4"));
    }
}

fn same_folders(a: &Path, b: &Path) {
    assert_eq!(names(a), names(b));
    for name in names(a) {
        let (a, b) = (a.join(&name), b.join(&name));
        if a.is_dir() {
            same_folders(&a, &b);
        } else {
            assert!(std::fs::read(&a).ok() == std::fs::read(&b).ok(), "{} differs", a.display());
        }
    }
}

#[test]
fn law_results_are_never_overwritten_unasked() {
    let keep = tempfile::tempdir().expect("temporary folder");
    let elsewhere = tempfile::tempdir().expect("temporary folder");
    let small = small_case(&elsewhere);
    let compare = |arguments: &[&str]| {
        program()
            .current_dir(keep.path())
            .args(["compare", "--quick"])
            .arg(&small)
            .args(arguments)
            .output()
            .expect("it runs")
    };
    assert_eq!(compare(&[]).status.code(), Some(0));
    let first = std::fs::read(keep.path().join("presolder-small/record.json")).expect("a record");
    assert_eq!(compare(&[]).status.code(), Some(0));
    assert_eq!(names(keep.path()), ["presolder-small", "presolder-small-2"]);
    let refused = compare(&["--out", "presolder-small"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(text(&refused.stderr).contains("presolder-small"), "{}", text(&refused.stderr));
    assert_eq!(compare(&["--out", "presolder-small", "--replace"]).status.code(), Some(0));
    let again = std::fs::read(keep.path().join("presolder-small/record.json")).expect("a record");
    assert!(first == again);
    std::fs::create_dir(keep.path().join("foreign")).expect("a folder");
    std::fs::write(keep.path().join("foreign/notes.txt"), "mine").expect("a file");
    let foreign = compare(&["--out", "foreign", "--replace"]);
    assert_eq!(foreign.status.code(), Some(2));
    assert_eq!(names(&keep.path().join("foreign")), ["notes.txt"]);
}

#[test]
fn law_json_goes_to_standard_output_and_no_folder_is_made() {
    let keep = tempfile::tempdir().expect("temporary folder");
    let elsewhere = tempfile::tempdir().expect("temporary folder");
    let (small, result) = (small_case(&elsewhere), elsewhere.path().join("result"));
    let compare = |arguments: &[&Path]| {
        let mut command = program();
        command.current_dir(keep.path()).args(["compare", "--quick"]).args(arguments).output().expect("it runs")
    };
    let output = compare(&[Path::new("--json"), &small]);
    assert_eq!(output.status.code(), Some(0));
    assert!(names(keep.path()).is_empty());
    assert_eq!(compare(&[Path::new("--out"), &result, &small]).status.code(), Some(0));
    let read = |bytes: &[u8]| serde_json::from_slice::<Record>(bytes).expect("a record");
    assert_eq!(read(&output.stdout), read(&std::fs::read(result.join("record.json")).expect("the record")));
}

#[test]
fn error_wrong_arguments_say_what_was_expected_and_leave_nothing() {
    let keep = tempfile::tempdir().expect("temporary folder");
    let here = |name: &str| keep.path().join(name).display().to_string();
    std::fs::write(keep.path().join("file"), "x").expect("a file");
    let (valve, kiosk) = (case(VALVE).display().to_string(), case(KIOSK).display().to_string());
    let (file, missing, inside_file, existing) = (here("file"), here("nowhere"), here("file/result"), here("file"));
    let wrong: &[(&[&str], &str)] = &[
        (&["compare", &missing], "nowhere"),
        (&["compare", &file], "folder"),
        (&["compare", &valve, "--out", &file], "not a folder"),
        (&["compare", &valve, "--out", &inside_file], "cannot"),
        (&["compare", &valve, "--out", "/proc/result"], "cannot"),
        (&["compare", &valve, "--replace"], "--out"),
        (&["compare"], "<CASE>"),
        (&["waveforms", &valve, "--part", "Kestrel"], "Kestrel-10"),
        (&["waveforms", &valve, "--condition", "soak"], "load-step"),
        (&["waveforms", &valve, "--every", "0 ns"], "above zero"),
        (&["waveforms", &valve, "--every", "10"], "time"),
        (&["waveforms", &valve, "--every", "10 mV"], "time"),
        (&["waveforms", &valve, "--from", "5us", "--to", "1us"], "before"),
        (&["waveforms", &valve, "--every", "1fs"], "time"),
        (&["waveforms", &valve, "--every", "1ps", "--to", "1ms"], "samples"),
        (&["waveforms", &kiosk, "--input", "11V"], "more than the output voltage"),
        (&["waveforms", &kiosk, "--load", "2V"], "current"),
        (&["waveforms", &valve, "--out", &existing], "not overwritten"),
        (&["waveforms", &valve, "--out", &inside_file], "cannot"),
        (&["simulate", &valve], "simulate"),
    ];
    for (arguments, says) in wrong {
        let output = run(arguments);
        let error = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {error}");
        assert!(error.contains(says), "{arguments:?}: {error}");
        assert!(output.stdout.is_empty() && !error.contains("panicked"), "{arguments:?}: {error}");
    }
    assert_eq!(names(keep.path()), ["file"]);
}

#[test]
fn law_help_on_every_level_has_an_example() {
    for arguments in [&["compare", "--help"][..], &["check", "--help"], &["waveforms", "--help"]] {
        let output = run(arguments);
        assert_eq!(output.status.code(), Some(0));
        assert!(text(&output.stdout).contains("Example:"), "{arguments:?}");
    }
    let overview = text(&run(&["--help"]).stdout);
    assert!(overview.contains("Example:") && overview.contains("qualified person"), "{overview}");
}

#[test]
fn law_check_lists_what_was_assumed() {
    let output = run(&["check", case(KIOSK).to_str().expect("a path")]);
    let said = text(&output.stdout);
    assert_eq!(output.status.code(), Some(0));
    assert!(said.contains("stage.quiescent_current: 700 \u{b5}A") && said.contains("can be simulated"), "{said}");
    assert!(said.lines().all(|line| line.chars().count() <= 80), "{said}");
}

/// A copy of the kiosk whose load step is held for so long that a comparison takes minutes.
fn long_case(keep: &tempfile::TempDir, hold: &str) -> PathBuf {
    let folder = keep.path().join("case");
    std::fs::create_dir(&folder).expect("a folder");
    for file in ["board.toml", "parts.toml"] {
        let source = std::fs::read_to_string(case(KIOSK).join(file)).expect("a file of the case");
        let held = source.replace("slew = \"1 A/us\"", &format!("slew = \"1 A/us\"\nhold = \"{hold}\""));
        std::fs::write(folder.join(file), held).expect("a copy");
    }
    folder
}

fn interrupt(child: &Child) {
    let status = Command::new("kill").args(["-INT", &child.id().to_string()]).status().expect("kill runs");
    assert!(status.success());
}

#[test]
fn law_an_interruption_ends_a_comparison_promptly_and_leaves_nothing() {
    let keep = tempfile::tempdir().expect("temporary folder");
    let folder = long_case(&keep, "5 s");
    let mut child = program()
        .args([Path::new("compare"), &folder, Path::new("--out"), &keep.path().join("result")])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    std::thread::sleep(Duration::from_millis(1500));
    let begin = Instant::now();
    interrupt(&child);
    let status = child.wait().expect("it ends");
    assert!(begin.elapsed() < PROMPT, "{:?}", begin.elapsed());
    assert_eq!(status.code(), Some(130));
    assert_eq!(names(keep.path()), ["case"]);
}

#[test]
fn law_an_interruption_leaves_no_half_written_waveforms() {
    let keep = tempfile::tempdir().expect("temporary folder");
    let folder = long_case(&keep, "1 s");
    let out = keep.path().join("step.csv");
    let mut child = program()
        .args([Path::new("waveforms"), &folder])
        .args(["--condition", "load-step", "--every", "1us", "--out"])
        .arg(&out)
        .spawn()
        .expect("the program starts");
    std::thread::sleep(Duration::from_millis(1500));
    interrupt(&child);
    let begin = Instant::now();
    assert_eq!(child.wait().expect("it ends").code(), Some(130));
    assert!(begin.elapsed() < PROMPT);
    assert_eq!(names(keep.path()), ["case"]);
}

#[test]
fn law_a_reader_that_goes_away_is_no_error() {
    let arguments: [&[&str]; 2] = [&["waveforms", "--condition", "load-step"], &["check"]];
    for words in arguments {
        let mut child = program()
            .args(words)
            .arg(case(VALVE))
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the program starts");
        let mut reader = BufReader::new(child.stdout.take().expect("a pipe"));
        let mut line = String::new();
        reader.read_line(&mut line).expect("a first line");
        drop(reader);
        let status = child.wait().expect("it ends");
        let mut error = String::new();
        child.stderr.take().expect("a pipe").read_to_string(&mut error).expect("text");
        assert_eq!((status.code(), error.as_str()), (Some(0), ""), "{words:?}");
    }
}

/// Rows of a waveform file as numbers.
fn rows(csv: &str) -> Vec<Vec<f64>> {
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let header: Vec<String> = reader.headers().expect("a header").iter().map(str::to_owned).collect();
    assert_eq!(header, ["time_s", "output_v", "output_20mhz_v", "current_a", "load_a", "switch_v", "control_v"]);
    reader
        .records()
        .map(|record| record.expect("a row").iter().map(|cell| cell.parse().expect("a number")).collect())
        .collect()
}

#[test]
fn law_steady_waveforms_show_the_ripple_of_the_record() {
    let valve = case(VALVE);
    let output = run(&["waveforms", valve.to_str().expect("a path"), "--every", "2.5ns", "--to", "2.5us"]);
    let rows = rows(&text(&output.stdout));
    assert_eq!(rows.len(), 1001);
    for (k, row) in rows.iter().enumerate() {
        assert!((row[0] - k as f64 * 2.5e-9).abs() < 1e-18);
    }
    let width = |column: usize| {
        let values = rows.iter().map(|row| row[column]);
        values.clone().fold(f64::MIN, f64::max) - values.fold(f64::MAX, f64::min)
    };
    let record = compared(VALVE).record();
    let full = record.parts[0]
        .results
        .iter()
        .find(|result| result.corner == "nominal" && result.input_v == Some(24.0) && result.load_a == Some(3.0))
        .expect("the nominal condition");
    let value = |quantity: &str| {
        full.values.iter().find(|v| v.quantity == quantity).expect("a value").value.exact().expect("a number")
    };
    // A sample every 2.5 ns misses the corner of the current by at most 2.5 ns of its slope, 2 A/us.
    assert!((width(3) - value("inductor_ripple")).abs() < 5e-3);
    assert!((width(2) - value("ripple_20mhz")).abs() < 0.01 * value("ripple_20mhz"));
}

#[test]
fn law_load_step_waveforms_show_the_dip_of_the_record() {
    let kiosk = case(KIOSK);
    let arguments = ["waveforms", kiosk.to_str().expect("a path"), "--condition", "load-step"];
    let output = run(&[&arguments[..], &["--every", "20ns", "--from", "-4us", "--to", "60us"]].concat());
    let rows = rows(&text(&output.stdout));
    assert!((rows[0][0] + 4e-6).abs() < 1e-15 && rows[0][4] == 1.0);
    let lowest = rows.iter().map(|row| row[1]).fold(f64::MAX, f64::min);
    let record = compared(KIOSK).record();
    let step = record.parts[0]
        .results
        .iter()
        .find(|result| result.condition == "load step" && result.corner == "nominal" && result.input_v == Some(48.0))
        .expect("the nominal load step");
    let dip = step.values.iter().find(|v| v.quantity == "dip").expect("a dip").value.exact().expect("a number");
    // The record holds the worst of four starts within the period; they differ by no more than the ripple.
    let shown = 12.0 - lowest;
    assert!(shown <= dip + 1e-5 && shown > dip - 0.012, "{shown} {dip}");
}

#[test]
fn law_a_long_run_holds_no_more_memory_than_a_short_one() {
    let keep = tempfile::tempdir().expect("temporary folder");
    let folder = long_case(&keep, "50 ms");
    let text_of = std::fs::read_to_string(folder.join("board.toml")).expect("the board");
    let single = text_of
        .replace("voltages = [\"36 V\", \"48 V\", \"56 V\"]", "voltages = [\"48 V\"]")
        .replace("currents = [\"0.3 A\", \"2.5 A\", \"4 A\"]", "currents = [\"4 A\"]");
    let step = single.find("[input.step]").expect("the step")..single.find("[output]").expect("the output");
    let single = [&single[..step.start], &single[step.end..]].concat();
    std::fs::write(folder.join("board.toml"), single).expect("a copy");
    let parts = std::fs::read_to_string(folder.join("parts.toml")).expect("the parts");
    let third = parts.match_indices("[[part]]").nth(2).expect("four parts").0;
    std::fs::write(folder.join("parts.toml"), &parts[..third]).expect("a copy");
    let out = keep.path().join("result");
    let mut child = program()
        .args([Path::new("compare"), Path::new("--quick"), &folder, Path::new("--out"), &out])
        .stdout(Stdio::null())
        .spawn()
        .expect("the program starts");
    let status_file = format!("/proc/{}/status", child.id());
    let mut highest = 0;
    while child.try_wait().expect("its state").is_none() {
        let status = std::fs::read_to_string(&status_file).unwrap_or_default();
        let memory = status
            .lines()
            .find_map(|line| line.strip_prefix("VmHWM:"))
            .and_then(|rest| rest.split_whitespace().next().and_then(|number| number.parse::<u64>().ok()));
        highest = highest.max(memory.unwrap_or(0));
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(child.wait().expect("it ended").success());
    assert!(highest < MOST_MEMORY_KIB, "{highest} KiB");
    // The thinned waveform keeps the extremes: its least output is the dip at that start within the period.
    let step = std::fs::read_to_string(out.join("waveforms/step-Alder-33.csv")).expect("the waveform");
    assert!(step.lines().count() < 9000, "{} rows", step.lines().count());
    let mut reader = csv::Reader::from_reader(step.as_bytes());
    let column = reader.headers().expect("a header").iter().position(|name| name == "output_low_v").expect("a column");
    let lowest = reader
        .records()
        .map(|row| row.expect("a row")[column].parse::<f64>().expect("a number"))
        .fold(f64::MAX, f64::min);
    let record: Record =
        serde_json::from_str(&std::fs::read_to_string(out.join("record.json")).expect("the record")).expect("JSON");
    let nominal = record.parts[0].results.iter().find(|result| result.condition == "load step").expect("a load step");
    let dip = nominal.values.iter().find(|v| v.quantity == "dip").expect("a dip").value.exact().expect("a number");
    assert!(12.0 - lowest <= dip + 1e-6 && 12.0 - lowest > dip - 0.012, "{lowest} {dip}");
}

#[test]
fn law_completions_and_the_manual_name_every_command() {
    for arguments in [vec!["completions", "bash"], vec!["completions", "zsh"], vec!["completions", "fish"], vec!["man"]]
    {
        let output = run(&arguments);
        assert_eq!(output.status.code(), Some(0), "{arguments:?}");
        let told = text(&output.stdout);
        for command in ["new", "check", "compare", "sweep", "waveforms"] {
            assert!(told.contains(command), "{arguments:?}: {command} is missing");
        }
    }
}
