//! The case that a command is given, and what is set in place of its values.

use crate::case::{self, Case, calibration};
use crate::corridor::calibrated;
use crate::error::Error;
use crate::record::calibrated::taken;
use crate::record::layout::CalibrationRecord;
use crate::visible::{visible, visible_path};
use clap::Args;
use std::path::{Path, PathBuf};

/// Arguments of every command that reads a case.
#[derive(Args)]
pub struct Given {
    /// Folder of the case: board.toml, and the parts in parts.toml or in a table (CSV, tab, XLSX, ODS).
    case: PathBuf,
    /// Put a value in place of one of the case for this run, any key and several times: load.step.to="3 A",
    /// output.capacitors[0].count=4, output.capacitors.ceramic.esr="4 mohm", parts.NAME.inductance="9 uH". It is checked like
    /// the files, and stands in the head of every output.
    #[arg(long, value_name = "KEY=VALUE")]
    set: Vec<String>,
}

impl Given {
    /// Reads the case; an interruption stops its runs.
    pub fn read(&self) -> Result<Case, Error> {
        self.read_with(&[])
    }

    /// Reads the case, whose original may be alone.
    pub fn read_original(&self) -> Result<Case, Error> {
        let mut case = case::read_original(&self.case, &self.set)?;
        case.cancel = super::CANCEL.clone();
        Ok(case)
    }

    /// Reads the case with the parts of further lists, and what they are offered for.
    pub fn read_with_lists(&self, lists: &[PathBuf]) -> Result<Case, Error> {
        self.read_another(&self.case, lists)
    }

    /// Another case in the same way.
    pub fn read_another(&self, case: &Path, lists: &[PathBuf]) -> Result<Case, Error> {
        let mut case = case::read_with_lists(case, lists, &self.set)?;
        case.cancel = super::CANCEL.clone();
        Ok(case)
    }

    /// Reads the case with more set in place of its values; what is set here counts, whatever was given for the same key.
    pub fn read_with(&self, more: &[String]) -> Result<Case, Error> {
        let mut case = case::read_with(&self.case, &self.set_with(more))?;
        case.cancel = super::CANCEL.clone();
        Ok(case)
    }

    fn set_with(&self, more: &[String]) -> Vec<String> {
        let key = |set: &str| set.split('=').next().unwrap_or_default().trim().to_string();
        let is_new = |set: &&String| more.iter().all(|other| key(other) != key(set));
        self.set.iter().filter(is_new).chain(more).cloned().collect()
    }

    /// The folder of the case.
    pub fn folder(&self) -> PathBuf {
        case::folder_of(&self.case)
    }

    /// Takes into the case what captures have told of its board, where that is wanted; what it changed.
    pub fn calibrated(&self, is_wanted: bool, case: &mut Case) -> Result<Option<CalibrationRecord>, Error> {
        if !is_wanted {
            return Ok(None);
        }
        let calibration = calibration::read(&self.folder(), case)?;
        let moved = calibrated::take(case, &calibration.data);
        Ok(Some(taken(&calibration, moved)))
    }

    /// The same arguments for another command, as a shell takes them.
    pub fn again(&self) -> String {
        self.again_with(&[], None)
    }

    /// The same with more that is set, and perhaps one part alone.
    pub fn again_with(&self, more: &[String], part: Option<&str>) -> String {
        let only = part.map_or_else(String::new, |part| format!(" --only {}", quoted(&visible(part))));
        let set = self.set_with(more).into_iter().map(|set| format!(" --set {}", quoted(&set)));
        visible_path(&self.case) + &only + &set.collect::<String>()
    }
}

/// A word between single quotation marks where a shell would read anything else into it.
fn quoted(word: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "._-=/%+,:".contains(c);
    if word.chars().all(plain) { word.into() } else { format!("'{}'", word.replace('\'', "'\\''")) }
}
