//! The program at the edges of what can be asked of it: requests out of range, output that cannot be written,
//! interruption with an earlier result in place, and a third board that states as little as the format allows.

use presolder::record::layout::{Outcome, Record};
use std::fs::{self, File};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

/// An interrupted run stops at the next clock edge; this allows for a busy machine.
const PROMPT: Duration = Duration::from_secs(3);
/// By then a comparison of the third board is simulating: it reads its case within milliseconds.
const UNDER_WAY: Duration = Duration::from_millis(800);

/// A stove's fan: diode rectifier, fixed duty, resistive load, no limits.
const BOARD: &str = r#"
title    = "Fan of a pellet stove, 12 V to 3.3 V, with a title that is longer than a terminal is usually wide"
original = "Birch-22"
[input]
voltages = ["9 V", "12 V"]
nominal  = "12 V"
[output]
voltage = "3.3 V"
[[output.capacitors]]
name        = "electrolytic"
capacitance = "220 uF"
esr         = "45 mohm"
esl         = "8 nH"
[load]
currents = ["0.1 A", "1.5 A"]
kind     = "resistance"
[load.step]
from = "0.3 A"
to   = "1.2 A"
slew = "0.5 A/us"
hold = "410 us"
[stage]
frequency            = "310 kHz"
ambient              = "45 degC"
high_side_resistance = "120 mohm"
[stage.low_side]
kind             = "diode"
forward_voltage  = "0.38 V"
slope_resistance = "40 mohm"
[control.modulator]
kind = "fixed-duty"
duty = 0.33
[control.compensator]
kind = "open"
"#;

/// Ratings in place of curves.
const PARTS: &str = r#"
[[part]]
name = "Birch-22"
core = "ferrite"
inductance = "22 uH"
tolerance = "20 %"
dcr_typical = "75 mohm"
dcr_max = "88 mohm"
saturation_current = "2.9 A"
saturation_drop = "30 %"
saturation_knee = "hard"
heating_current = "2.2 A"
heating_rise = "40 K"
[[part]]
name = "Willow-22"
core = "composite"
inductance = "22 uH"
tolerance = "20 %"
dcr_typical = "95 mohm"
dcr_max = "110 mohm"
saturation_current = "3.1 A"
saturation_drop = "20 %"
saturation_knee = "soft"
heating_current = "1.9 A"
heating_rise = "40 K"
"#;

/// A folder with the third board in `stove`; goes away with the test.
struct Room {
    keep: tempfile::TempDir,
}

impl Room {
    fn new() -> Room {
        Room::holding("410 us")
    }

    /// With the levels of the load step held for that time.
    fn holding(hold: &str) -> Room {
        let keep = tempfile::tempdir().expect("temporary folder");
        let room = Room { keep };
        fs::create_dir(room.case()).expect("a folder");
        fs::write(room.case().join("board.toml"), BOARD.replace("410 us", hold)).expect("a file");
        fs::write(room.case().join("parts.toml"), PARTS).expect("a file");
        room
    }

    fn path(&self, name: &str) -> PathBuf {
        self.keep.path().join(name)
    }

    fn case(&self) -> PathBuf {
        self.path("stove")
    }

    /// The program in the room, told of the case as a relative path.
    fn program(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
        command.current_dir(self.keep.path()).env("COLUMNS", "80").args(arguments);
        command
    }

    fn run(&self, arguments: &[&str]) -> Output {
        self.program(arguments).output().expect("the program runs")
    }

    fn start(&self, arguments: &[&str]) -> Child {
        let mut command = self.program(arguments);
        command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("the program starts")
    }

    fn names(&self) -> Vec<String> {
        names(self.keep.path())
    }
}

fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").file_name());
    let mut names: Vec<String> = entries.map(|name| name.to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("output is UTF-8")
}

fn valve() -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/valve-controller").display().to_string()
}

/// Rows of a waveform file as numbers.
fn rows(csv: &str) -> Vec<Vec<f64>> {
    let number = |cell: &str| cell.parse().expect("a number");
    csv.lines().skip(1).map(|line| line.split(',').map(number).collect()).collect()
}

fn interrupt(child: &Child) {
    let status = Command::new("kill").args(["-INT", &child.id().to_string()]).status().expect("kill runs");
    assert!(status.success());
}

/// Ends with the exit code of an interruption, soon.
fn ends_interrupted(mut child: Child) -> Output {
    let begin = Instant::now();
    child.wait().expect("it ends");
    assert!(begin.elapsed() < PROMPT, "{:?}", begin.elapsed());
    let output = child.wait_with_output().expect("its output");
    assert_eq!(output.status.code(), Some(130), "{}", text(&output.stderr));
    output
}

#[test]
fn error_waveforms_that_do_not_exist_are_refused_with_the_bound() {
    let room = Room::new();
    let valve = valve();
    let step = ["--condition", "load-step"];
    let no_step = BOARD.replace("[load.step]", "").replace("from = \"0.3 A\"", "").replace("to   = \"1.2 A\"", "");
    let no_step = no_step.replace("slew = \"0.5 A/us\"", "").replace("hold = \"410 us\"", "");
    fs::create_dir(room.path("flat")).expect("a folder");
    fs::write(room.path("flat/board.toml"), no_step).expect("a file");
    fs::write(room.path("flat/parts.toml"), PARTS).expect("a file");
    let wrong: &[(&str, &[&str], &str)] = &[
        (&valve, &["--every", "-10ns"], "--every -10 ns: expected a time above zero"),
        (&valve, &["--every=-10ns"], "--every -10 ns: expected a time above zero"),
        (&valve, &["--every", "0s"], "expected a time above zero"),
        (&valve, &["--load", "-1A"], "--load -1 A: expected a current from 0 A to 1 kA"),
        ("stove", &["--load", "1.2kA"], "--load 1.2 kA: expected a current from 0 A to 1 kA"),
        (&valve, &["--load", "4.4A"], "less than the lowest current-limit threshold of 4.4 A"),
        (&valve, &[&step[..], &["--load", "2A"]].concat(), "no load current but with --condition steady"),
        (
            &valve,
            &["--input", "1.1kV"],
            "--input 1.1 kV: expected more than the output voltage of 5 V, from 1 V to 1 kV",
        ),
        (&valve, &["--input", "-24V"], "--input -24 V: expected more than the output voltage of 5 V"),
        (&valve, &["--input", "5V"], "--input 5 V: expected more than the output voltage of 5 V"),
        (&valve, &["--from", "-1us"], "--from -1 µs: expected 0 s or later"),
        (&valve, &["--to", "1e9 s", "--every", "1e8 s"], "--to 1 Gs is more than 1e7 switching periods away"),
        (&valve, &[&step[..], &["--from", "-1ks", "--every", "1s"]].concat(), "--from -1 ks is more than 1e7"),
        (
            &valve,
            &[&step[..], &["--from", "5s", "--to", "6s"]].concat(),
            "--from 5 s: expected a time from -2.5 µs to 1.92",
        ),
        (&valve, &[&step[..], &["--to", "6s"]].concat(), "--to 6 s: expected a time from -2.5 µs to 1.92"),
        ("flat", &step, "does not state this condition: give load.step in board.toml"),
        ("flat", &["--condition", "short-circuit"], "give load.short in board.toml"),
        (&valve, &["--condition", "start", "--to", "1 s"], "expected a time from 0 s to 4.96 ms"),
        (&valve, &["--condition", "overload", "--load", "2A"], "no load current but with --condition steady"),
        (&valve, &["--corner", "typical"], "nominal, low-l, high-l"),
        (&valve, &["--part", ""], "Larkspur-10, Meadowsweet-10"),
        (&valve, &["--part", "larkspur-10"], "Larkspur-10, Meadowsweet-10"),
    ];
    let before = room.names();
    for (case, arguments, says) in wrong {
        for out in [&[][..], &["--out", "dip.csv"]] {
            let output = room.run(&[&["waveforms", case], *arguments, out].concat());
            let error = text(&output.stderr);
            assert_eq!(output.status.code(), Some(2), "{arguments:?}: {error}");
            assert!(error.starts_with("error: ") && error.contains(says), "{arguments:?}: {error}");
            assert!(output.stdout.is_empty() && !error.contains("panicked"), "{arguments:?}: {error}");
            assert_eq!(room.names(), before, "{arguments:?}");
        }
    }
}

#[test]
fn error_a_folder_that_cannot_be_made_is_told_before_anything_is_simulated() {
    let room = Room::holding("10 s");
    fs::create_dir(room.path("foreign")).expect("a folder");
    fs::write(room.path("foreign/notes.txt"), "mine").expect("a file");
    fs::write(room.path("file"), "mine").expect("a file");
    let before = room.names();
    let wrong = [
        (".", "is not the name of a folder"),
        ("..", "is not the name of a folder"),
        ("/", "is not the name of a folder"),
        ("stove", "holds no result of this tool"),
        ("foreign", "holds no result of this tool"),
        ("file", "is not a folder"),
        ("file/result", "cannot create "),
        ("/proc/result", "cannot create "),
        ("", "--out <DIR>"),
    ];
    for (out, says) in wrong {
        for replace in [&[][..], &["--replace"]] {
            let begin = Instant::now();
            let output = room.run(&[&["compare", "stove", "--out", out], replace].concat());
            let error = text(&output.stderr);
            assert_eq!(output.status.code(), Some(2), "{out}: {error}");
            assert!(error.starts_with("error: ") && error.contains(says), "{out}: {error}");
            assert!(output.stdout.is_empty() && begin.elapsed() < PROMPT, "{out}");
            assert_eq!(room.names(), before, "{out}");
        }
    }
    assert_eq!(names(&room.path("foreign")), ["notes.txt"]);
}

#[test]
fn law_every_sample_stands_where_it_was_asked_for() {
    let room = Room::new();
    let valve = valve();
    // 3 periods before the step, 4.4 after it; the period is 2.5 us. No sample stands on a clock edge, where waveforms jump.
    let shown = |from: &str| {
        let arguments = ["--condition", "load-step", "--every", "50ns", "--from", from, "--to", "11us"];
        let output = room.run(&[&["waveforms", &valve][..], &arguments].concat());
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        rows(&text(&output.stdout))
    };
    let long = shown("-7.49us");
    assert_eq!(long.len(), 370);
    for (k, row) in long.iter().enumerate() {
        assert!((row[0] - (-7.49e-6 + k as f64 * 50e-9)).abs() < 1e-15, "{k}: {}", row[0]);
        let load_a = 0.5 + (1e6 * row[0]).clamp(0.0, 2.0);
        assert!((row[4] - load_a).abs() < 1e-6, "{}: {} for {load_a}", row[0], row[4]);
    }
    // Before the step the steady state repeats. Its orbit closes to better than a microvolt and a microampere.
    for (k, (now, later)) in long[..99].iter().zip(&long[50..]).enumerate() {
        for (column, (a, b)) in now.iter().zip(later).enumerate().take(5).skip(1) {
            assert!((a - b).abs() < 1e-6, "{k} {column}");
        }
    }
    // What comes after the step does not depend on how much is shown before it.
    let short = shown("10ns");
    assert_eq!(short.len(), 220);
    for (a, b) in short.iter().zip(&long[150..]) {
        for column in 1..7 {
            assert!((a[column] - b[column]).abs() < 1e-5 * (1.0 + a[column].abs()), "{} {column}", a[0]);
        }
    }
    // A steady state shows two periods from its first sample on, which is the same as two periods later.
    let steady = |from: &str| rows(&text(&room.run(&["waveforms", &valve, "--every", "125ns", "--from", from]).stdout));
    let (now, later) = (steady("10ns"), steady("5.01us"));
    assert_eq!((now.len(), later.len()), (41, 41));
    for (a, b) in now.iter().zip(&later) {
        assert!((a[0] + 5e-6 - b[0]).abs() < 1e-15 && (a[3] - b[3]).abs() < 1e-6);
    }
}

#[test]
fn closed_form_mean_output_of_the_third_board() {
    let room = Room::new();
    let output = room.run(&["compare", "stove", "--quick", "--out", "result"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    assert_eq!(room.names(), ["result", "stove"]);
    let record: Record =
        serde_json::from_str(&fs::read_to_string(room.path("result/record.json")).expect("the record")).expect("JSON");
    // No limit is stated, so nothing can fail.
    assert!(record.verdicts.iter().all(|verdict| verdict.outcome != Outcome::Fail), "{:?}", record.verdicts);
    let result = record.parts[0]
        .results
        .iter()
        .find(|r| r.condition == "steady" && r.corner == "nominal" && r.input_v == Some(12.0) && r.load_a == Some(1.5))
        .expect("full load");
    let value = |quantity: &str| {
        result.values.iter().find(|v| v.quantity == quantity).expect("a value").value.exact().expect("a number")
    };
    let (duty, mean_v) = (0.33, value("output_mean"));
    // Mean voltages around the loop in continuous conduction: the average inductor current is that of the resistor.
    let current_a = mean_v / (3.3 / 1.5);
    let copper_per_k = 0.00393 / (1.0 + 5.0 * 0.00393);
    let winding_ohm = 0.075 * (1.0 + copper_per_k * (value("winding_temperature") - 25.0));
    let high_v = duty * (12.0 - 0.12 * 1.3 * current_a);
    let low_v = (1.0 - duty) * (0.38 + 0.04 * current_a);
    let expected_v = high_v - low_v - winding_ohm * current_a;
    // Left out: the product of ripple and its own resistance drop, a hundred-thousandth of the output.
    assert!((mean_v - expected_v).abs() < 2e-5 * mean_v, "{mean_v} {expected_v}");
    // The flux swings by the volt-seconds of the off time, at the inductance without saturation; the hot curve that nobody printed bends
    // a little earlier and adds up to some percent.
    let swing_a = (1.0 - duty) * (mean_v + 0.38 + (0.04 + winding_ohm) * current_a) / (310e3 * 22e-6);
    let share = value("inductor_ripple") / swing_a;
    assert!((0.998..1.02).contains(&share), "{share}");
}

#[test]
fn law_check_tells_what_was_estimated_and_the_command_that_works() {
    let room = Room::new();
    for (columns, most) in [("80", 80), ("0", 60), ("20", 60), ("200", 100), ("wide", 80), ("", 80)] {
        let output = room.program(&["check", "stove"]).env("COLUMNS", columns).output().expect("the program runs");
        let said = text(&output.stdout);
        assert_eq!((output.status.code(), text(&output.stderr).as_str()), (Some(0), ""));
        assert!(said.lines().all(|line| line.chars().count() <= most), "{columns}: {said}");
    }
    let said = text(&room.run(&["check", "stove"]).stdout);
    for part in ["Data to check:", "no hot curve", "Assumed:", "Estimated:", "Birch-22: saturation: hard knee"] {
        assert!(said.contains(part), "{said}");
    }
    let told = said.lines().last().and_then(|line| line.split_once("presolder ")).expect("a command").1;
    assert_eq!(told, "compare stove");
    let done = room.run(&told.split(' ').chain(["--quick"]).collect::<Vec<_>>());
    assert_eq!(done.status.code(), Some(0));
    // From inside the case the folder has the same name.
    let inside =
        room.program(&["compare", ".", "--quick"]).current_dir(room.case()).output().expect("the program runs");
    assert_eq!(inside.status.code(), Some(0), "{}", text(&inside.stderr));
    assert_eq!(names(&room.case()), ["board.toml", "parts.toml", "presolder-stove"]);
}

#[test]
fn law_waveforms_are_the_same_bit_for_bit() {
    let room = Room::new();
    let arguments = ["waveforms", "stove", "--condition", "load-step", "--to", "90us", "--corner", "low-l"];
    let first = room.run(&arguments);
    assert!(first.stdout.len() > 10_000);
    for threads in ["1", "4"] {
        let again = room.program(&arguments).env("RAYON_NUM_THREADS", threads).output().expect("the program runs");
        assert!(again.stdout == first.stdout);
    }
    // And the same in a file.
    assert_eq!(room.run(&[&arguments[..], &["--out", "step.csv"]].concat()).status.code(), Some(0));
    assert!(fs::read(room.path("step.csv")).expect("the file") == first.stdout);
    assert_eq!(room.names(), ["step.csv", "stove"]);
}

#[test]
fn law_a_reader_of_the_table_that_goes_away_is_no_error_and_the_folder_is_whole() {
    let room = Room::new();
    let mut child = room.start(&["compare", "stove", "--quick", "--out", "result"]);
    let mut line = String::new();
    BufReader::new(child.stdout.take().expect("a pipe")).read_line(&mut line).expect("a first line");
    assert!(line.starts_with("Fan of a pellet stove"), "{line}");
    let output = child.wait_with_output().expect("it ends");
    assert_eq!((output.status.code(), text(&output.stderr).as_str()), (Some(0), ""));
    assert_eq!(
        names(&room.path("result")),
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

/// A full disk, as the system's device for it plays it.
#[cfg(target_os = "linux")]
#[test]
fn error_standard_output_that_cannot_be_written_is_told() {
    let room = Room::new();
    let commands: [&[&str]; 4] = [
        &["check", "stove"],
        &["waveforms", "stove"],
        &["compare", "stove", "--quick", "--json"],
        &["compare", "stove", "--quick", "--out", "result"],
    ];
    for arguments in commands {
        let full = File::options().write(true).open("/dev/full").expect("the device");
        let output = room.program(arguments).stdout(full).output().expect("the program runs");
        let error = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {error}");
        assert!(
            error.starts_with("error: cannot write") && error.contains("standard output"),
            "{arguments:?}: {error}"
        );
    }
    // The results were written before the table was printed.
    assert_eq!(room.names(), ["result", "stove"]);
    assert_eq!(
        names(&room.path("result")),
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

#[test]
fn law_an_interrupted_replacement_leaves_the_earlier_result_as_it_was() {
    let room = Room::new();
    assert_eq!(room.run(&["compare", "stove", "--quick", "--out", "result"]).status.code(), Some(0));
    let earlier = fs::read(room.path("result/record.json")).expect("the record");
    // Without leave to replace it, the message names the option.
    let refused = room.run(&["compare", "stove", "--out", "result"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(text(&refused.stderr).contains("holds an earlier result; add --replace, or"), "{}", text(&refused.stderr));
    fs::write(room.path("stove/board.toml"), BOARD.replace("410 us", "10 s")).expect("a file");
    let child = room.start(&["compare", "stove", "--out", "result", "--replace"]);
    std::thread::sleep(UNDER_WAY);
    interrupt(&child);
    let output = ends_interrupted(child);
    assert!(output.stdout.is_empty());
    assert_eq!(room.names(), ["result", "stove"]);
    assert!(fs::read(room.path("result/record.json")).expect("the record") == earlier);
}

#[test]
fn law_interruptions_end_every_long_run_and_leave_no_draft() {
    let room = Room::holding("10 s");
    let runs: [&[&str]; 4] = [
        &["compare", "stove"],
        &["compare", "stove", "--out", "made/for/this/result"],
        &["compare", "stove", "--json"],
        &["waveforms", "stove", "--condition", "load-step", "--every", "7us", "--out", "step.csv"],
    ];
    for arguments in runs {
        for times in [1, 2] {
            let child = room.start(arguments);
            std::thread::sleep(UNDER_WAY);
            for _ in 0..times {
                interrupt(&child);
            }
            let output = ends_interrupted(child);
            assert!(output.stdout.is_empty(), "{arguments:?}");
            assert_eq!(room.names(), ["stove"], "{arguments:?}");
        }
    }
}

fn send(child: &Child, signal: &str) {
    let status = Command::new("kill").args([signal, &child.id().to_string()]).status().expect("kill runs");
    assert!(status.success());
}

/// Waits until a run has claimed its place and reads or simulates.
fn until_there(place: &Path) {
    let begin = Instant::now();
    while fs::symlink_metadata(place).is_err() {
        assert!(begin.elapsed() < Duration::from_secs(60), "{} does not appear", place.display());
        std::thread::sleep(Duration::from_millis(10));
    }
}

#[test]
fn law_two_runs_never_write_to_one_place() {
    let room = Room::holding("10 s");
    let mut first = room.start(&["compare", "stove", "--out", "result"]);
    until_there(&room.path(".result.presolder-draft"));
    let refused = room.run(&["compare", "stove", "--out", "result"]);
    let error = text(&refused.stderr);
    assert_eq!(refused.status.code(), Some(2), "{error}");
    assert!(error.contains("result is being written by another run"), "{error}");
    assert!(first.try_wait().expect("its state").is_none(), "it is refused while the first is still running");
    // Without a name of its own each run finds another folder.
    let second = room.start(&["compare", "stove"]);
    until_there(&room.path(".presolder-stove.presolder-draft"));
    let third = room.start(&["compare", "stove"]);
    until_there(&room.path(".presolder-stove-2.presolder-draft"));
    for child in [first, second, third] {
        interrupt(&child);
        ends_interrupted(child);
    }
    assert_eq!(room.names(), ["stove"]);
}

#[test]
fn law_what_a_killed_run_left_is_swept_by_the_next_one() {
    let room = Room::holding("10 s");
    let wave: &[&str] = &["waveforms", "stove", "--condition", "load-step", "--every", "7us", "--out", "step.csv"];
    let runs: [(&[&str], &str); 2] =
        [(&["compare", "stove", "--out", "result"], ".result.presolder-draft"), (wave, ".step.csv.presolder-draft")];
    for (arguments, draft) in runs {
        let mut child = room.start(arguments);
        until_there(&room.path(draft));
        send(&child, "-KILL");
        child.wait().expect("it ends");
    }
    // The second has swept what the first one left.
    assert_eq!(room.names(), [".step.csv.presolder-draft", ".step.csv.presolder-lock", "stove"]);
    // A live run beside it keeps its own.
    let live = room.start(&["compare", "stove", "--out", "live"]);
    until_there(&room.path(".live.presolder-draft"));
    let output = room.run(&["waveforms", "stove", "--out", "steady.csv"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    assert_eq!(room.names(), [".live.presolder-draft", ".live.presolder-lock", "steady.csv", "stove"]);
    interrupt(&live);
    ends_interrupted(live);
    assert_eq!(room.names(), ["steady.csv", "stove"]);
}

#[test]
fn law_a_request_to_end_is_like_an_interruption() {
    let room = Room::holding("10 s");
    let runs: [(&[&str], &str); 2] = [
        (&["compare", "stove", "--out", "result"], ".result.presolder-draft"),
        (
            &["waveforms", "stove", "--condition", "load-step", "--every", "7us", "--out", "step.csv"],
            ".step.csv.presolder-draft",
        ),
    ];
    for (arguments, draft) in runs {
        let child = room.start(arguments);
        until_there(&room.path(draft));
        send(&child, "-TERM");
        ends_interrupted(child);
        assert_eq!(room.names(), ["stove"], "{arguments:?}");
    }
}

#[test]
fn law_an_interruption_while_reading_ends_at_once() {
    let room = Room::new();
    // Twenty thousand parts: reading them takes long enough to be interrupted.
    let one = PARTS.rsplit_once("[[part]]").expect("a part").1;
    let many: String =
        (0..20_000).map(|i| format!("[[part]]{}", one.replace("Willow", &format!("Willow-{i}")))).collect();
    fs::write(room.path("stove/parts.toml"), PARTS.to_string() + &many).expect("a file");
    for command in ["check", "compare"] {
        let child = room.start(&[command, "stove"]);
        std::thread::sleep(Duration::from_millis(150));
        interrupt(&child);
        let output = ends_interrupted(child);
        assert!(output.stdout.is_empty());
    }
    assert_eq!(room.names(), ["stove"]);
}

#[test]
fn law_files_of_others_in_a_replaced_result_are_kept_and_told() {
    let room = Room::new();
    assert_eq!(room.run(&["compare", "stove", "--quick", "--out", "result"]).status.code(), Some(0));
    fs::write(room.path("result/waveforms/capture.csv"), "mine").expect("a file");
    fs::write(room.path("result/notes.txt"), "mine").expect("a file");
    let again = room.run(&["compare", "stove", "--quick", "--out", "result", "--replace"]);
    let said = text(&again.stderr);
    assert_eq!(again.status.code(), Some(0), "{said}");
    assert!(said.contains("kept in result: notes.txt, waveforms/capture.csv"), "{said}");
    for file in ["result/waveforms/capture.csv", "result/notes.txt"] {
        assert_eq!(fs::read_to_string(room.path(file)).expect("it is kept"), "mine");
    }
    assert_eq!(room.names(), ["result", "stove"]);
}

#[test]
fn law_control_characters_in_names_reach_neither_terminal_nor_page() {
    let room = Room::new();
    let evil = "Bad\\u001b[2J\\u202e\\u0000\\nPASS";
    let (board, parts) = (BOARD.replace("Fan of", evil), PARTS.replace("Willow-22", evil));
    // Spaces, other scripts and a colour code in the names of folders as well.
    let folder = "stove \u{1b}[31m übung 電感";
    fs::create_dir(room.path(folder)).expect("a folder");
    fs::write(room.path(folder).join("board.toml"), board).expect("a file");
    fs::write(room.path(folder).join("parts.toml"), parts).expect("a file");
    let clean = |text: &str| !text.contains(|c: char| (c.is_control() && c != '\n') || c == '\u{202e}');
    for arguments in [&["check", folder][..], &["compare", folder, "--quick", "--out", "my result"]] {
        let output = room.run(arguments);
        let said = text(&output.stdout);
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        assert!(clean(&said) && said.contains("Bad\\u001b[2J") && !said.contains("\nPASS\n"), "{said}");
    }
    for file in names(&room.path("my result")).iter().filter(|name| name.contains('.')) {
        let content = fs::read_to_string(room.path("my result").join(file)).expect("a file");
        assert!(clean(&content.replace("\r\n", "\n")), "{file}");
    }
    for arguments in [&["check", "no\u{1b}[2J\nsuch"][..], &["waveforms", "stove", "--part", "a\u{1b}[2J\nb"]] {
        let output = room.run(arguments);
        let error = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2));
        assert!(clean(&error) && error.contains("\\u001b[2J\\n"), "{error}");
    }
}
