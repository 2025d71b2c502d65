//! `presolder diff`.

use super::{Done, output};
use crate::error::Error;
use crate::record::difference::Difference;
use crate::record::layout::{RECORD_VERSION, Record};
use crate::report::difference;
use crate::visible::visible_path;
use clap::Args;
use serde::Deserialize;
use std::path::{Path, PathBuf};

const EXAMPLE: &str = "Example:\n  presolder diff presolder-valve-controller presolder-valve-controller-2\n\n\
Says which outcomes and checks moved, which inputs and options changed, and which figures differ by more than a part in 1e9.\n\n\
Exit code: 0 the same; 1 something differs; 2 it could not run.";

/// Arguments of `diff`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Diff {
    /// The earlier result: its folder, or its record.json.
    old: PathBuf,
    /// The later one.
    new: PathBuf,
    /// Print everything as JSON.
    #[arg(long)]
    json: bool,
}

impl Diff {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let (old, new) = (read_record(&record_path(&self.old))?, read_record(&record_path(&self.new))?);
        let found = Difference::between(&old, &new);
        if self.json {
            output::print_as_it_is(&difference::json(&found).map_err(output::report_error)?)?;
        } else {
            output::print(&difference::text(&found, output::width()))?;
        }
        Ok(if found.is_none() { Done::Well } else { Done::Differs })
    }
}

/// What of a record tells whether it can be read.
#[derive(Deserialize)]
struct Head {
    record_version: u32,
}

/// What older layouts hold in a form that this program does not read.
fn not_read(layout: u32) -> &'static str {
    if layout > RECORD_VERSION {
        return "a newer program wrote it";
    }
    "its results, checks and expected readings stand in other forms, and it does not tell what was asked nor where it was computed"
}

/// The record in the folder of a result, or what is named.
pub(super) fn record_path(given: &Path) -> PathBuf {
    if given.is_dir() { given.join("record.json") } else { given.to_path_buf() }
}

/// Reads a record.
///
/// # Errors
/// A file that cannot be read, is none, or is of another layout.
pub(super) fn read_record(path: &Path) -> Result<Record, Error> {
    let text = std::fs::read_to_string(path).map_err(|source| Error::Io {
        path: path.to_path_buf(),
        action: "read the record".into(),
        source,
    })?;
    let wrong = |what: String| Error::Output(format!("error: {}: {what}", visible_path(path)));
    let head: Head = serde_json::from_str(&text).map_err(|error| {
        wrong(format!("no record of a comparison: {error}; name the folder of a result, or its record.json"))
    })?;
    if head.record_version != RECORD_VERSION {
        let version = head.record_version;
        return Err(wrong(format!(
            "a record of layout {version}; this program reads {RECORD_VERSION} ({}): compare the case once more",
            not_read(version)
        )));
    }
    serde_json::from_str(&text).map_err(|error| wrong(format!("a damaged record: {error}")))
}
