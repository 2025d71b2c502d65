//! A case: a folder with the board, its limits and the parts, read and validated into SI values.
//!
//! Nothing physical happens here. The reader collects every problem it can find before it gives up.

mod board;
pub mod calibration;
pub mod captures;
pub mod copies;
mod curves;
pub mod docs;
pub mod keys;
mod lists;
mod loads;
mod parts;
pub mod plausible;
mod protection;
mod rules;
mod settings;
mod source;
pub mod table;
mod walk;

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};

use crate::board::Board;
use crate::engine::cancel::Cancel;
use crate::error::Error;
pub use crate::model::case::*;
use crate::model::doubt;
use crate::parts::Inductor;
use crate::units::show;
use crate::visible::visible_path;
use board::Context;
use copies::Copies;
use lists::Lists;
use plausible::Unlikely;
use settings::Settings;
pub(crate) use source::nearest;
use source::{Node, Sources};
use table::Answers;
use walk::Values;

/// Remark behind a value of a skeleton that is to be replaced.
const TO_REPLACE: &str = "REPLACE";
/// File with the board.
const BOARD_FILE: &str = "board.toml";
/// Parts that a comparison needs: the original and a substitute.
const LEAST_PARTS: usize = 2;
/// Files with the parts; one of them or both.
const PART_FILES: [&str; 2] = ["parts.toml", "parts.csv"];

/// The folder of a case, of which a file may be named.
fn around(named: &Path) -> PathBuf {
    let parent = named.parent().map(|parent| if parent == Path::new("") { Path::new(".") } else { parent });
    let is_case = |parent: &&Path| named.is_file() && parent.join(BOARD_FILE).is_file();
    parent.filter(is_case).unwrap_or(named).to_path_buf()
}

/// The folder of a case, of which a file may be named.
pub fn folder_of(named: &Path) -> PathBuf {
    around(named)
}

/// Reads and validates a case. All values of the result are in SI units.
///
/// # Errors
/// [`Error::Io`] if the folder cannot be read, [`Error::Case`] with every problem found if the case is wrong.
pub fn read(folder: &Path) -> Result<Case, Error> {
    read_with(folder, &[])
}

/// As [`read`], with values put in place of those of the files, each as `KEY=VALUE`: `load.step.to=3 A`,
/// `output.capacitors[0].count=4`, `parts.NAME.inductance=9 uH`.
///
/// # Errors
/// As [`read`]; what is wrong with such a value has the argument in place of file and line.
pub fn read_with(folder: &Path, set: &[String]) -> Result<Case, Error> {
    read_from(Sources::default(), folder, (&[], false), set, LEAST_PARTS)
}

/// The same with the parts of further lists, wherever they are, and with what all lists offer parts for.
///
/// # Errors
/// As [`read_with`].
pub fn read_with_lists(folder: &Path, further: &[PathBuf], set: &[String]) -> Result<Case, Error> {
    read_from(Sources::default(), folder, (further, true), set, LEAST_PARTS)
}

/// As [`read_with`]; the original may be alone, for what needs no substitute.
///
/// # Errors
/// As [`read_with`].
pub fn read_original(folder: &Path, set: &[String]) -> Result<Case, Error> {
    read_from(Sources::default(), folder, (&[], false), set, 1)
}

/// As [`read_with`], from the copies that a result keeps.
///
/// # Errors
/// As [`read_with`].
pub fn read_copies(copies: &Copies, set: &[String]) -> Result<Case, Error> {
    let sources = Sources::of_copies(&copies.elsewhere);
    read_from(sources, &copies.case, (&[], false), set, LEAST_PARTS)
}

/// Copies of all files of a case that has just been read, for its result.
///
/// # Errors
/// As [`copies::collect`].
pub fn copies_of(folder: &Path, case: &Case) -> Result<Vec<(String, Vec<u8>)>, Error> {
    let has_read = |name: &str| case.files.iter().any(|file| file.path == name);
    copies::collect(folder, case, &lists::unread(folder, has_read))
}

fn read_from(
    mut sources: Sources,
    folder: &Path,
    further: (&[PathBuf], bool),
    set: &[String],
    least_parts: usize,
) -> Result<Case, Error> {
    // Who names the file means its folder.
    let folder = &around(folder);
    let io = |source| Error::Io { path: folder.to_path_buf(), action: "read the case folder".into(), source };
    std::fs::read_dir(folder).map_err(io)?;
    let name = folder.canonicalize().map_err(io)?.file_name().map_or("case".into(), |n| visible_path(Path::new(n)));
    let mut settings = Settings::of(&mut sources, set);
    let gathered = gather(&mut sources, folder, further, &mut settings, least_parts);
    match gathered {
        Some(gathered) if sources.problems.is_empty() => {
            Ok(Case { name, set: settings.told(), ..complete(sources, folder, gathered) })
        }
        _ => Err(Error::Case(sorted(sources))),
    }
}

/// What the files of a case hold, before anything absent is filled in.
struct Gathered {
    values: Values,
    board: (Board, Limits, Bench, Numerics),
    context: Context,
    /// Parts in the case format: their values, and as inductors.
    parts: Vec<Values>,
    own: Vec<Inductor>,
    lists: Lists,
    rules: Option<(HouseRules, Vec<DatumOrigin>)>,
    doubts: Vec<String>,
}

/// Reads all files and notes every problem; `None` where board or parts could not be built.
fn gather(
    sources: &mut Sources,
    folder: &Path,
    further: (&[PathBuf], bool),
    settings: &mut Settings,
    least_parts: usize,
) -> Option<Gathered> {
    let mut doubts = Vec::new();
    let mut values = read_board(sources, folder, settings);
    let mut parts = read_parts(sources, folder, values.as_ref(), settings);
    let context = values.as_ref().map(board::context).unwrap_or_default();
    let before = sources.hashes.len();
    let mut board = values.as_mut().and_then(|v| board::build(sources, folder, v, &mut doubts));
    for doubt in &mut doubts {
        *doubt = values.as_ref().map_or_else(String::new, |values| located(sources, values, doubt));
    }
    let own: Vec<Option<Inductor>> = parts.iter_mut().map(|p| parts::build(sources, folder, p, &context)).collect();
    let named = sources.hashes.len();
    let mut lists = Lists::default();
    if let Some(values) = &values {
        let built = board.as_mut().map(|board| &mut board.0);
        let bench = lists::Bench { folder, board: values, built, context: &context, settings };
        lists = read_lists(sources, further, bench, &parts);
    }
    // The files that a board names stand behind the lists, whatever is read first.
    sources.hashes[before..].rotate_left(named - before);
    lists::check_any(sources, &lists);
    let values = values?;
    parts::check_names(sources, &values, &parts, &lists.parts, least_parts);
    lists::original_left_out(sources, &values, &lists);
    let rules = rules::read(sources, folder, &values, settings);
    let listed = lists.parts.iter().map(|part| part.inductor.name.as_str());
    let names: Vec<&str> = parts.iter().map(|part| part.label.as_str()).chain(listed).collect();
    settings.check_taken(sources, &names);
    let own = own.into_iter().collect::<Option<Vec<Inductor>>>()?;
    Some(Gathered { values, board: board?, context, parts, own, lists, rules, doubts })
}

/// The case, with what is absent filled in and what is doubtful said; its name and what was set stay open.
fn complete(sources: Sources, folder: &Path, gathered: Gathered) -> Case {
    let Gathered { mut values, board, context, mut parts, mut own, mut lists, rules, mut doubts } = gathered;
    let (mut board, limits, bench, numerics) = board;
    let mut unlikely = Unlikely::default();
    for (inductor, part) in own.iter_mut().zip(&mut parts) {
        parts::finish(&sources, part, inductor, &mut board, &context, &mut doubts);
        unlikely.look(&sources, &values, part);
    }
    doubts.append(&mut lists.doubts);
    unlikely.append(&mut lists.unlikely);
    let original = values.text("original").unwrap_or("").to_string();
    let fitted = lists.original.as_ref().or_else(|| parts.iter().find(|part| part.label == original));
    doubts.splice(0..0, unlikely.doubts(&sources, &values, fitted));
    let (mut inductors, places, of_parts) = together(&sources, own, parts, &mut lists);
    inductors.sort_by_key(|p| p.name != original); // stable: substitutes keep the order of the files
    fill_board(&sources, &mut values, &mut board, &mut inductors[0], &mut doubts);
    doubts.extend(lists::say(&lists));
    doubts.extend(lists::unnamed(&sources, folder));
    let stated = values.all_numbers();
    let (waivers, readings) = (board::waivers(&values), board::readings(&values));
    let (rules, of_rules) = rules.unzip();
    let mut origins = values.origins;
    origins.reserve_exact(of_parts.iter().map(Vec::len).sum());
    of_parts.into_iter().for_each(|of_part| origins.extend(of_part));
    origins.extend(of_rules.into_iter().flatten());
    Case {
        name: String::new(),
        board,
        fitted: None,
        rules,
        waivers,
        readings,
        cooling: None,
        learned: vec![],
        limits,
        bench,
        numerics,
        stated,
        origins,
        places,
        left_out: lists::left_out(&lists),
        offers: lists.offers,
        warnings: plausible::once(doubts, &inductors),
        parts: inductors,
        files: sources.hashes,
        only_conditions: None,
        set: vec![],
        cancel: Cancel::default(),
    }
}

/// All parts, where each stands, and where their data come from: those of the case first, then those of lists.
fn together(
    sources: &Sources,
    mut own: Vec<Inductor>,
    parts: Vec<Values>,
    lists: &mut Lists,
) -> (Vec<Inductor>, BTreeMap<String, String>, Vec<Vec<DatumOrigin>>) {
    let of_own = parts.iter().zip(&own).map(|(part, inductor)| (inductor, part.place("name")));
    let of_lists = lists.parts.iter().map(|part| (&part.inductor, part.place.clone()));
    let places = of_own.chain(of_lists).map(|(part, place)| (part.name.clone(), sources.told(&place))).collect();
    let mut origins: Vec<Vec<DatumOrigin>> = parts.into_iter().map(|part| part.origins).collect();
    own.reserve_exact(lists.parts.len());
    for part in std::mem::take(&mut lists.parts) {
        origins.push(part.origins);
        own.push(part.inductor);
    }
    (own, places, origins)
}

/// Fills in what is absent of the board, and says what is left of a skeleton.
fn fill_board(
    sources: &Sources,
    values: &mut Values,
    board: &mut Board,
    original: &mut Inductor,
    doubts: &mut Vec<String>,
) {
    let has_room = board::has_room_for_inductances(values);
    if !has_room {
        let doubt = "output.capacitors: no room for the series inductances that are not stated; they are left out";
        doubts.push(located(sources, values, doubt));
    }
    let left = sources.remarked(TO_REPLACE).into_iter().map(|(file, line, count)| {
        format!("{file}:{line}: {count} values are still those of the skeleton, marked {TO_REPLACE}: put your own and take the mark away")
    });
    doubts.splice(0..0, left.collect::<Vec<_>>());
    let is_filled = |key: &str| !(key.starts_with("output") && key.ends_with("esl")) || has_room;
    let filled = doubt::fill(board, original, false, |key| values.absent(key) && is_filled(key));
    parts::list(values, filled, |value, unit| show(value, unit).into());
}

/// A doubt about the board, which begins with the key, with file and line of it.
fn located(sources: &Sources, board: &Values, doubt: &str) -> String {
    let key = doubt.split(": ").next().unwrap_or("");
    format!("{}: {doubt}", plausible::place(sources, board, key))
}

/// Problems in the order of the files, for people who mend them from top to bottom.
fn sorted(sources: Sources) -> Vec<crate::error::Problem> {
    let places: HashMap<&str, usize> = sources.hashes.iter().enumerate().map(|(i, h)| (h.path.as_str(), i)).collect();
    let order = |file: &str| places.get(file).copied().unwrap_or(usize::MAX);
    let mut problems = sources.problems;
    problems.sort_by_key(|p| (order(&p.file), p.line, p.column));
    problems.dedup();
    problems
}

fn read_board(sources: &mut Sources, folder: &Path, settings: &mut Settings) -> Option<Values> {
    if !folder.join(BOARD_FILE).try_exists().unwrap_or(true) {
        let hint = "`presolder new FOLDER` writes a case to begin with, into a new folder";
        sources.file_problem(BOARD_FILE, "no such file", "the board of the case", hint);
        return None;
    }
    let file = sources.read(folder, BOARD_FILE, None)?;
    let mut tree = sources.toml(file)?;
    settings.put_in_board(sources, &mut tree);
    Some(walk::walk(sources, keys::BOARD, &tree, ""))
}

/// The values of each part, from `parts.toml` first.
fn read_parts(sources: &mut Sources, folder: &Path, board: Option<&Values>, settings: &mut Settings) -> Vec<Values> {
    let present: Vec<&str> = PART_FILES.into_iter().filter(|f| folder.join(f).try_exists().unwrap_or(true)).collect();
    let listed = board.is_none_or(|board| !sources.apart(|sources| lists::files(sources, folder, board)).0.is_empty());
    if present.is_empty() && !listed {
        let hint =
            "the parts stand in parts.toml, in parts.csv, or in a table that board.toml names (CSV, tab, XLSX, ODS)";
        sources.file_problem(PART_FILES[0], "neither parts.toml nor a table of parts", "a file with the parts", hint);
    }
    let mut nodes: Vec<Node> = Vec::new();
    for name in present.into_iter().filter(|name| !name.ends_with(".csv") || lists::is_own(folder)) {
        let Some(file) = sources.read(folder, name, None) else { continue };
        nodes.extend(if name.ends_with(".csv") {
            parts::nodes_of_csv(sources, file)
        } else {
            parts::nodes_of_toml(sources, file)
        });
    }
    for node in &mut nodes {
        if let Some(name) = parts::name_of(node) {
            settings.put_in_part(sources, &name, node);
        }
    }
    let label = |i: usize, node: &Node| parts::name_of(node).unwrap_or(format!("part {}", i + 1));
    nodes.iter().enumerate().map(|(i, node)| walk::walk(sources, keys::PART, node, &label(i, node))).collect()
}

/// The parts of tables as they come.
fn read_lists(
    sources: &mut Sources,
    (further, offers): (&[PathBuf], bool),
    mut bench: lists::Bench<'_>,
    before: &[Values],
) -> Lists {
    let mut lists = Lists::default();
    let (folder, board) = (bench.folder, bench.board);
    let files = lists::files(sources, folder, board);
    let noted = sources.noted;
    let answers = Answers { offers, ..lists::answers(sources, board) };
    if sources.noted > noted {
        return lists;
    }
    for (name, cited) in &files {
        lists::read(sources, folder, (name, cited.as_ref()), &answers, &mut bench, before, &mut lists);
    }
    for list in further {
        let name = list.to_string_lossy();
        lists::read(sources, Path::new(""), (&name, None), &answers, &mut bench, before, &mut lists);
    }
    if sources.noted == noted {
        lists::check_titles(sources, board, &lists);
    }
    lists
}

/// The key of a problem without the part's name before it.
fn error_key(problem: &crate::error::Problem) -> &str {
    crate::error::kind_of(&problem.key)
}
