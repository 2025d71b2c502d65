//! Lines below the header: parts with their values, and lines that are none.

use std::collections::{HashMap, HashSet};

use super::answers::{Answers, OPEN, Question, Section};
use super::cell::{self, Cell, POINT, Unread, Value};
use super::columns::{Column, Role};
use super::file::{Grid, Line, Refusal};
use super::header::{self, Header};
use super::offer;
use super::words::{self, Qualifier};
use super::{Entry, LeftOut, Part, dimension_of, key_named};
use crate::case::keys::{Key, Kind};
use crate::model::offer::{Offer, Price};
use crate::units::{Dimension, parse, show};

/// The parts of a table, and the lines that are left out.
#[derive(Debug, Default)]
pub struct Rows {
    /// Parts in the order of the lines.
    pub parts: Vec<Part>,
    /// Lines that cannot be used.
    pub left_out: Vec<LeftOut>,
    /// Lines of one cell, which are titles of sections or remarks.
    pub remarks: Vec<usize>,
    /// Prices and stocks that are not read, with line and cell.
    pub unread: Vec<String>,
}

/// Reads all lines below the header.
///
/// # Errors
/// A [`Refusal`] if another header follows: below it no cell would be what it seems to be.
pub fn read(grid: &Grid, header: &Header, columns: &[Column], answers: &Answers) -> Result<Rows, Refusal> {
    let mut rows = Rows::default();
    let constant = |(key, value): &(String, String)| {
        let key = key_named(key).filter(|_| value.trim() != OPEN)?.path;
        Some(Entry { key, text: value.clone(), column: None })
    };
    let constants: Vec<Entry> = answers.all.iter().filter_map(constant).collect();
    let head = grid.lines.iter().find(|line| line.number == header.line);
    for line in &grid.lines[header.body..] {
        if head.is_some_and(|head| head.cells == line.cells) {
            continue; // the header again, at the top of a printed page
        }
        if line.cells.iter().filter(|cell| !cell.is_empty()).count() == 1 {
            rows.remarks.push(line.number);
            continue;
        }
        if is_other_header(line, columns) {
            return Err(other_header(line.number));
        }
        match part(grid, line, columns, &constants) {
            Ok(part) => rows.parts.push(Part { offer: offer(line, columns, &mut rows.unread), ..part }),
            Err(reason) => rows.left_out.push(LeftOut { line: line.number, reason }),
        }
    }
    Ok(rows)
}

/// Whether a line has titles where values are expected.
fn is_other_header(line: &Line, columns: &[Column]) -> bool {
    let without_digits = |text: &str| !text.is_empty() && !text.contains(|c: char| c.is_ascii_digit());
    let inductance = columns.iter().find(|column| column.key().is_some_and(|key| key.path == "inductance"));
    let is_text = |column: &Column| matches!(line.cell(column.index), Cell::Text(text) if without_digits(text));
    inductance.is_some_and(is_text) && header::understood(line) >= header::FEWEST_UNDERSTOOD
}

fn other_header(number: usize) -> Refusal {
    let hint = "put each table into a file or a sheet of its own";
    Refusal::new(format!("another header in line {number}"), "one table with one header", hint)
}

/// One part, or why it cannot be used.
fn part(grid: &Grid, line: &Line, columns: &[Column], constants: &[Entry]) -> Result<Part, String> {
    let name = name(line, columns)?;
    let say = |reason: String| format!("{name}: {reason}");
    if line.width() > columns.len() {
        return Err(say("more cells than the header has".into()));
    }
    if grid.by_comma && line.cells.len() < columns.len() {
        let reason = format!("{} cells and not {} as in the header", line.cells.len(), columns.len());
        return Err(say(reason));
    }
    let mut entries: Vec<Entry> = Vec::new();
    for column in columns.iter().filter(|column| column.role != Role::Unused) {
        for mut entry in read_cell(line.cell(column.index), column).map_err(say)? {
            if entry.key == "name" {
                entry.text.clone_from(&name);
            }
            add(&mut entries, entry).map_err(say)?;
        }
    }
    if !entries.iter().any(|entry| entry.key == "inductance") {
        return Err(say("no inductance".into()));
    }
    conditions(&mut entries, columns).map_err(say)?;
    for constant in constants {
        if entries.iter().all(|entry| entry.key != constant.key) {
            entries.push(constant.clone());
        }
    }
    whole_group(&mut entries, &["body_length", "body_width", "body_height"]);
    whole_group(&mut entries, &["terminal_length", "terminal_width", "terminal_gap"]);
    Ok(Part { name, line: line.number, sheet: grid.sheet.clone(), entries, offer: Offer::default() })
}

/// What the part of a line is offered for. What is not read is noted: it counts as not stated, and leaves no part out.
fn offer(line: &Line, columns: &[Column], unread: &mut Vec<String>) -> Offer {
    let of = |role: Role| columns.iter().find(|column| column.role == role).map(|of| (of, line.cell(of.index)));
    let mut note = |(column, cell): (&Column, &Cell)| {
        unread.push(format!("line {}, \"{}\": {}", line.number, column.title, cell.text()));
    };
    let stock = of(Role::Stock).and_then(|at| offer::stock(at.1, &at.0.marks).map_err(|_| note(at)).ok()?);
    let price = of(Role::Price).and_then(|at| price(at, of(Role::PiecesOfPrice)).map_err(|_| note(at)).ok()?);
    Offer { price, stock }
}

/// The price of one piece. Where a column says for how many pieces it holds, a price without that number is none.
fn price((column, cell): (&Column, &Cell), beside: Option<(&Column, &Cell)>) -> Result<Option<Price>, Unread> {
    let Some(priced) = offer::price(cell, &column.marks)? else { return Ok(None) };
    let pieces = match beside {
        None => None,
        Some((of, cell)) => match offer::stock(cell, &of.marks)? {
            Some(count) if count.pieces > 0 => Some(count.pieces as f64),
            _ => return refuse("nobody says for how many pieces"),
        },
    };
    let of_one = priced.of_one(column.unit.as_deref().and_then(offer::unit), pieces);
    of_one.map_or_else(|| refuse("no currency"), |price| Ok(Some(price)))
}

/// The name of the part of a line.
fn name(line: &Line, columns: &[Column]) -> Result<String, String> {
    let column = columns.iter().find(|column| column.key().is_some_and(|key| key.path == "name"));
    let cell = column.map_or(&Cell::Empty, |column| line.cell(column.index));
    let first = || line.cells.iter().find(|cell| !cell.is_empty()).map(Cell::text).unwrap_or_default();
    match cell {
        Cell::Empty => Err(format!("no name ({})", first())),
        Cell::Date => Err("the name is a date, into which a spreadsheet may have changed it".into()),
        Cell::Error(error) => Err(format!("the name is the error {error} of a spreadsheet")),
        Cell::Text(text) if text.trim().is_empty() => Err(format!("no name ({})", first())),
        Cell::Text(text) if words::sums_up(text) => Err(format!("{}: it sums up others and is no part", text.trim())),
        Cell::Text(text) if is_rounded(text) => {
            Err(format!("{}: the name is a number that a spreadsheet has rounded", text.trim()))
        }
        Cell::Number(number) if number.fract() != 0.0 || number.abs() >= 1e15 => {
            Err(format!("{number}: the name is a number that a spreadsheet may have rounded"))
        }
        other => {
            let one_line = other.text().split_whitespace().collect::<Vec<_>>().join(" ");
            Ok(crate::visible::visible(&one_line).into_owned())
        }
    }
}

/// "7.44E+11"
fn is_rounded(text: &str) -> bool {
    text.to_lowercase().contains("e+") && text.trim().parse::<f64>().is_ok()
}

/// Adds a value; a second one for the same datum must be the same.
fn add(entries: &mut Vec<Entry>, entry: Entry) -> Result<(), String> {
    let Some(before) = entries.iter().find(|before| before.key == entry.key) else {
        entries.push(entry);
        return Ok(());
    };
    match same_value(before, &entry) {
        true => Ok(()),
        false => Err(format!("{} is {} and {}", entry.key, before.text, entry.text)),
    }
}

/// Whether two texts say the same of one key.
fn same_value(a: &Entry, b: &Entry) -> bool {
    let value = |entry: &Entry| parse(&entry.text, dimension_of(key_named(entry.key)?)?).ok();
    a.text == b.text || value(a).is_some_and(|number| Some(number) == value(b))
}

/// Drop, rise and temperatures that titles state, for the ratings that the line has.
fn conditions(entries: &mut Vec<Entry>, columns: &[Column]) -> Result<(), String> {
    let mut found: Vec<Entry> = Vec::new();
    for column in columns {
        let Some(key) =
            column.key().filter(|key| entries.iter().any(|e| e.key == key.path && e.column == Some(column.index)))
        else {
            continue;
        };
        let said = &column.said;
        let stated: &[(&'static str, &Option<String>)] = match key.path {
            "saturation_current" => &[("saturation_drop", &said.drop), ("saturation_temperature", &said.temperature)],
            "hot_saturation_current" => {
                &[("saturation_drop", &said.drop), ("hot_saturation_temperature", &said.temperature)]
            }
            "heating_current" => &[("heating_rise", &said.rise)],
            "inductance" => &[("tolerance", &said.tolerance)],
            _ => &[],
        };
        let entry = |(key, value): &(&'static str, &Option<String>)| {
            value.as_ref().map(|text| Entry { key, text: text.clone(), column: Some(column.index) })
        };
        found.extend(stated.iter().filter_map(entry));
    }
    found.into_iter().try_for_each(|entry| add(entries, entry))
}

/// Dimensions that say something only together are left out unless all are there.
fn whole_group(entries: &mut Vec<Entry>, group: &[&str]) {
    if group.iter().any(|key| entries.iter().all(|entry| entry.key != *key)) {
        entries.retain(|entry| !group.contains(&entry.key));
    }
}

/// What a cell says, by key.
fn read_cell(cell: &Cell, column: &Column) -> Result<Vec<Entry>, String> {
    if cell.is_empty() {
        return Ok(Vec::new());
    }
    let entry = |key: &'static str, text: String| Entry { key, text, column: Some(column.index) };
    let bad = |reason: Unread| {
        let what = match column.key() {
            Some(key) => key.path,
            None if column.role == Role::Resistances => "dcr",
            None => "size",
        };
        match reason {
            Unread::Marks => format!("{what}: \"{}\" can be read in two ways", cell.text()),
            Unread::Because(why) => format!("{what}: \"{}\": {why}", cell.text()),
        }
    };
    match column.role {
        Role::Unused | Role::Price | Role::PiecesOfPrice | Role::Stock => Ok(Vec::new()),
        Role::Key(key) => match dimension_of(key) {
            None => text_of(cell, key).map(|text| text.into_iter().map(|text| entry(key.path, text)).collect()),
            Some(dimension) => quantity(cell, column, key, dimension)
                .map_err(bad)
                .map(|all| all.into_iter().map(|(key, text)| entry(key, text)).collect()),
        },
        Role::Resistances => resistances(cell, column)
            .map_err(bad)
            .map(|all| all.into_iter().map(|(key, text)| entry(key, text)).collect()),
        Role::Size => {
            size(cell, column).map_err(bad).map(|all| all.into_iter().map(|(key, text)| entry(key, text)).collect())
        }
        Role::Temperatures => temperature(cell, column)
            .map_err(bad)
            .map(|all| all.into_iter().map(|(key, text)| entry(key, text)).collect()),
    }
}

type Found = Result<Vec<(&'static str, String)>, Unread>;

fn refuse<T>(why: &str) -> Result<T, Unread> {
    Err(Unread::Because(why.into()))
}

/// A cell of a column of words.
fn text_of(cell: &Cell, key: &Key) -> Result<Option<String>, String> {
    let text = cell.text();
    match (cell, key.path) {
        (Cell::Date | Cell::Error(_), _) => Err(format!("{}: {text} of a spreadsheet", key.path)),
        _ if words::is_nothing(&text) && key.path != "name" => Ok(None),
        (_, "core") => match words::core(&text) {
            Some(family) => Ok(Some(family.to_string())),
            None => Err(format!("core: \"{text}\" is not ferrite, composite or iron-powder")),
        },
        _ => Ok(Some(text)),
    }
}

/// One quantity of a key, with the tolerance behind it where there is one.
fn quantity(cell: &Cell, column: &Column, key: &'static Key, dimension: Dimension) -> Found {
    if let (Cell::Text(text), "tolerance") = (cell, key.path)
        && let Some(percent) = words::tolerance_letter(text)
    {
        return Ok(vec![("tolerance", format!("{percent} %"))]);
    }
    let values = cell::values(cell, dimension, &column.marks)?;
    let tolerance = values.tolerance.map(|percent| ("tolerance", format!("{percent} %")));
    if tolerance.is_some() && key.path != "inductance" {
        return refuse("a tolerance does not belong there");
    }
    let all = values.all;
    if key.path == "dcr_typical" || key.path == "dcr_max" {
        let usual = if key.path == "dcr_max" { Qualifier::Largest } else { Qualifier::Typical };
        return by_qualifier(all, column, Some(usual));
    }
    let value = match all.as_slice() {
        [] => return Ok(Vec::new()),
        [only] => only,
        _ => return refuse("more than one value"),
    };
    let sides = allowed_bound(key.path);
    if value.bound.is_some_and(|bound| sides != Some(bound)) {
        return refuse("only a bound, not the value");
    }
    let qualified = match value.qualifier {
        None | Some(Qualifier::Typical) => true,
        Some(Qualifier::Least) => sides == Some('>'),
        Some(Qualifier::Largest) => sides == Some('<') || key.path == "max_temperature" || key.path == "tolerance",
    };
    if !qualified {
        return refuse("only a bound, not the value");
    }
    let text = written(value, column, dimension)?;
    Ok([(key.path, text)].into_iter().chain(tolerance).collect())
}

/// Data that are bounds by themselves: the part stands at least this, or is at most that.
fn allowed_bound(key: &str) -> Option<char> {
    match key {
        "self_resonance" | "working_voltage" => Some('>'),
        "body_length" | "body_width" | "body_height" => Some('<'),
        _ => None,
    }
}

/// Winding resistances of which each says what it is, or the title does.
fn resistances(cell: &Cell, column: &Column) -> Found {
    let values = cell::values(cell, Dimension::Resistance, &column.marks)?;
    if values.tolerance.is_some() {
        return refuse("a tolerance does not belong there");
    }
    let mut all = values.all;
    if let ([typical, largest], true) = (all.as_mut_slice(), column.in_order) {
        typical.qualifier = typical.qualifier.or(Some(Qualifier::Typical));
        largest.qualifier = largest.qualifier.or(Some(Qualifier::Largest));
    }
    by_qualifier(all, column, None)
}

fn by_qualifier(all: Vec<Value>, column: &Column, usual: Option<Qualifier>) -> Found {
    let usual = usual.filter(|_| all.len() == 1);
    let mut found = Vec::new();
    for value in &all {
        let key = match (value.qualifier.or(usual), value.bound) {
            (Some(Qualifier::Typical), None) => "dcr_typical",
            (Some(Qualifier::Largest), None | Some('<')) => "dcr_max",
            (None, Some('<')) => "dcr_max",
            _ => return refuse("nobody says whether it is typical or largest"),
        };
        found.push((key, written(value, column, Dimension::Resistance)?));
    }
    Ok(found)
}

/// Length, width and, where it is there, height.
fn size(cell: &Cell, column: &Column) -> Found {
    let Cell::Text(text) = cell else { return refuse("no size such as 7.3 x 6.8 x 4.8") };
    if words::is_nothing(text) {
        return Ok(Vec::new());
    }
    let all = cell::lengths(text, &column.marks)?;
    let keys = ["body_length", "body_width", "body_height"];
    all.iter().zip(keys).map(|(value, key)| Ok((key, written(value, column, Dimension::Length)?))).collect()
}

/// Least temperature in degrees Celsius that a single number in a column of operating temperatures may be the highest of.
const LEAST_HIGHEST_DEGC: f64 = 85.0;

/// The upper end of a range of temperatures.
fn temperature(cell: &Cell, column: &Column) -> Found {
    if let Cell::Text(text) = cell
        && let Some((number, unit)) = cell::upper_end(text)
    {
        return Ok(vec![("max_temperature", format!("{number} {unit}"))]);
    }
    match cell::values(cell, Dimension::Temperature, &column.marks)?.all.as_slice() {
        [] => Ok(Vec::new()),
        [only] if only.number.parse().is_ok_and(|degc: f64| degc >= LEAST_HIGHEST_DEGC) && only.bound != Some('>') => {
            Ok(vec![("max_temperature", written(only, column, Dimension::Temperature)?)])
        }
        _ => refuse("no range of temperatures such as -40 to 125 degC"),
    }
}

/// A value as the case format writes it. The unit of the cell counts before that of the title.
fn written(value: &Value, column: &Column, dimension: Dimension) -> Result<String, Unread> {
    if matches!(dimension, Dimension::Number | Dimension::Ratio) && value.unit.is_empty() {
        return Ok(value.number.clone());
    }
    let point = if dimension == Dimension::Inductance { "uH" } else { "ohm" };
    let of_title = column.unit.as_deref().unwrap_or_default();
    let (unit, known) = match value.unit.as_str() {
        "" => (of_title.to_string(), column.known_unit(dimension).cloned()),
        POINT if of_title.is_empty() || column.known_unit(dimension) == words::unit(point, dimension).as_ref() => {
            (point.to_string(), words::unit(point, dimension))
        }
        POINT => return refuse("the letter in it does not go with the unit of the title"),
        other => {
            let unit = cell::with_symbol(other, dimension);
            let known = words::unit(&unit, dimension);
            (unit, known)
        }
    };
    let Some(unit_known) = known else {
        let why = if unit.is_empty() {
            "no unit, though others have one".to_string()
        } else {
            format!("\"{unit}\" is no unit of {}", dimension.name())
        };
        return refuse(&why);
    };
    match unit_known.factor {
        1.0 => Ok(format!("{} {}", value.number, unit_known.written)),
        100.0 if !value.number.contains(['e', 'E']) => Ok(format!("{}e2 {}", value.number, unit_known.written)),
        factor => {
            let number: f64 = value.number.parse().map_err(|_| Unread::Because("no number".into()))?;
            Ok(format!("{:.9e} {}", number * factor, unit_known.written))
        }
    }
}

/// Parts that stand in several lines: once where they are alike, asked about where they are not.
pub fn once(parts: Vec<Part>, answers: &Answers, questions: &mut Vec<Question>, notes: &mut Vec<String>) -> Vec<Part> {
    let is_chosen = |part: &Part| answers.line_of(&part.name) == Some(part.line);
    let chosen: HashSet<String> = parts.iter().filter(|part| is_chosen(part)).map(|part| part.name.clone()).collect();
    let mut kept: Vec<Part> = Vec::with_capacity(parts.len());
    let mut first: HashMap<String, usize> = HashMap::with_capacity(parts.len());
    let mut lines: HashMap<String, Vec<usize>> = HashMap::new();
    let mut differences: Vec<(usize, String)> = Vec::new();
    for part in parts {
        if chosen.contains(&part.name) && !is_chosen(&part) {
            continue;
        }
        let Some(&before) = first.get(&part.name) else {
            first.insert(part.name.clone(), kept.len());
            kept.push(part);
            continue;
        };
        let twin = &kept[before];
        lines.entry(part.name.clone()).or_insert_with(|| vec![twin.line]).push(part.line);
        if let Some(difference) = difference(twin, &part) {
            differences.push((before, format!("line {} or line {}: {difference}", twin.line, part.line)));
        }
    }
    for (at, remark) in &differences {
        let name = kept[*at].name.clone();
        if questions.iter().all(|question| question.key != name) {
            questions.push(Question { section: Section::Lines, key: name.clone(), remark: remark.clone() });
        }
        lines.remove(&name);
    }
    let mut alike: Vec<(usize, String)> =
        lines.into_iter().map(|(name, all)| (all[0], format!("{name}: lines {}", listed(&all)))).collect();
    alike.sort();
    if let Some((_, one)) = alike.first() {
        let more = if alike.len() > 1 { format!(", and {} more", alike.len() - 1) } else { String::new() };
        notes.push(format!("parts that stand more than once with the same values count once: {one}{more}"));
    }
    kept
}

/// Numbers of lines for people.
pub fn listed(lines: &[usize]) -> String {
    const MOST: usize = 6;
    let shown: Vec<String> = lines.iter().take(MOST).map(usize::to_string).collect();
    let more = if lines.len() > MOST { format!(" and {} more", lines.len() - MOST) } else { String::new() };
    shown.join(", ") + &more
}

/// The first datum in which two lines of one part differ.
fn difference(a: &Part, b: &Part) -> Option<String> {
    let other = |key: &str, part: &Part| part.entries.iter().find(|entry| entry.key == key).cloned();
    let keys = a.entries.iter().chain(&b.entries).map(|entry| entry.key);
    let differs = |key: &&str| match (other(key, a), other(key, b)) {
        (Some(a), Some(b)) => !same_value(&a, &b),
        _ => true,
    };
    let key = keys.filter(|key| *key != "note").find(|key| differs(key))?;
    let said = |part: &Part| other(key, part).map_or("nothing".into(), |entry| short(&entry));
    Some(format!("{key} {} or {}", said(a), said(b)))
}

/// A value for people.
fn short(entry: &Entry) -> String {
    let value = || {
        let dimension = dimension_of(key_named(entry.key)?)?;
        Some(show(parse(&entry.text, dimension).ok()?, dimension))
    };
    value().unwrap_or_else(|| entry.text.clone())
}

/// Whether a key is a flag, whose words are true and false.
pub fn is_flag(key: &str) -> bool {
    key_named(key).is_some_and(|key| key.kind == Kind::Flag)
}
