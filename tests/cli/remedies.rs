//! `presolder remedies`: every board that is proposed passes when its line is pasted; what no change saves is told as that.

use crate::folders;
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

struct Room {
    keep: tempfile::TempDir,
}

impl Room {
    /// A demo board, its text changed.
    fn new(board: &str, change: &dyn Fn(String) -> String) -> Room {
        let room = Room { keep: tempfile::tempdir().expect("a temporary folder") };
        folders::copy(&Path::new(env!("CARGO_MANIFEST_DIR")).join("cases").join(board), &room.path("board"));
        let file = room.path("board/board.toml");
        fs::write(&file, change(fs::read_to_string(&file).expect("the board"))).expect("a file");
        room
    }

    fn path(&self, name: &str) -> PathBuf {
        self.keep.path().join(name)
    }

    fn run(&self, arguments: &[&str]) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_presolder"));
        command.current_dir(self.keep.path()).env("COLUMNS", "80").args(arguments).output().expect("the program runs")
    }

    fn remedies(&self, part: &str) -> Value {
        let output = self.run(&["remedies", "board", part, "--json"]);
        assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
        let record: Value = serde_json::from_slice(&output.stdout).expect("JSON");
        record["parts"][0].clone()
    }

    /// Pastes a proposed line into a shell, and answers how the part comes out.
    fn pasted(&self, line: &str) -> String {
        let line = line.replacen("presolder", env!("CARGO_BIN_EXE_presolder"), 1) + " --json";
        let output = Command::new("sh").arg("-c").arg(&line).current_dir(self.keep.path()).output().expect("a shell");
        assert!(output.status.success(), "{line}: {}", String::from_utf8_lossy(&output.stderr));
        let record: Value = serde_json::from_slice(&output.stdout).expect("JSON");
        record["verdicts"][0]["outcome"].as_str().expect("an outcome").into()
    }
}

/// The first proposal is pasted: each costs a whole comparison.
fn is_saved(room: &Room, part: &str) {
    let found = room.remedies(part);
    let remedies = found["remedies"].as_array().expect("remedies");
    assert!(!remedies.is_empty() && remedies.len() <= 5, "{found}");
    assert!(found["none"].is_null());
    let first = &remedies[0];
    assert_eq!(room.pasted(first["command"].as_str().expect("a line")), "pass", "{first}");
    assert!(first["gains"].as_array().is_some_and(|gains| !gains.is_empty()));
}

fn as_it_is(board: String) -> String {
    board
}

#[test]
fn law_harebell_is_saved_on_the_oven_panel() {
    is_saved(&Room::new("oven-panel", &as_it_is), "Harebell-1R0");
}

/// A board of the skeletons with a substitute of half as much inductance again, and the key-values that are set.
fn of_skeleton(control: &str) -> Room {
    let room = Room { keep: tempfile::tempdir().expect("a temporary folder") };
    let output = room.run(&["new", "board", "--control", control]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let file = room.path("board/parts.toml");
    let parts = fs::read_to_string(&file).expect("the parts");
    let (original, substitute) = parts.split_at(parts.rfind("[[part]]").expect("a substitute"));
    let more = substitute.replace("= \"10 uH\"", "= \"15 uH\"");
    assert_ne!(substitute, more);
    fs::write(&file, format!("{original}{more}")).expect("a file");
    room
}

/// Whether searches of many minutes are wanted: `PRESOLDER_LONG=1 cargo test --test cli remedies`.
fn is_long() -> bool {
    std::env::var_os("PRESOLDER_LONG").is_some()
}

#[test]
fn law_more_inductance_is_made_up_for_on_a_board_of_peak_current_control() {
    if !is_long() {
        return println!("left to the long run");
    }
    is_saved(&of_skeleton("peak-current"), "Substitute-10");
}

#[test]
fn law_more_inductance_is_made_up_for_on_a_board_of_constant_on_time_control() {
    if !is_long() {
        return println!("left to the long run");
    }
    is_saved(&of_skeleton("constant-on-time"), "Substitute-10");
}

/// Alternation at the lowest input: the slope of the controller is too small for the part's inductance, and no component sets it.
#[test]
fn law_what_no_component_turns_is_told_as_that() {
    if !is_long() {
        return println!("left to the long run");
    }
    let found = Room::new("river-gauge", &as_it_is).remedies("Teasel-10");
    assert_eq!(found["remedies"].as_array().map(Vec::len), Some(0));
    assert!(found["none"].as_str().is_some_and(|told| told.starts_with("None within these")), "{found}");
}

#[test]
fn error_the_original_and_parts_that_are_not_there() {
    let room = Room::new("valve-controller", &as_it_is);
    for (part, message) in [("Larkspur-10", "it is the original"), ("Kestrel-11", "did you mean Kestrel-10?")] {
        let output = room.run(&["remedies", "board", part]);
        assert_eq!(output.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&output.stderr).contains(message), "{output:?}");
    }
}
