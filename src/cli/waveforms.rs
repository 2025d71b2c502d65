//! `presolder waveforms`.

use super::given::Given;
use super::{Done, output};
use crate::case::{Case, nearest};
use crate::condition::CONDITIONS;
use crate::condition::contract::{Condition, Setup, Wish};
use crate::condition::stand::{Stand, prepared};
use crate::engine::error::EngineError;
use crate::error::Error;
use crate::measure::curves::{Grid, Sample};
use crate::model::corner::{CORNERS, Corner};
use crate::record;
use crate::record::words::say;
use crate::report::calibration;
use crate::report::claim::Claim;
use crate::report::csv::{field, remark};
use crate::units::{self, Dimension};
use crate::visible::{visible, visible_path};
use clap::Args;
use clap::builder::{PossibleValue, PossibleValuesParser};
use std::fs::File;
use std::io::{BufWriter, ErrorKind, Write};
use std::path::{Path, PathBuf};

const EXAMPLE: &str = "Example:\n  presolder waveforms cases/valve-controller --part Kestrel-10 --condition load-step --every 50ns \
--from -5us --to 60us --out dip.csv\n  presolder waveforms cases/valve-controller --all-parts --condition load-step --out side-by-side.csv\n\n\
Columns in SI units: time_s, output_v, output_20mhz_v, current_a (inductor), load_a, switch_v, control_v; of several parts \
output_v:PART and so on, side by side on one time axis (docs/waveforms.md). \
Time counts from a clock edge (steady), or from the begin of the step, the start or the short circuit. The winding is at the \
temperature of the steady state at that load (steady), at the upper level (load-step) or at full load.";

/// Most samples written: beyond that a typing error is likelier than a wish.
const MOST_SAMPLES: f64 = 5e7;
/// Most samples of several parts together, which are held until all have run: some hundred megabytes.
const MOST_TOGETHER: f64 = 2e6;
/// Columns beside the time, by the names that the tables of a result have.
const SIGNALS: [&str; 6] = ["output_v", "output_20mhz_v", "current_a", "load_a", "switch_v", "control_v"];
/// Most switching periods simulated, for the same reason.
const MOST_PERIODS: f64 = 1e7;
/// Periods of a steady state shown unless told otherwise.
const STEADY_PERIODS: f64 = 2.0;
/// Input voltages in V that a case may state as well.
const INPUT_V: (f64, f64) = (1.0, 1000.0);
/// Most load current in A that a case may state as well.
const MOST_LOAD_A: f64 = 1000.0;

/// Words by which conditions go on the command line.
pub(super) fn condition_words() -> PossibleValuesParser {
    let run = CONDITIONS.iter().filter(|condition| !condition.is_data());
    let word = |name: &str| match also_word_of(name) {
        Some(also) => PossibleValue::new(word_of(name)).alias(also),
        None => PossibleValue::new(word_of(name)),
    };
    PossibleValuesParser::new(run.map(|condition| word(condition.name())).collect::<Vec<_>>())
}

/// Another word by which the trade calls a condition.
fn also_word_of(name: &str) -> Option<&'static str> {
    match name {
        "input step" => Some("line-step"),
        "start" => Some("start-up"),
        _ => None,
    }
}

/// Whether a word of the command line means the condition of a name.
pub(super) fn is_word_of(word: &str, name: &str) -> bool {
    word == word_of(name) || also_word_of(name) == Some(word)
}

/// Words by which corners go on the command line: the begin of their names.
pub(super) fn corner_words() -> PossibleValuesParser {
    PossibleValuesParser::new(CORNERS.iter().map(corner_word).collect::<Vec<_>>())
}

/// The corner of a word.
pub(super) fn corner_of(word: &str) -> Corner {
    CORNERS.into_iter().find(|corner| corner_word(corner) == word).unwrap_or(CORNERS[0])
}

fn corner_word(corner: &Corner) -> String {
    let name = corner.name();
    word_of(name.split(',').next().unwrap_or(&name))
}

pub(super) fn word_of(name: &str) -> String {
    name.to_lowercase().replace(' ', "-")
}

fn time(text: &str) -> Result<f64, String> {
    quantity(text, Dimension::Time)
}

pub(super) fn voltage(text: &str) -> Result<f64, String> {
    quantity(text, Dimension::Voltage)
}

pub(super) fn current(text: &str) -> Result<f64, String> {
    quantity(text, Dimension::Current)
}

pub(super) fn quantity(text: &str, dimension: Dimension) -> Result<f64, String> {
    units::parse(text, dimension).map_err(|refusal| format!("expected {}: {}", refusal.expected, refusal.hint))
}

/// Arguments of `waveforms`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Waveforms {
    #[command(flatten)]
    given: Given,
    /// Name of the part [default: the original]; several stand side by side in one table: --part A --part B.
    #[arg(long, value_name = "NAME")]
    part: Vec<String>,
    /// The original and all substitutes side by side in one table.
    #[arg(long, conflicts_with = "part")]
    all_parts: bool,
    /// Condition.
    #[arg(long, value_parser = condition_words(), default_value = "steady")]
    condition: String,
    /// A load step or profile by its name in the case, in place of a condition; --condition load-step is the case's own load.step, or
    /// the first that it names.
    #[arg(long, value_name = "NAME", conflicts_with = "condition")]
    named: Option<String>,
    /// Input voltage [default: nominal], for example 24V.
    #[arg(long, value_name = "VOLTAGE", value_parser = voltage, allow_hyphen_values = true)]
    input: Option<f64>,
    /// Load current of the steady state [default: full load], for example 2A. Other conditions take theirs from the case.
    #[arg(long, value_name = "CURRENT", value_parser = current, allow_hyphen_values = true)]
    load: Option<f64>,
    /// Corner of the tolerances.
    #[arg(long, value_parser = corner_words(), default_value = "nominal")]
    corner: String,
    /// Distance of the samples [default: a two-hundredth (steady) or a twentieth of the period].
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    every: Option<f64>,
    /// First sample [default: 0 s], for example -5us before a load step.
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    from: Option<f64>,
    /// Last sample [default: two periods (steady) or the end of the run].
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    to: Option<f64>,
    /// Use what captures have told of the board that was captured: calibration.toml in the folder of the case, as calibrate writes it. Says
    /// which data that moves.
    #[arg(long)]
    calibrated: bool,
    /// File to write [default: standard output]. An existing file is not overwritten.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Which samples are taken.
struct Samples {
    span_s: (f64, f64),
    every_s: f64,
}

impl Samples {
    fn count(&self) -> f64 {
        (self.span_s.1 - self.span_s.0) / self.every_s
    }
}

/// A run of one part that is ready to go.
struct Ready<'a> {
    part: &'a str,
    setup: Setup,
    /// Begin, and end where it has one, in s from the instant from which its time counts.
    begin_s: f64,
    end_s: Option<f64>,
}

impl<'a> Ready<'a> {
    fn of(part: &'a str, setup: Setup) -> Ready<'a> {
        let period_s = setup.machine.period_s();
        let begin_s = -(setup.origin.0 as f64 * period_s + setup.origin.1);
        let end_s = setup.cycles.map(|cycles| cycles as f64 * period_s + begin_s);
        Ready { part, setup, begin_s, end_s }
    }

    /// Runs it and hands on its samples.
    fn run(self, samples: &Samples, sink: impl FnMut(Sample)) -> Result<(), EngineError> {
        let Setup { mut machine, begin, mut program, origin, cycles, .. } = self.setup;
        let period_s = machine.period_s();
        // Whole cycles that reach the last sample.
        let wanted = ((samples.span_s.1 - self.begin_s).max(0.0) / period_s).floor() as u64 + 1;
        let cycles = wanted.min(cycles.unwrap_or(wanted));
        let mut grid = Grid::new(origin, period_s, samples.every_s, samples.span_s, sink);
        let mut state = machine.begin(begin);
        machine.run(&mut state, cycles, &mut program, &mut grid, None)
    }
}

impl Waveforms {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let mut read = self.given.read()?;
        let calibration = self.given.calibrated(self.calibrated, &mut read)?;
        let case = prepared(&read).map_err(|failure| record::error(failure, &read.parts[0].name))?;
        let load = self.named.as_ref().map(|name| number_of(&case, name)).transpose()?;
        let condition = self.condition(&case, load)?;
        let (input_v, load_a) = (checked_input(&case, self.input)?, self.load_a(&case, condition)?);
        let parts = self.parts(&case)?;
        let ready = |part: &usize| {
            let part = &case.parts[*part];
            let stand = Stand::new(&case, part, corner_of(&self.corner), input_v);
            Ok::<_, Error>(Ready::of(&part.name, self.set_up(&stand, condition, (load_a, load))?))
        };
        let runs = parts.iter().map(ready).collect::<Result<Vec<_>, Error>>()?;
        // One time axis: what all of them reach.
        let begin_s = runs.iter().map(|run| run.begin_s).fold(f64::NEG_INFINITY, f64::max);
        let end_s = runs.iter().filter_map(|run| run.end_s).reduce(f64::min);
        let period_s = 1.0 / case.board.frequency_hz;
        let samples = self.samples(condition, (begin_s, end_s), period_s)?;
        let mut remarks: Vec<String> = case.set.iter().map(|set| remark(set)).collect();
        remarks.extend(calibration::remarks(calibration.as_ref()));
        match <[Ready<'_>; 1]>::try_from(runs) {
            Ok([run]) => self.one(run, &samples, &remarks),
            Err(runs) => self.side_by_side(runs, &samples, &remarks),
        }
    }

    /// One part: each sample is written as it comes.
    fn one(&self, run: Ready<'_>, samples: &Samples, remarks: &[String]) -> Result<Done, Error> {
        let part = run.part;
        let mut sink = CsvSink::open(self.out.as_deref())?;
        remarks.iter().for_each(|remark| sink.line(remark));
        sink.line(&["time_s"].iter().chain(&SIGNALS).copied().collect::<Vec<_>>().join(","));
        match run.run(samples, |sample| sink.line(&line(&[sample]))) {
            // The sink asks for the stop when nothing more can be written.
            Err(EngineError::Interrupted) if sink.failed.is_some() => sink.close().map(|()| Done::Well),
            Err(error) => Err(record::error(error.into(), part)),
            Ok(()) => sink.close().map(|()| Done::Well),
        }
    }

    /// Several parts: one run after the other, then each row with all of them.
    fn side_by_side(&self, runs: Vec<Ready<'_>>, samples: &Samples, remarks: &[String]) -> Result<Done, Error> {
        if runs.len() as f64 * samples.count() > MOST_TOGETHER {
            return Err(Error::Output(format!(
                "error: {} parts side by side make more than {MOST_TOGETHER:.0e} samples: choose a longer --every or a shorter span",
                runs.len()
            )));
        }
        let names: Vec<&str> = runs.iter().map(|run| run.part).collect();
        let head = SIGNALS.iter().flat_map(|signal| names.iter().map(move |part| field(&format!("{signal}:{part}"))));
        let head = std::iter::once("time_s".to_string()).chain(head).collect::<Vec<_>>().join(",");
        let mut columns: Vec<Vec<Sample>> = vec![];
        for run in runs {
            let (part, mut column) = (run.part, vec![]);
            run.run(samples, |sample| column.push(sample)).map_err(|error| record::error(error.into(), part))?;
            columns.push(column);
        }
        let mut sink = CsvSink::open(self.out.as_deref())?;
        remarks.iter().for_each(|remark| sink.line(remark));
        sink.line(&head);
        for row in 0..columns.iter().map(Vec::len).min().unwrap_or(0) {
            sink.line(&line(&columns.iter().map(|column| column[row]).collect::<Vec<_>>()));
        }
        sink.close().map(|()| Done::Well)
    }

    /// Numbers of the parts that are asked for, each once.
    fn parts(&self, case: &Case) -> Result<Vec<usize>, Error> {
        if self.all_parts {
            return Ok((0..case.parts.len()).collect());
        }
        let mut parts = vec![];
        for name in &self.part {
            let part = output::part_index("--part", case, name)?;
            if !parts.contains(&part) {
                parts.push(part);
            }
        }
        Ok(if parts.is_empty() { vec![0] } else { parts })
    }

    fn condition(&self, case: &Case, load: Option<usize>) -> Result<&'static dyn Condition, Error> {
        let of_load = |condition: &&&dyn Condition| {
            let stand = Stand::new(case, &case.parts[0], CORNERS[0], case.board.nominal_input_v);
            load.is_some() && condition.places(&stand).iter().any(|place| Some(place.load) == load)
        };
        if let Some(condition) = CONDITIONS.iter().find(of_load) {
            return Ok(*condition);
        }
        let wanted = CONDITIONS.iter().find(|condition| is_word_of(&self.condition, condition.name()));
        wanted.copied().ok_or_else(|| Error::Output(format!("error: --condition {}: unknown", self.condition)))
    }

    fn set_up(
        &self,
        stand: &Stand<'_>,
        condition: &dyn Condition,
        (load_a, load): (Option<f64>, Option<usize>),
    ) -> Result<Setup, Error> {
        let before_s = (-self.from.unwrap_or(0.0)).max(0.0);
        let period_s = 1.0 / stand.case.board.frequency_hz;
        if before_s / period_s > MOST_PERIODS {
            return Err(too_many_periods("--from", -before_s));
        }
        let setup = condition.set_up(stand, &Wish { load_a, before_s, load });
        let setup = setup.map_err(|failure| record::error(failure, &stand.part.name))?;
        setup.ok_or_else(|| not_stated(stand.case, condition.key()))
    }

    /// The samples of a run that lies between two times; without an end it goes on as long as anyone looks.
    fn samples(
        &self,
        condition: &dyn Condition,
        (begin_s, end_s): (f64, Option<f64>),
        period_s: f64,
    ) -> Result<Samples, Error> {
        let from_s = self.from.unwrap_or(0.0);
        // Two periods of an endless run from wherever the first sample is.
        let to_s = self.to.unwrap_or(end_s.unwrap_or(from_s + STEADY_PERIODS * period_s));
        for (name, wanted_s) in [("--from", from_s), ("--to", to_s)] {
            if wanted_s < begin_s || end_s.is_some_and(|end_s| wanted_s > end_s) {
                let expected = match end_s {
                    Some(end_s) => {
                        let (begin, end) = (say(begin_s, "s"), say(end_s, "s"));
                        format!(
                            "a time from {begin} to {end}, the begin and the end of this run (see {})",
                            condition.key()
                        )
                    }
                    None => "0 s or later: a steady state has nothing before its first clock edge".into(),
                };
                return Err(Error::Output(format!("error: {name} {}: expected {expected}", say(wanted_s, "s"))));
            }
        }
        let usual_s = if end_s.is_some() { period_s / 20.0 } else { period_s / 200.0 };
        checked((from_s, to_s), self.every.unwrap_or(usual_s), period_s)
    }

    /// Load current of the steady state. What a case may not ask for is refused here too.
    fn load_a(&self, case: &Case, condition: &dyn Condition) -> Result<Option<f64>, Error> {
        let Some(load_a) = self.load else { return Ok(None) };
        if !condition.takes_load() {
            let expected = "no load current but with --condition steady: the others take theirs from board.toml";
            return Err(Error::Output(format!("error: --load {}: expected {expected}", say(load_a, "A"))));
        }
        checked_load(case, "--load", load_a).map(Some)
    }
}

/// An input voltage in V, or the nominal one. What a case may not ask for is refused here too.
pub(super) fn checked_input(case: &Case, input_v: Option<f64>) -> Result<f64, Error> {
    let input_v = input_v.unwrap_or(case.board.nominal_input_v);
    if input_v > case.board.output_v && (INPUT_V.0..=INPUT_V.1).contains(&input_v) {
        return Ok(input_v);
    }
    Err(Error::Output(format!(
        "error: --input {}: expected more than the output voltage of {}, from {} to {}",
        say(input_v, "V"),
        say(case.board.output_v, "V"),
        say(INPUT_V.0, "V"),
        say(INPUT_V.1, "V")
    )))
}

/// A load current in A that an option asks for; one that a case may not ask for is refused.
pub(super) fn checked_load(case: &Case, option: &str, load_a: f64) -> Result<f64, Error> {
    let wrong =
        |expected: String| Err(Error::Output(format!("error: {option} {}: expected {expected}", say(load_a, "A"))));
    match case.board.control.protection.lowest_peak_a() {
        _ if !(0.0..=MOST_LOAD_A).contains(&load_a) => {
            wrong(format!("a current from 0 A to {}", say(MOST_LOAD_A, "A")))
        }
        Some(lowest_a) if load_a >= lowest_a => wrong(format!(
            "less than the lowest current-limit threshold of {}: the board could not deliver it",
            say(lowest_a, "A")
        )),
        _ => Ok(load_a),
    }
}

/// Samples of a span in s at a distance in s, refused where there would be too many.
fn checked(span_s: (f64, f64), every_s: f64, period_s: f64) -> Result<Samples, Error> {
    let wrong = |text: String| Err(Error::Output(text));
    if every_s <= 0.0 {
        return wrong(format!("error: --every {}: expected a time above zero", say(every_s, "s")));
    }
    if span_s.1 < span_s.0 {
        return wrong(format!("error: --to {} lies before --from {}", say(span_s.1, "s"), say(span_s.0, "s")));
    }
    let samples = Samples { span_s, every_s };
    if samples.count() > MOST_SAMPLES {
        return wrong(format!(
            "error: --every {} makes more than {MOST_SAMPLES:.0e} samples: choose a longer distance or a shorter span",
            say(every_s, "s")
        ));
    }
    if span_s.1 / period_s > MOST_PERIODS {
        return Err(too_many_periods("--to", span_s.1));
    }
    Ok(samples)
}

/// A row: the time, then each signal of every part in turn.
fn line(samples: &[Sample]) -> String {
    let mut text = samples.first().map_or_else(String::new, |sample| format!("{:.10e}", sample.time_s));
    let signals: [fn(&Sample) -> f64; SIGNALS.len()] =
        [|s| s.output_v, |s| s.instrument_v, |s| s.current_a, |s| s.load_a, |s| s.switch_v, |s| s.control_v];
    for value in signals.iter().flat_map(|signal| samples.iter().map(signal)) {
        text.push_str(&format!(",{value:.9e}"));
    }
    text
}

/// The number of a load step or profile that an option names.
fn number_of(case: &Case, name: &str) -> Result<usize, Error> {
    let names: Vec<&str> = case.board.loads.iter().map(|load| load.name.as_str()).collect();
    names.iter().position(|known| *known == name).map(|at| at + 1).ok_or_else(|| {
        let near = nearest(name, names.iter().copied()).map_or(String::new(), |near| format!("; did you mean {near}?"));
        let known = if names.is_empty() { "it names none".into() } else { format!("it has {}", names.join(", ")) };
        let text =
            format!("error: --named {name}: the case {} has no such load step or profile; {known}{near}", case.name);
        Error::Output(visible(&text).into_owned())
    })
}

fn not_stated(case: &Case, key: &str) -> Error {
    Error::Output(format!("error: the case {} does not state this condition: give {key} in board.toml", case.name))
}

fn too_many_periods(option: &str, time_s: f64) -> Error {
    Error::Output(format!(
        "error: {option} {} is more than {MOST_PERIODS:.0e} switching periods away: choose a shorter span",
        say(time_s, "s")
    ))
}

/// Writes samples as CSV, to standard output or to a file that appears only when it is whole.
struct CsvSink {
    out: Box<dyn Write>,
    /// The place of the file, which the draft is moved to.
    file: Option<Claim>,
    failed: Option<std::io::Error>,
}

impl CsvSink {
    fn open(file: Option<&Path>) -> Result<CsvSink, Error> {
        let (out, file): (Box<dyn Write>, _) = match file {
            None => (Box::new(BufWriter::new(std::io::stdout())), None),
            Some(path) => {
                refuse_existing(path)?;
                let claim = Claim::on(path).map_err(output::report_error)?;
                output::note_target(path);
                let out = File::create(claim.draft()).map_err(|source| CsvSink::trouble(path, source))?;
                (Box::new(BufWriter::new(out)), Some(claim))
            }
        };
        Ok(CsvSink { out, file, failed: None })
    }

    fn trouble(path: &Path, source: std::io::Error) -> Error {
        Error::Io { path: path.to_path_buf(), action: "write".into(), source }
    }

    fn line(&mut self, text: &str) {
        if self.failed.is_some() {
            return;
        }
        if let Err(error) = writeln!(self.out, "{text}\r") {
            self.failed = Some(error);
            // Nothing more can be written: the simulation may stop.
            super::CANCEL.cancel();
        }
    }

    fn close(mut self) -> Result<(), Error> {
        if self.failed.is_none() {
            self.failed = self.out.flush().err();
        }
        let place = self.file.as_ref().map_or(Path::new("standard output"), Claim::target);
        match self.failed.take() {
            Some(error) if error.kind() == ErrorKind::BrokenPipe => return Ok(()),
            Some(error) => return Err(CsvSink::trouble(place, error)),
            None => {}
        }
        let Some(claim) = &self.file else { return Ok(()) };
        refuse_existing(claim.target())?;
        std::fs::rename(claim.draft(), claim.target()).map_err(|source| CsvSink::trouble(claim.target(), source))
    }
}

/// Nothing that exists is overwritten.
fn refuse_existing(path: &Path) -> Result<(), Error> {
    if std::fs::symlink_metadata(path).is_err() {
        return Ok(());
    }
    Err(Error::Output(format!(
        "error: {} exists already and is not overwritten: choose another name or remove it",
        visible_path(path)
    )))
}
