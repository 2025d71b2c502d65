//! The result folder.

use crate::support;
use presolder::report::ReportError;
use presolder::report::folder::{discard, draft_path, safe_name, write};
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
    let paths = write(&record, &curves, &target, false).expect("it is written");
    assert!(paths.iter().all(|path| path.is_file()));
    assert_eq!(names(room.path()), ["result"]);
    assert_eq!(
        names(&target),
        ["bench_plan.csv", "plots", "quantities.csv", "record.json", "report.html", "waveforms"]
    );
    assert_eq!(names(&target.join("waveforms")).len(), 9);
    assert_eq!(names(&target.join("plots")).len(), 6);
    assert_eq!(paths.len(), 4 + 9 + 6);
}

#[test]
fn law_the_same_record_gives_the_same_bytes() {
    let (record, curves) = support::comparison(3);
    let room = tempfile::tempdir().expect("a temporary folder");
    let first = write(&record, &curves, &room.path().join("a"), false).expect("it is written");
    let second = write(&record, &curves, &room.path().join("b"), false).expect("it is written");
    for (a, b) in first.iter().zip(&second) {
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
fn error_a_result_with_a_foreign_file_is_kept() {
    let (record, curves) = support::comparison(2);
    let room = tempfile::tempdir().expect("a temporary folder");
    for foreign in ["notes.txt", "waveforms/capture.bin"] {
        let target = room.path().join(foreign.replace('/', "-"));
        write(&record, &curves, &target, false).expect("it is written");
        fs::write(target.join(foreign), "mine").expect("a file");
        let error = write(&record, &curves, &target, true).expect_err("it holds more").to_string();
        assert!(error.contains(foreign), "{error}");
        assert_eq!(fs::read_to_string(target.join(foreign)).expect("it is kept"), "mine");
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

#[test]
fn error_a_missing_parent_or_a_file_as_parent_leaves_nothing() {
    let (record, curves) = support::comparison(2);
    let room = tempfile::tempdir().expect("a temporary folder");
    fs::write(room.path().join("file"), "mine").expect("a file");
    for parent in ["missing", "file"] {
        let error =
            write(&record, &curves, &room.path().join(parent).join("result"), false).expect_err("no such place");
        assert!(matches!(error, ReportError::File { .. }), "{error}");
    }
    assert_eq!(names(room.path()), ["file"]);
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
fn law_discard_puts_the_surroundings_in_order() {
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
