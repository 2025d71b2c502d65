//! Where the header of a table stands, and the title of each column.

use super::answers::{Answers, same};
use super::cell::Cell;
use super::file::{Grid, Line};
use super::title::{self, Title};
use super::words;

/// Lines in which a header is looked for: titles, dates and remarks may stand above it.
const LINES_TRIED: usize = 60;
/// Columns that must be understood before a line is taken for a header.
pub const FEWEST_UNDERSTOOD: usize = 2;

/// Lines below the first that may belong to a header: qualifiers, units.
const MOST_FURTHER: usize = 2;

/// The header of a table.
#[derive(Clone, Debug)]
pub struct Header {
    /// Number of its first line, from 1.
    pub line: usize,
    /// Index of the first line below it, in the lines of the grid.
    pub body: usize,
    /// Title of each column, in one line; empty where there is none.
    pub titles: Vec<String>,
}

/// The letter by which spreadsheets call a column.
pub fn letters(column: usize) -> String {
    let last = char::from(b'A' + (column % 26) as u8);
    if column < 26 { last.to_string() } else { letters(column / 26 - 1) + &last.to_string() }
}

/// The line in which most titles are understood, or the one that somebody stated, with the line of units below it.
pub fn find(grid: &Grid, answers: &Answers) -> Option<Header> {
    let index = match answers.header {
        Some(number) => grid.lines.iter().position(|line| line.number == number)?,
        None => {
            let counted = grid.lines.iter().take(LINES_TRIED).map(|line| titles_known(line, answers)).enumerate();
            // The first of equals: a header may be repeated.
            counted.rev().max_by_key(|(_, count)| *count).filter(|(_, count)| *count >= FEWEST_UNDERSTOOD)?.0
        }
    };
    let first = &grid.lines[index];
    let further: Vec<&Line> =
        grid.lines[index + 1..].iter().take(MOST_FURTHER).take_while(|line| is_second(line, first)).collect();
    let width = further.iter().map(|line| line.width()).fold(first.width(), usize::max);
    let below =
        |column: usize| further.iter().map(|line| merged_text(grid, line, column)).collect::<Vec<_>>().join(" ");
    let title = |column| format!("{} {}", merged_text(grid, first, column), below(column));
    let one_line = |text: String| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let titles = (0..width).map(title).map(one_line).collect();
    Some(Header { line: first.number, body: index + 1 + further.len(), titles })
}

/// Number of titles in a line whose words are understood.
pub fn understood(line: &Line) -> usize {
    let is_title = |cell: &&Cell| matches!(cell, Cell::Text(text) if title::read(text).word.is_some());
    line.cells.iter().filter(is_title).count()
}

/// Number of titles in a line that are understood, or that somebody has said something of.
fn titles_known(line: &Line, answers: &Answers) -> usize {
    let is_answered = |cell: &&Cell| {
        let text = cell.text();
        title::read(&text).word.is_none() && answers.columns.iter().any(|(title, _)| same(title, &text))
    };
    understood(line) + line.cells.iter().filter(is_answered).count()
}

/// The text of a cell of the header, or of the merged cell that reaches there.
fn merged_text(grid: &Grid, line: &Line, column: usize) -> String {
    let reaches = |(at, first, last): &&(usize, usize, usize)| *at == line.number && (*first..=*last).contains(&column);
    let from = grid.merged.iter().find(reaches).map_or(column, |(_, first, _)| *first);
    line.cell(from).text()
}

/// A second line of a header holds units, conditions and qualifiers, and words only where it goes on with the first.
fn is_second(line: &Line, first: &Line) -> bool {
    let mut any = false;
    for (column, cell) in line.cells.iter().enumerate().filter(|(_, cell)| !cell.is_empty()) {
        let Cell::Text(text) = cell else { return false };
        let title = title::read(&format!("x {text}"));
        let condition = title.drop.is_some() || title.rise.is_some() || title.temperature.is_some();
        let stated = title.unit.is_some() || condition || !title.qualifiers.is_empty();
        let goes_on = stated && !words::is_nothing(text) && !looks_like_value(text);
        if !goes_on && first.cell(column) != cell {
            return false;
        }
        any |= goes_on;
    }
    any
}

/// The table with the units of a column of units behind the numbers of the column before it; `None` where there is no such column.
pub fn with_units(grid: &Grid, header: &Header) -> Option<Grid> {
    let body = &grid.lines[header.body..];
    let all_units = |column: usize| {
        let is_unit = |cell: &Cell| cell.is_empty() || words::is_unit(&words::plain(&cell.text()));
        body.iter().all(|line| is_unit(line.cell(column))) && title::read(&header.titles[column - 1]).unit.is_none()
    };
    let is_units = |column: &usize| words::is_title_of_units(&header.titles[*column]) && all_units(*column);
    let columns: Vec<usize> = (1..header.titles.len()).filter(is_units).collect();
    let mut joined = (!columns.is_empty()).then(|| grid.clone())?;
    for line in &mut joined.lines[header.body..] {
        let width = line.cells.len();
        for column in columns.iter().filter(|column| width > **column) {
            let (value, unit) = (line.cells[column - 1].text(), line.cells[*column].text());
            if !value.is_empty() && !unit.is_empty() && !matches!(line.cells[column - 1], Cell::Date | Cell::Error(_)) {
                line.cells[column - 1] = Cell::Text(format!("{value} {unit}"));
            }
        }
    }
    Some(joined)
}

/// A number with a unit that is no condition of a title: "31 mOhm".
fn looks_like_value(text: &str) -> bool {
    let title: Title = title::read(text);
    let number =
        super::cell::numbers(text).first().is_some_and(|number| text.trim_start().starts_with(number.as_str()));
    number && title.drop.is_none() && title.rise.is_none() && title.temperature.is_none()
}
