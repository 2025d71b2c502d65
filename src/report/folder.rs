//! The result folder: its place is claimed before the run, it is written beside that place, and moved there in one step.

use super::claim::Claim;
pub use super::contents::is_changed;
use super::contents::{self, CONTENTS, exists, retire};
use super::{ReportError, boards, captures, csv, html, json, maps, plots, screen};
use crate::record::boards::BoardsRecord;
use crate::record::layout::{Curves, Record};
use crate::record::maps::MapsRecord;
use crate::record::screen::ScreenRecord;
use crate::sha256;
use crate::visible::visible_lines;
use std::fs;
use std::path::{Path, PathBuf};

/// Name of the record in a result.
pub const RECORD: &str = "record.json";
/// The record of a screening.
pub const SCREEN: &str = "screen.json";
const BOARDS: &str = "boards.json";
/// The record of maps of load steps.
const MAPS: &str = "transients.json";
/// Name of the page.
pub const REPORT: &str = "report.html";
const QUANTITIES: &str = "quantities.csv";
const BENCH_PLAN: &str = "bench_plan.csv";
/// Name of the file of captures, which is there to be filled in.
pub const CAPTURES: &str = "captures.toml";
const WAVEFORMS: &str = "waveforms";
const PLOTS: &str = "plots";
const LONGEST_NAME: usize = 100;

/// A place for a result folder that this run alone may write to.
#[derive(Debug)]
pub struct Reservation {
    claim: Claim,
    replace: bool,
}

/// What was written.
#[derive(Debug, PartialEq, Eq)]
pub struct Written {
    /// Every file of the result.
    pub files: Vec<PathBuf>,
    /// Files in the folder that this tool did not write, or that were changed since; relative to it.
    pub kept: Vec<String>,
}

/// Finds out, before any work is done, whether a folder can be placed at `target`, and keeps other runs away from it.
///
/// An existing folder is replaced only if `replace` is set and it holds a result of this tool.
///
/// # Errors
/// [`ReportError::Occupied`] where the target is taken or another run is writing to it, [`ReportError::File`] where nothing
/// can be written beside it.
pub fn reserve(target: &Path, replace: bool) -> Result<Reservation, ReportError> {
    check_target(target, replace)?;
    let claim = Claim::on(target)?;
    // Sweeping may have brought an earlier result back.
    check_target(target, replace)?;
    fs::create_dir(claim.draft()).map_err(failed("create the folder", target))?;
    Ok(Reservation { claim, replace })
}

/// [`reserve`], then [`Reservation::write`].
///
/// # Errors
/// Those of both.
pub fn write(record: &Record, curves: &Curves, target: &Path, replace: bool) -> Result<Written, ReportError> {
    reserve(target, replace)?.write(record, curves, vec![])
}

impl Reservation {
    /// The place of the folder.
    pub fn target(&self) -> &Path {
        self.claim.target()
    }

    /// Writes all files of a comparison, and the copies of its inputs: names with `/` between folders, and bytes.
    ///
    /// Everything is written into the draft first and renamed into place at the end; on any error the draft is removed and
    /// an existing target is left as it was. Of a result that is replaced only those files are removed that this tool wrote
    /// and that nobody has changed since; all others stay, under their own name where that is still free.
    ///
    /// # Errors
    /// [`ReportError::Occupied`] where the target has been taken since, [`ReportError::File`] where the system refuses, and
    /// the errors of the formats.
    pub fn write(
        self,
        record: &Record,
        curves: &Curves,
        inputs: Vec<(String, Vec<u8>)>,
    ) -> Result<Written, ReportError> {
        let own = files(record, curves)?.into_iter().map(|(name, text)| (name, text.into_bytes()));
        self.write_files(own.chain(inputs).collect())
    }

    /// The same of a screening of many parts.
    ///
    /// # Errors
    /// As [`Reservation::write`].
    pub fn write_screen(self, record: &ScreenRecord) -> Result<Written, ReportError> {
        self.write_texts(screen_files(record, "")?)
    }

    /// The same of maps of load steps.
    ///
    /// # Errors
    /// As [`Reservation::write`].
    pub fn write_maps(self, record: &MapsRecord) -> Result<Written, ReportError> {
        let mut files = vec![
            (MAPS.to_string(), maps::json(record)?),
            ("transients.html".into(), visible_lines(&maps::page(record)).into_owned()),
        ];
        for map in &record.maps {
            files.push((format!("{}.csv", map.name), maps::csv(record, map)?));
        }
        self.write_texts(files)
    }

    /// The same of screenings on several boards, each in a folder of its own.
    ///
    /// # Errors
    /// As [`Reservation::write`].
    pub fn write_boards(self, record: &BoardsRecord, screenings: &[ScreenRecord]) -> Result<Written, ReportError> {
        let mut files = vec![
            (BOARDS.to_string(), boards::json(record)?),
            ("boards.html".into(), visible_lines(&boards::page(record)).into_owned()),
            ("boards.csv".into(), boards::csv(record)?),
        ];
        let mut folders: Vec<String> = vec![];
        for screening in screenings {
            let name = safe_name(&screening.case.name);
            let others = (2..).map(|number| format!("{name}-{number}"));
            let free = std::iter::once(name.clone()).chain(others).find(|name| !folders.contains(name));
            let folder = free.unwrap_or(name);
            files.extend(screen_files(screening, &format!("{folder}/"))?);
            folders.push(folder);
        }
        self.write_texts(files)
    }

    fn write_texts(self, files: Vec<(String, String)>) -> Result<Written, ReportError> {
        self.write_files(files.into_iter().map(|(name, text)| (name, text.into_bytes())).collect())
    }

    fn write_files(self, mut files: Vec<(String, Vec<u8>)>) -> Result<Written, ReportError> {
        files.push((CONTENTS.to_string(), contents::list(&files).into_bytes()));
        for (name, bytes) in &files {
            let path = self.claim.draft().join(name);
            let above = path.parent().unwrap_or(&path);
            fs::create_dir_all(above).map_err(failed("create the folder", above))?;
            fs::write(&path, bytes).map_err(failed("write", &path))?;
        }
        let kept = self.place()?;
        Ok(Written { files: files.into_iter().map(|(name, _)| self.claim.target().join(name)).collect(), kept })
    }

    /// Moves the draft to its place; an earlier result is moved aside first and comes back if that fails.
    fn place(&self) -> Result<Vec<String>, ReportError> {
        let (target, former) = (self.claim.target(), self.claim.former());
        check_target(target, self.replace)?;
        if exists(target) {
            fs::rename(target, &former).map_err(failed("move aside", target))?;
        }
        // What was moved aside is put back when the claim is dropped.
        fs::rename(self.claim.draft(), target).map_err(failed("move the finished folder to", target))?;
        if exists(&former) { retire(&former, target) } else { Ok(Vec::new()) }
    }
}

/// Part of a file name: letters, digits, dot, underscore and hyphen only, not longer than file systems bear.
pub fn safe_name(name: &str) -> String {
    let safe = |c: char| {
        if c.is_ascii_alphanumeric() || "._-".contains(c) { c } else { '-' }
    };
    name.chars().take(LONGEST_NAME).map(safe).collect()
}

fn screen_files(record: &ScreenRecord, folder: &str) -> Result<Vec<(String, String)>, ReportError> {
    let files = [
        (SCREEN, screen::json(record)?),
        ("screen.html", visible_lines(&screen::page(record)).into_owned()),
        ("screen.csv", screen::csv(record)?),
        ("left_out.csv", screen::left_out(record)?),
    ];
    Ok(files.into_iter().map(|(name, text)| (format!("{folder}{name}"), text)).collect())
}

/// Every file of a comparison but the copies of its inputs and the list of contents: names with `/` between folders, and texts.
///
/// # Errors
/// Those of the formats.
pub fn files(record: &Record, curves: &Curves) -> Result<Vec<(String, String)>, ReportError> {
    let record_text = json::record(record)?;
    let plots = plots::all(record, curves)?;
    let page = html::page_with(record, &plots, &sha256::of(record_text.as_bytes()));
    let mut files = vec![
        (RECORD.to_string(), record_text),
        (REPORT.to_string(), page),
        (QUANTITIES.to_string(), csv::quantities(record)?),
        (BENCH_PLAN.to_string(), csv::bench_plan(record)?),
        (CAPTURES.to_string(), captures::ready(record)),
    ];
    for file in csv::waveforms(curves)? {
        let stem = format!("{}-{}", safe_name(&file.kind), safe_name(&file.part));
        let text = csv::remarks(record) + &file.text;
        files.push((unused(&files, &format!("{WAVEFORMS}/{stem}"), "csv"), text));
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
    if !(holds_record(target) && contents::is_listed(target)) {
        return Err(occupied(
            "exists and holds no result of this tool",
            "give the name of a new folder, or remove this one yourself",
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
    let holds = |name: &str| {
        let text = contents::text_of(&folder.join(name))?;
        let value: serde_json::Value = serde_json::from_str(&text).ok()?;
        Some(value["presolder_version"].is_string())
    };
    [RECORD, SCREEN, BOARDS, MAPS].into_iter().any(|name| holds(name) == Some(true))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn error_a_draft_that_is_not_finished_is_removed() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let reservation = reserve(&room.path().join("result"), false).expect("it is free");
        fs::write(reservation.claim.draft().join(RECORD), "{}").expect("a file");
        drop(reservation);
        assert_eq!(fs::read_dir(room.path()).expect("a folder").count(), 0);
    }

    #[test]
    fn error_an_earlier_result_comes_back_when_the_move_fails() {
        let room = tempfile::tempdir().expect("a temporary folder");
        let target = room.path().join("result");
        fs::create_dir(&target).expect("a folder");
        let record = r#"{"record_version": 1, "presolder_version": "0"}"#;
        fs::write(target.join(RECORD), record).expect("a file");
        fs::write(target.join(CONTENTS), contents::list(&[])).expect("a file");
        let reservation = reserve(&target, true).expect("it may be replaced");
        fs::remove_dir(reservation.claim.draft()).expect("the draft vanishes");
        assert!(reservation.place().is_err());
        drop(reservation);
        assert_eq!(fs::read_to_string(target.join(RECORD)).expect("it is back"), record);
        assert_eq!(fs::read_dir(room.path()).expect("a folder").count(), 1);
    }
}
