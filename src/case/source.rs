//! Files of a case: bytes to text, text to a tree of values that remember where they stand.

use std::collections::HashSet;
use std::ops::Range;
use std::path::Path;

use sha2::{Digest, Sha256};
use toml::de::{DeTable, DeValue};

use crate::error::Problem;
use crate::model::case::CaseFile;

/// A place in one of the files.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Place {
    /// Index into [`Sources::files`].
    pub file: usize,
    /// Bytes in its text.
    pub span: Range<usize>,
}

impl Place {
    /// The point where it begins: the place of something that is missing there.
    pub fn start(&self) -> Place {
        Place { file: self.file, span: self.span.start..self.span.start }
    }
}

/// A value with its place. Numbers keep their text.
#[derive(Clone, Debug)]
pub struct Node {
    pub raw: Raw,
    pub place: Place,
}

/// What a value is, before any meaning is given to it.
#[derive(Clone, Debug)]
pub enum Raw {
    Text(String),
    Number(String),
    Flag(bool),
    List(Vec<Node>),
    Table(Vec<(String, Place, Node)>),
    /// Of a type that no key takes.
    Other,
    /// Wrong in a way that has been reported already.
    Spoilt,
}

/// One cell of a CSV file.
#[derive(Clone, Debug)]
pub struct Cell {
    pub text: String,
    pub place: Place,
}

/// All files read so far, and all problems found so far.
#[derive(Debug, Default)]
pub struct Sources {
    files: Vec<(String, String)>,
    pub hashes: Vec<CaseFile>,
    pub problems: Vec<Problem>,
}

impl Sources {
    /// Notes a problem at a place; the offending text is that of the file.
    pub fn problem(&mut self, place: &Place, key: &str, expected: impl Into<String>, hint: impl Into<String>) {
        let (file, text) = &self.files[place.file];
        let start = place.span.start.min(text.len());
        let line_start = text[..start].rfind('\n').map_or(0, |i| i + 1);
        let found = shortened(text.get(start..place.span.end).unwrap_or(""));
        self.problems.push(Problem {
            file: file.clone(),
            line: text[..start].matches('\n').count() + 1,
            column: text[line_start..start].chars().count() + 1,
            key: key.to_string(),
            found,
            expected: expected.into(),
            hint: hint.into(),
            source_line: text[line_start..].lines().next().unwrap_or("").to_string(),
        });
    }

    /// Notes a problem with a file as a whole.
    pub fn file_problem(&mut self, file: &str, found: &str, expected: &str, hint: &str) {
        self.problems.push(Problem {
            file: file.into(),
            line: 0,
            column: 0,
            key: file.into(),
            found: found.into(),
            expected: expected.into(),
            hint: hint.into(),
            source_line: String::new(),
        });
    }

    /// Line number of a place, from 1, and the file's name.
    pub fn line(&self, place: &Place) -> (&str, usize) {
        let (file, text) = &self.files[place.file];
        (file, text[..place.span.start.min(text.len())].matches('\n').count() + 1)
    }

    /// Reads a file below the folder as text; `None` after noting a problem. `cited` is where a file named it.
    pub fn read(&mut self, folder: &Path, name: &str, cited: Option<(&Place, &str)>) -> Option<usize> {
        let path = folder.join(name);
        let found = match std::fs::read(&path) {
            Ok(bytes) => return self.decode(name, &bytes),
            Err(_) if path.is_dir() => "a folder".to_string(),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => "no such file".to_string(),
            Err(error) => error.to_string(),
        };
        let hint = "names are relative to the case folder, and upper and lower case matter";
        match cited {
            Some((place, key)) => {
                let expected = format!("a readable file, but \"{name}\" is: {found}");
                self.problem(place, key, expected, hint);
            }
            None => self.file_problem(name, &found, "a readable file in the case folder", hint),
        }
        None
    }

    /// UTF-8 with or without byte order mark, or UTF-16 with one; anything else is refused with its line.
    fn decode(&mut self, name: &str, bytes: &[u8]) -> Option<usize> {
        let sha256 = Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect();
        self.hashes.push(CaseFile { path: name.into(), sha256 });
        let (encoding, mark) = encoding_rs::Encoding::for_bom(bytes).unwrap_or((encoding_rs::UTF_8, 0));
        if encoding != encoding_rs::UTF_8 {
            let (text, _, bad) = encoding.decode(bytes);
            if bad {
                self.file_problem(name, "a damaged UTF-16 file", "text in UTF-8", "save the file as UTF-8");
                return None;
            }
            return Some(self.add(name, text.into_owned()));
        }
        match std::str::from_utf8(&bytes[mark..]) {
            Ok(text) if text.contains('\0') => {
                let hint = "it looks like UTF-16 without a byte order mark; save the file as UTF-8";
                self.file_problem(name, "bytes of value 0", "text in UTF-8", hint);
                None
            }
            Ok(text) => Some(self.add(name, text.to_string())),
            Err(error) => {
                self.wrong_encoding(name, &bytes[mark..], error.valid_up_to());
                None
            }
        }
    }

    /// Shows the line as windows-1252, the usual source of such bytes.
    fn wrong_encoding(&mut self, name: &str, bytes: &[u8], at: usize) {
        let (text, _, _) = encoding_rs::WINDOWS_1252.decode(bytes);
        // windows-1252 maps each byte to one character, so the offset counts characters there.
        let start = text.char_indices().nth(at).map_or(text.len(), |(i, _)| i);
        let shown = text[start..].chars().next().unwrap_or(' ');
        let file = self.add(name, text.into_owned());
        let place = Place { file, span: start..start + shown.len_utf8() };
        let hint = format!("read as windows-1252 the byte 0x{:02X} is \"{shown}\"; save the file as UTF-8", bytes[at]);
        self.problem(&place, name, "text in UTF-8; the file seems to be in windows-1252", hint);
    }

    fn add(&mut self, name: &str, text: String) -> usize {
        self.files.push((name.to_string(), text));
        self.files.len() - 1
    }

    /// The tree of a TOML file; `None` after noting its syntax errors.
    pub fn toml(&mut self, file: usize) -> Option<Node> {
        let text = self.files[file].1.clone();
        let (table, errors) = DeTable::parse_recoverable(&text);
        let name = self.files[file].0.clone();
        for error in &errors {
            let span = error.span().filter(|s| !s.is_empty()).unwrap_or_else(|| line_around(&text, error.span()));
            let place = Place { file, span };
            let hint = match error.message().contains("duplicate") {
                true => "each key and each table [..] stands once; entries of a list begin with [[..]]",
                false => "texts and quantities stand in quotation marks, as in \"44 mohm\"",
            };
            self.problem(&place, &name, format!("TOML, but: {}", error.message()), hint);
        }
        errors.is_empty().then(|| Node { raw: table_of(table.get_ref(), file), place: Place { file, span: 0..0 } })
    }

    /// The records of a CSV file, header first; blank lines and lines that start with # are left out.
    pub fn csv(&mut self, file: usize) -> Vec<Vec<Cell>> {
        let text = self.files[file].1.clone();
        let name = self.files[file].0.clone();
        let header = text.lines().find(|l| !l.trim().is_empty() && !l.starts_with('#')).unwrap_or("");
        let separator = [',', ';', '\t'].into_iter().rev().max_by_key(|s| header.matches(*s).count()).unwrap_or(',');
        let mut records = Vec::new();
        let mut at = 0;
        while at < text.len() {
            let line = text[at..].lines().next().unwrap_or("");
            if line.trim().is_empty() || line.starts_with('#') {
                at += text[at..].find('\n').map_or(text.len() - at, |i| i + 1);
                continue;
            }
            let (record, next, closed) = csv_record(&text, at, separator, file);
            if !closed {
                let place = record.last().map(|c: &Cell| c.place.clone()).unwrap_or_default();
                self.problem(&place, &name, "a closing quotation mark", "double a quotation mark inside a quoted cell");
            } else {
                records.push(record);
            }
            at = next;
        }
        if let Some(columns) = records.first().map(Vec::len) {
            records.retain(|r| self.right_length(r, columns, separator, &name));
        }
        if records.len() < 2 && self.problems.iter().all(|p| p.file != name) {
            let found = if records.is_empty() { "an empty file" } else { "a header without rows" };
            self.file_problem(&name, found, "a header line and at least one row", "export the table again");
        }
        records
    }

    fn right_length(&mut self, record: &[Cell], columns: usize, separator: char, name: &str) -> bool {
        if record.len() == columns {
            return true;
        }
        let (first, last) = (&record[0].place, &record[record.len() - 1].place);
        let place = Place { file: first.file, span: first.span.start..last.span.end };
        let expected = format!("{columns} fields as in the header, not {}", record.len());
        let hint = match separator {
            ',' if record.len() > columns => {
                "write decimals with a point; a cell that contains a comma stands in quotation marks"
            }
            _ => "an empty cell still needs its separator",
        };
        self.problem(&place, name, expected, hint);
        false
    }
}

/// The line around an empty span.
fn line_around(text: &str, span: Option<Range<usize>>) -> Range<usize> {
    let at = span.map_or(0, |s| s.start).min(text.len());
    let start = text[..at].rfind('\n').map_or(0, |i| i + 1);
    start..text[at..].find('\n').map_or(text.len(), |i| at + i)
}

/// The first line of the offending text, not longer than fits beside its explanation.
fn shortened(found: &str) -> String {
    let line = found.lines().next().unwrap_or("").trim_end();
    match line.char_indices().nth(LONGEST_FOUND) {
        _ if line.is_empty() => "nothing".into(),
        Some((cut, _)) => format!("{}…", &line[..cut]),
        None => line.to_string(),
    }
}

/// Longest offending text shown, in characters.
const LONGEST_FOUND: usize = 70;

/// One record from byte `at`: its cells, where the next begins, and whether every quotation mark is closed.
fn csv_record(text: &str, at: usize, separator: char, file: usize) -> (Vec<Cell>, usize, bool) {
    let (mut cells, mut cell, mut start, mut quoted) = (Vec::new(), String::new(), at, false);
    let mut chars = text[at..].char_indices().map(|(i, c)| (at + i, c)).peekable();
    while let Some((i, c)) = chars.next() {
        match c {
            '"' if quoted && matches!(chars.peek(), Some((_, '"'))) => {
                chars.next();
                cell.push('"');
            }
            '"' if quoted || cell.trim().is_empty() => quoted = !quoted,
            c if c == separator && !quoted => {
                cells.push(finish_cell(text, &mut cell, start..i, file));
                start = i + 1;
            }
            '\n' if !quoted => {
                cells.push(finish_cell(text, &mut cell, start..i, file));
                return (cells, i + 1, true);
            }
            c => cell.push(c),
        }
    }
    cells.push(finish_cell(text, &mut cell, start..text.len(), file));
    (cells, text.len(), !quoted)
}

/// A cell without the white space around it.
fn finish_cell(text: &str, cell: &mut String, span: Range<usize>, file: usize) -> Cell {
    let inside = &text[span.clone()];
    let start = span.start + (inside.len() - inside.trim_start().len());
    let end = (span.start + inside.trim_end().len()).max(start);
    Cell { text: std::mem::take(cell).trim().to_string(), place: Place { file, span: start..end } }
}

fn table_of(table: &DeTable<'_>, file: usize) -> Raw {
    let entry = |(key, value): (&toml::Spanned<toml::de::DeString<'_>>, &toml::Spanned<DeValue<'_>>)| {
        let key_place = Place { file, span: key.span() };
        let mut node = node_of(value, file);
        if matches!(node.raw, Raw::Table(_)) && node.place.span.is_empty() {
            node.place = key_place.clone();
        }
        (key.get_ref().to_string(), key_place, node)
    };
    Raw::Table(table.iter().map(entry).collect())
}

fn node_of(value: &toml::Spanned<DeValue<'_>>, file: usize) -> Node {
    let raw = match value.get_ref() {
        DeValue::String(text) => Raw::Text(text.to_string()),
        DeValue::Integer(number) if number.radix() == 10 => Raw::Number(number.as_str().to_string()),
        DeValue::Float(number) => Raw::Number(number.as_str().to_string()),
        DeValue::Boolean(flag) => Raw::Flag(*flag),
        DeValue::Array(items) => Raw::List(items.iter().map(|item| node_of(item, file)).collect()),
        DeValue::Table(table) => table_of(table, file),
        DeValue::Integer(_) | DeValue::Datetime(_) => Raw::Other,
    };
    Node { raw, place: Place { file, span: value.span() } }
}

/// The known word nearest to the given one, if near enough to be a slip of the pen.
pub fn nearest<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let distinct: HashSet<&str> = known.collect();
    let word = word.to_lowercase();
    // An abbreviation is nearer than its letters say.
    let score = |k: &str| {
        if word.len() > 2 && k.to_lowercase().starts_with(&word) { 1 } else { distance(&word, &k.to_lowercase()) }
    };
    let mut scored: Vec<(usize, &str)> = distinct.into_iter().map(|k| (score(k), k)).collect();
    scored.sort_unstable();
    scored.first().filter(|(d, k)| *d <= 2.max(k.len() / 2)).map(|(_, k)| *k)
}

/// Levenshtein distance in characters.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = std::mem::replace(&mut row[0], i + 1);
        for (j, cb) in b.iter().enumerate() {
            let substituted = diagonal + usize::from(ca != *cb);
            diagonal = row[j + 1];
            row[j + 1] = substituted.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}
