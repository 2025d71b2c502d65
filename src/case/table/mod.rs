//! Parts tables as they come from a spreadsheet or a maker's page.
//!
//! Bytes become lines of cells (`file`), the header is found (`header`), each column gets a meaning (`columns`), each line its
//! values (`rows`). What is certain is read. What is not is asked once ([`answers`]), and no value comes of it. Lines that cannot be
//! used are listed with the reason.

pub mod answers;
mod cell;
mod columns;
mod file;
mod header;
mod number;
mod offer;
mod rows;
mod title;
mod words;
mod workbook;

use std::borrow::Cow;
use std::ops::Range;

use super::keys::{Key, Kind, PART};
use crate::model::offer::{Offer, Price};
use crate::units::Dimension;
pub use answers::{Answers, Question};
use columns::Column;
use file::Grid;
pub use file::{Refusal, decode, ending, is_windows_1252};
use header::Header;
pub use rows::is_flag;
pub use words::documented;

/// A value of a part, as the case format writes it.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Key of the part.
    pub key: &'static str,
    /// Its value.
    pub text: String,
    /// Column in which it stands, from 0; `None` where it holds for all parts.
    pub column: Option<usize>,
}

/// A part of a table.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// Its name.
    pub name: String,
    /// Line in the file or in its sheet, from 1.
    pub line: usize,
    /// Its sheet; empty in a text file.
    pub sheet: String,
    /// Its data.
    pub entries: Vec<Entry>,
    /// What it is offered for.
    pub offer: Offer,
}

/// A line that cannot be used.
#[derive(Clone, Debug, PartialEq)]
pub struct LeftOut {
    /// Its number, from 1.
    pub line: usize,
    /// Why.
    pub reason: String,
}

/// A table that has been read.
#[derive(Debug, Default)]
pub struct List {
    /// Its parts. Of no use while there are questions.
    pub parts: Vec<Part>,
    /// What parts are offered for, by name; a part that stands in several lines has several.
    pub offers: Vec<(String, Offer)>,
    /// Lines that cannot be used.
    pub left_out: Vec<LeftOut>,
    /// What is not certain.
    pub questions: Vec<Question>,
    /// What a reader should know: columns that are not read, parts that stand twice.
    pub notes: Vec<String>,
    /// Lines of the tables, for messages.
    pub shown: Vec<Shown>,
    /// Titles and letters of columns that exist, by which answers are checked.
    pub titles: Vec<String>,
}

/// The lines of a sheet or text file as messages show them, each at its own number.
#[derive(Debug, Default)]
pub struct Shown {
    /// Name of the sheet; empty for a text file.
    pub sheet: String,
    /// The lines.
    pub text: String,
    /// Numbers of the lines in their order, and where their cells stand in the list of all cells.
    lines: Vec<(usize, Range<usize>)>,
    /// Bytes of each cell in the text.
    cells: Vec<Range<u32>>,
}

impl Shown {
    fn of(grid: &Grid) -> Shown {
        let mut shown = Shown { sheet: grid.sheet.clone(), ..Shown::default() };
        let mut number = 1;
        for line in &grid.lines {
            while number < line.number {
                shown.text.push('\n');
                number += 1;
            }
            let begin = shown.cells.len();
            line.cells.iter().for_each(|cell| shown.push(cell));
            shown.lines.push((line.number, begin..shown.cells.len()));
        }
        shown
    }

    /// Adds a cell in one line.
    fn push(&mut self, cell: &cell::Cell) {
        if !self.text.is_empty() && !self.text.ends_with('\n') {
            self.text.push_str(" | ");
        }
        let start = self.text.len() as u32;
        self.text.extend(cell.shown().chars().map(|c| if c == '\n' || c == '\r' { ' ' } else { c }));
        self.cells.push(start..self.text.len() as u32);
    }

    /// Bytes of the cells of a line.
    pub fn cells(&self, line: usize) -> &[Range<u32>] {
        let found = self.lines.binary_search_by_key(&line, |(number, _)| *number);
        found.map_or(&[], |at| &self.cells[self.lines[at].1.clone()])
    }
}

/// Reads a table.
///
/// # Errors
/// A [`Refusal`] if the file is no table, no list of inductors, or not what its ending says.
pub fn read(name: &str, bytes: &[u8], answers: &Answers) -> Result<List, Refusal> {
    let grids = file::grids(name, bytes)?;
    let sheets: Vec<Sheet<'_>> = chosen(&grids, answers)?.into_iter().filter_map(|grid| sheet(grid, answers)).collect();
    if sheets.is_empty() {
        return Err(no_list(&grids));
    }
    let mut list = List::default();
    if sheets.len() > 1 && answers.sheets.is_empty() {
        let names: Vec<String> = sheets.iter().map(|sheet| format!("\"{}\"", sheet.grid.sheet)).collect();
        let remark = format!("[{}], or one of them: each is a list of inductors", names.join(", "));
        list.questions.push(Question { section: answers::Section::Parts, key: "sheets".into(), remark });
        return Ok(list);
    }
    if !file::WORKBOOKS.contains(&ending(name).as_str()) && is_windows_1252(bytes) {
        list.notes.push("its text is in no form of Unicode and was read as Windows-1252".into());
    }
    sheets.into_iter().try_for_each(|sheet| add(&mut list, sheet, answers))?;
    Ok(list)
}

/// A sheet or text file that is a list of inductors.
struct Sheet<'a> {
    grid: Cow<'a, Grid>,
    header: Header,
    columns: Vec<Column>,
    questions: Vec<Question>,
}

/// The sheets that somebody has named, or all.
fn chosen<'a>(grids: &'a [Grid], answers: &Answers) -> Result<Vec<&'a Grid>, Refusal> {
    let unknown = answers.sheets.iter().find(|name| grids.iter().all(|grid| grid.sheet != **name));
    if let Some(unknown) = unknown {
        let names: Vec<&str> = grids.iter().map(|grid| grid.sheet.as_str()).collect();
        let expected = format!("one of its sheets: {}", names.join(", "));
        return Err(Refusal::new(format!("no sheet \"{unknown}\""), expected, "change parts.sheets in board.toml"));
    }
    let all = answers.sheets.is_empty();
    Ok(grids.iter().filter(|grid| all || answers.sheets.contains(&grid.sheet)).collect())
}

/// A sheet with a column for the inductance.
fn sheet<'a>(grid: &'a Grid, answers: &Answers) -> Option<Sheet<'a>> {
    let header = header::find(grid, answers)?;
    let grid = header::with_units(grid, &header).map_or(Cow::Borrowed(grid), Cow::Owned);
    let mut questions = Vec::new();
    let columns = columns::resolve(&grid, &header, answers, &mut questions);
    let is_list = columns.iter().any(|column| column.key().is_some_and(|key| key.path == "inductance"));
    is_list.then_some(Sheet { grid, header, columns, questions })
}

/// Titles that a refusal lists.
const TITLES_SHOWN: usize = 8;

fn no_list(grids: &[Grid]) -> Refusal {
    let line = grids.iter().find_map(|grid| header::find(grid, &Answers::default()).map(|header| header.titles));
    let first = || {
        grids.iter().find_map(|grid| grid.lines.first()).map(|line| line.cells.iter().map(cell::Cell::text).collect())
    };
    let titles: Vec<String> = line.or_else(first).unwrap_or_default();
    let shown: Vec<&str> =
        titles.iter().filter(|title| !title.is_empty()).take(TITLES_SHOWN).map(String::as_str).collect();
    let found = match shown.is_empty() {
        true => "an empty table".to_string(),
        false => format!("no list of inductors; its columns are: {}", shown.join(", ")),
    };
    let hint = "if one of them is the inductance, say so in board.toml, below [parts.columns]: \"its title\" = \"inductance [uH]\"";
    Refusal::new(found, "a list of inductors, with a column for the inductance", hint)
}

/// Adds what one sheet or text file holds.
fn add(list: &mut List, sheet: Sheet<'_>, answers: &Answers) -> Result<(), Refusal> {
    let Sheet { grid, header, columns, questions } = sheet;
    commas_in_numbers(&grid, &header)?;
    list.questions.extend(questions);
    let mut rows = rows::read(&grid, &header, &columns, answers)?;
    notes(list, &grid, &columns, &rows);
    let counts = |part: &&Part| answers.line_of(&part.name).is_none_or(|line| line == part.line);
    let offered = rows.parts.iter().filter(|part| part.offer != Offer::default()).filter(counts);
    list.offers.extend(offered.map(|part| (part.name.clone(), part.offer)));
    let parts: Vec<Part> = list.parts.drain(..).chain(rows.parts.drain(..)).collect();
    list.parts = rows::once(parts, answers, &mut list.questions, &mut list.notes);
    list.left_out.append(&mut rows.left_out);
    list.shown.push(Shown::of(&grid));
    list.titles.extend(header.titles.iter().cloned());
    list.titles.extend((0..header.titles.len()).map(|i| format!("column {}", header::letters(i))));
    Ok(())
}

/// Where a comma separates cells, a line with too many of them may have decimal commas, and then no cell is where it seems to be.
fn commas_in_numbers(grid: &Grid, header: &Header) -> Result<(), Refusal> {
    let width = header.titles.len();
    let Some(line) = grid.lines[header.body..].iter().find(|line| grid.by_comma && line.width() > width) else {
        return Ok(());
    };
    let found = format!("{} cells in line {}", line.width(), line.number);
    let expected =
        format!("at most {width} as in the header: a comma separates the cells, and may stand in numbers as well");
    Err(Refusal::new(found, expected, "save the list with semicolons or tabs, or as XLSX"))
}

/// What a reader should know of a table.
fn notes(list: &mut List, grid: &Grid, columns: &[Column], rows: &rows::Rows) {
    let sheet = if grid.sheet.is_empty() { String::new() } else { format!("sheet {}: ", grid.sheet) };
    let hidden: Vec<&str> = columns.iter().filter(|column| column.hidden).map(|column| column.title.as_str()).collect();
    if !hidden.is_empty() {
        list.notes.push(format!("{sheet}hidden columns are not read: {}", hidden.join(", ")));
    }
    let shown = columns.iter().filter(|column| !column.hidden).cloned().collect::<Vec<_>>();
    let unused = columns::unused(&shown);
    if !unused.is_empty() {
        list.notes.push(format!("{sheet}columns that are not used: {}", unused.join(", ")));
    }
    if !rows.remarks.is_empty() {
        list.notes.push(format!("{sheet}lines of one cell, taken for remarks: {}", rows::listed(&rows.remarks)));
    }
    if let Some(first) = rows.unread.first() {
        let more = if rows.unread.len() > 1 { format!(", and {} more", rows.unread.len() - 1) } else { String::new() };
        list.notes.push(format!("{sheet}prices and stocks that are not read count as not stated: {first}{more}"));
    }
    if columns.iter().any(|column| column.role == columns::Role::Size) {
        list.notes.push(format!(
            "{sheet}sizes are taken as the largest length x width x height, the length along the terminals"
        ));
    }
}

/// A price of one piece with its currency, as a person writes it: "0.80 EUR", "4,20 €/10".
pub fn price(text: &str) -> Option<Price> {
    let marks = if text.contains('.') { number::Marks::stated('.') } else { number::Marks::stated(',') };
    offer::price(&cell::Cell::of_text(text), &marks).ok()??.of_one(None, None)
}

/// Whether a key can be a column.
pub fn is_plain(key: &Key) -> bool {
    !matches!(key.kind, Kind::Tables | Kind::Table | Kind::Rows) && key.parent().is_empty()
}

fn key_named(name: &str) -> Option<&'static Key> {
    PART.iter().find(|key| key.path == name && is_plain(key))
}

/// What the values of a key measure; `None` for words.
fn dimension_of(key: &Key) -> Option<Dimension> {
    if let Kind::Quantity(dimension) = key.kind { Some(dimension) } else { None }
}

/// Dimensions of further keys of a part, which a table in the case format may have.
const OTHER_DIMENSIONS: [Dimension; 5] =
    [Dimension::Power, Dimension::VoltSeconds, Dimension::PowerDensity, Dimension::Volume, Dimension::Area];
