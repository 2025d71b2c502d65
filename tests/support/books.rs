//! Workbooks from a plain description, as XLSX and as OpenDocument.
//!
//! `sheet NAME` begins a sheet, `hidden COLUMN` and `merge FROM:TO` are about it. Every other line is a row, its cells between bars:
//! `=` begins a number, `@` a date as its day number, `!` is an error, anything else text.

use std::io::Write;

use rust_xlsxwriter::{ExcelDateTime, Format, Formula, Workbook, Worksheet};

/// A sheet of a workbook.
#[derive(Default)]
pub struct Sheet {
    pub name: String,
    pub hidden: Vec<usize>,
    /// (row, first column, last column), from 0.
    pub merged: Vec<(usize, usize, usize)>,
    pub rows: Vec<Vec<String>>,
}

/// Reads a description.
pub fn sheets(text: &str) -> Vec<Sheet> {
    let mut all: Vec<Sheet> = Vec::new();
    for line in text.lines().filter(|line| !line.starts_with('#')) {
        if let Some(name) = line.strip_prefix("sheet ") {
            all.push(Sheet { name: name.into(), ..Sheet::default() });
            continue;
        }
        let Some(sheet) = all.last_mut() else { continue };
        if let Some(column) = line.strip_prefix("hidden ") {
            sheet.hidden.push(place(&format!("{column}1")).1);
        } else if let Some(range) = line.strip_prefix("merge ") {
            let (from, to) = range.split_once(':').expect("FROM:TO");
            sheet.merged.push((place(from).0, place(from).1, place(to).1));
        } else {
            sheet.rows.push(line.split('|').map(str::to_string).collect());
        }
    }
    all
}

/// Row and column of "D4", from 0.
fn place(cell: &str) -> (usize, usize) {
    let column = usize::from(cell.as_bytes()[0] - b'A');
    (cell[1..].parse::<usize>().expect("a row") - 1, column)
}

/// The workbook as XLSX.
pub fn xlsx(sheets: &[Sheet]) -> Vec<u8> {
    let mut book = Workbook::new();
    for sheet in sheets {
        let target = book.add_worksheet();
        target.set_name(&sheet.name).expect("a name");
        for (row, cells) in sheet.rows.iter().enumerate() {
            for (column, text) in cells.iter().enumerate().filter(|(_, text)| !text.is_empty()) {
                write_cell(target, row as u32, column as u16, text);
            }
        }
        for (row, first, last) in &sheet.merged {
            let text = &sheet.rows[*row][*first];
            target
                .merge_range(*row as u32, *first as u16, *row as u32, *last as u16, text, &Format::new())
                .expect("merged");
        }
        for column in &sheet.hidden {
            target.set_column_hidden(*column as u16).expect("hidden");
        }
    }
    book.save_to_buffer().expect("a workbook")
}

fn write_cell(target: &mut Worksheet, row: u32, column: u16, text: &str) {
    let (mark, rest) = text.split_at(text.chars().next().map_or(0, char::len_utf8));
    let done = match (mark, rest) {
        ("=", number) => target.write_number(row, column, number.parse::<f64>().expect("a number")),
        ("@", day) => {
            let date = ExcelDateTime::from_serial_datetime(day.parse::<f64>().expect("a day")).expect("a date");
            target.write_datetime_with_format(row, column, &date, &Format::new().set_num_format("yyyy-mm-dd"))
        }
        ("!", _) => target.write_formula(row, column, Formula::new("=1/0").set_result("#DIV/0!")),
        _ => target.write_string(row, column, text),
    };
    done.expect("a cell");
}

/// The workbook as OpenDocument: its parts are few enough to be written by hand.
pub fn ods(sheets: &[Sheet]) -> Vec<u8> {
    let mut archive = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let plain = zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    let manifest = "<?xml version=\"1.0\" encoding=\"UTF-8\"?><manifest:manifest xmlns:manifest=\"urn:oasis:names:tc:opendocument:xmlns:manifest:1.0\">\
        <manifest:file-entry manifest:full-path=\"/\" manifest:media-type=\"application/vnd.oasis.opendocument.spreadsheet\"/>\
        <manifest:file-entry manifest:full-path=\"content.xml\" manifest:media-type=\"text/xml\"/></manifest:manifest>";
    let mimetype = "application/vnd.oasis.opendocument.spreadsheet";
    for (name, text) in [("mimetype", mimetype), ("META-INF/manifest.xml", manifest), ("content.xml", &content(sheets))]
    {
        archive.start_file(name, plain).expect("a file");
        archive.write_all(text.as_bytes()).expect("its text");
    }
    archive.finish().expect("an archive").into_inner()
}

fn content(sheets: &[Sheet]) -> String {
    let mut text = String::from(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?><office:document-content \
        xmlns:office=\"urn:oasis:names:tc:opendocument:xmlns:office:1.0\" xmlns:table=\"urn:oasis:names:tc:opendocument:xmlns:table:1.0\" \
        xmlns:text=\"urn:oasis:names:tc:opendocument:xmlns:text:1.0\" office:version=\"1.2\"><office:body><office:spreadsheet>",
    );
    for sheet in sheets {
        text += &format!("<table:table table:name=\"{}\">", sheet.name);
        for column in 0..sheet.rows.iter().map(Vec::len).max().unwrap_or(0) {
            let hidden = if sheet.hidden.contains(&column) { " table:visibility=\"collapse\"" } else { "" };
            text += &format!("<table:table-column{hidden}/>");
        }
        for (row, cells) in sheet.rows.iter().enumerate() {
            let cell = |(column, text): (usize, &String)| ods_cell(sheet, row, column, text);
            text += &format!(
                "<table:table-row>{}</table:table-row>",
                cells.iter().enumerate().map(cell).collect::<String>()
            );
        }
        text += "</table:table>";
    }
    text + "</office:spreadsheet></office:body></office:document-content>"
}

fn ods_cell(sheet: &Sheet, row: usize, column: usize, text: &str) -> String {
    let merged = sheet.merged.iter().find(|(at, first, last)| *at == row && (*first..=*last).contains(&column));
    let span = match merged {
        Some((_, first, last)) if *first == column => format!(" table:number-columns-spanned=\"{}\"", last - first + 1),
        Some(_) => return "<table:covered-table-cell/>".into(),
        None => String::new(),
    };
    match text.chars().next() {
        None => "<table:table-cell/>".into(),
        Some('=') => format!("<table:table-cell office:value-type=\"float\" office:value=\"{0}\"><text:p>{0}</text:p></table:table-cell>", &text[1..]),
        Some('@') => "<table:table-cell office:value-type=\"date\" office:date-value=\"2026-03-05\"><text:p>5 March</text:p></table:table-cell>".into(),
        Some('!') => "<table:table-cell office:value-type=\"string\"><text:p>#DIV/0!</text:p></table:table-cell>".into(),
        Some(_) => format!("<table:table-cell{span} office:value-type=\"string\"><text:p>{}</text:p></table:table-cell>", text.replace('&', "&amp;")),
    }
}
