//! Report: a finished record and its curves in, text and files out. Formats only; nothing is computed
//! here that a verdict rests on.

pub mod boards;
pub mod calibration;
pub mod captures;
pub mod claim;
pub mod contents;
pub mod csv;
pub mod difference;
pub mod folder;
pub mod html;
pub mod impedance;
pub mod journal;
pub mod json;
pub mod maps;
pub mod measured;
pub mod number;
mod plan;
pub mod plots;
pub mod remedies;
pub mod screen;
mod soak;
pub mod specification;
pub mod sweep;
pub mod text;
pub mod verify;
pub mod worst_load;
mod wrap;

use crate::visible::visible_path;
use std::fmt::Debug;
use std::path::PathBuf;

/// Why a report could not be made.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// A value that no format may show as a number.
    #[error("{place} is {value}, where a finite number belongs; no report was written")]
    NotFinite {
        /// Field names from the outside in.
        place: String,
        /// "NaN", "inf" or "-inf".
        value: String,
    },
    /// Columns of one curve that do not have the same length.
    #[error("curve of part {part}: columns of {first} and {other} rows do not belong together")]
    Ragged {
        /// Part.
        part: String,
        /// Rows of the time column.
        first: usize,
        /// Rows of the column that differs.
        other: usize,
    },
    /// A plot could not be drawn.
    #[error("plot {name}: {reason}")]
    Plot {
        /// Name of the plot.
        name: String,
        /// What the drawing library said.
        reason: String,
    },
    /// The record could not be serialised.
    #[error("the record could not be written as JSON: {0}")]
    Json(#[from] serde_json::Error),
    /// A table could not be serialised.
    #[error("a table could not be written as CSV: {0}")]
    Csv(#[from] ::csv::Error),
    /// The target is taken.
    #[error("{path} {reason}; {hint}", path = visible_path(path))]
    Occupied {
        /// Target folder.
        path: PathBuf,
        /// What is there.
        reason: String,
        /// What to do.
        hint: String,
    },
    /// A file or folder could not be written.
    #[error("cannot {action} {path}: {source}", path = visible_path(path))]
    File {
        /// What was tried.
        action: &'static str,
        /// Where.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}

/// Refuses a value that holds a number which is not finite anywhere.
///
/// JSON turns such a number into `null` without a word, so it must be caught before. The pretty debug
/// text has every number on a line of its own and every string in quotes, which makes it a complete walk
/// over the data without a second list of all fields.
///
/// # Errors
/// [`ReportError::NotFinite`] with the path to the first such number.
pub fn check_finite(what: &impl Debug) -> Result<(), ReportError> {
    let told = format!("{what:?}");
    if !["NaN", "inf"].iter().any(|word| told.contains(word)) {
        return Ok(());
    }
    let text = format!("{what:#?}");
    let mut path: Vec<(usize, &str)> = Vec::new();
    let mut named = "";
    for line in text.lines() {
        let body = line.trim_start();
        let depth = line.len() - body.len();
        path.retain(|(d, _)| *d < depth);
        let body = body.trim_end_matches(',');
        let (field, value) = body.split_once(": ").unwrap_or(("", body));
        if ["NaN", "inf", "-inf"].contains(&value) {
            let fields = path.iter().map(|(_, name)| *name).chain([field]).filter(|name| !name.is_empty());
            let mut place = fields.collect::<Vec<_>>().join(" / ");
            if !named.is_empty() {
                place = format!("{place} (of {named})");
            }
            return Err(ReportError::NotFinite { place, value: value.to_string() });
        }
        if ["quantity", "part"].contains(&field) {
            named = value.trim_matches('"');
        }
        if !field.is_empty() && value.ends_with(['{', '[', '(']) {
            path.push((depth, field));
        }
    }
    Ok(())
}
