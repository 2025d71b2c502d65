//! The files of captures, read.

use super::channel::Column;
use super::measured::Taken;
use super::scope::{self, Fault, Said};
use super::trace::Trace;
use crate::case::captures::file_problem;
use crate::error::{Error, Problem};
use crate::model::capture::{Capture, Captures};
use crate::sha256;
use crate::visible::visible;
use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::Path;

/// Letters of a line that a message shows.
const SHOWN: usize = 120;
/// Units of the columns that each probe may have; a file that does not say has any.
const VOLTS: &str = "V";
const AMPERES: &str = "A";

/// Reads the files of all captures.
///
/// # Errors
/// [`Error::Case`] with every file that cannot be used.
pub fn take<'a>(folder: &Path, captures: &'a Captures) -> Result<Vec<Taken<'a>>, Error> {
    let (mut taken, mut problems) = (vec![], vec![]);
    for capture in &captures.captures {
        match take_one(folder, capture) {
            Ok(one) => taken.push(one),
            Err(problem) => problems.push(*problem),
        }
    }
    if problems.is_empty() { Ok(taken) } else { Err(Error::Case(problems)) }
}

/// Name and SHA-256 of `captures.toml` and of every file that it names.
///
/// # Errors
/// [`Error::Io`] for one that cannot be read any more.
pub fn hashes(folder: &Path, captures: &Captures) -> Result<Vec<(String, String)>, Error> {
    let files = captures.captures.iter().map(|capture| capture.file.as_str());
    let all = std::iter::once(crate::case::captures::FILE).chain(files);
    let hash = |name: &str| {
        let path = folder.join(name);
        let trouble = |source| Error::Io { path: path.clone(), action: "read".into(), source };
        Ok((name.to_string(), sha256::of_file(&path).map_err(trouble)?))
    };
    all.map(hash).collect()
}

fn take_one<'a>(folder: &Path, capture: &'a Capture) -> Result<Taken<'a>, Box<Problem>> {
    let path = folder.join(&capture.file);
    let source = File::open(&path).map_err(|error| unreadable(capture, &error))?;
    if path.is_dir() {
        return Err(Box::new(file_problem(&capture.file, 0, String::new(), said("a folder", "a file", ""))));
    }
    let said = Said {
        start_s: capture.start_s,
        step_s: capture.step_s,
        columns: capture.probes().map(|(_, probe)| probe.column.clone()).collect(),
        ..Said::default()
    };
    let scope = scope::read(source, &said).map_err(|fault| faulty(capture, &path, fault))?;
    let mut columns = vec![];
    for (((key, _), channel), seen) in capture.probes().zip(&scope.channels).zip(&scope.told.channels) {
        let is_odd =
            (key == "output" && channel.unit == AMPERES) || !["", VOLTS, AMPERES].contains(&channel.unit.as_str());
        if is_odd {
            let found = format!("column \"{}\" in {} as the {key}", channel.name, channel.unit);
            let fault =
                Fault { line: 0, found, expected: "volts or amperes".into(), hint: "name another column".into() };
            return Err(faulty(capture, &path, fault));
        }
        let values = channel.values.iter().map(|value| f64::from(*value)).collect();
        let trace = Trace { start_s: scope.time_s(0), step_s: scope.point_s(), values };
        // Means have more levels than the instrument.
        let level = if scope.told.averaged > 1 { 0.0 } else { seen.level };
        columns.push(Column { trace, level, clipped: seen.clipped });
    }
    Ok(Taken { capture, columns, understood: scope.told.lines() })
}

fn said(found: &str, expected: &str, hint: &str) -> [String; 3] {
    [found, expected, hint].map(str::to_string)
}

fn unreadable(capture: &Capture, error: &std::io::Error) -> Box<Problem> {
    let hint = format!("named at {}; paths are relative to the folder of the case", capture.setting.place);
    Box::new(file_problem(&capture.file, 0, String::new(), said(&error.to_string(), "a file that can be read", &hint)))
}

/// What is wrong with a file, with the line where it has one.
fn faulty(capture: &Capture, path: &Path, fault: Fault) -> Box<Problem> {
    let hint = match fault.hint.as_str() {
        "" => format!("named at {}", capture.setting.place),
        hint => format!("{hint} (named at {})", capture.setting.place),
    };
    let line = if fault.line > 0 { line_of(path, fault.line) } else { String::new() };
    Box::new(file_problem(&capture.file, fault.line, line, [fault.found, fault.expected, hint]))
}

fn line_of(path: &Path, number: usize) -> String {
    let Ok(file) = File::open(path) else { return String::new() };
    let line = BufReader::new(file).split(b'\n').nth(number - 1).and_then(Result::ok).unwrap_or_default();
    visible(String::from_utf8_lossy(&line).trim_end()).chars().take(SHOWN).collect()
}
