//! Workbooks: cells by `calamine`; which columns are hidden and which cells are merged from the files inside.

use std::collections::{BTreeSet, HashMap};
use std::io::{Cursor, Read};

use calamine::{Data, DataRef, Ods, Reader, SheetVisible, Xlsx};
use quick_xml::Reader as Xml;
use quick_xml::events::{BytesStart, Event};

use super::cell::Cell;
use super::file::{Book, Grid, Line, MOST_COLUMNS, Refusal};

/// More cells than that are no list of parts: a small file can hold very many.
const MOST_CELLS: usize = 5_000_000;
/// Lines in which a header is looked for, and with it cells that are merged.
const LINES_OF_HEADERS: usize = 100;
/// Longest file inside an OpenDocument workbook that is looked through for its layout, in bytes.
const MOST_LAYOUT: u64 = 256 * 1024 * 1024;

/// Bytes of a sheet in which its columns are listed, before the cells.
const BEFORE_CELLS: u64 = 256 * 1024;

/// The sheets of a workbook that are not hidden.
///
/// # Errors
/// A [`Refusal`] if it cannot be read or is far too large.
pub fn grids(book: Book, bytes: &[u8]) -> Result<Vec<Grid>, Refusal> {
    match book {
        Book::Xlsx => xlsx(bytes),
        Book::Ods => ods(bytes),
    }
}

fn damaged(error: impl std::fmt::Display) -> Refusal {
    Refusal::new(format!("a workbook that cannot be read: {error}"), "a workbook", "save it again, without a password")
}

fn too_large() -> Refusal {
    Refusal::new(format!("more than {MOST_CELLS} cells"), "a list of parts", "is it the right file?")
}

fn xlsx(bytes: &[u8]) -> Result<Vec<Grid>, Refusal> {
    let mut book: Xlsx<_> = Xlsx::new(Cursor::new(bytes)).map_err(damaged)?;
    let sheets = book.sheets_metadata().to_vec();
    let hidden = hidden_in_xlsx(bytes).unwrap_or_default();
    let mut grids = Vec::new();
    for sheet in sheets.iter().filter(|sheet| sheet.visible == SheetVisible::Visible) {
        let Ok(mut reader) = book.worksheet_cells_reader(&sheet.name) else { continue }; // a chart has no cells
        let mut rows: Vec<Line> = Vec::new();
        let mut count = 0;
        while let Some(cell) = reader.next_cell().map_err(damaged)? {
            let (row, column) = cell.get_position();
            let value = of_ref(cell.get_value());
            count += 1;
            if count > MOST_CELLS {
                return Err(too_large());
            }
            if !value.is_empty() {
                put(&mut rows, row as usize + 1, column as usize, value);
            }
        }
        drop(reader);
        let merged = book.merge_cells_by_sheet_name(&sheet.name).unwrap_or_default();
        let merged = merged.iter().map(|m| (m.start.0 as usize + 1, m.start.1 as usize, m.end.1 as usize));
        let hidden = hidden.get(&sheet.name).cloned().unwrap_or_default();
        grids.push(Grid { sheet: sheet.name.clone(), lines: rows, hidden, merged: merged.collect(), by_comma: false });
    }
    Ok(grids)
}

/// Puts a cell into the last line or a new one; cells come line by line.
fn put(lines: &mut Vec<Line>, number: usize, column: usize, cell: Cell) {
    if column >= MOST_COLUMNS {
        return;
    }
    if lines.last().is_none_or(|line| line.number != number) {
        lines.push(Line { number, cells: Vec::new() });
    }
    let Some(line) = lines.last_mut() else { return };
    if line.cells.len() <= column {
        line.cells.resize(column + 1, Cell::Empty);
    }
    line.cells[column] = cell;
}

fn of_ref(data: &DataRef<'_>) -> Cell {
    match data {
        DataRef::SharedString(text) => Cell::of_text(text),
        other => of_data(&Data::from(other.clone())),
    }
}

fn of_data(data: &Data) -> Cell {
    match data {
        Data::Int(number) => Cell::Number(*number as f64),
        Data::Float(number) => Cell::Number(*number),
        Data::String(text) => Cell::of_text(text),
        Data::Bool(flag) => Cell::Text(flag.to_string()),
        Data::DateTime(_) | Data::DateTimeIso(_) | Data::DurationIso(_) => Cell::Date,
        Data::Error(error) => Cell::Error(error.to_string()),
        Data::Empty => Cell::Empty,
    }
}

fn ods(bytes: &[u8]) -> Result<Vec<Grid>, Refusal> {
    let mut book: Ods<_> = Ods::new(Cursor::new(bytes)).map_err(damaged)?;
    let layouts = layouts_in_ods(bytes).unwrap_or_default();
    let sheets = book.sheets_metadata().to_vec();
    let mut grids = Vec::new();
    for sheet in sheets.iter().filter(|sheet| sheet.visible == SheetVisible::Visible) {
        let range = book.worksheet_range(&sheet.name).map_err(damaged)?;
        let (first_row, first_column) = range.start().unwrap_or_default();
        let mut lines = Vec::new();
        if range.width() * range.height() > MOST_CELLS {
            return Err(too_large());
        }
        for (row, column, data) in range.used_cells() {
            put(&mut lines, first_row as usize + row + 1, first_column as usize + column, of_data(data));
        }
        let layout = layouts.get(&sheet.name).cloned().unwrap_or_default();
        grids.push(Grid {
            sheet: sheet.name.clone(),
            lines,
            hidden: layout.hidden,
            merged: layout.merged,
            by_comma: false,
        });
    }
    Ok(grids)
}

/// What a sheet looks like beside its cells.
#[derive(Clone, Debug, Default)]
struct Layout {
    hidden: BTreeSet<usize>,
    merged: Vec<(usize, usize, usize)>,
}

/// The first bytes of a file inside a workbook.
fn inside(bytes: &[u8], name: &str, most: u64) -> Option<Vec<u8>> {
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).ok()?;
    let file = archive.by_name(name).ok()?;
    let mut all = Vec::new();
    file.take(most).read_to_end(&mut all).ok()?;
    Some(all)
}

fn attribute(tag: &BytesStart<'_>, name: &str) -> Option<String> {
    let found = tag.attributes().flatten().find(|a| a.key.as_ref() == name)?;
    Some(unescaped(&found.value))
}

/// The five entities that XML knows by itself.
fn unescaped(text: &str) -> String {
    let text = text.replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"");
    text.replace("&apos;", "'").replace("&amp;", "&")
}

fn number(tag: &BytesStart<'_>, name: &str) -> Option<usize> {
    attribute(tag, name)?.parse().ok()
}

/// Calls back for each tag until it has seen enough.
fn each_tag(xml: &[u8], mut seen: impl FnMut(&BytesStart<'_>) -> bool) {
    let mut reader = Xml::from_reader(xml);
    let mut buffer = Vec::new();
    loop {
        match reader.read_event_into(&mut buffer) {
            Ok(Event::Start(tag) | Event::Empty(tag)) => {
                if !seen(&tag) {
                    return;
                }
            }
            Ok(Event::Eof) | Err(_) => return,
            Ok(_) => {}
        }
        buffer.clear();
    }
}

/// Hidden columns of each sheet of an Office Open XML workbook.
fn hidden_in_xlsx(bytes: &[u8]) -> Option<HashMap<String, BTreeSet<usize>>> {
    let mut targets = HashMap::new();
    each_tag(&inside(bytes, "xl/_rels/workbook.xml.rels", MOST_LAYOUT)?, |tag| {
        targets.extend(attribute(tag, "Id").zip(attribute(tag, "Target")));
        true
    });
    let mut all = HashMap::new();
    each_tag(&inside(bytes, "xl/workbook.xml", MOST_LAYOUT)?, |tag| {
        let target = attribute(tag, "r:id").and_then(|id| targets.get(&id).cloned());
        if let ("sheet", Some(name), Some(target)) = (tag.local_name().as_ref(), attribute(tag, "name"), target) {
            let path = target.strip_prefix('/').map_or(format!("xl/{target}"), str::to_string);
            all.insert(name, hidden_in_sheet(&inside(bytes, &path, BEFORE_CELLS).unwrap_or_default()));
        }
        true
    });
    Some(all)
}

/// The list of columns stands before the cells.
fn hidden_in_sheet(xml: &[u8]) -> BTreeSet<usize> {
    let mut hidden = BTreeSet::new();
    each_tag(xml, |tag| {
        let is_hidden = attribute(tag, "hidden").is_some_and(|value| value == "1" || value == "true");
        if tag.local_name().as_ref() == "col" && is_hidden {
            let (first, last) = (number(tag, "min").unwrap_or(1), number(tag, "max").unwrap_or(0));
            hidden.extend((first..=last.min(MOST_COLUMNS)).map(|i| i - 1));
        }
        tag.local_name().as_ref() != "sheetData"
    });
    hidden
}

/// Hidden columns and merged cells of each sheet of an OpenDocument workbook.
fn layouts_in_ods(bytes: &[u8]) -> Option<HashMap<String, Layout>> {
    let mut all: HashMap<String, Layout> = HashMap::new();
    let (mut sheet, mut row, mut column) = (String::new(), 0, 0);
    each_tag(&inside(bytes, "content.xml", MOST_LAYOUT)?, |tag| {
        let times = |name: &str| number(tag, name).unwrap_or(1);
        let layout = all.entry(sheet.clone()).or_default();
        match tag.local_name().as_ref() {
            "table" => (sheet, row, column) = (attribute(tag, "table:name").unwrap_or_default(), 0, 0),
            "table-column" => {
                let count = times("table:number-columns-repeated");
                if matches!(attribute(tag, "table:visibility").as_deref(), Some("collapse" | "filter")) {
                    layout.hidden.extend((column..column + count).take(MOST_COLUMNS));
                }
                column += count;
            }
            "table-row" => {
                row += times("table:number-rows-repeated");
                column = 0;
            }
            "table-cell" | "covered-table-cell" if row <= LINES_OF_HEADERS => {
                let span = times("table:number-columns-spanned");
                if span > 1 {
                    layout.merged.push((row, column, column + span - 1));
                }
                column += times("table:number-columns-repeated");
            }
            _ => {}
        }
        true
    });
    Some(all)
}
