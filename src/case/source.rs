//! Files of a case: bytes to text, text to a tree of values that remember where they stand.

use std::collections::{HashMap, HashSet};
use std::fs::File;
use std::io::Read;
use std::ops::Range;
use std::path::{Path, PathBuf};

use toml::de::{DeTable, DeValue};

use super::copies;
use crate::error::{Problem, kind_of};
use crate::model::case::CaseFile;
use crate::sha256;
use crate::visible::visible;

/// Largest file read, in bytes: some hundred thousand parts. Beyond it a slip is likelier than a wish.
const MOST_BYTES: u64 = 32 * 1024 * 1024;
/// Problems of one kind in one file that are told one by one; further ones are counted.
const MOST_ALIKE: usize = 20;
/// Problems that are told one by one in all.
const MOST_TOLD: usize = 500;
/// Longest line shown whole, in bytes; of a longer one this much is shown around the offending text.
const LONGEST_LINE: usize = 1000;
/// Longest key, expectation and hint, in characters: a name or a value in them may be of any length.
const LONGEST_WORDS: usize = 700;

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

/// A file that has been read.
#[derive(Debug)]
struct Source {
    /// Its name as it is shown.
    name: String,
    text: String,
    /// Where its lines begin.
    lines: Vec<usize>,
    /// Whether it is an argument of the command line and no file: its name says everything.
    is_argument: bool,
}

impl Source {
    /// Number of the line, from 0, that holds a byte.
    fn line_of(&self, at: usize) -> usize {
        self.lines.partition_point(|start| *start <= at).max(1) - 1
    }

    /// A line without its end.
    fn line(&self, number: usize) -> &str {
        let end = self.lines.get(number + 1).copied().unwrap_or(self.text.len());
        self.text[self.lines[number]..end].trim_end_matches(['\n', '\r'])
    }
}

/// Why a file was not read.
#[derive(Clone, Debug)]
enum Unread {
    /// What is there instead, and what to do; told wherever the file is named.
    Cannot(String, &'static str),
    /// What is wrong in it has been told.
    Told,
}

/// All files read so far, and all problems found so far.
#[derive(Debug, Default)]
pub struct Sources {
    files: Vec<Source>,
    known: HashMap<String, Result<usize, Unread>>,
    pub hashes: Vec<CaseFile>,
    /// Where copies stand of what is outside of the folder; `None` where the case itself is read.
    elsewhere: Option<PathBuf>,
    pub problems: Vec<Problem>,
    /// Number of all problems, those included that are only counted.
    pub noted: usize,
    /// For each kind of problem in a file, how often it has been met, and the last one that was told.
    met: HashMap<(String, String), (usize, usize)>,
}

impl Sources {
    /// To read copies of a case, of which some stand elsewhere.
    pub fn of_copies(elsewhere: &Path) -> Sources {
        Sources { elsewhere: Some(elsewhere.to_path_buf()), ..Sources::default() }
    }

    /// Notes a problem at a place; the offending text is that of the file.
    pub fn problem(&mut self, place: &Place, key: &str, expected: impl Into<String>, hint: impl Into<String>) {
        self.at(place, key, expected.into(), hint.into(), false);
    }

    /// Notes a problem from which others may follow.
    pub fn cause(&mut self, place: &Place, key: &str, expected: impl Into<String>, hint: impl Into<String>) {
        self.at(place, key, expected.into(), hint.into(), true);
    }

    fn at(&mut self, place: &Place, key: &str, expected: String, hint: String, explains: bool) {
        self.noted += 1;
        let source = &self.files[place.file];
        if let Some(last) = self.untold(source.name.clone(), key) {
            self.problems[last].alike += 1;
            return;
        }
        let source = &self.files[place.file];
        if source.is_argument {
            let found = shortened(source.text.get(place.span.clone()).unwrap_or(""));
            let name = source.name.clone();
            return self.whole(&name, key, found, &expected, &hint, explains);
        }
        let start = place.span.start.min(source.text.len());
        let number = source.line_of(start);
        let (line, before) = (source.line(number), start - source.lines[number]);
        let (source_line, shown_column) = piece(line, before.min(line.len()));
        self.problems.push(Problem {
            file: source.name.clone(),
            line: number + 1,
            column: source.text[start - before..start].chars().count() + 1,
            key: shortened_to(key, LONGEST_WORDS),
            found: shortened(source.text.get(start..place.span.end).unwrap_or("")),
            expected: shortened_to(&expected, LONGEST_WORDS),
            hint: shortened_to(&hint, LONGEST_WORDS),
            source_line,
            shown_column,
            explains,
            alike: 0,
            paste: String::new(),
        });
    }

    /// The problem to count the next one of its kind with, once there have been enough of them; notes that one more is there.
    fn untold(&mut self, file: String, key: &str) -> Option<usize> {
        let kind = (file, shortened_to(kind_of(key), LONGEST_FOUND));
        let full = self.problems.len() >= MOST_TOLD;
        match self.met.get_mut(&kind) {
            Some((count, last)) if full || *count >= MOST_ALIKE => Some(*last),
            None if full => Some(self.problems.len() - 1),
            Some((count, last)) => {
                (*count, *last) = (*count + 1, self.problems.len());
                None
            }
            None => {
                self.met.insert(kind, (1, self.problems.len()));
                None
            }
        }
    }

    /// Notes a problem with a file as a whole.
    pub fn file_problem(&mut self, file: &str, found: &str, expected: &str, hint: &str) {
        self.noted += 1;
        let file = visible(file).into_owned();
        self.whole(&file, &file, found.into(), expected, hint, true);
    }

    /// Adds a problem that has no line.
    fn whole(&mut self, file: &str, key: &str, found: String, expected: &str, hint: &str, explains: bool) {
        self.problems.push(Problem {
            file: file.into(),
            line: 0,
            column: 0,
            key: shortened_to(key, LONGEST_WORDS),
            found,
            expected: shortened_to(expected, LONGEST_WORDS),
            hint: shortened_to(hint, LONGEST_WORDS),
            source_line: String::new(),
            shown_column: 0,
            explains,
            alike: 0,
            paste: String::new(),
        });
    }

    /// Adds lines that answer the last problem to it.
    pub fn paste(&mut self, block: String) {
        self.problems.last_mut().into_iter().for_each(|problem| problem.paste.clone_from(&block));
    }

    /// Does something whose problems are not those of the case.
    pub fn apart<T>(&mut self, work: impl FnOnce(&mut Sources) -> T) -> (T, Vec<Problem>) {
        let (problems, met, noted) = (std::mem::take(&mut self.problems), std::mem::take(&mut self.met), self.noted);
        let result = work(self);
        let found = std::mem::replace(&mut self.problems, problems);
        (self.met, self.noted) = (met, noted);
        (result, found)
    }

    /// Whether a file has been read.
    pub fn has_read(&self, name: &str) -> bool {
        self.hashes.iter().any(|file| file.path == visible(name))
    }

    /// The bytes of a file that is no text of the case format; `None` after noting a problem.
    pub fn bytes(&mut self, folder: &Path, name: &str, cited: Option<(&Place, &str)>) -> Option<Vec<u8>> {
        match bytes_of(&self.place_of(folder, name)) {
            Ok(bytes) => {
                self.hash(&visible(name), &bytes);
                Some(bytes)
            }
            Err((found, hint)) => {
                self.unreadable(name, &found, hint, cited);
                None
            }
        }
    }

    /// Where a file stands that the case names: among copies, one from outside of the folder has another place.
    fn place_of(&self, folder: &Path, name: &str) -> PathBuf {
        let kept = self.elsewhere.as_ref().zip(copies::elsewhere(name));
        kept.map_or_else(|| folder.join(name), |(elsewhere, name)| elsewhere.join(name))
    }

    fn hash(&mut self, name: &str, bytes: &[u8]) {
        self.hashes.push(CaseFile { path: name.into(), sha256: sha256::of(bytes) });
    }

    /// Notes that a file cannot be read, where it was named.
    fn unreadable(&mut self, name: &str, found: &str, hint: &str, cited: Option<(&Place, &str)>) {
        match cited {
            Some((place, key)) => {
                let expected = format!("a readable file, but \"{name}\" is: {found}");
                self.problem(place, key, expected, hint);
            }
            None => self.file_problem(name, found, "a readable file in the case folder", hint),
        }
    }

    /// Line number of a place, from 1, and the file's name.
    pub fn line(&self, place: &Place) -> (&str, usize) {
        let source = &self.files[place.file];
        (&source.name, source.line_of(place.span.start.min(source.text.len())) + 1)
    }

    /// File and line of a place, "board.toml:12", or the argument that it stands in.
    pub fn told(&self, place: &Place) -> String {
        let (name, line) = self.line(place);
        if self.files[place.file].is_argument { name.into() } else { format!("{name}:{line}") }
    }

    /// Files in which lines end in a remark of one word: file, first such line from 1, and how many there are.
    pub fn remarked(&self, word: &str) -> Vec<(&str, usize, usize)> {
        let is_remarked = |line: &str| {
            line.split_once('#').is_some_and(|(value, remark)| {
                !value.trim().is_empty() && remark.split_whitespace().next() == Some(word)
            })
        };
        let of = |source: &'_ Source| {
            let mut lines =
                source.text.lines().enumerate().filter(|(_, line)| is_remarked(line)).map(|(number, _)| number + 1);
            lines.next().map(|first| (first, 1 + lines.count()))
        };
        self.files
            .iter()
            .filter_map(|source| of(source).map(|(first, count)| (source.name.as_str(), first, count)))
            .collect()
    }

    /// Reads a file below the folder as text, once; `None` after noting a problem. `cited` is where a file named it.
    pub fn read(&mut self, folder: &Path, name: &str, cited: Option<(&Place, &str)>) -> Option<usize> {
        let result = match self.known.get(name) {
            Some(known) => known.clone(),
            None => {
                let bytes = bytes_of(&self.place_of(folder, name)).map_err(|(found, hint)| Unread::Cannot(found, hint));
                let result = bytes.and_then(|bytes| self.decode(&visible(name), &bytes).ok_or(Unread::Told));
                self.known.insert(name.to_string(), result.clone());
                result
            }
        };
        match result {
            Ok(file) => return Some(file),
            Err(Unread::Told) => {}
            Err(Unread::Cannot(found, hint)) => self.unreadable(name, &found, hint, cited),
        }
        None
    }

    /// UTF-8 with or without byte order mark, or UTF-16 with one; anything else is refused with its line.
    fn decode(&mut self, name: &str, bytes: &[u8]) -> Option<usize> {
        self.hash(name, bytes);
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
        self.cause(&place, name, "text in UTF-8; the file seems to be in windows-1252", hint);
    }

    /// Adds a text to the files that messages show.
    pub fn add(&mut self, name: &str, text: String) -> usize {
        let lines = std::iter::once(0).chain(text.match_indices('\n').map(|(i, _)| i + 1)).collect();
        self.files.push(Source { name: name.to_string(), text, lines, is_argument: false });
        self.files.len() - 1
    }

    /// Adds an argument of the command line, which messages name in place of file and line.
    pub fn argument(&mut self, name: &str, text: String) -> usize {
        let number = self.add(&shortened_to(name, LONGEST_WORDS), text);
        self.files[number].is_argument = true;
        number
    }

    /// Takes over problems with arguments; the others are handed back.
    pub fn keep_arguments(&mut self, found: Vec<Problem>) -> Vec<Problem> {
        let is_argument =
            |problem: &Problem| self.files.iter().any(|source| source.is_argument && source.name == problem.file);
        let (of_arguments, others): (Vec<Problem>, Vec<Problem>) = found.into_iter().partition(is_argument);
        self.noted += of_arguments.len();
        self.problems.extend(of_arguments);
        others
    }

    /// The tree of a TOML file; `None` after noting its syntax errors.
    pub fn toml(&mut self, file: usize) -> Option<Node> {
        let (text, name) = (self.files[file].text.clone(), self.files[file].name.clone());
        let (table, errors) = DeTable::parse_recoverable(&text);
        for error in &errors {
            let span = error.span().filter(|s| !s.is_empty()).unwrap_or_else(|| line_around(&text, error.span()));
            let place = Place { file, span };
            let hint = match error.message().contains("duplicate") {
                true => "each key and each table [..] stands once; entries of a list begin with [[..]]",
                false => "texts and quantities stand in quotation marks, as in \"44 mohm\"",
            };
            self.cause(&place, &name, format!("TOML, but: {}", error.message()), hint);
        }
        errors.is_empty().then(|| Node { raw: table_of(table.get_ref(), file), place: Place { file, span: 0..0 } })
    }

    /// The records of a CSV file, header first; blank lines and lines that start with # are left out.
    pub fn csv(&mut self, file: usize) -> Vec<Vec<Cell>> {
        let (text, name) = (self.files[file].text.clone(), self.files[file].name.clone());
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
                self.cause(&place, &name, "a closing quotation mark", "double a quotation mark inside a quoted cell");
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

/// The bytes of an ordinary file of sensible size, or what is there instead and what to do.
pub fn bytes_of(path: &Path) -> Result<Vec<u8>, (String, &'static str)> {
    let names = "names are relative to the case folder, and upper and lower case matter";
    let said = |error: std::io::Error| match error.kind() {
        std::io::ErrorKind::NotFound => ("no such file".to_string(), names),
        _ => (error.to_string(), "allow the file to be read"),
    };
    // Looked at before it is opened: a pipe would wait for its writer for ever, a device never ends.
    let found = std::fs::metadata(path).map_err(said)?;
    if found.is_dir() {
        return Err(("a folder".into(), names));
    }
    if !found.is_file() {
        return Err(("a pipe or device".into(), "copy its content into an ordinary file"));
    }
    let mut bytes = Vec::new();
    File::open(path).and_then(|file| file.take(MOST_BYTES + 1).read_to_end(&mut bytes)).map_err(said)?;
    if bytes.len() as u64 > MOST_BYTES {
        let found = format!("a file of more than {} MB", MOST_BYTES >> 20);
        return Err((found, "a file of a case is text of some kilobytes; is it the right one?"));
    }
    Ok(bytes)
}

/// The line, or of a very long one the piece around byte `at`; and the column of that byte in it, from 1.
fn piece(line: &str, at: usize) -> (String, usize) {
    if line.len() <= LONGEST_LINE {
        return (line.to_string(), line[..at].chars().count() + 1);
    }
    let start = line.floor_char_boundary(at.saturating_sub(LONGEST_LINE / 3));
    let end = line.floor_char_boundary((at + LONGEST_LINE).min(line.len()));
    let (before, after) = (if start > 0 { "…" } else { "" }, if end < line.len() { "…" } else { "" });
    let column = before.chars().count() + line[start..at].chars().count() + 1;
    (format!("{before}{}{after}", &line[start..end]), column)
}

/// The first line of the offending text, not longer than fits beside its explanation.
fn shortened(found: &str) -> String {
    let line = found.lines().next().unwrap_or("").trim_end();
    if line.is_empty() { "nothing".into() } else { shortened_to(line, LONGEST_FOUND) }
}

fn shortened_to(text: &str, characters: usize) -> String {
    match text.char_indices().nth(characters) {
        Some((cut, _)) => format!("{}…", &text[..cut]),
        None => text.to_string(),
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

/// The one value of a line of TOML, or what is wrong with the line.
pub fn only_value(line: &str, file: usize) -> Result<Node, String> {
    let table = DeTable::parse(line).map_err(|error| error.message().to_string())?;
    let value = table.get_ref().iter().next().map(|(_, value)| node_of(value, file));
    value.ok_or_else(|| "no value".into())
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
    if word.len() > LONGEST_WORD {
        return None;
    }
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

/// A longer word is no slip of the pen.
const LONGEST_WORD: usize = 100;

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
