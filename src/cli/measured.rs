//! `presolder measured`.

use super::given::Given;
use super::{Done, output};
use crate::bench::measured::{Trouble, measure};
use crate::bench::{files, layout::Measured as Record};
use crate::case::captures::{self, file_problem};
use crate::error::Error;
use crate::record;
use crate::report::claim::Claim;
use crate::report::measured as report;
use crate::visible::visible_path;
use clap::Args;
use std::path::{Path, PathBuf};

const EXAMPLE: &str = "Example:\n  presolder measured my-board --page my-board.html\n\n\
Reads captures.toml in the folder of the case, prints what it understood of each file, and sets what was measured beside what is \
predicted for that very condition of the bench.\n\nExit code: 0 it ran; 2 it could not run.";

/// Arguments of `measured`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Measured {
    #[command(flatten)]
    given: Given,
    /// Print the result as JSON instead of the table.
    #[arg(long)]
    json: bool,
    /// Write a page with the waveforms over each other. A file that exists is not overwritten.
    #[arg(long, value_name = "FILE")]
    page: Option<PathBuf>,
}

impl Measured {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let case = self.given.read()?;
        let folder = self.given.folder();
        let captures = captures::read(&folder, &case)?;
        let page = self.page.as_deref().map(claim).transpose()?;
        let taken = files::take(&folder, &captures)?;
        output::begin_simulating();
        let measured = measure(&case, &captures, taken, &output::progress).map_err(error)?;
        if let Some(claim) = &page {
            write_page(claim, &measured)?;
        }
        if self.json {
            output::print_as_it_is(&report::json(&measured).map_err(output::report_error)?)?;
        } else {
            output::print(&report::text(&measured, output::width()))?;
            if let Some(claim) = &page {
                output::print(&format!("Waveforms: {}\n", visible_path(claim.target())))?;
            }
        }
        Ok(Done::Well)
    }
}

/// A trouble as the program's error.
pub(super) fn error(trouble: Trouble) -> Error {
    match trouble {
        Trouble::Simulation(failure, place) => record::error(failure, &place),
        Trouble::NotThere(all) => Error::Case(all.into_iter().map(|(place, found)| not_there(&place, found)).collect()),
    }
}

/// What is not in a capture, at the place that states it.
fn not_there(place: &str, found: String) -> crate::error::Problem {
    let expected = "the condition that captures.toml names, in the capture that it names".to_string();
    let hint = "check condition, columns and file; look at what check of the file says".to_string();
    let mut problem = file_problem(place, 0, String::new(), [found, expected, hint]);
    problem.key = captures::FILE.into();
    problem
}

/// The place of a file, for this run alone.
pub(super) fn claim(path: &Path) -> Result<Claim, Error> {
    if std::fs::symlink_metadata(path).is_ok() {
        return Err(taken(path));
    }
    let claim = Claim::on(path).map_err(output::report_error)?;
    output::note_target(path);
    Ok(claim)
}

fn taken(path: &Path) -> Error {
    Error::Output(format!(
        "error: {} exists already and is not overwritten: choose another name or remove it",
        visible_path(path)
    ))
}

fn write_page(claim: &Claim, measured: &Record) -> Result<(), Error> {
    write(claim, &report::page(measured).map_err(output::report_error)?)
}

/// Writes a text beside its place and moves it there in one step.
pub(super) fn write(claim: &Claim, text: &str) -> Result<(), Error> {
    let trouble = |source| Error::Io { path: claim.target().to_path_buf(), action: "write".into(), source };
    std::fs::write(claim.draft(), text).map_err(trouble)?;
    if std::fs::symlink_metadata(claim.target()).is_ok() {
        return Err(taken(claim.target()));
    }
    std::fs::rename(claim.draft(), claim.target()).map_err(trouble)
}
