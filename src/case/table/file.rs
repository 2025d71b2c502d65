//! Bytes to lines of cells: what the file really is, its encoding, its separator.

use super::cell::Cell;
use super::workbook;
use std::collections::BTreeSet;

/// One table: a text file, or a sheet of a workbook.
#[derive(Clone, Debug, Default)]
pub struct Grid {
    /// Name of the sheet; empty for a text file.
    pub sheet: String,
    /// Lines that are not empty, with their numbers from 1.
    pub lines: Vec<Line>,
    /// Columns that the spreadsheet does not show, from 0.
    pub hidden: BTreeSet<usize>,
    /// Cells that are one: line and columns (first, last).
    pub merged: Vec<(usize, usize, usize)>,
    /// Whether a comma separates the cells.
    pub by_comma: bool,
}

/// One line of a table.
#[derive(Clone, Debug, Default)]
pub struct Line {
    /// Its number in the file or sheet, from 1.
    pub number: usize,
    /// Its cells.
    pub cells: Vec<Cell>,
}

impl Line {
    /// The cell of a column; one that is not there is empty.
    pub fn cell(&self, column: usize) -> &Cell {
        self.cells.get(column).unwrap_or(&Cell::Empty)
    }

    /// Number of cells up to the last that is not empty.
    pub fn width(&self) -> usize {
        self.cells.iter().rposition(|cell| !cell.is_empty()).map_or(0, |i| i + 1)
    }
}

/// Why a file is not read: what is there, and what to do.
#[derive(Clone, Debug, PartialEq)]
pub struct Refusal {
    /// What was found.
    pub found: String,
    /// What was expected in its place.
    pub expected: String,
    /// What to do.
    pub hint: String,
}

impl Refusal {
    /// A refusal in its three parts.
    pub fn new(found: impl Into<String>, expected: impl Into<String>, hint: impl Into<String>) -> Refusal {
        Refusal { found: found.into(), expected: expected.into(), hint: hint.into() }
    }
}

/// A cell of more lines than that has lost its closing quotation mark.
const MOST_LINES_IN_CELL: usize = 8;

/// More columns than that are no table of parts.
pub const MOST_COLUMNS: usize = 200;

/// What the first bytes tell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Nature {
    Workbook(Book),
    Text,
    /// Something else, by name, and what to do.
    Other(&'static str, &'static str),
}

/// Kinds of workbooks that are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Book {
    /// Office Open XML.
    Xlsx,
    /// OpenDocument.
    Ods,
}

/// All tables of a file. Its ending must agree with what it is.
///
/// # Errors
/// A [`Refusal`] if it is no text and no workbook, is not what its ending says, or is damaged.
pub fn grids(name: &str, bytes: &[u8]) -> Result<Vec<Grid>, Refusal> {
    let ending = ending(name);
    match nature(bytes) {
        Nature::Other(found, hint) => Err(Refusal::new(found, "a table as CSV, XLSX or ODS", hint)),
        Nature::Workbook(book) => {
            let right = if book == Book::Xlsx { ["xlsx", "xlsm"] } else { ["ods", "ots"] };
            if !right.contains(&ending.as_str()) {
                let found = format!("a workbook ({})", right[0].to_uppercase());
                let hint = format!("rename it so that it ends in .{}; in a text file each line is a part", right[0]);
                return Err(Refusal::new(found, format!("what the ending .{ending} says"), hint));
            }
            workbook::grids(book, bytes)
        }
        Nature::Text if WORKBOOKS.contains(&ending.as_str()) => {
            let hint = "rename it so that it ends in .csv, or save it again as a workbook";
            Err(Refusal::new("a text file", format!("what the ending .{ending} says"), hint))
        }
        Nature::Text => text_grid(&decode(bytes)?).map(|grid| vec![grid]),
    }
}

/// Endings of workbooks.
pub const WORKBOOKS: [&str; 6] = ["xlsx", "xlsm", "xlsb", "xls", "ods", "ots"];

/// The ending of a name, in lower case.
pub fn ending(name: &str) -> String {
    name.rsplit_once('.').map_or(String::new(), |(_, ending)| ending.to_lowercase())
}

fn nature(bytes: &[u8]) -> Nature {
    let begins = |mark: &[u8]| bytes.starts_with(mark);
    let holds = |mark: &[u8]| bytes[..bytes.len().min(200)].windows(mark.len()).any(|part| part == mark);
    if begins(b"PK\x03\x04") {
        let ods = holds(b"mimetypeapplication/vnd.oasis.opendocument.spreadsheet");
        return Nature::Workbook(if ods { Book::Ods } else { Book::Xlsx });
    }
    if begins(&[0xD0, 0xCF, 0x11, 0xE0]) {
        return Nature::Other(
            "a workbook of the old binary kind, or one with a password",
            "save it as XLSX, without a password",
        );
    }
    if begins(b"%PDF") {
        return Nature::Other("a PDF file", "copy its table into a spreadsheet and save that");
    }
    if begins(&[0x89, b'P', b'N', b'G']) || begins(&[0xFF, 0xD8, 0xFF]) || begins(b"GIF8") {
        return Nature::Other("a picture", "type its table into a spreadsheet and save that");
    }
    let head = String::from_utf8_lossy(&bytes[..bytes.len().min(600)]).to_lowercase();
    let head = head.trim_start_matches('\u{feff}').trim_start();
    if ["<!doctype", "<html", "<table", "<?xml"].iter().any(|mark| head.starts_with(mark)) {
        return Nature::Other("a web page or XML file", "open it in a spreadsheet and save it as XLSX or CSV");
    }
    if head.starts_with("{\\rtf") || head.starts_with('{') {
        return Nature::Other("no table but structured text", "save the list as XLSX or CSV");
    }
    Nature::Text
}

/// Text in UTF-8 or UTF-16, with or without a mark, else in Windows-1252, which spreadsheets write where nothing else is asked of them.
pub fn decode(bytes: &[u8]) -> Result<String, Refusal> {
    let marked = encoding_rs::Encoding::for_bom(bytes).map(|(encoding, _)| encoding);
    let utf8 = || std::str::from_utf8(bytes).is_ok_and(|text| !text.contains('\0')).then_some(encoding_rs::UTF_8);
    let encoding = marked.or_else(utf8).or_else(|| without_mark(bytes)).unwrap_or(encoding_rs::WINDOWS_1252);
    let (text, _, bad) = encoding.decode(bytes);
    if bad || text.contains(|c: char| c.is_control() && !"\t\r\n\u{c}".contains(c)) {
        let hint = "save the list again as XLSX or as CSV in UTF-8";
        return Err(Refusal::new("bytes that are no text", "a table as CSV, XLSX or ODS", hint));
    }
    Ok(text.into_owned())
}

/// Whether a text is in Windows-1252: neither in UTF-8 nor in UTF-16.
pub fn is_windows_1252(bytes: &[u8]) -> bool {
    std::str::from_utf8(bytes).is_err()
        && encoding_rs::Encoding::for_bom(bytes).is_none()
        && without_mark(bytes).is_none()
}

/// UTF-16 without a mark: every other byte of mostly Latin text is 0.
fn without_mark(bytes: &[u8]) -> Option<&'static encoding_rs::Encoding> {
    let zeros = |offset: usize| bytes.iter().skip(offset).step_by(2).filter(|byte| **byte == 0).count();
    let half = bytes.len() / 2;
    let most = |count: usize| count * 10 > half * 7;
    match (zeros(0), zeros(1)) {
        (low, high) if most(high) && low * 10 < half => Some(encoding_rs::UTF_16LE),
        (low, high) if most(low) && high * 10 < half => Some(encoding_rs::UTF_16BE),
        _ => None,
    }
}

/// The lines of a text file.
fn text_grid(text: &str) -> Result<Grid, Refusal> {
    let (separator, skipped) = match stated_separator(text) {
        Some(separator) => (separator, 1),
        None => (separator_of(text), 0),
    };
    let body = text.splitn(skipped + 1, '\n').last().unwrap_or("");
    let mut lines = Vec::new();
    let mut count = LineCount { text: body.as_bytes(), at: 0, line: 1 + skipped };
    for record in reader(body, separator).records() {
        let record = record.map_err(|error| Refusal::new(error.to_string(), "a table", "save it again"))?;
        let number = count.line_of(record.position().map_or(0, |place| place.byte() as usize));
        let cells: Vec<Cell> = record.iter().map(Cell::of_text).collect();
        if cells.len() > MOST_COLUMNS {
            let found = format!("{} cells in line {number}", cells.len());
            return Err(Refusal::new(found, format!("at most {MOST_COLUMNS} columns"), "is it the right file?"));
        }
        if record.iter().any(|text| text.matches('\n').count() > MOST_LINES_IN_CELL) {
            let hint = "double a quotation mark inside a quoted cell";
            return Err(Refusal::new(format!("no end of a cell of line {number}"), "a closing quotation mark", hint));
        }
        if cells.iter().any(|cell| !cell.is_empty()) {
            lines.push(Line { number, cells });
        }
    }
    Ok(Grid { lines, by_comma: separator == b',', ..Grid::default() })
}

/// Numbers of lines, counted on from record to record.
struct LineCount<'a> {
    text: &'a [u8],
    at: usize,
    line: usize,
}

impl LineCount<'_> {
    /// Line of a record that begins at a byte; ends of lines and blank lines may still stand before it.
    fn line_of(&mut self, byte: usize) -> usize {
        let begins = byte + self.text[byte..].iter().take_while(|byte| b"\r\n".contains(byte)).count();
        self.line += self.text[self.at..begins].iter().filter(|byte| **byte == b'\n').count();
        self.at = begins;
        self.line
    }
}

/// "sep=;" in the first line, as spreadsheets understand it.
fn stated_separator(text: &str) -> Option<u8> {
    let first = text.lines().next()?.trim().trim_matches('"').to_lowercase();
    match first.strip_prefix("sep=")?.as_bytes() {
        [byte] => Some(*byte),
        _ => None,
    }
}

fn reader(text: &str, separator: u8) -> csv::Reader<&[u8]> {
    csv::ReaderBuilder::new().has_headers(false).flexible(true).delimiter(separator).from_reader(text.as_bytes())
}

/// Lines by which the separator is found.
const LINES_TRIED: usize = 200;

/// The separator by which most lines have the same number of cells, and the more cells.
fn separator_of(text: &str) -> u8 {
    let score = |separator: &u8| {
        let widths: Vec<usize> =
            reader(text, *separator).records().take(LINES_TRIED).flatten().map(|r| r.len()).collect();
        let same = |width: usize| widths.iter().filter(|other| **other == width).count();
        let width = widths.iter().copied().filter(|w| *w > 1).max_by_key(|w| (same(*w), *w)).unwrap_or(1);
        // In tenths: a title row more or less decides nothing.
        let share = if width > 1 { 10 * same(width) / widths.len().max(1) } else { 0 };
        (share, width)
    };
    // The last of equals wins: a comma is the likeliest to stand in cells.
    [b',', b'|', b';', b'\t'].into_iter().max_by_key(score).unwrap_or(b',')
}
