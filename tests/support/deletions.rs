//! Cases from which a datum is deleted, in the text of their files: the deletion goes through the reader, as that of a person does. What a
//! case states is found by the table of keys.

use presolder::case::keys::{BOARD, Key, Kind, PART};
use presolder::case::{self, Case};
use presolder::error::Error;
use std::path::Path;
use toml::{Table, Value};

const BOARD_FILE: &str = "board.toml";
const PARTS_TOML: &str = "parts.toml";
const PARTS_CSV: &str = "parts.csv";

/// Data of a board that are stated together or not at all.
const TOGETHER: [[&str; 2]; 2] = [
    ["control.current_limit.hiccup_cycles", "control.current_limit.hiccup_pause"],
    ["control.foldback.divisor", "control.foldback"],
];

/// Keys that ask something, or say how it is asked, with all that stands below them: they hold no datum of a part or of the board. What is
/// required cannot be left out anyway. Without the parallel capacitor of an amplifier, or the coupling capacitor of an injected ripple, the case
/// says that none is fitted: another board.
const QUESTIONS: [&str; 15] = [
    "control.compensator.coupling_capacitance",
    "rules",
    "input.step",
    "input.dropout",
    "load",
    "start",
    "stage.coldest_ambient",
    "mechanics.grade",
    "mechanics.fillets",
    "control.compensator.c2",
    "limits",
    "waiver",
    "bench",
    "measure",
    "numerics",
];

/// Soft start of a case that asks for little.
const SHORT_RAMP: &str = "1.2 ms";
/// Numbers of the procedures that keep its runs short.
const LITTLE: [(&str, i64); 2] = [("settling_periods", 90), ("settling_recoveries", 2)];

/// The parts of a case as its files hold them.
#[derive(Clone)]
enum Parts {
    Toml(Table),
    /// Header and rows.
    Csv(Vec<Vec<String>>),
}

/// The files of a case, to be changed.
#[derive(Clone)]
pub struct Files {
    board: Table,
    parts: Parts,
}

/// A step into a tree of values.
#[derive(Clone, Debug, PartialEq)]
enum Step {
    Key(String),
    Entry(usize),
}

/// A datum that a case states.
#[derive(Clone, Debug)]
pub struct Stated {
    /// Row of the table of keys.
    pub key: &'static Key,
    /// The part whose datum it is; `None` for the board's.
    pub part: Option<String>,
    /// Its key with the numbers of entries.
    pub place: String,
    steps: Vec<Step>,
}

fn tree(text: &str) -> Table {
    text.parse().unwrap_or_else(|error| panic!("{error}"))
}

fn read_text(folder: &Path, file: &str) -> String {
    std::fs::read_to_string(folder.join(file)).unwrap_or_else(|error| panic!("{file}: {error}"))
}

/// Header and rows; lines of remarks are left out.
fn records(text: &str) -> Vec<Vec<String>> {
    let mut reader = csv::ReaderBuilder::new().has_headers(false).comment(Some(b'#')).from_reader(text.as_bytes());
    let fields = |record: csv::StringRecord| record.iter().map(str::to_string).collect();
    reader.records().map(|record| fields(record.expect("a row"))).collect()
}

/// The key of a column.
fn column(header: &str) -> &str {
    header.split(" [").next().unwrap_or(header)
}

impl Files {
    /// Those of a folder; what they refer to stays there.
    pub fn of(folder: &Path) -> Files {
        let parts = match folder.join(PARTS_TOML).is_file() {
            true => Parts::Toml(tree(&read_text(folder, PARTS_TOML))),
            false => Parts::Csv(records(&read_text(folder, PARTS_CSV))),
        };
        Files { board: tree(&read_text(folder, BOARD_FILE)), parts }
    }

    /// Those with these texts.
    pub fn of_texts(board: &str, parts: &str) -> Files {
        Files { board: tree(board), parts: Parts::Toml(tree(parts)) }
    }

    /// Asks for little, so that a comparison is quick: steady states and a start, and with `step` the load step. The law holds whatever is
    /// asked.
    pub fn ask_little(&mut self, step: bool) {
        let events =
            [("load", "overload"), ("load", "short"), ("load", "lightest"), ("input", "step"), ("load", "step")];
        for (table, key) in &events[..events.len() - usize::from(step)] {
            if let Some(Value::Table(table)) = self.board.get_mut(*table) {
                table.remove(*key);
            }
        }
    }

    /// The nominal input and the full load alone, and a short ramp at the start.
    pub fn shorten(&mut self) {
        let last =
            |value: &Value| Value::Array(value.as_array().into_iter().flatten().last().cloned().into_iter().collect());
        let (nominal, full) = (self.board["input"]["nominal"].clone(), last(&self.board["load"]["currents"]));
        self.set("input", "voltages", Value::Array(vec![nominal]));
        self.set("load", "currents", full);
        self.set("control", "soft_start", Value::String(SHORT_RAMP.into()));
        for (name, number) in LITTLE {
            self.set("measure", name, Value::Integer(number));
        }
    }

    fn set(&mut self, table: &str, key: &str, value: Value) {
        let table = self.board.entry(table).or_insert(Value::Table(Table::new()));
        table.as_table_mut().expect("a table").insert(key.into(), value);
    }

    /// Writes them into a folder that has what they refer to, and reads the case.
    pub fn read(&self, folder: &Path) -> Result<Case, Error> {
        let write = |file: &str, text: String| std::fs::write(folder.join(file), text).expect("a file");
        write(BOARD_FILE, self.board.to_string());
        match &self.parts {
            Parts::Toml(table) => write(PARTS_TOML, table.to_string()),
            Parts::Csv(rows) => {
                let mut writer = csv::Writer::from_writer(vec![]);
                rows.iter().for_each(|row| writer.write_record(row).expect("a row"));
                write(PARTS_CSV, String::from_utf8(writer.into_inner().expect("rows")).expect("text"));
            }
        }
        case::read(folder)
    }

    /// Every datum of board and parts that they state.
    pub fn stated(&self) -> Vec<Stated> {
        let mut all = vec![];
        list(&self.board, BOARD, "", &mut vec![], &mut |key, steps| all.push(Stated::of(key, None, steps)));
        match &self.parts {
            Parts::Toml(table) => {
                let entries = table.get("part").and_then(Value::as_array).into_iter().flatten();
                for (number, entry) in entries.enumerate().filter_map(|(n, entry)| Some((n, entry.as_table()?))) {
                    let name = entry.get("name").and_then(Value::as_str).unwrap_or_default().to_string();
                    let mut path = vec![Step::Key("part".into()), Step::Entry(number)];
                    list(entry, PART, "", &mut path, &mut |key, steps| {
                        all.push(Stated::of(key, Some(name.clone()), steps));
                    });
                }
            }
            Parts::Csv(rows) => {
                let (header, rows) = rows.split_first().expect("a header");
                for (number, row) in rows.iter().enumerate() {
                    let cells = header.iter().enumerate().filter(|(k, _)| !row[*k].is_empty());
                    let data = cells.filter_map(|(k, head)| {
                        let key = PART.iter().find(|key| key.path == column(head) && holds_a_datum(key))?;
                        let steps = [Step::Entry(number + 1), Step::Entry(k)];
                        Some(Stated { place: key.path.into(), ..Stated::of(key, Some(row[0].clone()), &steps) })
                    });
                    all.extend(data);
                }
            }
        }
        all
    }

    /// The same without a datum, and without what may only be stated with it.
    pub fn without(&self, stated: &Stated) -> Files {
        let mut files = self.clone();
        for [one, other] in TOGETHER {
            if stated.key.path == one {
                let steps: Vec<Step> = other.split('.').map(|name| Step::Key(name.into())).collect();
                remove(&mut files.board, &steps);
            }
        }
        match (&stated.part, &mut files.parts) {
            (None, _) => remove(&mut files.board, &stated.steps),
            (Some(_), Parts::Toml(table)) => remove(table, &stated.steps),
            (Some(_), Parts::Csv(rows)) => {
                if let [Step::Entry(row), Step::Entry(cell)] = stated.steps[..] {
                    rows[row][cell].clear();
                }
            }
        }
        files
    }
}

impl Stated {
    fn of(key: &'static Key, part: Option<String>, steps: &[Step]) -> Stated {
        let of_part = part.is_some();
        let shown = if of_part && steps.len() > 2 { &steps[2..] } else { steps };
        let mut place = String::new();
        for step in shown {
            match step {
                Step::Key(name) if place.is_empty() => place.push_str(name),
                Step::Key(name) => place.push_str(&format!(".{name}")),
                Step::Entry(number) => place.push_str(&format!("[{number}]")),
            }
        }
        Stated { key, part, place, steps: steps.to_vec() }
    }

    /// Its key and whose it is, for people.
    pub fn told(&self) -> String {
        self.part.as_ref().map_or(self.place.clone(), |part| format!("{part}: {}", self.place))
    }
}

/// Whether a key holds a datum, and not a question or a remark.
fn holds_a_datum(key: &Key) -> bool {
    let asks = |question: &&str| {
        key.path.strip_prefix(*question).is_some_and(|rest| matches!(rest.chars().next(), None | Some('.')))
    };
    key.kind != Kind::Text && !QUESTIONS.iter().any(asks)
}

/// Whether the entries of a list are data by themselves; otherwise they are components of the board.
fn has_entries_of_data(key: &Key) -> bool {
    matches!(key.path, "saturation" | "reading")
}

fn list(
    table: &Table,
    keys: &'static [Key],
    path: &str,
    steps: &mut Vec<Step>,
    tell: &mut dyn FnMut(&'static Key, &[Step]),
) {
    for (name, value) in table {
        let path = if path.is_empty() { name.clone() } else { format!("{path}.{name}") };
        let Some(key) = keys.iter().find(|key| key.path == path) else { continue };
        if !holds_a_datum(key) {
            continue;
        }
        steps.push(Step::Key(name.clone()));
        tell(key, steps);
        match (key.kind, value) {
            (Kind::Table, Value::Table(inner)) => list(inner, keys, &path, steps, tell),
            (Kind::Tables, Value::Array(entries)) => {
                for (number, entry) in entries.iter().enumerate() {
                    steps.push(Step::Entry(number));
                    if has_entries_of_data(key) && entries.len() > 1 {
                        tell(key, steps);
                    }
                    if let (Value::Table(inner), false) = (entry, has_entries_of_data(key)) {
                        list(inner, keys, &path, steps, tell);
                    }
                    steps.pop();
                }
            }
            _ => {}
        }
        steps.pop();
    }
}

fn remove(table: &mut Table, steps: &[Step]) {
    let Some((Step::Key(name), rest)) = steps.split_first() else { return };
    let Some((first, after)) = rest.split_first() else {
        table.remove(name);
        return;
    };
    let inner = table.get_mut(name);
    match (first, inner) {
        (Step::Entry(number), Some(Value::Array(entries))) if after.is_empty() => drop(entries.remove(*number)),
        (Step::Entry(number), Some(Value::Array(entries))) => {
            if let Some(Value::Table(inner)) = entries.get_mut(*number) {
                remove(inner, after);
            }
        }
        (Step::Key(_), Some(Value::Table(inner))) => remove(inner, rest),
        _ => {}
    }
}
