//! `presolder impedance`.

use super::given::Given;
use super::measured::{claim, write};
use super::place::Place;
use super::{Done, output};
use crate::corridor::impedance::{Wish, impedances};
use crate::error::Error;
use crate::record;
use crate::record::impedance as told;
use crate::record::words::say;
use crate::report::impedance as report;
use crate::units::{self, Dimension};
use crate::visible::visible_path;
use clap::Args;
use std::path::PathBuf;

const EXAMPLE: &str = "Examples:\n  presolder impedance cases/valve-controller\n  presolder impedance cases/valve-controller --load 0.5A \
--csv impedance.csv --page impedance.html\n\n\
Closed: as the board is. Opened: with the control voltage held on its course. The target is the limit of the load step over that step. \
Columns of the CSV: frequency_hz, target_ohm, then closed_ohm:PART, closed_deg:PART, opened_ohm:PART, opened_deg:PART of each part.\n\n\
Exit code: 0 it ran; 2 it could not run.";

/// Lowest frequency looked at unless told otherwise, as a share of the switching frequency.
const LOWEST: f64 = 1e-3;
/// Frequencies that may be asked for as the lowest, as shares of the switching frequency.
const LOWEST_RANGE: (f64, f64) = (1e-7, 0.4);

/// Arguments of `impedance`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Impedance {
    #[command(flatten)]
    given: Given,
    #[command(flatten)]
    place: Place,
    /// Load current around which the board is linearised [default: the upper level of load.step, else full load].
    #[arg(long, value_name = "CURRENT", value_parser = super::waveforms::current, allow_hyphen_values = true)]
    load: Option<f64>,
    /// Target [default: limits.step_deviation over load.step], for example "40 mohm".
    #[arg(long, value_name = "RESISTANCE", value_parser = resistance, allow_hyphen_values = true)]
    target: Option<f64>,
    /// Lowest frequency [default: a thousandth of the switching frequency].
    #[arg(long, value_name = "FREQUENCY", value_parser = frequency, allow_hyphen_values = true)]
    from: Option<f64>,
    /// Print the result as JSON instead of the table.
    #[arg(long)]
    json: bool,
    /// Write the curves as CSV. A file that exists is not overwritten.
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    /// Write the plot alone as SVG. A file that exists is not overwritten.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Write a page with the plot. A file that exists is not overwritten.
    #[arg(long, value_name = "FILE")]
    page: Option<PathBuf>,
}

fn resistance(text: &str) -> Result<f64, String> {
    let ohm = super::waveforms::quantity(text, Dimension::Resistance)?;
    if ohm > 0.0 { Ok(ohm) } else { Err("expected a resistance above zero".into()) }
}

fn frequency(text: &str) -> Result<f64, String> {
    units::parse(text, Dimension::Frequency)
        .map_err(|refusal| format!("expected {}: {}", refusal.expected, refusal.hint))
}

impl Impedance {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let case = self.given.read()?;
        let place = self.place.of(&case)?;
        let step_a = case.board.load_step.as_ref().map(|step| step.to_a);
        let load_a = match self.load {
            Some(load_a) => super::waveforms::checked_load(&case, "--load", load_a)?,
            None => step_a.unwrap_or_else(|| case.board.full_load_a()),
        };
        let lowest_hz = self.lowest_hz(case.board.frequency_hz)?;
        let wish = Wish { parts: place.parts, corner: place.corner, input_v: place.input_v, load_a, lowest_hz };
        let files = [&self.csv, &self.plot, &self.page].map(|file| file.as_deref().map(claim).transpose());
        let [csv, plot, page] = files;
        let [csv, plot, page] = [csv?, plot?, page?];
        output::begin_simulating();
        let found = impedances(&case, &wish).map_err(|failure| record::error(failure, "output impedance"))?;
        let record = told::record(&found, &wish, told::target(&case, self.target));
        let as_error = output::report_error;
        if let Some(claim) = &csv {
            write(claim, &report::csv(&record).map_err(as_error)?)?;
        }
        if let (Some(claim), Some(plot)) = (&plot, report::plot(&record).map_err(as_error)?) {
            write(claim, &plot.svg)?;
        }
        if let Some(claim) = &page {
            write(claim, &report::page(&record).map_err(as_error)?)?;
        }
        if self.json {
            output::print_as_it_is(&report::json(&record).map_err(as_error)?)?;
            return Ok(Done::Well);
        }
        output::print(&report::text(&record, output::width()))?;
        for claim in [csv, plot, page].iter().flatten() {
            output::print(&format!("Written: {}\n", visible_path(claim.target())))?;
        }
        Ok(Done::Well)
    }

    fn lowest_hz(&self, switching_hz: f64) -> Result<f64, Error> {
        let (least, most) = (LOWEST_RANGE.0 * switching_hz, LOWEST_RANGE.1 * switching_hz);
        match self.from.unwrap_or(LOWEST * switching_hz) {
            hz if (least..=most).contains(&hz) => Ok(hz),
            hz => Err(Error::Output(format!(
                "error: --from {}: expected a frequency from {} to {}, {} of the switching frequency",
                say(hz, "Hz"),
                say(least, "Hz"),
                say(most, "Hz"),
                LOWEST_RANGE.1
            ))),
        }
    }
}
