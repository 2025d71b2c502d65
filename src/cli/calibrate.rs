//! `presolder calibrate`.

use super::given::Given;
use super::measured::{claim, error, write};
use super::{Done, output};
use crate::bench::files;
use crate::bench::measured::calibrate;
use crate::case::{calibration, captures};
use crate::error::Error;
use crate::report::calibration as report;
use crate::visible::visible_path;
use clap::Args;
use std::path::PathBuf;

const EXAMPLE: &str = "Example:\n  presolder calibrate my-board --out my-board/calibration.toml\n\n\
Reads the captures and readings of the original in captures.toml and says which data of board and part they tell, which they do not, and how \
well each capture is predicted from the others.\n\nExit code: 0 it ran; 2 it could not run.";

/// Arguments of `calibrate`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Calibrate {
    #[command(flatten)]
    given: Given,
    /// Write what was learned to a file. A file that exists is not overwritten.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

impl Calibrate {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let case = self.given.read()?;
        let folder = self.given.folder();
        let captures = captures::read(&folder, &case)?;
        let place = self.out.as_deref().map(claim).transpose()?;
        let taken = files::take(&folder, &captures)?;
        output::begin_simulating();
        let (calibration, names) = calibrate(&case, &captures, taken, &output::progress).map_err(error)?;
        let Some(calibration) = calibration else {
            let text = "error: nothing of the original was captured or read with an uncertainty of its own: there is nothing to learn from";
            return Err(Error::Output(text.into()));
        };
        if let Some(claim) = &place {
            let hashes = files::hashes(&folder, &captures)?;
            let of = report::Of {
                case: case.name.clone(),
                data_sha256: calibration::data_hash(&case),
                board: captures.board.clone(),
            };
            write(claim, &report::toml(&calibration, &of, &hashes))?;
        }
        if !case.set.is_empty() {
            output::print(&format!("Set: {}\n", case.set.join("; ")))?;
        }
        output::print(&report::text(&calibration, &names, output::width()))?;
        if let Some(claim) = &place {
            output::print(&format!("Learned: {}\n", visible_path(claim.target())))?;
        }
        Ok(Done::Well)
    }
}
