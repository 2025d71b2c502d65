//! Tables of parts in a case: which files there are, what `[parts]` says of them, and their lines as parts.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::ops::Range;
use std::path::Path;

use super::board::Context;
use super::keys::PART;
use super::parts;
use super::plausible::Unlikely;
use super::settings::Settings;
use super::source::{Node, Place, Raw, Sources, nearest};
use super::table::{self, Answers, Entry, LeftOut, List, Part, Shown};
use super::walk::{Values, walk};
use crate::model::board::Board;
use crate::model::case::DatumOrigin;
use crate::model::offer::Offer;
use crate::model::parts::Inductor;
use crate::visible::visible;

/// Names under which a table is read without being named in `board.toml`, where there is neither `parts.toml` nor `parts.csv`: beside
/// those it may be what they were made from.
const ALONE: [&str; 3] = ["parts.xlsx", "parts.ods", "parts.tsv"];
/// The one table that may also be in the case format.
const CSV: &str = "parts.csv";
/// Endings of files that hold tables.
const ENDINGS: [&str; 8] = ["csv", "tsv", "xlsx", "xlsm", "xlsb", "xls", "ods", "ots"];
/// Lines that cannot be used, as far as they are told one by one.
const MOST_TOLD: usize = 10;

/// What came of the tables of a case.
#[derive(Default)]
pub struct Lists {
    /// The parts.
    pub parts: Vec<Listed>,
    /// Lines that cannot be used: file as it is shown, line, why.
    pub left_out: Vec<(String, LeftOut)>,
    /// What a reader should know, with the file before it.
    pub notes: Vec<String>,
    /// The tables that have been read.
    pub names: Vec<String>,
    /// Titles and letters of their columns.
    pub titles: Vec<String>,
    /// What parts are offered for, by name.
    pub offers: BTreeMap<String, Vec<Offer>>,
    /// Doubts about the parts, in their order.
    pub doubts: Vec<String>,
    /// What is possible and not likely about them.
    pub unlikely: Unlikely,
    /// Values of the original, where it stands in a table.
    pub original: Option<Values>,
}

/// A part of a table, and what is left of its line once it has been read: a long list has many.
pub struct Listed {
    /// The part.
    pub inductor: Inductor,
    /// Where its data come from.
    pub origins: Vec<DatumOrigin>,
    /// Where its name stands.
    pub place: Place,
}

/// What the lines of a table are made into parts with.
pub struct Bench<'a> {
    /// Folder of the case.
    pub folder: &'a Path,
    /// What `board.toml` says.
    pub board: &'a Values,
    /// The board, where it could be built: without it nothing absent is filled in.
    pub built: Option<&'a mut Board>,
    /// What a part must know of the board.
    pub context: &'a Context,
    /// What the command line sets.
    pub settings: &'a mut Settings,
}

/// The tables to be read: those that `board.toml` names, and those of a usual name.
pub fn files(sources: &mut Sources, folder: &Path, board: &Values) -> Vec<(String, Option<Place>)> {
    let mut all: Vec<(String, Option<Place>)> = Vec::new();
    let is_there = |name: &str| folder.join(name).try_exists().unwrap_or(true);
    if is_there(CSV) && !is_own(folder) {
        all.push((CSV.into(), None));
    } else if !is_there(CSV) && !is_there("parts.toml") && board.absent("parts.table") {
        all.extend(ALONE.iter().find(|name| is_there(name)).map(|name| (name.to_string(), None)));
    }
    for cell in board.texts("parts.table").unwrap_or_default() {
        if Path::new(&cell.text).is_absolute() {
            let hint = "for example table = \"../lists/inductors.xlsx\": who checks the record has other folders";
            sources.problem(&cell.place, "parts.table", "a path relative to the case", hint);
        } else if all.iter().all(|(name, _)| *name != cell.text) {
            all.push((cell.text.clone(), Some(cell.place.clone())));
        }
    }
    all
}

/// Whether `parts.csv` is in the case format: each title is a key, or at least half of them are to the letter.
pub fn is_own(folder: &Path) -> bool {
    let Ok(bytes) = super::source::bytes_of(&folder.join(CSV)) else { return true };
    if table::is_windows_1252(&bytes) {
        return false;
    }
    let Ok(text) = table::decode(&bytes) else { return false };
    let Some(header) = text.lines().find(|line| !line.trim().is_empty() && !line.starts_with('#')) else { return true };
    let separator = [',', ';', '\t'].into_iter().rev().max_by_key(|s| header.matches(*s).count()).unwrap_or(',');
    let titles: Vec<&str> = header.split(separator).map(|title| title.trim().trim_matches('"')).collect();
    let is_key = |name: &str| PART.iter().any(|key| key.path == name);
    let to_the_letter =
        titles.iter().filter(|title| is_key(title.split(['[', '(']).next().unwrap_or("").trim())).count();
    titles.iter().all(|title| is_key(&super::curves::split_header(title).0)) || 2 * to_the_letter >= titles.len()
}

/// What `[parts]` of `board.toml` says; notes answers that are none.
pub fn answers(sources: &mut Sources, board: &Values) -> Answers {
    let texts = |path: &str| board.texts(path).unwrap_or_default().iter().map(|cell| cell.text.clone()).collect();
    let pairs = |path: &str| -> Vec<(String, Place, String)> { board.pairs(path).unwrap_or_default().to_vec() };
    let mut answers = Answers {
        sheets: texts("parts.sheets"),
        header: board.number("parts.header").map(|number| number as usize),
        decimal: board.text("parts.decimal").map(|word| if word == "comma" { ',' } else { '.' }),
        ..Answers::default()
    };
    answers.columns = pairs("parts.columns").into_iter().map(|(title, _, meaning)| (title, meaning)).collect();
    for (part, place, line) in pairs("parts.lines") {
        match line.trim().trim_start_matches("line").trim().parse() {
            Ok(line) => answers.lines.push((part, line)),
            Err(_) if line.trim() == table::answers::OPEN => {}
            Err(_) => sources.problem(&place, "parts.lines", "the number of a line", "for example \"Teal-10\" = 14"),
        }
    }
    let all = pairs("parts.all");
    check_constants(sources, &all);
    answers.all = all
        .into_iter()
        .map(|(key, _, value)| (key, value))
        .filter(|(_, value)| value.trim() != table::answers::OPEN)
        .collect();
    answers
}

/// What holds for all parts is wrong once, and not once a part.
fn check_constants(sources: &mut Sources, all: &[(String, Place, String)]) {
    for (key, place, value) in all.iter().filter(|(_, _, value)| value.trim() != table::answers::OPEN) {
        if !PART.iter().any(|known| known.path == key && table::is_plain(known)) {
            let near = nearest(key, PART.iter().map(|known| known.path)).map(|near| format!("did you mean {near}?"));
            sources.problem(place, &format!("parts.all.{key}"), "a key of a part", near.unwrap_or_default());
            continue;
        }
        let node = Node { raw: Raw::Text(value.clone()), place: place.clone() };
        let root = Node { raw: Raw::Table(vec![(key.clone(), place.clone(), node)]), place: place.clone() };
        let (_, found) = sources.apart(|sources| walk(sources, PART, &root, "parts.all"));
        for problem in found.into_iter().filter(|problem| super::error_key(problem) == key) {
            sources.problem(place, &problem.key, problem.expected, problem.hint);
        }
    }
}

/// Reads one table; its parts go behind those that are there.
pub fn read(
    sources: &mut Sources,
    folder: &Path,
    file: (&str, Option<&Place>),
    answers: &Answers,
    bench: &mut Bench<'_>,
    before: &[Values],
    lists: &mut Lists,
) {
    let (name, cited) = file;
    let Some(bytes) = sources.bytes(folder, name, cited.map(|place| (place, "parts.table"))) else { return };
    let shown = visible(name).into_owned();
    match table::read(name, &bytes, answers) {
        Err(refusal) => sources.file_problem(name, &refusal.found, &refusal.expected, &refusal.hint),
        Ok(list) if !list.questions.is_empty() => ask(sources, &shown, &list),
        Ok(list) => {
            drop(bytes);
            lists.names.push(name.to_string());
            lists.titles.extend(list.titles.iter().cloned());
            take(sources, &shown, list, bench, before, lists);
        }
    }
}

/// One message with everything that is to be said.
fn ask(sources: &mut Sources, name: &str, list: &List) {
    let count = list.questions.len();
    let found = if count == 1 {
        "one thing that is not certain".into()
    } else {
        format!("{count} things that are not certain")
    };
    let hint = "add these lines to board.toml, each below its header, and put the answer in place of each \"?\"";
    sources.file_problem(name, &found, "an answer to each", hint);
    sources.paste(table::answers::block(&list.questions));
}

/// Answers about columns that no table has.
pub fn check_titles(sources: &mut Sources, board: &Values, lists: &Lists) {
    let named = board.pairs("parts.columns").unwrap_or_default().to_vec();
    for (title, place, _) in
        named.iter().filter(|(title, ..)| !lists.titles.iter().any(|known| table::answers::same(known, title)))
    {
        let near =
            nearest(title, lists.titles.iter().map(String::as_str)).map(|near| format!("did you mean \"{near}\"?"));
        sources.problem(
            place,
            "parts.columns",
            "the title of a column, or \"column\" and its letter",
            near.unwrap_or_default(),
        );
    }
}

/// Lines become parts; one that the table of keys refuses, or that can be no inductor, is left out with the reason.
fn take(
    sources: &mut Sources,
    name: &str,
    mut list: List,
    bench: &mut Bench<'_>,
    before: &[Values],
    lists: &mut Lists,
) {
    let sheets = show_lines(sources, name, std::mem::take(&mut list.shown));
    let constants: HashMap<&str, Place> = bench
        .board
        .pairs("parts.all")
        .unwrap_or_default()
        .iter()
        .map(|(key, place, _)| (key.as_str(), place.clone()))
        .collect();
    let file_of = |sheet: &str| if sheet.is_empty() { name.to_string() } else { format!("{name}, sheet {sheet}") };
    lists.notes.extend(list.notes.iter().map(|note| format!("{name}: {note}")));
    let listed = lists.parts.iter().map(|part| part.inductor.name.clone());
    let known: HashSet<String> = before.iter().map(|part| part.label.clone()).chain(listed).collect();
    lists.left_out.extend(list.left_out.drain(..).map(|left| (name.to_string(), left)));
    for (part, offer) in list.offers {
        lists.offers.entry(part).or_default().push(offer);
    }
    for part in list.parts {
        let (line, sheet, label) = (part.line, part.sheet.clone(), part.name.clone());
        let found = match known.contains(&label) {
            true => bench.known(sources, node(part, &sheets, &constants), &label),
            false => bench.part(sources, node(part, &sheets, &constants), &label, lists),
        };
        match found {
            Ok(part) => lists.parts.push(part),
            Err(reason) => {
                lists.left_out.push((file_of(&sheet), LeftOut { line, reason: format!("{label}: {reason}") }));
            }
        }
    }
}

impl Bench<'_> {
    /// A line as a part, or why it is none. What is wrong with an argument is noted.
    fn part(
        &mut self,
        sources: &mut Sources,
        mut node: Node,
        label: &str,
        lists: &mut Lists,
    ) -> Result<Listed, String> {
        self.settings.put_in_part(sources, label, &mut node);
        let ((mut values, built), found) = sources.apart(|sources| {
            let mut values = walk(sources, PART, &node, label);
            // What the table of keys refuses says enough.
            let is_sound = sources.problems.is_empty();
            let built = if is_sound { parts::build(sources, self.folder, &mut values, self.context) } else { None };
            (values, built)
        });
        let found = sources.keep_arguments(found);
        let (Some(mut inductor), None) = (built, reason(&found)) else {
            return Err(reason(&found).unwrap_or_else(|| "data are missing".into()));
        };
        if let Some(board) = self.built.as_deref_mut() {
            parts::finish(sources, &mut values, &mut inductor, board, self.context, &mut lists.doubts);
            lists.unlikely.look(sources, self.board, &values);
        }
        let (place, mut origins) = (values.place("name"), std::mem::take(&mut values.origins));
        origins.shrink_to_fit();
        if self.board.text("original") == Some(label) {
            lists.original = Some(values);
        }
        Ok(Listed { inductor, origins, place })
    }

    /// A line about a part that is there already: nothing comes of it, but what is wrong with an argument is noted.
    fn known(&mut self, sources: &mut Sources, mut node: Node, label: &str) -> Result<Listed, String> {
        self.settings.put_in_part(sources, label, &mut node);
        let (_, found) = sources.apart(|sources| walk(sources, PART, &node, label));
        sources.keep_arguments(found);
        Err("a part of that name has been read before".into())
    }
}

/// The first problem in the words of a list.
pub fn reason(found: &[crate::error::Problem]) -> Option<String> {
    let first = found.first()?;
    let hint = if first.hint.is_empty() { String::new() } else { format!(" ({})", first.hint) };
    Some(format!("{}: found {}, expected {}{hint}", super::error_key(first), first.found, first.expected))
}

/// A sheet whose lines messages show, by its number among the files.
type Sheets = Vec<(usize, Shown)>;

/// Adds the lines to the files that messages show.
fn show_lines(sources: &mut Sources, name: &str, shown: Vec<Shown>) -> Sheets {
    let add = |mut sheet: Shown| {
        let of = &sheet.sheet;
        let title = if of.is_empty() { name.to_string() } else { format!("{name}, sheet {of}") };
        (sources.add(&title, std::mem::take(&mut sheet.text)), sheet)
    };
    shown.into_iter().map(add).collect()
}

/// A part as a tree, whose values stand where their cells stand.
fn node(part: Part, sheets: &Sheets, constants: &HashMap<&str, Place>) -> Node {
    let of = sheets.iter().find(|(_, shown)| shown.sheet == part.sheet);
    let (file, spans) = of.map_or((0, &[][..]), |(file, shown)| (*file, shown.cells(part.line)));
    let bytes = |span: &Range<u32>| span.start as usize..span.end as usize;
    let ends = spans.first().zip(spans.last()).map_or(0..0, |(first, last)| first.start..last.end);
    let whole = Place { file, span: bytes(&ends) };
    let entry = |entry: Entry| {
        let of_cell = entry.column.and_then(|column| spans.get(column)).map(|span| Place { file, span: bytes(span) });
        let place = of_cell.or_else(|| constants.get(entry.key).cloned()).unwrap_or_else(|| whole.clone());
        (entry.key.to_string(), place.clone(), Node { raw: raw(entry), place })
    };
    Node { raw: Raw::Table(part.entries.into_iter().map(entry).collect()), place: whole.clone() }
}

/// A value; the words true and false of a flag are no text.
fn raw(entry: Entry) -> Raw {
    let is = |words: [&str; 2]| words.iter().any(|word| entry.text.trim().eq_ignore_ascii_case(word));
    match (is(["true", "yes"]), is(["false", "no"])) {
        (true, _) if table::is_flag(entry.key) => Raw::Flag(true),
        (_, true) if table::is_flag(entry.key) => Raw::Flag(false),
        _ => Raw::Text(entry.text),
    }
}

/// Everything that a reader should know, the lines that are left out last.
pub fn say(lists: &Lists) -> Vec<String> {
    let mut said = lists.notes.clone();
    let count = lists.left_out.len();
    if count > 0 {
        let are = if count == 1 { "1 line is".to_string() } else { format!("{count} lines are") };
        said.push(format!("{}: {are} left out", lists.left_out[0].0));
    }
    said.extend(without_core(lists));
    said.extend(left_out(lists).into_iter().take(MOST_TOLD));
    if count > MOST_TOLD {
        said.push(format!("{}: and {} more lines that are left out", lists.left_out[0].0, count - MOST_TOLD));
    }
    said
}

/// How many lines name no family of a core, and what answers for all of them.
fn without_core(lists: &Lists) -> Option<String> {
    let lacks = |(_, left): &&(String, LeftOut)| left.reason.contains(": core: found nothing");
    let mut all = lists.left_out.iter().filter(lacks);
    let (first, count) = (all.next()?, 1 + all.count());
    let are = if count == 1 { "1 of them names".to_string() } else { format!("{count} of them name") };
    Some(format!(
        "{}: {are} no core family: core = \"ferrite\", \"composite\" or \"iron-powder\" below [parts.all] in board.toml holds for each line that names none",
        first.0
    ))
}

/// Every line that cannot be used, in the order of files and lines.
pub fn left_out(lists: &Lists) -> Vec<String> {
    let mut all: Vec<&(String, LeftOut)> = lists.left_out.iter().collect();
    all.sort_by_key(|(file, left)| (file, left.line));
    all.into_iter().map(|(file, left)| format!("{file}:{}: {}", left.line, left.reason)).collect()
}

/// Tables in the folder that nothing names.
pub fn unnamed(sources: &Sources, folder: &Path) -> Vec<String> {
    let said = |name: &String| {
        format!(
            "{0}: a table that is not read; table = \"{0}\" below [parts] in board.toml has its parts read",
            visible(name)
        )
    };
    unread(folder, |name| sources.has_read(name)).iter().map(said).collect()
}

/// Names of the tables in the folder that have not been read.
pub fn unread(folder: &Path, has_read: impl Fn(&str) -> bool) -> Vec<String> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut names: Vec<String> =
        entries.flatten().map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
    names.retain(|name| {
        ENDINGS.contains(&table::ending(name).as_str()) && !name.starts_with(['.', '~']) && !has_read(name)
    });
    names.sort();
    names
}

/// Notes a problem where no line of the tables can be used. Where there are other problems, that may come of them.
pub fn check_any(sources: &mut Sources, lists: &Lists) {
    let Some(name) = lists.names.first().filter(|_| lists.parts.is_empty() && sources.problems.is_empty()) else {
        return;
    };
    let found = match lists.left_out.len() {
        0 => "a header without rows".to_string(),
        count => format!("no line that can be used, of {count}"),
    };
    let hint = lists.left_out.first().map(|(_, first)| format!("line {}: {}", first.line, first.reason));
    sources.file_problem(name, &found, "at least one part", &hint.unwrap_or_else(|| "export the table again".into()));
}

/// Where the original is among the lines that are left out, that is why it is not found.
pub fn original_left_out(sources: &mut Sources, board: &Values, lists: &Lists) {
    let Some(original) = board.text("original") else { return };
    let begins = format!("{original}: ");
    let Some((file, left)) = lists.left_out.iter().find(|(_, left)| left.reason.starts_with(&begins)) else { return };
    let hint = format!("{file}, line {}, cannot be used: {}", left.line, left.reason);
    sources
        .problems
        .iter_mut()
        .filter(|problem| problem.key == "original")
        .for_each(|problem| problem.hint.clone_from(&hint));
}
