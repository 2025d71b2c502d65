//! Every number of every demo comparison against the one that is kept in `tests/frozen/numbers`: whoever changes the engine sees what
//! that does to the answers. A kept number says nothing about being right.
//!
//! `PRESOLDER_FREEZE=1 cargo test --test compare numbers_of` writes the files anew; what the same command says before, without the variable, is the
//! list of deviations that a deliberate change has to explain.

use presolder::case;
use presolder::corridor::Depth;
use presolder::engine::steady::WATCHED_PERIODS;
use presolder::record;
use presolder::record::layout::{ConditionRecord, Curves, PartRecord, QuantityRow, Record, ValueRecord};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::fmt::{Display, Formatter, Write};
use std::path::{Path, PathBuf};

/// Relative tolerance of every number: ten times the residual at which an orbit is taken as periodic
/// (`presolder::engine::steady::ORBIT_RESIDUAL`), to which all arithmetic in double precision agrees across machines.
const SAME: f64 = 1e-9;
/// Of multipliers: a pair of eigenvalues that nearly meet moves by the root of what the map moves by.
const SAME_EIGENVALUE: f64 = 1e-6;
/// Of a waveform that never repeats, watched over a fixed number of periods: twice the largest deviation (12 %, a ripple) among
/// comparisons whose input differs in the tenth digit and later.
const NEVER_REPEATS: f64 = 0.25;
/// Factor within which a count of limited pulses stays where the waveform at the end of the start never repeats; 1.4 was seen.
const NEVER_REPEATS_COUNT: f64 = 1.0;

/// Absolute tolerance in SI units: rounding of what is a difference of larger numbers (volts of tens, amperes of tens) after
/// thousands of cycles.
const ROUNDING: f64 = 1e-11;
/// Absolute tolerance in seconds of a time between two instants, each located to 1 ps or better.
const INSTANT_S: f64 = 2e-12;
/// Absolute tolerance of a change (a fraction, or a difference in degrees or decibels of numbers up to some hundreds).
const ROUNDING_OF_CHANGE: f64 = 1e-7;
/// Absolute tolerance of a change divided by what a bench resolves: that is down to a thousandth of the value.
const ROUNDING_OF_RESOLUTIONS: f64 = 1e-5;

/// Quantities that count or tell yes from no: they are what they were.
const COUNTS: [&str; 5] = ["periods", "discontinuous", "start_limited", "undelivered", "runs"];
/// Fields of a row's cell that are kept. Places and changes' places are text.
const CELL_FIELDS: [&str; 9] = [
    "value",
    "uncertainty",
    "bound",
    "change",
    "change_bound",
    "share_of_limit",
    "absolute",
    "relative",
    "change_in_resolutions",
];

/// What a number belongs to, in the words of the record.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
struct Key {
    part: String,
    condition: String,
    corner: String,
    input_v: String,
    load_a: String,
    quantity: String,
}

impl Display for Key {
    fn fmt(&self, f: &mut Formatter) -> std::fmt::Result {
        let Key { part, condition, corner, input_v, load_a, quantity } = self;
        write!(f, "{part};{condition};{corner};{input_v};{load_a};{quantity}")
    }
}

impl Key {
    fn parse(words: &[&str]) -> Key {
        let [part, condition, corner, input_v, load_a, quantity] =
            words.iter().map(ToString::to_string).collect::<Vec<_>>().try_into().expect("six words make a key");
        Key { part, condition, corner, input_v, load_a, quantity }
    }

    fn of_part(part: &Value, condition: &str) -> Key {
        Key { part: word(part), condition: condition.into(), ..Key::default() }
    }

    fn with(&self, quantity: &str) -> Key {
        Key { quantity: quantity.into(), ..self.clone() }
    }

    /// Part, corner and input: what the waveforms of different loads and events have in common.
    fn group(&self) -> Key {
        Key { condition: String::new(), load_a: String::new(), quantity: String::new(), ..self.clone() }
    }
}

/// A number as the record prints it, or a word; nothing where there is none. Of a bound its number, of what was not computed why.
fn word(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::Object(only) => only.values().next().map_or_else(String::new, word),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

fn items(value: &Value) -> &[Value] {
    value.as_array().expect("a list").as_slice()
}

type Numbers = Vec<(Key, String)>;

fn numbers(record: &Record, curves: &Curves) -> Numbers {
    let tree = plain(record);
    let mut numbers = results(&tree);
    numbers.extend(losses(curves));
    numbers.extend(rows(&tree));
    numbers.extend(verdicts(&tree));
    let runs = Key { condition: "energy book".into(), quantity: "runs".into(), ..Key::default() };
    numbers.push((runs, word(&tree["energy_book"]["runs"])));
    numbers
}

/// What is kept of a record, as lists in place of the columns in which it is published.
fn plain(record: &Record) -> Value {
    let value = |value: &ValueRecord| json!({"quantity": value.quantity, "value": value.value});
    let result = |result: &ConditionRecord| {
        json!({
            "condition": result.condition,
            "corner": result.corner,
            "input_v": result.input_v,
            "load_a": result.load_a,
            "winding_degc": result.winding_degc,
            "values": result.values.iter().map(value).collect::<Vec<_>>(),
        })
    };
    let part =
        |part: &PartRecord| json!({"name": part.name, "results": part.results.iter().map(result).collect::<Vec<_>>()});
    let row = |row: &QuantityRow| {
        let cells: Vec<Value> = row.cells.iter().map(|cell| json!(cell)).collect();
        json!({"quantity": row.quantity, "limit": row.limit, "cells": cells})
    };
    json!({
        "parts": record.parts.iter().map(part).collect::<Vec<_>>(),
        "quantities": record.quantities.iter().map(row).collect::<Vec<_>>(),
        "verdicts": record.verdicts,
        "energy_book": record.energy_book,
    })
}

fn results(tree: &Value) -> Numbers {
    let mut numbers = vec![];
    for part in items(&tree["parts"]) {
        for result in items(&part["results"]) {
            let key = Key {
                corner: word(&result["corner"]),
                input_v: word(&result["input_v"]),
                load_a: word(&result["load_a"]),
                ..Key::of_part(&part["name"], &word(&result["condition"]))
            };
            numbers.push((key.with("winding_degc"), word(&result["winding_degc"])));
            numbers
                .extend(items(&result["values"]).iter().map(|v| (key.with(&word(&v["quantity"])), word(&v["value"]))));
        }
    }
    numbers
}

/// Losses item by item at full load; the record holds only sums of them.
fn losses(curves: &Curves) -> Numbers {
    let of = |part: &str| Key { part: part.into(), condition: "loss".into(), ..Key::default() };
    let split = |split: &presolder::record::layout::LossSplit| -> Numbers {
        split
            .items
            .iter()
            .map(|(cause, loss_w)| (of(&split.part).with(cause), Value::from(*loss_w).to_string()))
            .collect()
    };
    curves.losses.iter().flat_map(split).collect()
}

fn rows(tree: &Value) -> Numbers {
    let mut numbers = vec![];
    for row in items(&tree["quantities"]) {
        let named = |field: &str| format!("{}.{field}", word(&row["quantity"]));
        let limits = Key { condition: "row".into(), ..Key::default() };
        numbers.push((limits.with(&named("limit")), word(&row["limit"]["value"])));
        numbers.push((limits.with(&named("agreed_change")), word(&row["agreed_change"]["value"])));
        for (part, cell) in items(&tree["parts"]).iter().zip(items(&row["cells"])) {
            let key = Key::of_part(&part["name"], "row");
            numbers.push((key.with(&named("own_limit")), word(&cell["own_limit"]["value"])));
            numbers.extend(CELL_FIELDS.map(|field| (key.with(&named(field)), cell_word(cell, field))));
        }
    }
    numbers
}

/// A field of a cell; whether a value is only a bound stands in the value itself.
fn cell_word(cell: &Value, field: &str) -> String {
    match (cell, field) {
        (Value::Null, _) => String::new(),
        (_, "bound") => cell["value"].is_object().to_string(),
        (_, "change_bound") => cell["change"].is_object().to_string(),
        _ => word(&cell[field]),
    }
}

fn verdicts(tree: &Value) -> Numbers {
    let fields = ["outcome", "already_failing"];
    let of = |verdict: &Value| {
        fields.map(|field| (Key::of_part(&verdict["part"], "verdict").with(field), word(&verdict[field])))
    };
    items(&tree["verdicts"]).iter().flat_map(of).collect()
}

/// The numbers of a demo case as they come out now, nothings left out.
fn found(name: &str) -> Numbers {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("cases").join(name);
    let case = case::read(&folder).unwrap_or_else(|error| panic!("{error}"));
    let (record, curves) = record::compare(&case, Depth::Quick, &|_, _| {}).unwrap_or_else(|error| panic!("{error}"));
    numbers(&record, &curves).into_iter().filter(|(_, word)| !word.is_empty()).collect()
}

fn path(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/frozen/numbers").join(format!("{name}.csv"))
}

fn write(name: &str, numbers: &Numbers) {
    let mut text = "part;condition;corner;input_v;load_a;quantity;value\n".to_string();
    for (key, word) in numbers {
        writeln!(text, "{key};{word}").expect("a string takes all");
    }
    std::fs::write(path(name), text).expect("the reference can be written");
}

fn read(name: &str) -> BTreeMap<Key, String> {
    let text = std::fs::read_to_string(path(name)).expect("the reference is there");
    let line = |line: &str| {
        let words: Vec<&str> = line.split(';').collect();
        let (value, key) = words.split_last().expect("a line has words");
        (Key::parse(key), value.to_string())
    };
    text.lines().skip(1).map(line).collect()
}

/// Groups (part, corner, input) with a waveform that never repeats, and the steady states in which it does not.
#[derive(Default)]
struct Wild {
    steady: HashSet<Key>,
    groups: HashSet<Key>,
    parts: HashSet<String>,
}

impl Wild {
    fn of(kept: &BTreeMap<Key, String>) -> Wild {
        let watched = WATCHED_PERIODS as f64;
        let mut wild = Wild::default();
        for (key, word) in kept {
            if key.quantity == "periods" && word.parse() == Ok(watched) {
                wild.steady.insert(key.with(""));
                wild.groups.insert(key.group());
                wild.parts.insert(key.part.clone());
            }
        }
        wild
    }

    /// Whether a number follows from such a waveform: events begin on it or run at its temperature, rows and limits pick the worst.
    fn holds(&self, key: &Key) -> bool {
        match (key.condition.as_str(), key.input_v.is_empty()) {
            ("steady", _) => self.steady.contains(&key.with("")),
            ("data" | "loss" | "verdict", _) => false,
            (_, true) => self.parts.contains(&key.part),
            (_, false) => self.groups.contains(&key.group()),
        }
    }
}

/// How far a number may be from the kept one: relative, and in its own unit.
fn tolerance(key: &Key, wild: bool) -> (f64, f64) {
    let (quantity, field) = key.quantity.split_once('.').unwrap_or((&key.quantity, ""));
    let count = COUNTS.contains(&quantity);
    if wild {
        return if count { (NEVER_REPEATS_COUNT, 0.0) } else { (NEVER_REPEATS, wild_floor(field)) };
    }
    let relative = if quantity == "multiplier" { SAME_EIGENVALUE } else { SAME };
    let absolute = match (quantity, field) {
        _ if count => return (0.0, 0.0),
        (_, "change") => ROUNDING_OF_CHANGE,
        (_, "change_in_resolutions") => ROUNDING_OF_RESOLUTIONS,
        ("recovery" | "input_step_recovery" | "start_time" | "short_recovery", _) => INSTANT_S,
        ("inductance_at_peak" | "body_height" | "body_length" | "body_width", _) => 0.0,
        _ => ROUNDING,
    };
    (relative, absolute)
}

/// A change moves by as much as the value does by itself, and more in resolutions of a bench.
fn wild_floor(field: &str) -> f64 {
    match field {
        "change" => NEVER_REPEATS,
        "change_in_resolutions" => NEVER_REPEATS / 0.01,
        _ => ROUNDING,
    }
}

/// A number that is not what it was.
struct Deviation<'a> {
    key: &'a Key,
    old: &'a str,
    new: &'a str,
    relative: f64,
}

/// The deviation of a pair where it is more than its tolerance.
fn deviation<'a>(key: &'a Key, old: &'a str, new: &'a str, wild: bool) -> Option<Deviation<'a>> {
    let relative = match (old.parse::<f64>(), new.parse::<f64>()) {
        (Ok(before), Ok(after)) => {
            let (relative, absolute) = tolerance(key, wild);
            let apart = (after - before).abs();
            if apart <= relative * before.abs() + absolute {
                return None;
            }
            apart / before.abs()
        }
        _ if old == new => return None,
        _ => f64::INFINITY,
    };
    Some(Deviation { key, old, new, relative })
}

/// One line a quantity: how many numbers deviate, and the one that does most.
fn told(deviations: &[Deviation]) -> String {
    let mut text = String::new();
    let quantities: BTreeSet<&str> = deviations.iter().map(|d| d.key.quantity.as_str()).collect();
    for quantity in quantities {
        let own = || deviations.iter().filter(|d| d.key.quantity == quantity);
        let worst = own().max_by(|a, b| a.relative.total_cmp(&b.relative)).expect("it has one at least");
        let Deviation { key, old, new, relative } = worst;
        let _ =
            writeln!(text, "{quantity}: {} deviate, most by {relative:.3e}: {old} -> {new} at {key}", own().count());
    }
    text
}

fn listed<'a>(what: &str, keys: impl Iterator<Item = &'a Key>) -> String {
    let keys: Vec<String> = keys.map(ToString::to_string).collect();
    let shown = keys.iter().take(20).map(|key| format!("\n    {key}")).collect::<String>();
    if keys.is_empty() { shown } else { format!("{} {what}:{shown}\n", keys.len()) }
}

fn hold(name: &str) {
    let found = found(name);
    if std::env::var_os("PRESOLDER_FREEZE").is_some() {
        write(name, &found);
    }
    let kept = read(name);
    let count = found.len();
    let now: BTreeMap<Key, String> = found.into_iter().collect();
    assert_eq!(now.len(), count, "{name}: two numbers have one key");
    let wild = Wild::of(&kept);
    let gone = listed("are gone", kept.keys().filter(|key| !now.contains_key(key)));
    let come = listed("are new", now.keys().filter(|key| !kept.contains_key(key)));
    let both = kept.iter().filter_map(|(key, old)| now.get(key).map(|new| (key, old, new)));
    let deviations: Vec<Deviation> =
        both.filter_map(|(key, old, new)| deviation(key, old, new, wild.holds(key))).collect();
    let text = gone + &come + &told(&deviations);
    assert!(text.is_empty(), "{name}: the numbers are not what they were (see the head of this test's file)\n{text}");
}

/// Two lines of a reference, the second beyond its tolerance or not.
fn apart(quantity: &str, old: &str, new: &str, wild: bool) -> String {
    let key = Key { part: "Sedge-22".into(), condition: "steady".into(), ..Key::default() }.with(quantity);
    told(&deviation(&key, old, new, wild).into_iter().collect::<Vec<_>>())
}

#[test]
fn law_a_number_that_moves_is_told_with_its_place() {
    let text = apart("dip", "0.0371", "0.0372", false);
    assert_eq!(text, "dip: 1 deviate, most by 2.695e-3: 0.0371 -> 0.0372 at Sedge-22;steady;;;;dip\n");
    assert_eq!(apart("dip", "0.0371", "0.03710000000002", false), "");
    assert_eq!(apart("dip", "0.0371", "0.0421", true), "");
    assert!(apart("dip", "0.0371", "0.0521", true).starts_with("dip: 1"));
    assert!(apart("start_limited", "845.0", "846.0", false).starts_with("start_limited: 1"));
    assert!(apart("outcome", "pass", "fail", true).contains("pass -> fail"));
    assert!(apart("recovery", "2.94e-5", "2.9401e-5", false).starts_with("recovery: 1"));
}

#[test]
fn frozen_numbers_of_buoy_winch() {
    hold("buoy-winch");
}

#[test]
fn frozen_numbers_of_oven_panel() {
    hold("oven-panel");
}

#[test]
fn frozen_numbers_of_river_gauge() {
    hold("river-gauge");
}

#[test]
fn frozen_numbers_of_ticket_kiosk() {
    hold("ticket-kiosk");
}

#[test]
fn frozen_numbers_of_valve_controller() {
    hold("valve-controller");
}

#[test]
fn law_every_demo_case_is_frozen() {
    let names = |folder: &str| -> BTreeSet<String> {
        let entries = std::fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join(folder)).expect("a folder");
        let stem = |path: PathBuf| path.file_stem().map(|stem| stem.to_string_lossy().into_owned());
        entries.filter_map(|entry| stem(entry.expect("an entry").path())).collect()
    };
    assert_eq!(names("cases"), names("tests/frozen/numbers"));
}
