//! `presolder transients`.

use super::given::Given;
use super::{Done, output};
use crate::case::Case;
use crate::condition::figures::Failure;
use crate::corridor::learned;
use crate::corridor::maps::{Along, AxisError, Cell, Job, Kind, Maps, Ranges, Setting, Worst, load_range_a};
use crate::error::Error;
use crate::model::board::LoadStep;
use crate::record;
use crate::record::maps::{LineOf, MapsRecord};
use crate::report::ReportError;
use crate::report::folder::{self, Reservation};
use crate::report::journal::{Journal, Writer};
use crate::report::maps as report;
use crate::units::{self, Dimension};
use crate::visible::{visible, visible_path};
use clap::{Args, ValueEnum};
use rayon::prelude::*;
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

const EXAMPLE: &str = "Examples:\n  presolder transients cases/valve-controller\n  presolder transients cases/valve-controller --corner worst \
--map rate-share --grid 40x10 --rate \"5 kHz..100 kHz\"\n\n\
Every point of a map is a simulation by itself, the worst of at least 8 begins of the step within the switching period; nothing is interpolated. \
All parts stand in the same corner. Writes transients.html, transients.json and one CSV a map into a folder (docs/transients.md).\n\n\
An interrupted run keeps what is done, beside the folder, and the same command goes on with it.";

/// Fewest and most points along an axis.
const POINTS: (usize, usize) = (2, 200);

/// Arguments of `transients`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Transients {
    #[command(flatten)]
    given: Given,
    /// Corner of tolerances: nominal, or the worst one for the case's own load step.
    #[arg(long, value_enum, default_value_t = CornerWord::Nominal)]
    corner: CornerWord,
    /// Maps, separated by commas [default: all].
    #[arg(long, value_name = "NAMES", value_delimiter = ',', value_enum)]
    map: Vec<MapWord>,
    /// Parts beside the original, separated by commas [default: all].
    #[arg(long, value_name = "NAMES", value_delimiter = ',')]
    part: Vec<String>,
    /// Columns and rows of each map.
    #[arg(long, value_name = "COLUMNSxROWS", default_value = "12x12")]
    grid: String,
    /// Sizes of the step, for example "0.5 A..2.5 A" [default: up to the load range].
    #[arg(long, value_name = "FROM..TO")]
    amplitude: Option<String>,
    /// Slews of the step, for example "0.01 A/us..10 A/us" [default: from 1/30 to 10 times the case's own].
    #[arg(long, value_name = "FROM..TO")]
    slew: Option<String>,
    /// Loads before the step, for example "0.2 A..1 A" [default: the load range].
    #[arg(long, value_name = "FROM..TO")]
    base: Option<String>,
    /// How often the step comes again, for example "5 kHz..100 kHz" [default: 1 kHz to half the switching frequency].
    #[arg(long, value_name = "FROM..TO")]
    rate: Option<String>,
    /// Shares of the time for the upper level, for example "10 %..90 %" [default: all].
    #[arg(long, value_name = "FROM..TO")]
    share: Option<String>,
    /// Use what captures have told of the board that was captured: calibration.toml in the folder of the case, as calibrate writes it. Says
    /// which data that moves.
    #[arg(long)]
    calibrated: bool,
    /// Folder for the results [default: presolder-CASE-transients in the working directory].
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Replace an earlier result in the folder.
    #[arg(long)]
    replace: bool,
    /// Print the record as JSON instead of the text, and write no folder unless --out names one.
    #[arg(long)]
    json: bool,
}

/// A corner as it goes on the command line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum CornerWord {
    /// Typical parts at the nominal input.
    Nominal,
    /// The corner and input in which a part comes closest to a limit of the case's own step.
    Worst,
}

/// A map as it goes on the command line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum MapWord {
    /// Slew and amplitude.
    SlewAmplitude,
    /// Amplitude and base load.
    AmplitudeBase,
    /// How often the step comes again, and for what share of the time.
    RateShare,
}

impl Transients {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let mut case = self.given.read()?;
        let calibration = self.given.calibrated(self.calibrated, &mut case)?;
        let own = case.board.load_step.ok_or_else(|| {
            wrong(
                "the case states no load step: add --set load.step.from=..., load.step.to=... and load.step.slew=..."
                    .into(),
            )
        })?;
        let wanted: Vec<usize> =
            self.part.iter().map(|name| output::part_index("--part", &case, name)).collect::<Result<_, Error>>()?;
        if !wanted.is_empty() {
            case.keep_parts(&wanted);
        }
        let maps = self.maps(&case, &own)?;
        let target = self
            .out
            .clone()
            .unwrap_or_else(|| PathBuf::from(format!("presolder-{}-transients", folder::safe_name(&case.name))));
        let writes = self.out.is_some() || !self.json;
        let reserved = match writes {
            true => Some(folder::reserve(&target, self.replace).map_err(|error| self.refused(error))?),
            false => None,
        };
        reserved.iter().for_each(|_| output::note_target(&target));
        output::begin_simulating();
        let name = case.parts[0].name.clone();
        let failed = |failure: Failure| record::error(failure, &name);
        let case = learned(&case).map_err(failed)?;
        let worst = match self.corner {
            CornerWord::Nominal => None,
            CornerWord::Worst => Worst::of(&case, &|_, _| {}).map_err(failed)?,
        };
        let setting = worst.map_or(Setting::nominal(&case), |worst| worst.setting);
        let maps = Maps::new(&case, own, setting, maps);
        let journal = match writes {
            true => Some(Journal::read(&beside(&target), &header(&maps)).map_err(output::report_error)?),
            false => None,
        };
        let found = MapsRecord { calibration, ..run(&maps, worst.as_ref(), journal)? };
        self.give(&found, reserved, &target)
    }

    /// Writes and prints what was found.
    fn give(&self, found: &MapsRecord, reserved: Option<Reservation>, target: &Path) -> Result<Done, Error> {
        let writes = reserved.is_some();
        if let Some(reserved) = reserved {
            let written = reserved.write_maps(found).map_err(output::report_error)?;
            output::note_kept(target, &written.kept);
            // The result holds all of it now.
            let _ = std::fs::remove_file(beside(target));
        }
        if self.json {
            output::print_as_it_is(&report::json(found).map_err(output::report_error)?)?;
        } else {
            output::print(&report::text(found, output::width()))?;
        }
        if writes && !self.json {
            output::print(&format!("\nEverything   {}/transients.html\n", visible_path(target)))?;
        }
        Ok(Done::Well)
    }

    /// The maps that are asked for.
    fn maps(&self, case: &Case, own: &LoadStep) -> Result<Vec<crate::corridor::maps::Map>, Error> {
        let grid = grid(&self.grid)?;
        let range = |option: &str, text: &Option<String>, dimension: Dimension| {
            text.as_deref().map(|text| range(option, text, dimension)).transpose()
        };
        let ranges = Ranges {
            amplitude_a: range("--amplitude", &self.amplitude, Dimension::Current)?,
            slew_a_per_s: range("--slew", &self.slew, Dimension::Slew)?,
            base_a: range("--base", &self.base, Dimension::Current)?,
            rate_hz: range("--rate", &self.rate, Dimension::Frequency)?,
            share: range("--share", &self.share, Dimension::Fraction)?,
        };
        let kind = |word: &MapWord| match word {
            MapWord::SlewAmplitude => Kind::SlewAmplitude,
            MapWord::AmplitudeBase => Kind::AmplitudeBase,
            MapWord::RateShare => Kind::RateShare,
        };
        let asked: Vec<Kind> = self.map.iter().map(kind).collect();
        let wanted = Kind::ALL.into_iter().filter(|kind| asked.is_empty() || asked.contains(kind));
        wanted
            .map(|kind| kind.over(&case.board, own, &ranges, grid).map_err(|error| no_axis(case, own, error)))
            .collect()
    }

    /// A target that is taken, with the option that helps where one does.
    fn refused(&self, error: ReportError) -> Error {
        match error {
            ReportError::Occupied { path, reason, hint } if !self.replace => {
                let hint = hint.replace("allow it to be replaced", "add --replace");
                output::report_error(ReportError::Occupied { path, reason, hint })
            }
            other => output::report_error(other),
        }
    }
}

/// Where lines are kept on the way.
fn beside(target: &Path) -> PathBuf {
    let mut name = target.file_name().unwrap_or_default().to_os_string();
    name.push(".unfinished");
    target.with_file_name(name)
}

/// What the lines of a journal belong to.
fn header(maps: &Maps) -> String {
    let items = [
        format!("# presolder transients of {}", maps.case.name),
        format!("version {}", env!("CARGO_PKG_VERSION")),
        format!("sha256 {}", record::maps::hash(maps)),
    ];
    format!("{}\n", visible(&items.join("; ")))
}

/// Every line from the journal where it is there, else run and added; then what follows from them.
fn run(maps: &Maps, worst: Option<&Worst>, journal: Option<Journal>) -> Result<MapsRecord, Error> {
    let known = journal.as_ref().map(known).transpose().map_err(output::report_error)?.unwrap_or_default();
    let writer: Option<Writer> = journal.map(Journal::go_on).transpose().map_err(output::report_error)?;
    let keeps = writer.is_some();
    let writer = Mutex::new(writer);
    let done = AtomicUsize::new(0);
    let jobs = maps.jobs();
    let name = |part: usize| maps.case.parts[part].name.as_str();
    let one = |job: &Job| -> Result<Vec<Cell>, Error> {
        let cells = match known.get(&(job.map, job.part, job.line)) {
            Some(cells) => cells.clone(),
            None => {
                let cells = maps.line(*job).map_err(|failure| record::error(failure, name(job.part)))?;
                note(&writer, &LineOf::of(*job, cells.clone()))?;
                cells
            }
        };
        output::progress(done.fetch_add(1, Ordering::Relaxed) + 1, jobs.len());
        Ok(cells)
    };
    let lines: Result<Vec<Vec<Cell>>, Error> = jobs.par_iter().map(one).collect();
    if keeps && matches!(lines, Err(Error::Interrupted)) {
        let done = done.into_inner();
        output::note(&format!("{done} of {} lines are done and kept; the same command goes on with them", jobs.len()));
    }
    let lines = lines?;
    let of = |map: usize, part: usize| -> Vec<Vec<Cell>> {
        let all = jobs.iter().zip(&lines).filter(|(job, _)| (job.map, job.part) == (map, part));
        maps.laid_out(map, &all.map(|(_, cells)| cells.clone()).collect::<Vec<_>>())
    };
    let parts = 0..maps.case.parts.len();
    let cells: Vec<Vec<Vec<Vec<Cell>>>> =
        (0..maps.maps.len()).map(|map| parts.clone().map(|part| of(map, part)).collect()).collect();
    let repeated = maps.maps.iter().position(|map| map.kind == Kind::RateShare);
    let rest = |part: usize| {
        let own = maps.own_step(part)?;
        let swing = repeated.map(|map| maps.swing(part, map, &cells[map][part])).transpose()?.flatten();
        Ok((own, swing))
    };
    let rest =
        parts.clone().into_par_iter().map(|part| rest(part).map_err(|failure| record::error(failure, name(part))));
    let (own, swings) = rest.collect::<Result<Vec<_>, Error>>()?.into_iter().unzip();
    Ok(record::maps::record(maps, worst, cells, own, swings))
}

/// Lines of maps that are done, by map, part and number.
type Known = HashMap<(usize, usize, usize), Vec<Cell>>;

/// The lines of a journal.
fn known(journal: &Journal) -> Result<Known, ReportError> {
    let read = |(number, line): (usize, &String)| -> Result<_, ReportError> {
        let line: LineOf = serde_json::from_str(line)
            .map_err(|_| journal.refused(&format!("has a line that is none of a map: line {}", number + 2)))?;
        Ok(((line.map, line.part, line.line), line.cells))
    };
    journal.lines().iter().enumerate().map(read).collect()
}

fn note(writer: &Mutex<Option<Writer>>, line: &LineOf) -> Result<(), Error> {
    let line = serde_json::to_string(line).map_err(|error| output::report_error(error.into()))?;
    let mut writer = writer.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    writer.as_mut().map_or(Ok(()), |writer| writer.write(&format!("{line}\n"))).map_err(output::report_error)
}

/// Columns and rows.
fn grid(text: &str) -> Result<(usize, usize), Error> {
    let (least, most) = POINTS;
    let count = |text: &str| text.trim().parse().ok().filter(|count| (least..=most).contains(count));
    let both = text.split_once(['x', 'X']).and_then(|(columns, rows)| Some((count(columns)?, count(rows)?)));
    both.ok_or_else(|| {
        wrong(format!(
            "--grid {}: expected columns and rows, {least} to {most} of each, for example 20x20",
            visible(text)
        ))
    })
}

/// A range: two values with units and two dots between them.
fn range(option: &str, text: &str, dimension: Dimension) -> Result<(f64, f64), Error> {
    let value = |text: &str| units::parse(text.trim(), dimension).ok();
    let both = text.split_once("..").and_then(|(low, high)| Some((value(low)?, value(high)?)));
    both.ok_or_else(|| {
        let unit = dimension.usual_unit();
        wrong(format!("{option} {}: expected two values in {unit} with two dots between them", visible(text)))
    })
}

fn no_axis(case: &Case, own: &LoadStep, error: AxisError) -> Error {
    let option = |along: Along| match along {
        Along::Amplitude => ("--amplitude", Dimension::Current),
        Along::Slew => ("--slew", Dimension::Slew),
        Along::Base => ("--base", Dimension::Current),
        Along::Rate => ("--rate", Dimension::Frequency),
        Along::Share => ("--share", Dimension::Fraction),
    };
    let (least_a, most_a) = load_range_a(&case.board, own);
    let show = |value: f64, dimension| units::show(value, dimension);
    let range = format!("{} to {}", show(least_a, Dimension::Current), show(most_a, Dimension::Current));
    wrong(match error {
        AxisError::NotRising(along) => {
            format!("{}: expected a smaller and a larger value, both above zero", option(along).0)
        }
        AxisError::Beyond(along, (low, high)) => {
            let (option, dimension) = option(along);
            let (low, high) = (show(low, dimension), show(high, dimension));
            let of_load = matches!(along, Along::Amplitude | Along::Base);
            let why = if of_load { format!("; the load range of this board is {range}") } else { String::new() };
            format!("{option}: expected values from {low} to {high}{why}")
        }
        AxisError::NoRoom => {
            format!("load.step.from leaves no room for a step: the load range of this board is {range}")
        }
    })
}

fn wrong(text: String) -> Error {
    Error::Output(format!("error: {text}"))
}
