//! The result folder: written beside its place first, then moved there in one step.

use super::{ReportError, csv, html, json, plots};
use crate::record::layout::{Curves, Record};
use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};

const RECORD: &str = "record.json";
const REPORT: &str = "report.html";
const QUANTITIES: &str = "quantities.csv";
const BENCH_PLAN: &str = "bench_plan.csv";
const WAVEFORMS: &str = "waveforms";
const PLOTS: &str = "plots";
const LONGEST_NAME: usize = 100;

/// Writes all files of a comparison into the folder `target` and returns their paths.
///
/// Everything is written into [`draft_path`] first and renamed into place at the end; on any error the
/// draft is removed and an existing target is left as it was. An existing folder is replaced only if
/// `replace` is set and it holds nothing but what this function writes.
///
/// # Errors
/// [`ReportError::Occupied`] where the target is taken, [`ReportError::File`] where the system refuses,
/// and the errors of the formats.
pub fn write(record: &Record, curves: &Curves, target: &Path, replace: bool) -> Result<Vec<PathBuf>, ReportError> {
    let files = contents(record, curves)?;
    check_target(target, replace)?;
    let draft = Draft::create(target)?;
    for (name, text) in &files {
        draft.write(name, text)?;
    }
    draft.place(target)?;
    Ok(files.into_iter().map(|(name, _)| target.join(name)).collect())
}

/// Finds out, before any work is done, whether [`write()`] would be able to place its folder.
///
/// # Errors
/// [`ReportError::Occupied`] where the target is taken, [`ReportError::File`] where nothing can be written beside it.
pub fn check(target: &Path, replace: bool) -> Result<(), ReportError> {
    check_target(target, replace)?;
    Draft::create(target).map(drop)
}

/// Where [`write()`] keeps the unfinished folder of `target` in this process.
pub fn draft_path(target: &Path) -> PathBuf {
    sibling(target, "draft")
}

/// Puts the surroundings of `target` in order after an interruption of [`write()`] in this process: removes the
/// draft, and a former result that was moved aside comes back unless the new one is already in its place. Does
/// nothing where there is nothing to do.
pub fn discard(target: &Path) {
    let _ = fs::remove_dir_all(draft_path(target));
    let former = former_path(target);
    if exists(target) {
        let _ = fs::remove_dir_all(&former);
    } else {
        let _ = fs::rename(&former, target);
    }
}

/// Part of a file name: letters, digits, dot, underscore and hyphen only, not longer than file systems bear.
pub fn safe_name(name: &str) -> String {
    let safe = |c: char| {
        if c.is_ascii_alphanumeric() || "._-".contains(c) { c } else { '-' }
    };
    name.chars().take(LONGEST_NAME).map(safe).collect()
}

fn contents(record: &Record, curves: &Curves) -> Result<Vec<(String, String)>, ReportError> {
    let record_text = json::record(record)?;
    let plots = plots::all(record, curves)?;
    let mut files = vec![
        (RECORD.to_string(), record_text),
        (REPORT.to_string(), html::page_with(record, &plots)),
        (QUANTITIES.to_string(), csv::quantities(record)?),
        (BENCH_PLAN.to_string(), csv::bench_plan(record)?),
    ];
    for file in csv::waveforms(curves)? {
        let stem = format!("{}-{}", file.kind, safe_name(&file.part));
        files.push((unused(&files, &format!("{WAVEFORMS}/{stem}"), "csv"), file.text));
    }
    for plot in plots {
        files.push((format!("{PLOTS}/{}.svg", plot.name), plot.svg));
    }
    Ok(files)
}

/// A name that no file has yet, not even in other capitals.
fn unused(files: &[(String, String)], stem: &str, extension: &str) -> String {
    let taken = |name: &str| files.iter().any(|(other, _)| other.eq_ignore_ascii_case(name));
    let first = format!("{stem}.{extension}");
    let others = (2..).map(|n| format!("{stem}-{n}.{extension}"));
    std::iter::once(first).chain(others).find(|name| !taken(name)).unwrap_or_default()
}

/// Unfinished folder; removed when dropped unless it was moved into place.
struct Draft {
    path: PathBuf,
}

impl Drop for Draft {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.path);
    }
}

impl Draft {
    fn create(target: &Path) -> Result<Self, ReportError> {
        let path = draft_path(target);
        fs::create_dir(&path).map_err(failed("create the folder", &path))?;
        let draft = Self { path };
        for folder in [WAVEFORMS, PLOTS] {
            let path = draft.path.join(folder);
            fs::create_dir(&path).map_err(failed("create the folder", &path))?;
        }
        Ok(draft)
    }

    fn write(&self, name: &str, text: &str) -> Result<(), ReportError> {
        let path = self.path.join(name);
        fs::write(&path, text).map_err(failed("write", &path))
    }

    /// Moves the draft to its place; a former result is moved aside first and comes back if that fails.
    fn place(self, target: &Path) -> Result<(), ReportError> {
        let former = former_path(target);
        let replacing = exists(target);
        if replacing {
            fs::rename(target, &former).map_err(failed("move aside", target))?;
        }
        let placed = fs::rename(&self.path, target).map_err(failed("move the finished folder to", target));
        if replacing {
            match &placed {
                Ok(()) => fs::remove_dir_all(&former).map_err(failed("remove the former", &former))?,
                Err(_) => fs::rename(&former, target).map_err(failed("put back", &former))?,
            }
        }
        placed
    }
}

fn former_path(target: &Path) -> PathBuf {
    sibling(target, "former")
}

fn sibling(target: &Path, kind: &str) -> PathBuf {
    let name = target.file_name().unwrap_or(OsStr::new("result")).to_string_lossy();
    target.with_file_name(format!(".{name}.{kind}-{}", std::process::id()))
}

/// Whether anything has that name, a dangling link included.
fn exists(path: &Path) -> bool {
    path.symlink_metadata().is_ok()
}

fn failed<'a>(action: &'static str, path: &'a Path) -> impl FnOnce(std::io::Error) -> ReportError + 'a {
    move |source| ReportError::File { action, path: path.to_path_buf(), source }
}

fn check_target(target: &Path, replace: bool) -> Result<(), ReportError> {
    let occupied = |reason: &str, hint: &str| ReportError::Occupied {
        path: target.to_path_buf(),
        reason: reason.into(),
        hint: hint.into(),
    };
    if target.file_name().is_none() {
        return Err(occupied("is not the name of a folder that could be made", "give the name of a new folder"));
    }
    let Ok(found) = target.symlink_metadata() else {
        return Ok(());
    };
    if !found.is_dir() {
        return Err(occupied("exists and is not a folder", "give the name of a new folder"));
    }
    if !holds_record(target) {
        return Err(occupied(
            "exists and holds no result of this tool",
            "give the name of a new folder, or remove this one yourself",
        ));
    }
    if let Some(foreign) = foreign_entry(target).map_err(failed("read", target))? {
        return Err(occupied(
            &format!("holds {foreign}, which this tool did not write"),
            "move that file away, or give the name of a new folder",
        ));
    }
    if replace {
        Ok(())
    } else {
        Err(occupied("holds an earlier result", "allow it to be replaced, or give the name of a new folder"))
    }
}

/// Whether the folder holds a record: the two keys that every record begins with.
fn holds_record(folder: &Path) -> bool {
    let Ok(text) = fs::read_to_string(folder.join(RECORD)) else {
        return false;
    };
    let Ok(value) = serde_json::from_str::<serde_json::Value>(&text) else {
        return false;
    };
    value["record_version"].is_u64() && value["presolder_version"].is_string()
}

/// First entry of the folder that [`write()`] would not have made.
fn foreign_entry(folder: &Path) -> std::io::Result<Option<String>> {
    let mut entries = fs::read_dir(folder)?.collect::<Result<Vec<_>, _>>()?;
    entries.sort_by_key(fs::DirEntry::file_name);
    for entry in entries {
        let name = entry.file_name().to_string_lossy().into_owned();
        let is_dir = entry.file_type()?.is_dir();
        match name.as_str() {
            RECORD | REPORT | QUANTITIES | BENCH_PLAN if !is_dir => {}
            WAVEFORMS | PLOTS if is_dir => {
                let extension = if name == WAVEFORMS { "csv" } else { "svg" };
                for inner in fs::read_dir(entry.path())? {
                    let path = inner?.path();
                    if path.is_dir() || path.extension() != Some(OsStr::new(extension)) {
                        let inner = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
                        return Ok(Some(format!("{name}/{inner}")));
                    }
                }
            }
            _ => return Ok(Some(name)),
        }
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn error_a_draft_that_cannot_be_finished_is_removed() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let target = room.path().join("result");
        {
            let draft = Draft::create(&target).expect("a draft");
            draft.write("record.json", "{}").expect("a file");
            assert!(draft.write("no/such/folder.csv", "").is_err());
            assert!(draft_path(&target).is_dir());
        }
        assert_eq!(fs::read_dir(room.path()).expect("a folder").count(), 0);
    }

    #[test]
    fn error_a_former_result_comes_back_when_the_move_fails() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let target = room.path().join("result");
        fs::create_dir(&target).expect("a folder");
        fs::write(target.join("record.json"), "former").expect("a file");
        let draft = Draft::create(&target).expect("a draft");
        fs::remove_dir_all(&draft.path).expect("the draft vanishes");
        assert!(draft.place(&target).is_err());
        assert_eq!(fs::read_to_string(target.join("record.json")).expect("it is back"), "former");
        assert_eq!(fs::read_dir(room.path()).expect("a folder").count(), 1);
    }

    #[test]
    fn law_a_former_result_comes_back_after_an_interruption() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let target = room.path().join("result");
        fs::create_dir(former_path(&target)).expect("a folder");
        discard(&target);
        assert!(target.is_dir() && !former_path(&target).exists());
        fs::create_dir(former_path(&target)).expect("a folder");
        discard(&target);
        assert!(target.is_dir() && !former_path(&target).exists());
    }
}
