//! A table as it comes, from the question to the list of what was left out.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

/// Two parts that need an answer, one line that cannot be used.
const LIST: &str = "Purchasing, spring\n\nPart;Core;L [uH];DCR max [mOhm];Isat [A];Irms 40K [A]\nTeal-33;ferrite;33;48,5;7,9;4,8\nTeal-27;ferrite;27;41;8,7;5,4\nTeal-22;ferrite;ca. 22;33;10;6,1\n";

fn check(folder: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_presolder")).arg("check").arg(folder).output().expect("the program runs")
}

#[test]
fn error_a_table_is_asked_about_once_and_read_with_the_answer() {
    let keep = tempfile::tempdir().expect("a folder");
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("cases/ticket-kiosk");
    for name in ["board.toml", "parts.toml"] {
        fs::copy(from.join(name), keep.path().join(name)).expect("a copy");
    }
    fs::write(keep.path().join("parts.csv"), LIST).expect("the table");
    let asked = check(keep.path());
    let said = String::from_utf8_lossy(&asked.stderr).into_owned();
    assert_eq!(asked.status.code(), Some(2), "{said}");
    let block = said.find("[parts.columns]\n\"Isat [A]\" = \"?\"").map(|at| &said[at..]).expect("the block");
    assert_eq!(block.matches('?').count(), 2, "one answer is wanted, and its remark ends as a question: {block}");

    let answer = block.replacen("\"?\"", "\"saturation_current at 30 %\"", 1);
    let board = fs::read_to_string(from.join("board.toml")).expect("board.toml");
    fs::write(keep.path().join("board.toml"), format!("{board}\n{answer}")).expect("the answer");
    let read = check(keep.path());
    let said = String::from_utf8_lossy(&read.stdout).into_owned();
    assert_eq!(read.status.code(), Some(0), "{}", String::from_utf8_lossy(&read.stderr));
    for text in ["Teal-33", "Teal-27", "parts.csv: 1 line is left out", "parts.csv:6: Teal-22", "ca. 22"] {
        assert!(said.contains(text), "{text}:\n{said}");
    }
}
