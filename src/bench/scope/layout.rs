//! Where the numbers of a file stand and what each column is, judged by its beginning.

use super::lines::Lines;
use super::row::{Form, Separator, first_line};
use super::words::{self, Setting};
use super::{Fault, Said, number};
use crate::visible::visible;
use std::io::Read;

/// Lines above the numbers in which titles are looked for.
const TITLE_LINES: usize = 3;
/// Fewest rows that make a record.
const LEAST_ROWS: usize = 2;
/// Share of steps that must rise for a column without a title to be the time, and share of them that must be alike.
const RISING: f64 = 0.9;
const ALIKE: f64 = 0.8;
/// Steps are alike within this share of their median.
const NEAR: f64 = 0.5;
/// A step larger than so many usual ones leaves rows out.
const GAP: f64 = 1.5;
/// The same for a time that is printed in too few digits, in largest steps.
const GAP_OF_COARSE: f64 = 3.0;
/// Share and number of unlike steps from which a time is printed in too few digits.
const COARSE: (f64, usize) = (0.05, 3);
/// Longest title that is kept, in letters.
const TITLE: usize = 24;

/// What the time of a row is.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Clock {
    Column {
        cell: usize,
        factor: f64,
        /// Usual step in the file's unit, and the one from which rows are missing.
        step: f64,
        gap: f64,
        coarse: bool,
    },
    Stated {
        start_s: f64,
        step_s: f64,
        from: String,
    },
}

/// A channel and where it stands.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Plan {
    pub name: String,
    pub unit: &'static str,
    pub factor: f64,
    pub cell: usize,
    /// Column of the most, where `cell` is that of the least.
    pub high: Option<usize>,
}

/// All that is known before the first row is read.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    pub form: Form,
    /// Cells of a row.
    pub cells: usize,
    /// Number of the first row's line, from 1.
    pub first: usize,
    pub clock: Clock,
    pub channels: Vec<Plan>,
    /// Two rows of one time are least and most.
    pub pairs_in_rows: bool,
    /// Shortest last cell of the rows seen, in bytes: one cut off is shorter.
    pub least_last: usize,
}

/// A title and unit of a column.
#[derive(Clone, Debug, Default)]
struct Title {
    name: Option<String>,
    unit: Option<(&'static str, f64)>,
}

/// The rows of the beginning.
struct Beginning<'a> {
    lines: Vec<&'a str>,
    form: Form,
    cells: usize,
    /// Index of the line of the first row.
    first: usize,
    rows: Vec<Vec<f64>>,
    /// Columns that hold numbers.
    columns: Vec<usize>,
}

impl Layout {
    pub fn of<R: Read>(lines: &Lines<R>, said: &Said) -> Result<Layout, Fault> {
        let text = String::from_utf8_lossy(lines.ready());
        let begin = Beginning::of(&text, said)?;
        let titles = begin.titles();
        let settings = begin.settings();
        let (clock, others) = begin.clock(&titles, &settings, said)?;
        let channels = wanted(plans(&titles, &others), said)?;
        let pairs_in_rows = begin.has_pairs_in_rows(&clock, &channels);
        let clock = if pairs_in_rows { of_pairs(clock) } else { clock };
        let least_last = begin.least_last();
        Ok(Layout {
            form: begin.form,
            cells: begin.cells,
            first: begin.first + 1,
            clock,
            channels,
            pairs_in_rows,
            least_last,
        })
    }
}

/// The lines of a text, which may end in one or two characters.
fn lines_of(text: &str) -> Vec<&str> {
    let mut lines = vec![];
    let mut rest = text;
    while !rest.is_empty() {
        let (line, length) = first_line(rest.as_bytes());
        lines.push(&rest[..line.len()]);
        rest = &rest[length..];
    }
    lines
}

/// The longest run of rows of one width: its first line, rows and width.
fn longest_run(lines: &[&str], form: Form) -> (usize, usize, usize) {
    let mut best = (0, 0, 0);
    let mut run = (0, 0, 0);
    let mut row = vec![];
    for (number, line) in lines.iter().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
        run = match form.row(line, &mut row) {
            None => (0, 0, 0),
            Some(()) if run.1 > 0 && run.2 == row.len() => (run.0, run.1 + 1, run.2),
            Some(()) => (number, 1, row.len()),
        };
        if run.1 > best.1 {
            best = run;
        }
    }
    best
}

fn forms() -> impl Iterator<Item = Form> {
    let all = Separator::ALL.into_iter().flat_map(|separator| [false, true].map(|comma| (separator, comma)));
    let sensible = all.filter(|form| *form != (Separator::Comma, true));
    sensible.map(|(separator, decimal_comma)| Form { separator, decimal_comma })
}

impl<'a> Beginning<'a> {
    fn of(text: &'a str, said: &Said) -> Result<Beginning<'a>, Fault> {
        let lines = lines_of(text);
        let mut best: Option<(Form, (usize, usize, usize))> = None;
        for form in forms() {
            let run = longest_run(&lines, form);
            let longer =
                best.is_none_or(|(_, best)| run.1 > best.1 || (run.1 == best.1 && run.2 > best.2 && best.2 > 1));
            if longer {
                best = Some((form, run));
            }
        }
        let by_comma = Form { separator: Separator::Comma, decimal_comma: false };
        let (mut form, mut run) = best.unwrap_or((by_comma, (0, 0, 0)));
        if run.1 < LEAST_ROWS {
            let hint = "export the record as text (CSV): one row of numbers for each sample";
            return Err(Fault::new(0, "no rows of numbers", "rows of numbers with separators", hint));
        }
        let other = longest_run(&lines, by_comma);
        if form.decimal_comma && run.2 == 1 && other.1 == run.1 && !is_decimal_comma(&lines[other.0..], other.1, said) {
            (form, run) = (by_comma, other);
        }
        let mut begin = Beginning { lines, form, cells: run.2, first: run.0, rows: vec![], columns: vec![] };
        begin.take_rows(run.1);
        begin.take_rows_above()?;
        Ok(begin)
    }

    fn take_rows(&mut self, count: usize) {
        let mut row = vec![];
        for line in self.lines[self.first..].iter().filter(|line| !line.trim().is_empty()).take(count) {
            if self.form.row(line, &mut row).is_some() {
                self.rows.push(row.clone());
            }
        }
        let has_numbers = |column: &usize| self.rows.iter().any(|row| !row[*column].is_nan());
        self.columns = (0..self.cells).filter(has_numbers).collect();
    }

    /// Rows above the run that have words beside their numbers. A row whose numbers are words in part is no row and no title.
    fn take_rows_above(&mut self) -> Result<(), Fault> {
        while let Some(line) = self.first.checked_sub(1).map(|above| self.lines[above]) {
            let texts = self.form.separator.split(line);
            if texts.len() != self.cells {
                break;
            }
            let numbers = |column: &usize| number::cell(texts[*column], self.form.decimal_comma);
            let row: Vec<Option<f64>> = self.columns.iter().map(numbers).collect();
            let known = row.iter().filter(|cell| cell.is_some_and(|value| !value.is_nan())).count();
            if known == 0 {
                break;
            }
            if row.iter().any(Option::is_none) {
                let found = format!("\"{}\"", visible(line.trim()));
                return Err(Fault::new(self.first, found, "a number in every column", "mend or delete the line"));
            }
            let mut cells = vec![f64::NAN; self.cells];
            self.columns.iter().zip(&row).for_each(|(column, cell)| cells[*column] = cell.unwrap_or(f64::NAN));
            self.rows.insert(0, cells);
            self.first -= 1;
        }
        Ok(())
    }

    /// Titles and units of all columns, from the lines above.
    fn titles(&self) -> Vec<Title> {
        let mut titles = vec![Title::default(); self.cells];
        let above = self.lines[..self.first].iter().rev().filter(|line| !line.trim().is_empty());
        for line in above.take(TITLE_LINES) {
            let Some(texts) = self.title_cells(line) else { break };
            let units: Vec<Option<(&str, f64)>> = self.columns.iter().map(|at| words::unit(&texts[*at])).collect();
            let is_units = units.iter().all(Option::is_some);
            if is_units && titles.iter().any(|title| title.unit.is_some()) {
                break;
            }
            for (column, unit) in self.columns.iter().zip(units).filter(|_| is_units) {
                titles[*column] = Title { name: Some(cleaned(&texts[*column])), unit };
            }
            if is_units {
                continue;
            }
            for column in &self.columns {
                let (name, unit) = words::titled(&texts[*column]);
                let title = &mut titles[*column];
                title.unit = title.unit.or(unit.filter(|_| is_sure(&texts[*column], &name)));
                title.name = Some(cleaned(&name)).filter(|name| !name.is_empty());
            }
            break;
        }
        titles
    }

    /// The cells of a line of titles: as many as a row has, none of them a number.
    fn title_cells(&self, line: &str) -> Option<Vec<String>> {
        let line = line.trim_start_matches(['#', '%', '!', '/']);
        let split = |by_wide: bool| -> Vec<String> {
            let parts: Vec<&str> = match by_wide {
                true => line.split("  ").filter(|part| !part.trim().is_empty()).collect(),
                false => self.form.separator.split(line),
            };
            parts.iter().map(|part| part.trim().trim_matches('"').trim().to_string()).collect()
        };
        let fits = |texts: &Vec<String>| {
            let numbers = |at: &usize| number::cell(&texts[*at], self.form.decimal_comma).is_some_and(|n| !n.is_nan());
            let last = self.columns.last().copied().unwrap_or(0);
            texts.len() > last && texts.len() <= self.cells && !self.columns.iter().any(numbers)
        };
        let texts = Some(split(false)).filter(fits);
        let texts =
            texts.or_else(|| Some(split(true)).filter(|_| self.form.separator == Separator::Blanks).filter(fits));
        // One column: a whole line may be its title, but a sentence or a setting is none.
        texts.filter(|texts| self.cells > 1 || words::setting(&texts[0]).is_none())
    }

    /// Settings of time above the numbers, with the number of their line.
    fn settings(&self) -> Vec<(usize, Setting)> {
        let above = self.lines[..self.first].iter().enumerate();
        above.filter_map(|(number, line)| Some((number + 1, words::setting(line)?))).collect()
    }

    fn column(&self, cell: usize) -> Vec<f64> {
        self.rows.iter().map(|row| row[cell]).collect()
    }

    /// What the time is, and the columns that are left.
    fn clock(
        &self,
        titles: &[Title],
        settings: &[(usize, Setting)],
        said: &Said,
    ) -> Result<(Clock, Vec<usize>), Fault> {
        let stated_step = said.step_s.is_some() || settings.iter().any(|(_, s)| matches!(s, Setting::Step(_)));
        let others = |cell: usize| self.columns.iter().copied().filter(|at| *at != cell).collect::<Vec<_>>();
        let titled = self.columns.iter().copied().find(|at| {
            let title = &titles[*at];
            title.unit.is_some_and(|unit| unit.0 == "s") || title.name.as_deref().is_some_and(words::is_time)
        });
        let first = self.columns[0];
        let first_column = self.column(first);
        let counts = first_column.windows(2).all(|pair| pair[1] - pair[0] == 1.0);
        let is_titled_count = titles[first].name.as_deref().is_some_and(words::is_count);
        if titled.is_none() && counts && self.columns.len() > 1 && (stated_step || is_titled_count) {
            return Ok((stated(settings, said)?, others(first)));
        }
        let by_looks = || (self.columns.len() > 1 && looks_like_time(&first_column)).then_some(first);
        match titled.or_else(by_looks) {
            Some(cell) => {
                let factor = titles[cell].unit.filter(|unit| unit.0 == "s").map_or(1.0, |unit| unit.1);
                Ok((clock_of(&self.column(cell), cell, factor)?, others(cell)))
            }
            None => Ok((stated(settings, said)?, self.columns.clone())),
        }
    }

    /// Whether two rows share each time, the lesser value first.
    fn has_pairs_in_rows(&self, clock: &Clock, channels: &[Plan]) -> bool {
        let Clock::Column { cell, coarse: true, .. } = clock else { return false };
        let (Some(plan), true) = (channels.first(), self.rows.len() >= 4) else { return false };
        let whole = &self.rows[..self.rows.len() / 2 * 2];
        let is_pair = |pair: &[Vec<f64>]| pair[0][*cell] == pair[1][*cell] && pair[0][plan.cell] <= pair[1][plan.cell];
        let rises = whole.chunks(2).zip(whole.chunks(2).skip(1)).all(|(a, b)| b[0][*cell] > a[0][*cell]);
        rises && whole.chunks(2).all(is_pair)
    }

    fn least_last(&self) -> usize {
        let rows = self.lines[self.first..].iter().filter(|line| !line.trim().is_empty());
        let last = |line: &&str| self.form.separator.split(line).last().map_or(0, |cell| cell.trim().len());
        // The last line that is seen may be the one that is cut.
        let lengths: Vec<usize> = rows.map(last).take(self.rows.len()).collect();
        lengths[..lengths.len().saturating_sub(1).max(1)].iter().copied().min().unwrap_or(0)
    }
}

/// Whether a bare unit in a line of titles is meant as one: V and A as they are written, or a word.
fn is_sure(text: &str, name: &str) -> bool {
    text != name || text.len() > 3 || ["V", "A", "mV", "mA", "s", "ms", "us", "ns"].contains(&text)
}

fn cleaned(name: &str) -> String {
    visible(name.trim_matches(['(', ')', '[', ']', ' '])).chars().take(TITLE).collect()
}

/// Whether "0,125" is one number rather than two: its second part begins with 0 and goes on, or its first is a negative zero; otherwise two
/// where the first ones rise.
fn is_decimal_comma(lines: &[&str], count: usize, said: &Said) -> bool {
    let parts = || lines.iter().filter_map(|line| line.trim().split_once(',')).take(count);
    if parts().any(|(first, second)| (second.len() > 1 && second.starts_with('0')) || first == "-0") {
        return true;
    }
    let firsts: Vec<f64> = parts().filter_map(|(first, _)| first.parse().ok()).collect();
    said.step_s.is_some() && !firsts.windows(2).all(|pair| pair[1] > pair[0])
}

/// Start and step as the person or the file states them.
fn stated(settings: &[(usize, Setting)], said: &Said) -> Result<Clock, Fault> {
    let step =
        settings.iter().find_map(|(line, s)| if let Setting::Step(step) = s { Some((*line, *step)) } else { None });
    let start = settings.iter().find_map(|(_, s)| if let Setting::Start(start) = s { Some(*start) } else { None });
    let (step_s, from) = match (said.step_s, step) {
        (Some(step_s), _) => (step_s, "as stated".to_string()),
        (None, Some((line, step_s))) => (step_s, format!("from line {line}")),
        (None, None) => {
            let hint = "state the time between samples: step = \"4 ns\", and start = \"-2 us\" where it is not 0";
            return Err(Fault::new(
                0,
                "no column of time and no step",
                "a column that rises evenly, or the step",
                hint,
            ));
        }
    };
    Ok(Clock::Stated { start_s: said.start_s.or(start).unwrap_or(0.0), step_s, from })
}

fn steps_of(times: &[f64]) -> Vec<f64> {
    let known: Vec<f64> = times.iter().copied().filter(|time| !time.is_nan()).collect();
    known.windows(2).map(|pair| pair[1] - pair[0]).collect()
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}

fn looks_like_time(times: &[f64]) -> bool {
    let steps = steps_of(times);
    let moved: Vec<f64> = steps.iter().copied().filter(|step| *step != 0.0).collect();
    let usual = median(&moved);
    let share = |count: usize, of: usize| count as f64 / of.max(1) as f64;
    let rising = steps.iter().filter(|step| **step >= 0.0).count();
    let alike = moved.iter().filter(|step| (**step - usual).abs() <= NEAR * usual).count();
    usual > 0.0 && share(rising, steps.len()) >= RISING && share(alike, moved.len()) >= ALIKE
}

/// The clock of a column of time, by its steps in the beginning.
fn clock_of(times: &[f64], cell: usize, factor: f64) -> Result<Clock, Fault> {
    let steps = steps_of(times);
    let rising: Vec<f64> = steps.iter().copied().filter(|step| *step > 0.0).collect();
    if rising.is_empty() {
        let hint = "is another column the time? name the columns that are wanted, or state the step";
        return Err(Fault::new(0, "a column of time that never rises", "a time that is rising", hint));
    }
    let usual = median(&rising);
    let (alike, unlike): (Vec<f64>, Vec<f64>) = rising.iter().partition(|step| (**step - usual).abs() <= NEAR * usual);
    let largest = alike.iter().copied().fold(0.0, f64::max);
    let many = unlike.len() >= COARSE.1 && unlike.len() as f64 > COARSE.0 * steps.len() as f64;
    let coarse = many || steps.contains(&0.0);
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    Ok(if coarse {
        let step = mean(&steps.iter().copied().filter(|step| *step >= 0.0).collect::<Vec<_>>());
        Clock::Column { cell, factor, step, gap: GAP_OF_COARSE * rising.iter().copied().fold(0.0, f64::max), coarse }
    } else {
        let step = mean(&alike);
        Clock::Column { cell, factor, step, gap: (GAP * step).max(largest * (1.0 + 1e-9)), coarse }
    })
}

/// The same clock where two rows share each time.
fn of_pairs(clock: Clock) -> Clock {
    match clock {
        Clock::Column { cell, factor, step, .. } => {
            Clock::Column { cell, factor, step: 2.0 * step, gap: GAP * 2.0 * step, coarse: false }
        }
        stated => stated,
    }
}

/// The channels of some columns; columns that are least and most of one are one.
fn plans(titles: &[Title], columns: &[usize]) -> Vec<Plan> {
    let name_of = |cell: usize| titles[cell].name.clone().unwrap_or(format!("column {}", cell + 1));
    let mut plans: Vec<Plan> = vec![];
    for &cell in columns {
        let name = name_of(cell);
        let (unit, factor) = titles[cell].unit.unwrap_or(("", 1.0));
        let low = words::end_of(&name).filter(|end| end.1).and_then(|(stem, _)| {
            plans.iter_mut().find(|plan| words::end_of(&plan.name).is_some_and(|end| end == (stem, false)))
        });
        match low {
            Some(plan) => plan.high = Some(cell),
            None => plans.push(Plan { name, unit, factor, cell, high: None }),
        }
    }
    for plan in plans.iter_mut().filter(|plan| plan.high.is_some()) {
        plan.name = words::end_of(&plan.name).map_or(plan.name.clone(), |end| end.0.to_string());
    }
    plans
}

/// The channels that are wanted, in the order in which they are.
fn wanted(plans: Vec<Plan>, said: &Said) -> Result<Vec<Plan>, Fault> {
    if said.columns.is_empty() {
        return Ok(plans);
    }
    let find = |column: &String| {
        let by_number = |plan: &&Plan| column.parse() == Ok(plan.cell + 1);
        let by_name = plans.iter().find(|plan| plan.name.eq_ignore_ascii_case(column));
        by_name.or_else(|| plans.iter().find(by_number)).cloned().ok_or_else(|| {
            let all: Vec<String> = plans.iter().map(|plan| format!("\"{}\"", plan.name)).collect();
            let found = format!("no column \"{}\"", visible(column));
            Fault::new(0, found, "the title of a column or its number", format!("the file has {}", all.join(", ")))
        })
    };
    said.columns.iter().map(find).collect()
}
