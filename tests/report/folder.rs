//! The result folder.

use crate::support;
use presolder::report::ReportError;
use presolder::report::claim::{discard, draft_path};
use presolder::report::folder::{reserve, safe_name, write};
use std::fs;
use std::path::Path;

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .expect("a folder")
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn law_all_files_are_in_place_and_nothing_else() {
    let (record, curves) = support::comparison(3);
    let room = tempfile::tempdir().expect("a temporary folder");
    let target = room.path().join("result");
    let written = write(&record, &curves, &target, false).expect("it is written");
    let paths = written.files;
    assert!(written.kept.is_empty());
    assert!(paths.iter().all(|path| path.is_file()));
    assert_eq!(names(room.path()), ["result"]);
    assert_eq!(
        names(&target),
        [
            "bench_plan.csv",
            "captures.toml",
            "contents.sha256",
            "plots",
            "quantities.csv",
            "record.json",
            "report.html",
            "waveforms"
        ]
    );
    assert_eq!(names(&target.join("waveforms")).len(), 9);
    assert_eq!(names(&target.join("plots")).len(), 7);
    assert_eq!(paths.len(), 6 + 9 + 7);
}

#[test]
fn law_the_same_record_gives_the_same_bytes() {
    let (record, curves) = support::comparison(3);
    let room = tempfile::tempdir().expect("a temporary folder");
    let first = write(&record, &curves, &room.path().join("a"), false).expect("it is written");
    let second = write(&record, &curves, &room.path().join("b"), false).expect("it is written");
    for (a, b) in first.files.iter().zip(&second.files) {
        assert_eq!(fs::read(a).expect("a file"), fs::read(b).expect("a file"));
    }
}

#[test]
fn error_an_earlier_result_is_replaced_only_when_allowed() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let target = room.path().join("result");
    let (record, curves) = support::comparison(4);
    write(&record, &curves, &target, false).expect("it is written");
    let before = fs::read(target.join("record.json")).expect("a record");
    let (record, curves) = support::comparison(2);
    let error = write(&record, &curves, &target, false).expect_err("it is taken").to_string();
    assert!(error.contains("earlier result") && error.contains("replaced"), "{error}");
    assert_eq!(fs::read(target.join("record.json")).expect("a record"), before);
    write(&record, &curves, &target, true).expect("it is replaced");
    assert_eq!(names(&target.join("waveforms")).len(), 6, "nothing of the former result is left");
    assert_eq!(names(room.path()), ["result"]);
}

#[test]
fn error_a_folder_of_someone_else_is_never_replaced() {
    let (record, curves) = support::comparison(2);
    let room = tempfile::tempdir().expect("a temporary folder");
    let target = room.path().join("result");
    fs::create_dir(&target).expect("a folder");
    assert!(matches!(write(&record, &curves, &target, true), Err(ReportError::Occupied { .. })), "an empty one");
    for text in ["", "{}", "[1, 2]", "{\"record_version\": 1}", "not JSON"] {
        fs::write(target.join("record.json"), text).expect("a file");
        assert!(matches!(write(&record, &curves, &target, true), Err(ReportError::Occupied { .. })), "{text}");
        assert_eq!(fs::read_to_string(target.join("record.json")).expect("a file"), text);
    }
    assert_eq!(names(room.path()), ["result"]);
}

#[test]
fn law_replacing_removes_only_what_was_written_and_not_changed() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let target = room.path().join("result");
    let (record, curves) = support::comparison(4);
    write(&record, &curves, &target, false).expect("it is written");
    // Notes, a capture in a folder of the tool, a folder of one's own, a signed page, a link, and a name that the tool may want.
    fs::write(target.join("notes.txt"), "mine").expect("a file");
    fs::write(target.join("waveforms/capture.bin"), "mine").expect("a file");
    fs::create_dir_all(target.join("bench/day 1")).expect("a folder");
    fs::write(target.join("bench/day 1/photo.raw"), "mine").expect("a file");
    fs::write(target.join("report.html"), "signed").expect("a file");
    #[cfg(unix)]
    std::os::unix::fs::symlink("/nowhere", target.join("plots/link.svg")).expect("a link");
    let (record, curves) = support::comparison(2);
    let written = write(&record, &curves, &target, true).expect("it is replaced");
    let expected = ["bench", "notes.txt", "plots/link.svg", "report.html.kept", "waveforms/capture.bin"];
    assert_eq!(written.kept, expected);
    for (file, text) in [
        ("notes.txt", "mine"),
        ("waveforms/capture.bin", "mine"),
        ("bench/day 1/photo.raw", "mine"),
        ("report.html.kept", "signed"),
    ] {
        assert_eq!(fs::read_to_string(target.join(file)).expect("it is kept"), text);
    }
    assert!(target.join("plots/link.svg").symlink_metadata().is_ok());
    assert!(written.files.iter().all(|file| file.is_file()));
    assert_eq!(names(&target.join("waveforms")).len(), 6 + 1, "of the former result nothing else is left");
    assert_eq!(names(room.path()), ["result"]);
    // And once more, with the kept ones in place.
    let again = write(&record, &curves, &target, true).expect("it is replaced");
    assert_eq!(again.kept.len(), 5);
    assert_eq!(fs::read_to_string(target.join("report.html.kept")).expect("it is kept"), "signed");
}

#[test]
fn law_a_replacement_that_was_killed_half_way_is_finished_and_loses_nothing() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let target = room.path().join("result");
    let (record, curves) = support::comparison(3);
    write(&record, &curves, &target, false).expect("it is written");
    fs::write(target.join("notes.txt"), "mine").expect("a file");
    // As a kill leaves it after the new result has been moved into place, before the former one is cleared away.
    let former = room.path().join(".result.presolder-former");
    fs::rename(&target, &former).expect("moved aside");
    write(&record, &curves, &room.path().join("other"), false).expect("it is written");
    fs::rename(room.path().join("other"), &target).expect("in its place");
    fs::write(room.path().join(".result.presolder-lock"), "presolder 1\n").expect("a file");
    write(&record, &curves, &room.path().join("next"), false).expect("it is written");
    assert_eq!(names(room.path()), ["next", "result"]);
    assert_eq!(fs::read_to_string(target.join("notes.txt")).expect("it is kept"), "mine");
    // As a kill leaves it between the two moves: the former result comes back.
    fs::rename(&target, &former).expect("moved aside");
    fs::write(room.path().join(".result.presolder-lock"), "presolder 1\n").expect("a file");
    write(&record, &curves, &room.path().join("last"), false).expect("it is written");
    assert_eq!(names(room.path()), ["last", "next", "result"]);
    assert!(target.join("record.json").is_file());
}

#[test]
fn error_a_place_that_another_run_writes_to_is_refused_at_once() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let target = room.path().join("result");
    let (record, curves) = support::comparison(2);
    let first = reserve(&target, false).expect("it is free");
    for replace in [false, true] {
        let error = reserve(&target, replace).expect_err("it is taken").to_string();
        assert!(error.contains("another run"), "{error}");
    }
    first.write(&record, &curves, vec![]).expect("it is written");
    assert_eq!(names(room.path()), ["result"]);
    reserve(&target, true).expect("it is free again");
}

#[test]
fn law_the_list_of_contents_is_what_the_usual_tool_for_checksums_reads() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let target = room.path().join("result");
    let (record, curves) = support::comparison(2);
    let written = write(&record, &curves, &target, false).expect("it is written");
    let list = fs::read_to_string(target.join("contents.sha256")).expect("the list");
    assert_eq!(list.lines().filter(|line| !line.starts_with('#')).count(), written.files.len() - 1);
    if let Ok(output) =
        std::process::Command::new("sha256sum").args(["--check", "contents.sha256"]).current_dir(&target).output()
    {
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    }
}

#[test]
fn error_a_file_in_place_of_the_folder_stays() {
    let (record, curves) = support::comparison(2);
    let room = tempfile::tempdir().expect("a temporary folder");
    let target = room.path().join("result");
    fs::write(&target, "mine").expect("a file");
    let error = write(&record, &curves, &target, true).expect_err("it is a file").to_string();
    assert!(error.contains("not a folder"), "{error}");
    assert_eq!(fs::read_to_string(&target).expect("it is kept"), "mine");
    assert_eq!(names(room.path()), ["result"]);
}

/// Folders above a result are made; a file is none.
#[test]
fn error_a_file_as_parent_leaves_nothing_and_a_missing_one_is_made() {
    let (record, curves) = support::comparison(2);
    let room = tempfile::tempdir().expect("a temporary folder");
    fs::write(room.path().join("file"), "mine").expect("a file");
    let error = write(&record, &curves, &room.path().join("file/result"), false).expect_err("no such place");
    assert!(matches!(error, ReportError::File { .. }), "{error}");
    assert_eq!(names(room.path()), ["file"]);
    write(&record, &curves, &room.path().join("new/and/result"), false).expect("a result");
    assert!(room.path().join("new/and/result/record.json").is_file());
}

#[test]
fn error_a_damaged_record_writes_nothing() {
    let (mut record, curves) = support::comparison(2);
    record.energy_book.worst_residual = f64::NAN;
    let room = tempfile::tempdir().expect("a temporary folder");
    assert!(write(&record, &curves, &room.path().join("result"), false).is_err());
    assert!(names(room.path()).is_empty());
}

#[test]
fn error_names_that_are_no_folder_are_refused() {
    let (record, curves) = support::comparison(2);
    for target in ["/", "..", ""] {
        assert!(
            matches!(write(&record, &curves, Path::new(target), true), Err(ReportError::Occupied { .. })),
            "{target}"
        );
    }
}

#[test]
fn law_giving_up_a_place_puts_its_surroundings_in_order() {
    let room = tempfile::tempdir().expect("a temporary folder");
    let target = room.path().join("result");
    fs::create_dir_all(draft_path(&target).join("plots")).expect("a draft");
    discard(&target);
    assert!(names(room.path()).is_empty());
    discard(&target);
    assert_eq!(draft_path(&target).parent(), target.parent(), "a rename needs the same file system");
}

#[test]
fn law_file_names_are_safe_and_differ() {
    assert_eq!(safe_name("../Kestrel 10/µH"), "..-Kestrel-10--H");
    let long = "k".repeat(300);
    let (record, curves) = support::comparison_of(&["a/b", "a b", "A-B", "a-b-2", &long]);
    let room = tempfile::tempdir().expect("a temporary folder");
    let target = room.path().join("result");
    write(&record, &curves, &target, false).expect("it is written");
    let files = names(&target.join("waveforms"));
    assert_eq!(files.len(), 15);
    let safe = |c: char| c.is_ascii_alphanumeric() || "._-".contains(c);
    assert!(files.iter().all(|name| name.chars().all(safe)));
    let mut lower: Vec<String> = files.iter().map(|name| name.to_lowercase()).collect();
    lower.sort();
    lower.dedup();
    assert_eq!(lower.len(), 15, "no two differ only in capitals");
}
