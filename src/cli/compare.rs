//! `presolder compare`.

use super::given::Given;
use super::{Done, output};
use crate::case::{self, calibration};
use crate::condition::CONDITIONS;
use crate::error::Error;
use crate::record::layout::{Outcome, Record, RunRecord};
use crate::record::run;
use crate::report::{ReportError, calibration as calibration_report, folder, json, text};
use crate::visible::visible_path;
use clap::Args;
use std::path::PathBuf;
use std::time::Instant;

const EXAMPLE: &str = "Example:\n  presolder compare cases/valve-controller\n\n\
Prints one outcome a substitute and what decides it, and writes record.json, report.html, quantities.csv, bench_plan.csv, \
captures.toml, waveforms/*.csv, plots/*.svg and copies of its inputs into a folder; verify runs that again.\n\nExit code: 0 it ran; 1 it ran and, with --strict, not every substitute passes; 2 it could not run.";

/// Arguments of `compare`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Compare {
    #[command(flatten)]
    given: Given,
    /// Folder for the results [default: presolder-CASE in the working directory, numbered where taken].
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Replace an earlier result in the folder given by --out. Files in it that this tool did not write, or that were changed
    /// since, are kept; a folder without a result is never touched.
    #[arg(long, requires = "out")]
    replace: bool,
    /// Print the record as JSON instead of the table, and write no folder unless --out names one.
    #[arg(long)]
    json: bool,
    /// Compare these substitutes alone, separated by commas.
    #[arg(long, value_name = "NAME", value_delimiter = ',')]
    only: Vec<String>,
    /// Look at these conditions alone, separated by commas: a quick look while a value is being changed. The other checks are not asked,
    /// and no part passes.
    #[arg(long, value_name = "CONDITION", value_delimiter = ',', value_parser = super::waveforms::condition_words())]
    only_condition: Vec<String>,
    /// Print every quantity of every part as well, each in the condition that decides it.
    #[arg(long)]
    quantities: bool,
    /// Print everything that was checked of a part as well.
    #[arg(long, value_name = "NAME")]
    part: Vec<String>,
    /// Print the proposed bench tests as well, with settings and what each part should read.
    #[arg(long)]
    bench_tests: bool,
    /// Print doubts about the data, and every datum that was assumed or is absent, as well.
    #[arg(long)]
    data: bool,
    /// Look at every datum as it is shown and at nothing else: much faster, and no outcome to sign.
    #[arg(long, conflicts_with = "strict")]
    quick: bool,
    /// End with exit code 1 unless every substitute passes, or is no worse where the case has a waiver for it.
    #[arg(long)]
    strict: bool,
    /// Use what captures have told of the board that was captured: calibration.toml in the folder of the case, as calibrate writes it. Says
    /// what that changes; takes twice as long.
    #[arg(long)]
    calibrated: bool,
    /// Also integrate steady state and load step by an independent method on the smooth saturation curve, and report the
    /// largest differences.
    #[arg(long)]
    cross_check: bool,
}

impl Compare {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let begun = Instant::now();
        let mut case = self.given.read()?;
        let wanted = self.only.iter().map(|name| output::part_index("--only", &case, name));
        let wanted = wanted.collect::<Result<Vec<usize>, Error>>()?;
        if !wanted.is_empty() {
            case.keep_parts(&wanted);
        }
        self.part.iter().try_for_each(|name| output::part_index("--part", &case, name).map(|_| ()))?;
        let calibration = self.calibrated.then(|| calibration::read(&self.given.folder(), &mut case)).transpose()?;
        // Better told now than after the simulation, and no other run may take the place meanwhile.
        let reserved = match (&self.out, self.json) {
            (Some(out), _) => Some(folder::reserve(out, self.replace).map_err(|error| self.refused(error))?),
            (None, true) => None,
            (None, false) => Some(output::reserve_free(&case.name)?),
        };
        // As they were read, before anybody mends them while the simulation runs.
        let inputs = match &reserved {
            Some(_) => case::copies_of(&self.given.folder(), &case)?,
            None => vec![],
        };
        let target = reserved.as_ref().map(|reserved| reserved.target().to_path_buf());
        target.iter().for_each(|target| output::note_target(target));
        output::begin_simulating();
        let (record, curves) = run::compare(case, calibration.as_ref(), &self.asked(), &output::progress)?;
        // The folder first: a table that cannot be printed takes no results with it.
        if let (Some(reserved), Some(target)) = (reserved, &target) {
            let written = reserved.write(&record, &curves, inputs).map_err(output::report_error)?;
            output::note_kept(target, &written.kept);
        }
        if self.json {
            output::print_as_it_is(&json::record(&record).map_err(output::report_error)?)?;
        } else {
            output::print(&text::comparison(&record, output::width()))?;
            output::print(&calibration_report::change(&record, output::width()))?;
            if let Some(target) = &target {
                let took_s = begun.elapsed().as_secs_f64();
                output::print(&format!("Everything          {}/report.html ({took_s:.1} s)\n", visible_path(target)))?;
            }
            self.print_more(&record)?;
        }
        let passes = record
            .verdicts
            .iter()
            .all(|verdict| verdict.outcome == Outcome::Pass || (verdict.outcome == Outcome::NoWorse && verdict.waived));
        Ok(if self.strict && !passes { Done::SubstituteFails } else { Done::Well })
    }

    /// What is asked besides the case, for the record: conditions by their own names, in the order in which they run.
    fn asked(&self) -> RunRecord {
        let is_wanted = |name: &str| self.only_condition.iter().any(|word| super::waveforms::is_word_of(word, name));
        let names = CONDITIONS.iter().map(|condition| condition.name()).filter(|name| is_wanted(name));
        RunRecord {
            quick: self.quick,
            only: self.only.clone(),
            only_conditions: names.map(str::to_string).collect(),
            cross_check: self.cross_check,
            calibrated: self.calibrated,
            machine: String::new(),
        }
    }

    /// What was asked for besides the first screen.
    fn print_more(&self, record: &Record) -> Result<(), Error> {
        let width = output::width();
        if self.quantities {
            output::print(&text::quantities(record, width))?;
        }
        for part in self.part.iter().filter_map(|name| text::part(record, name, width)) {
            output::print(&part)?;
        }
        if self.bench_tests {
            output::print(&text::bench_tests(record, width))?;
        }
        if self.data {
            output::print(&text::data(record, width))?;
        }
        Ok(())
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
