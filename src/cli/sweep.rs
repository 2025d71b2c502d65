//! `presolder sweep`.

use super::given::Given;
use super::waveforms::{condition_words, is_word_of};
use super::{Done, output};
use crate::case::{Case, nearest};
use crate::condition::CONDITIONS;
use crate::condition::contract::Condition;
use crate::corridor::sweep::draws::{Draws, Spread};
use crate::corridor::sweep::{How, Plan, Sweep as Swept, Unit, tolerances};
use crate::error::Error;
use crate::model::corner::{PARAMETERS, Parameter};
use crate::record;
use crate::report::journal::{Journal, Writer};
use crate::report::{ReportError, sweep};
use crate::visible::{visible, visible_path};
use clap::{Args, ValueEnum};
use std::path::{Path, PathBuf};

const EXAMPLE: &str = "Examples:\n  presolder sweep cases/oven-panel --condition steady --tolerance inductance,frequency\n  \
presolder sweep cases/oven-panel --draws 500 --seed 7 --out draws.csv\n\n\
Without --draws every combination of both ends is run. With it each tolerance is drawn by itself between its ends, uniform unless \
--spread normal asks for a normal one that is truncated at its ends, three standard deviations (k = 3) from its middle. All parts go \
through the same draws. Every datum is taken as it is shown; limits are those of the case.\n\n\
The table of --out has one line a unit, written as soon as it is done: the worst value over all inputs, loads and instants, in SI units. \
An interrupted sweep goes on where the table ends when it is started again with the same arguments, or with more draws.";

/// Most units of a factorial: more are a matter of days, and random draws tell more.
const MOST_UNITS: usize = 2048;

/// Arguments of `sweep`.
#[derive(Args)]
#[command(after_help = EXAMPLE)]
pub struct Sweep {
    #[command(flatten)]
    given: Given,
    /// Tolerances, separated by commas [default: all that board and parts have]: inductance, resistance, core-loss, capacitance,
    /// series-resistance, limit-threshold, frequency, reference, ambient.
    #[arg(long, value_name = "NAMES", value_delimiter = ',')]
    tolerance: Vec<String>,
    /// Parts, separated by commas [default: all].
    #[arg(long, value_name = "NAMES", value_delimiter = ',')]
    part: Vec<String>,
    /// Conditions, separated by commas [default: all that the case states].
    #[arg(long, value_name = "NAMES", value_delimiter = ',', value_parser = condition_words())]
    condition: Vec<String>,
    /// Random draws in place of all combinations of ends.
    #[arg(long, value_name = "COUNT")]
    draws: Option<usize>,
    /// Seed of the draws.
    #[arg(long, default_value_t = 1, requires = "draws")]
    seed: u64,
    /// How each tolerance is drawn between its ends.
    #[arg(long, value_enum, default_value_t = SpreadWord::Uniform, requires = "draws")]
    spread: SpreadWord,
    /// Table to write; one of the same sweep is gone on with, any other file is left as it is.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Print the summary as JSON.
    #[arg(long)]
    json: bool,
}

/// How a tolerance is drawn, as it goes on the command line.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum SpreadWord {
    /// Anywhere between the ends alike.
    Uniform,
    /// Normal, the ends at k = 3, truncated there.
    Normal,
}

impl Sweep {
    /// Does it.
    pub fn run(&self) -> Result<Done, Error> {
        let case = self.given.read()?;
        let plan = self.plan(&case)?;
        output::begin_simulating();
        let swept = Swept::new(&case, plan).map_err(|failure| record::error(failure, "sweep"))?;
        let units = match &self.out {
            Some(path) => self.go_on(&swept, path)?,
            None => run(&swept, vec![], &mut |_| Ok(()))?,
        };
        let summary = record::sweep::summary(&swept, &units);
        if self.json {
            output::print_as_it_is(&sweep::json(&summary).map_err(output::report_error)?)?;
        } else {
            output::print(&sweep::text(&summary, output::width()).map_err(output::report_error)?)?;
            if let Some(path) = &self.out {
                output::print(&format!("\nWritten to {}.\n", visible_path(path)))?;
            }
        }
        Ok(Done::Well)
    }

    /// Runs what a table does not have yet, and adds it there.
    fn go_on(&self, swept: &Swept, path: &Path) -> Result<Vec<Unit>, Error> {
        let journal = Journal::read(path, &sweep::header(swept)).map_err(output::report_error)?;
        let known = known(swept, &journal).map_err(output::report_error)?;
        let mut table: Writer = journal.go_on().map_err(output::report_error)?;
        run(swept, known, &mut |line| table.write(&format!("{line}{}", sweep::LINE_END)))
    }

    fn plan(&self, case: &Case) -> Result<Plan, Error> {
        let parts = self.parts(case)?;
        let tolerances = self.tolerances(case, &parts)?;
        let spread = match self.spread {
            SpreadWord::Uniform => Spread::Uniform,
            SpreadWord::Normal => Spread::Normal,
        };
        let how = match self.draws {
            Some(0) => return Err(wrong("--draws 0: expected at least one draw".into())),
            Some(count) => How::Draws(Draws { count, seed: self.seed, spread }),
            None => How::Factorial,
        };
        let plan = Plan { parts, tolerances, conditions: self.conditions(), how };
        if how == How::Factorial && plan.runs() > MOST_UNITS {
            return Err(wrong(format!(
                "{} tolerances of {} parts make {} units, more than {MOST_UNITS}: choose fewer with --tolerance or --part, or draw some at \
                 random with --draws",
                plan.tolerances.len(),
                plan.parts.len(),
                plan.runs()
            )));
        }
        Ok(plan)
    }

    /// Numbers of the parts in the order of the case.
    fn parts(&self, case: &Case) -> Result<Vec<usize>, Error> {
        let named: Vec<usize> =
            self.part.iter().map(|name| output::part_index("--part", case, name)).collect::<Result<_, Error>>()?;
        Ok((0..case.parts.len()).filter(|number| named.is_empty() || named.contains(number)).collect())
    }

    /// Tolerances in their own order.
    fn tolerances(&self, case: &Case, parts: &[usize]) -> Result<Vec<Parameter>, Error> {
        let there = tolerances(case, parts);
        let keys: Vec<&str> = PARAMETERS.iter().map(|one| one.key()).collect();
        for name in &self.tolerance {
            let Some(parameter) = PARAMETERS.into_iter().find(|one| one.key() == name) else {
                return Err(unknown("--tolerance", name, &keys));
            };
            if !there.contains(&parameter) {
                return Err(wrong(format!(
                    "--tolerance {name}: neither the board nor a part of the case {} states one",
                    case.name
                )));
            }
        }
        let wanted = |one: &Parameter| self.tolerance.is_empty() || self.tolerance.iter().any(|name| name == one.key());
        Ok(there.into_iter().filter(wanted).collect())
    }

    fn conditions(&self) -> Vec<&'static dyn Condition> {
        let wanted = |condition: &&'static dyn Condition| {
            let named = self.condition.iter().any(|word| is_word_of(word, condition.name()));
            !condition.is_data() && (self.condition.is_empty() || named)
        };
        CONDITIONS.iter().copied().filter(wanted).collect()
    }
}

fn wrong(text: String) -> Error {
    Error::Output(format!("error: {text}"))
}

fn unknown(option: &str, name: &str, known: &[&str]) -> Error {
    let near =
        nearest(name, known.iter().copied()).map_or(String::new(), |near| format!("; did you mean {}?", visible(near)));
    wrong(format!("{option} {}: expected one of {}{near}", visible(name), visible(&known.join(", "))))
}

/// The units of a table; each line must be the one that this sweep has there.
fn known(swept: &Swept, journal: &Journal) -> Result<Vec<Unit>, ReportError> {
    if journal.lines().len() > swept.plan.runs() {
        return Err(journal.refused("holds more draws than are asked for"));
    }
    let read = |(number, line): (usize, &String)| {
        // The header has two lines.
        sweep::unit(swept, number, line)
            .ok_or_else(|| journal.refused(&format!("has a line that is not of this sweep: line {}", number + 3)))
    };
    journal.lines().iter().enumerate().map(read).collect()
}

/// Runs what is not known yet. What a table says and what has just been run is one: both are read from their line.
fn run(
    swept: &Swept,
    mut units: Vec<Unit>,
    write: &mut (dyn FnMut(&str) -> Result<(), ReportError> + Send),
) -> Result<Vec<Unit>, Error> {
    let mut failed = None;
    let from = units.len();
    let mut take = |unit: Unit| {
        let line = sweep::line(swept, &unit);
        failed = write(&line).err();
        units.extend(sweep::unit(swept, unit.number, &line));
        failed.is_none()
    };
    let result = swept.run(from, &mut take, &output::progress);
    if let Some(error) = failed {
        return Err(output::report_error(error));
    }
    result.map_err(|failure| record::error(failure, "sweep"))?;
    Ok(units)
}
