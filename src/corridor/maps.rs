//! Maps of load steps: what a part shows over amplitude and slew, over base load and amplitude, over how often a step comes again.
//!
//! Every point is a run of the condition "load step" by itself, with every datum as it is shown; none is interpolated. What has been found for
//! two levels of the load serves every step between them, each on a machine of its own: the order in which they run leaves no trace.

mod axes;
mod swing;
mod worst;

use super::{Failure, failed};
use crate::condition::contract::Condition;
use crate::condition::figures::{Figures, Note, Place, Value, Why};
use crate::condition::load_step::{LoadStepAndRelease, one_step};
use crate::condition::ready::Ready;
use crate::condition::stand::Stand;
use crate::model::board::LoadStep;
use crate::model::case::Case;
use crate::model::corner::{Corner, NOMINAL};
pub use axes::{Along, Axis, AxisError, Kind, Ranges, load_range_a};
pub use swing::Swing;
pub use worst::Worst;

/// Quantities of a point, in the order of its values.
pub const QUANTITIES: [&str; 4] = ["dip", "rise", "window", "recovery"];
/// Begins of a step within the switching period that are tried at the least.
pub const LEAST_PHASES: u64 = 8;

/// Why a point has no run: what would be there.
pub const BEYOND_RANGE: &str = "beyond the load range";
/// The same: a repetition that is too short for its edges.
pub const NO_ROOM: &str = "the edges do not fit into the repetition";
/// Why a repeated step has no settling time.
pub const NO_REST: &str = "it comes again before the output is at rest";

/// Values of the quantities at one point.
pub type Cell = [Value; QUANTITIES.len()];

/// One map: the columns along the first axis, the rows along the second.
#[derive(Clone, Debug, PartialEq)]
pub struct Map {
    /// What is varied.
    pub kind: Kind,
    /// Columns.
    pub columns: Axis,
    /// Rows.
    pub rows: Axis,
}

/// Which corner the maps stand in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setting {
    /// Corner.
    pub corner: Corner,
    /// Input voltage in V.
    pub input_v: f64,
}

/// Maps of the parts of a case, ready to be run row by row.
pub struct Maps {
    /// The case, with everything laid out that it only describes.
    pub case: Case,
    /// The case's own step.
    pub own: LoadStep,
    /// Where the maps stand.
    pub setting: Setting,
    /// The maps.
    pub maps: Vec<Map>,
}

/// What is found for the two levels of a step.
struct Between {
    levels_a: (f64, f64),
    ready: Result<Ready, Failure>,
}

/// One line of a map of one part: what is run and kept in one piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Job {
    /// Number of the map.
    pub map: usize,
    /// Number of the part.
    pub part: usize,
    /// Number of the line.
    pub line: usize,
}

impl Setting {
    /// The nominal corner at the nominal input.
    pub fn nominal(case: &Case) -> Setting {
        Setting { corner: NOMINAL, input_v: case.board.nominal_input_v }
    }
}

impl Maps {
    /// Maps of a case that has been laid out ([`super::learned`]) in a setting.
    pub fn new(case: &Case, own: LoadStep, setting: Setting, maps: Vec<Map>) -> Maps {
        let mut case = case.clone();
        case.board.procedure.step_phases = case.board.procedure.step_phases.max(LEAST_PHASES);
        Maps { case, own, setting, maps }
    }

    /// Every line, map by map and in each of them part by part.
    pub fn jobs(&self) -> Vec<Job> {
        let lines: Vec<usize> = self.maps.iter().map(|map| map.lines(&self.own).len()).collect();
        let parts = 0..self.case.parts.len();
        let of_map = |map: usize| parts.clone().map(move |part| (map, part));
        let of_part = |(map, part): (usize, usize)| (0..lines[map]).map(move |line| Job { map, part, line });
        (0..self.maps.len()).flat_map(of_map).flat_map(of_part).collect()
    }

    /// Runs one line, point by point as [`Map::lines`] has them.
    ///
    /// # Errors
    /// An interruption. What cannot be computed at a point is told there.
    pub fn line(&self, job: Job) -> Result<Vec<Cell>, Failure> {
        let map = &self.maps[job.map];
        let line = map.lines(&self.own).swap_remove(job.line);
        self.run(job.part, line.into_iter().map(|(row, column)| map.step(&self.own, column, row)))
    }

    /// All values of a part on a map, by row and column, from its lines in their order.
    pub fn laid_out(&self, map: usize, lines: &[Vec<Cell>]) -> Vec<Vec<Cell>> {
        let map = &self.maps[map];
        let places = map.lines(&self.own).into_iter().flatten();
        let empty = vec![empty(&Why::LeftOut); map.columns.values.len()];
        let mut rows = vec![empty; map.rows.values.len()];
        places.zip(lines.iter().flatten()).for_each(|((row, column), cell)| rows[row][column] = cell.clone());
        rows
    }

    /// Runs the case's own step.
    ///
    /// # Errors
    /// An interruption.
    pub fn own_step(&self, part: usize) -> Result<Cell, Failure> {
        let mut cells = self.run(part, std::iter::once(Ok(self.own)))?;
        Ok(cells.remove(0))
    }

    /// Runs steps one after another; neighbours between the same levels share what is found for these.
    fn run(&self, part: usize, steps: impl Iterator<Item = Result<LoadStep, Why>>) -> Result<Vec<Cell>, Failure> {
        let mut at = None;
        let mut cells = vec![];
        for step in steps {
            cells.push(match step {
                Ok(step) => cell(&self.stand(part), &step, self.simulated(part, &mut at, &step))?,
                Err(why) => empty(&why),
            });
        }
        Ok(cells)
    }

    fn simulated(&self, part: usize, at: &mut Option<Between>, step: &LoadStep) -> Result<Figures, Failure> {
        let (stand, levels_a) = (self.stand(part), (step.from_a, step.to_a));
        let between = match at {
            Some(known) if known.levels_a == levels_a => known,
            _ => at.insert(Between { levels_a, ready: Ready::of(&stand, levels_a) }),
        };
        let ready = between.ready.as_mut().map_err(|failure| failure.clone())?;
        ready.renew()?;
        Ok(one_step(&stand, ready, place(&stand, step), step)?.figures)
    }

    /// A part on its board in the setting; nobody looks at its curves.
    fn stand(&self, part: usize) -> Stand<'_> {
        Stand::new(&self.case, &self.case.parts[part], self.setting.corner, self.setting.input_v).without_curves()
    }
}

impl Map {
    /// The step at a point, or why there is none.
    ///
    /// # Errors
    /// A step that leaves the load range, or edges that do not fit into its repetition.
    pub fn step(&self, own: &LoadStep, column: usize, row: usize) -> Result<LoadStep, Why> {
        self.kind.step(own, self.columns.values[column], self.rows.values[row], self.columns.most_a)
    }

    /// Its points, row and column, in lines that share the upper level of the load; points without a run are a line of their own, the last.
    pub fn lines(&self, own: &LoadStep) -> Vec<Vec<(usize, usize)>> {
        let mut lines: Vec<(f64, Vec<(usize, usize)>)> = vec![];
        let rows = 0..self.rows.values.len();
        let columns = self.columns.values.len();
        let by_rows = self.kind == Kind::RateShare;
        for (row, column) in rows.flat_map(|row| (0..columns).map(move |column| (row, column))) {
            let level = match self.step(own, column, row) {
                // Where one level serves all of a map its rows are the lines.
                Ok(_) if by_rows => row as f64,
                Ok(step) => step.to_a,
                Err(_) => f64::INFINITY,
            };
            match lines.iter_mut().find(|(known, _)| *known == level) {
                Some((_, line)) => line.push((row, column)),
                None => lines.push((level, vec![(row, column)])),
            }
        }
        lines.sort_by(|a, b| a.0.total_cmp(&b.0));
        lines.into_iter().map(|(_, line)| line).collect()
    }

    /// Number of points.
    pub fn points(&self) -> usize {
        self.columns.values.len() * self.rows.values.len()
    }
}

/// A point without values.
fn empty(why: &Why) -> Cell {
    QUANTITIES.map(|_| Value::NotComputed(why.clone()))
}

fn place(stand: &Stand<'_>, step: &LoadStep) -> Place {
    stand.place(LoadStepAndRelease.name(), step.to_a)
}

/// The values of a run. A swing that still grew as the run ended is at least what was seen of it; a step that comes again and again has no
/// settling time.
fn cell(stand: &Stand<'_>, step: &LoadStep, found: Result<Figures, Failure>) -> Result<Cell, Failure> {
    let figures = match found {
        Err(failure) if failure.is_interruption() => return Err(failure),
        Err(failure) => failed(&LoadStepAndRelease, place(stand, step), failure).figures,
        Ok(figures) => figures,
    };
    let repeats = step.every_s.is_some();
    let grows = repeats && figures.notes.contains(&Note::NotSettled);
    Ok(QUANTITIES.map(|id| match figures.value(id) {
        None => Value::NotComputed(Why::Told(NO_REST.into())),
        Some(_) if repeats && id == "recovery" => Value::NotComputed(Why::Told(NO_REST.into())),
        Some(Value::Number(number)) if grows => Value::AtLeast(*number),
        Some(value) => value.clone(),
    }))
}
