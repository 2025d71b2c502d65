//! `presolder worst-load`.

use super::given::Given;
use super::measured::claim;
use super::place::Place;
use super::waveforms::{checked_load, current, quantity};
use super::{Done, output};
use crate::corridor::worst_load::waveform::Bounds;
use crate::corridor::worst_load::{MOST_PERIODS, Wish, worst_loads};
use crate::error::Error;
use crate::model::case::Case;
use crate::record;
use crate::record::words::say;
use crate::record::worst_load::{self as told, WorstLoadRecord};
use crate::report::claim::Claim;
use crate::report::worst_load as report;
use crate::units::Dimension;
use crate::visible::visible_path;
use clap::Args;
use std::path::PathBuf;

const EXAMPLE: &str = "Examples:\n  presolder worst-load cases/valve-controller\n  presolder worst-load cases/valve-controller --dwell 5us \
--slew 2A/us --profiles worst\n  presolder worst-load cases/valve-controller --random 10000\n\n\
Swing and slew are those of load.step unless told otherwise. The dwell is the time from the end of a rise to the begin of a fall at \
least, and the other way round: load.step.hold where the case states it, else a switching period. The loads that were found stand in the folder \
--profiles as tables of time and current; the blocks that make them conditions of the case are printed.\n\n\
Exit code: 0 it ran; 2 it could not run.";

/// Least load in A that a profile of a case may have as well.
const LEAST_LOAD_A: f64 = 1e-3;

/// Arguments of `worst-load`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct WorstLoad {
    #[command(flatten)]
    given: Given,
    #[command(flatten)]
    place: Place,
    /// Swing of the load at most [default: that of load.step], for example 2A.
    #[arg(long, value_name = "CURRENT", value_parser = current, allow_hyphen_values = true)]
    swing: Option<f64>,
    /// Slew of the load at most [default: that of load.step], for example 1A/us.
    #[arg(long, value_name = "SLEW", value_parser = slew, allow_hyphen_values = true)]
    slew: Option<f64>,
    /// Time before the load turns back at least [default: load.step.hold where the case states it, else a switching period].
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    dwell: Option<f64>,
    /// Base load, the lowest level [default: from the least load of the case to full load less the swing].
    #[arg(long, value_name = "CURRENT", value_parser = current, allow_hyphen_values = true)]
    base: Option<f64>,
    /// Try so many random loads within the same bounds besides, in the linear simulation and in full.
    #[arg(long, value_name = "COUNT", default_value_t = 0)]
    random: usize,
    /// Seed of the random loads.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Print the result as JSON instead of the table.
    #[arg(long)]
    json: bool,
    /// Write the loads that were found into a new folder. A folder that exists is left as it is.
    #[arg(long, value_name = "FOLDER")]
    profiles: Option<PathBuf>,
}

fn slew(text: &str) -> Result<f64, String> {
    quantity(text, Dimension::Slew)
}

fn time(text: &str) -> Result<f64, String> {
    quantity(text, Dimension::Time)
}

fn wrong(text: String) -> Error {
    Error::Output(format!("error: {text}"))
}

impl WorstLoad {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let case = self.given.read()?;
        let (wish, dwell_from) = self.wish(&case)?;
        let folder = self.profiles.as_deref().map(claim).transpose()?;
        output::begin_simulating();
        let found = worst_loads(&case, &wish).map_err(|failure| record::error(failure, "worst load"))?;
        let record = told::record(&found, &wish, dwell_from);
        let blocks = folder.as_ref().map(|claim| write(claim, &record)).transpose()?;
        if self.json {
            output::print_as_it_is(&report::json(&record).map_err(output::report_error)?)?;
            return Ok(Done::Well);
        }
        output::print(&report::text(&record, output::width()))?;
        if let (Some(claim), Some(blocks)) = (&folder, blocks) {
            let place = visible_path(claim.target());
            output::print(&format!(
                "\nWritten: {place}. With the folder in that of the case, in board.toml:\n\n{blocks}"
            ))?;
        }
        Ok(Done::Well)
    }

    fn wish(&self, case: &Case) -> Result<(Wish, &'static str), Error> {
        let place = self.place.of(case)?;
        let (dwell_s, dwell_from) = self.dwell(case);
        let bounds = Bounds { swing_a: self.swing_a(case)?, slew_a_per_s: self.slew_a_per_s(case)?, dwell_s };
        let most_s = MOST_PERIODS as f64 / case.board.frequency_hz;
        if !(0.0..=most_s).contains(&dwell_s) {
            return Err(wrong(format!(
                "a dwell of {} ({dwell_from}): expected from 0 s to {}, {MOST_PERIODS} switching periods; what holds longer is a single \
                 step, which compare simulates. --dwell sets another",
                say(dwell_s, "s"),
                say(most_s, "s")
            )));
        }
        let (bases_a, base_a) = self.bases_a(case, bounds.swing_a)?;
        let wish = Wish {
            parts: place.parts,
            corner: place.corner,
            input_v: place.input_v,
            bounds,
            base_a,
            bases_a,
            random: self.random,
            seed: self.seed,
        };
        Ok((wish, dwell_from))
    }

    fn swing_a(&self, case: &Case) -> Result<f64, Error> {
        let of_step = case.board.load_step.map(|step| step.to_a - step.from_a);
        match self.swing.or(of_step) {
            Some(swing_a) if swing_a > 0.0 => Ok(swing_a),
            Some(swing_a) => Err(wrong(format!("--swing {}: expected a current above zero", say(swing_a, "A")))),
            None => Err(wrong("no swing: give --swing, or load.step in board.toml".into())),
        }
    }

    fn slew_a_per_s(&self, case: &Case) -> Result<f64, Error> {
        let of_step = case.board.load_step.map(|step| step.slew_a_per_s);
        match self.slew.or(of_step) {
            Some(slew) if slew > 0.0 => Ok(slew),
            Some(slew) => Err(wrong(format!(
                "--slew {}: expected a slew above zero: a load that does not move takes the output nowhere",
                say(slew, "A/s")
            ))),
            None => Err(wrong("no slew: give --slew, or load.step in board.toml".into())),
        }
    }

    /// The dwell in s, and where it comes from.
    fn dwell(&self, case: &Case) -> (f64, &'static str) {
        let is_rule = |key: &str| case.origins.iter().any(|datum| datum.key == key && !datum.stated);
        match (self.dwell, &case.board.load_step) {
            (Some(dwell_s), _) => (dwell_s, "as told"),
            (None, Some(step)) if !is_rule("load.step.hold") => (step.hold_s, "load.step.hold"),
            _ => (1.0 / case.board.frequency_hz, "a switching period, since the case states no load.step.hold"),
        }
    }

    /// Range of the base load in A, and the one of the single step.
    fn bases_a(&self, case: &Case, swing_a: f64) -> Result<((f64, f64), f64), Error> {
        let (board, step) = (&case.board, &case.board.load_step);
        if let Some(base_a) = self.base {
            let base_a = checked_load(case, "--base", base_a)?;
            if base_a < LEAST_LOAD_A {
                return Err(wrong(format!(
                    "--base {}: expected at least {}: a converter that never omits a pulse finds no rest without load",
                    say(base_a, "A"),
                    say(LEAST_LOAD_A, "A")
                )));
            }
            checked_load(case, "--base and --swing together", base_a + swing_a)?;
            return Ok(((base_a, base_a), base_a));
        }
        let least_a = board.load_a.first().copied().unwrap_or(0.0).max(LEAST_LOAD_A);
        let least_a = step.map_or(least_a, |step| step.from_a.min(least_a));
        let most_a = step.map_or(0.0, |step| step.to_a).max(board.full_load_a());
        if least_a + swing_a > most_a * (1.0 + 1e-9) {
            return Err(wrong(format!(
                "--swing {}: expected at most {}, from the least load of {} to the highest of {}; --base sets another base load",
                say(swing_a, "A"),
                say(most_a - least_a, "A"),
                say(least_a, "A"),
                say(most_a, "A")
            )));
        }
        let high_a = (most_a - swing_a).max(least_a);
        let own_a = step.map_or(least_a, |step| step.from_a);
        Ok(((least_a, high_a), own_a.clamp(least_a, high_a)))
    }
}

/// Writes all loads beside their place and moves the folder there in one step; the blocks that make them conditions of the case.
fn write(claim: &Claim, record: &WorstLoadRecord) -> Result<String, Error> {
    let trouble = |source| Error::Io { path: claim.target().to_path_buf(), action: "write".into(), source };
    let folder = claim.target().file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned());
    std::fs::create_dir(claim.draft()).map_err(trouble)?;
    let mut blocks = vec![];
    for part in &record.parts {
        for side in &part.sides {
            let (file, block) = report::file_and_block(part, side, &folder);
            std::fs::write(claim.draft().join(file), report::profile(side)).map_err(trouble)?;
            blocks.push(block);
        }
    }
    std::fs::rename(claim.draft(), claim.target()).map_err(trouble)?;
    Ok(blocks.join("\n"))
}
