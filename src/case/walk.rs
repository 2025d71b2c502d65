//! Holds a tree of values against the table of keys. Every problem is noted; what is right is kept.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::keys::{Key, Kind, Need, ORIGINS, children};
use super::source::{Cell, Node, Place, Raw, Sources, nearest};
use crate::model::case::{DatumOrigin, Origin};
use crate::units::{self, Dimension};
use crate::visible::visible;

/// A value that passed.
#[derive(Clone, Debug)]
enum Data {
    Number(f64),
    Numbers(Vec<f64>),
    Text(String),
    Texts(Vec<Cell>),
    Flag(bool),
    Rows(Vec<Vec<Cell>>),
    Pairs(Vec<(String, Place, String)>),
}

/// The values of one file or one part by their path; lists of tables are numbered from 0: "output.capacitors[0].esr".
#[derive(Debug, Default)]
pub struct Values {
    /// Prefix of keys in messages: empty for the board, else the name of the part.
    pub label: String,
    map: BTreeMap<Cow<'static, str>, (Data, Place)>,
    counts: BTreeMap<String, usize>,
    /// Paths that are given but wrong, which has been reported.
    spoilt: BTreeSet<Cow<'static, str>>,
    /// Paths whose value is a default.
    defaults: BTreeSet<Cow<'static, str>>,
    /// Origins stated, and defaults taken.
    pub origins: Vec<DatumOrigin>,
}

impl Values {
    /// A number in SI, stated or default.
    pub fn number(&self, path: &str) -> Option<f64> {
        if let Some((Data::Number(v), _)) = self.map.get(path) { Some(*v) } else { None }
    }

    /// A list of numbers in SI.
    pub fn numbers(&self, path: &str) -> Option<&[f64]> {
        if let Some((Data::Numbers(v), _)) = self.map.get(path) { Some(v) } else { None }
    }

    /// Every number in SI by its path, one or a list.
    pub fn all_numbers(&self) -> BTreeMap<String, Vec<f64>> {
        let number = |(path, (data, _)): (&Cow<'static, str>, &(Data, Place))| match data {
            Data::Number(number) => Some((path.to_string(), vec![*number])),
            Data::Numbers(numbers) => Some((path.to_string(), numbers.clone())),
            _ => None,
        };
        self.map.iter().filter_map(number).collect()
    }

    /// A text or a choice.
    pub fn text(&self, path: &str) -> Option<&str> {
        if let Some((Data::Text(v), _)) = self.map.get(path) { Some(v) } else { None }
    }

    /// A list of texts.
    pub fn texts(&self, path: &str) -> Option<&[Cell]> {
        if let Some((Data::Texts(v), _)) = self.map.get(path) { Some(v) } else { None }
    }

    /// Rows of a table of numbers, still as text.
    pub fn rows(&self, path: &str) -> Option<&[Vec<Cell>]> {
        if let Some((Data::Rows(v), _)) = self.map.get(path) { Some(v) } else { None }
    }

    /// A table of free keys and texts, with the place of each text.
    pub fn pairs(&self, path: &str) -> Option<&[(String, Place, String)]> {
        if let Some((Data::Pairs(v), _)) = self.map.get(path) { Some(v) } else { None }
    }

    /// A flag.
    pub fn flag(&self, path: &str) -> Option<bool> {
        if let Some((Data::Flag(v), _)) = self.map.get(path) { Some(*v) } else { None }
    }

    /// Whether the table or list of tables is there; the number of its entries (1 for a table).
    pub fn count(&self, path: &str) -> usize {
        self.counts.get(path).copied().unwrap_or(0)
    }

    /// Whether the files state the value, or it is a default or absent.
    pub fn stated(&self, path: &str) -> bool {
        self.map.contains_key(path) && !self.defaults.contains(path)
    }

    /// Whether the value is given but wrong, which has been reported: it is not to be called missing as well.
    pub fn spoilt(&self, path: &str) -> bool {
        self.spoilt.contains(path)
    }

    /// Where a value stands, or the table that would hold it.
    pub fn place(&self, path: &str) -> Place {
        let mut path = path;
        loop {
            if let Some((_, place)) = self.map.get(path) {
                return place.clone();
            }
            let Some((parent, _)) = path.rsplit_once('.') else { break };
            path = parent;
        }
        self.map.get("").map(|(_, place)| place.clone()).unwrap_or_default()
    }

    /// The key as messages name it.
    pub fn key(&self, path: &str) -> String {
        if self.label.is_empty() { path.to_string() } else { format!("{}: {path}", self.label) }
    }

    /// Lists a value that is not in the files, with the rule or reason behind it.
    pub fn assume(
        &mut self,
        path: impl Into<Cow<'static, str>>,
        value: impl Into<Arc<str>>,
        origin: Origin,
        reason: impl Into<Cow<'static, str>>,
    ) {
        self.push_origin(path.into(), value.into(), (origin, reason.into()), (false, None));
    }

    /// Origin that is listed for a value.
    pub fn origin(&self, path: &str) -> Option<Origin> {
        self.origins.iter().find(|entry| entry.key == path).map(|entry| entry.origin)
    }

    /// Lists the origin of a value that the files state, with the standard uncertainty that they state as a share of it.
    pub fn note(&mut self, path: &str, value: String, origin: Origin, note: String, uncertainty: Option<f64>) {
        self.push_origin(path.to_string().into(), value.into(), (origin, note.into()), (true, uncertainty));
    }

    fn push_origin(
        &mut self,
        key: Cow<'static, str>,
        value: Arc<str>,
        (origin, reason): (Origin, Cow<'static, str>),
        (stated, uncertainty): (bool, Option<f64>),
    ) {
        let known = self.origins.last().and_then(|last| last.part.clone());
        let part = known.or_else(|| (!self.label.is_empty()).then(|| self.label.as_str().into()));
        self.origins.push(DatumOrigin { part, key, stated, uncertainty, value, origin, reason });
    }

    /// Whether the files say nothing of a datum, neither right nor wrong.
    pub fn absent(&self, path: &str) -> bool {
        !self.map.contains_key(path) && !self.spoilt(path)
    }
}

/// Notes a problem that shows only across keys: key, what was expected, hint.
pub type Fault<'a> = dyn FnMut(&str, String, &str) + 'a;

/// Unknown keys of one table for which the key that may be meant is looked for.
const MOST_SUGGESTIONS: usize = 50;

/// Holds the tree against the keys.
pub fn walk(sources: &mut Sources, keys: &'static [Key], root: &Node, label: &str) -> Values {
    let mut values = Values { label: label.to_string(), ..Values::default() };
    values.map.insert("".into(), (Data::Flag(true), root.place.clone()));
    let mut walker = Walker { sources, keys, values };
    walker.table(root, "", "");
    walker.values
}

struct Walker<'s> {
    sources: &'s mut Sources,
    keys: &'static [Key],
    values: Values,
}

impl Walker<'_> {
    fn problem(&mut self, place: &Place, path: &str, expected: impl Into<String>, hint: impl Into<String>) {
        self.sources.problem(place, &self.values.key(path), expected, hint);
    }

    fn table(&mut self, node: &Node, template: &'static str, path: &str) {
        let Raw::Table(entries) = &node.raw else { return };
        // The last of equals, which is what a later value of the command line is.
        let find = |name: &str| entries.iter().rev().find(|entry| entry.0 == name);
        let keys: Vec<&'static Key> = children(self.keys, template).collect();
        let kinds = keys.iter().find(|k| k.name() == "kind").map(|k| k.kind);
        // With an unknown kind, nothing can be said about the keys that depend on it.
        let kind = match (kinds, find("kind").map(|(_, _, n)| &n.raw)) {
            (Some(Kind::Choice(words)), Some(Raw::Text(t))) if words.contains(&t.as_str()) => Some(t.clone()),
            _ => None,
        };
        let mut meant = BTreeSet::new();
        let is_known = |name: &str| keys.iter().any(|key| key.name() == name);
        for (i, (name, place, _)) in entries.iter().filter(|(name, _, _)| !is_known(name)).enumerate() {
            if i >= MOST_SUGGESTIONS {
                let key = self.values.key(&joined(path, name));
                self.sources.cause(place, &key, "a known key", "");
            } else {
                let absent = keys.iter().map(|key| key.name()).filter(|k| find(k).is_none());
                let near = nearest(name, absent);
                self.unknown(name, near, place, template, &joined(path, name));
                meant.extend(near);
            }
        }
        for key in keys {
            let here = || if path.is_empty() { key.path.into() } else { joined(path, key.name()).into() };
            let applies = key.only.is_empty() || kind.as_deref().is_some_and(|k| key.only.contains(&k));
            match (find(key.name()), applies) {
                (Some((_, _, value)), true) => self.value(key, value, here()),
                (Some((_, place, _)), false) => self.out_of_place(key, place, kind.as_deref(), &here()),
                // A misspelled key is one problem and not two.
                (None, true) if !meant.contains(key.name()) => self.missing(key, node, here()),
                (None, _) => {}
            }
        }
    }

    fn unknown(&mut self, name: &str, near: Option<&str>, place: &Place, template: &'static str, path: &str) {
        let elsewhere = self.keys.iter().find(|k| k.name() == name).map(|k| k.path);
        let hint = match (near, elsewhere) {
            (_, Some(other)) => format!("the key is {other}"),
            (Some(near), None) => format!("did you mean {near}?"),
            (None, None) => {
                let all: Vec<&str> = children(self.keys, template).map(Key::name).collect();
                format!("known here: {}", all.join(", "))
            }
        };
        let key = self.values.key(path);
        self.sources.cause(place, &key, "a known key", hint);
    }

    fn out_of_place(&mut self, key: &Key, place: &Place, kind: Option<&str>, path: &str) {
        if let Some(kind) = kind {
            let hint = format!("{} belongs to kind {}", key.name(), key.only.join(" or "));
            self.problem(place, path, format!("no such key with kind = \"{kind}\""), hint);
        }
    }

    fn missing(&mut self, key: &'static Key, table: &Node, path: Cow<'static, str>) {
        match key.need {
            Need::Required => {
                let at = Place { span: table.place.span.start..table.place.span.start, ..table.place };
                let hint = match key.kind {
                    Kind::Table => format!("add the table [{path}]"),
                    Kind::Tables => format!("add an entry [[{path}]]"),
                    _ => format!("for example {} = {}", key.name(), key.example),
                };
                let what = key.text.trim_end_matches('.');
                self.problem(&at, &path, format!("the key {}: {what}", key.name()), hint);
            }
            Need::Default(_, _) if key.kind == Kind::Table => {
                let empty = Node { raw: Raw::Table(Vec::new()), place: table.place.clone() };
                self.table(&empty, key.path, &path);
            }
            Need::Default(value, reason) => {
                let data = match key.kind {
                    Kind::Quantity(d) => units::parse(value, d).ok().map(Data::Number),
                    Kind::Count => value.parse().ok().map(Data::Number),
                    _ => Some(Data::Text(value.to_string())),
                };
                if let Some(data) = data {
                    self.values.map.insert(path.clone(), (data, table.place.clone()));
                    self.values.defaults.insert(path.clone());
                    self.values.assume(path, value.to_string(), Origin::Assumed, reason);
                }
            }
            // Absent data that have a rule are filled in once board and parts are there.
            Need::Optional(_) | Need::Derived(_) | Need::Ruled => {}
        }
    }

    fn value(&mut self, key: &'static Key, node: &Node, here: Cow<'static, str>) {
        let path = here.as_ref();
        let data = match (key.kind, &node.raw) {
            (Kind::Quantity(d), Raw::Table(_)) => self.datum(key, d, node, path),
            (Kind::Quantity(d), Raw::Text(t) | Raw::Number(t)) => {
                self.quantity(key, d, t, &node.place, path).map(Data::Number)
            }
            (Kind::Quantities(d), _) => self.quantities(key, d, node, path).map(Data::Numbers),
            // What is shown of a name is its name from here on: in tables, on the page, in the record, in file names.
            (Kind::Text, Raw::Text(t)) if !t.trim().is_empty() => Some(Data::Text(visible(t.trim()).into_owned())),
            (Kind::Choice(words), Raw::Text(t)) => self.choice(words, t, &node.place, path),
            (Kind::Flag, Raw::Flag(flag)) => Some(Data::Flag(*flag)),
            (Kind::Count, Raw::Number(t)) => self.count(key, t, &node.place, path),
            (Kind::Texts, Raw::Text(_) | Raw::Number(_) | Raw::List(_)) => self.texts(node, path).map(Data::Texts),
            (Kind::Rows, Raw::List(_)) => self.rows(node, path).map(Data::Rows),
            (Kind::Table, Raw::Table(_)) => {
                self.values.counts.insert(path.to_string(), 1);
                self.table(node, key.path, path);
                Some(Data::Flag(true))
            }
            (Kind::Pairs, Raw::Table(entries)) => Some(Data::Pairs(self.pairs(entries, path))),
            (Kind::Tables, Raw::List(items)) => self.tables(key, items, node, path),
            (_, Raw::Spoilt) => None,
            _ => {
                let (expected, hint) = wrong_type(key);
                self.problem(&node.place, path, expected, hint);
                None
            }
        };
        match data {
            Some(data) => drop(self.values.map.insert(here, (data, node.place.clone()))),
            None => drop(self.values.spoilt.insert(here)),
        }
    }

    fn quantity(&mut self, key: &Key, d: Dimension, text: &str, place: &Place, path: &str) -> Option<f64> {
        match units::parse(text, d) {
            Ok(value) if (key.range.0..=key.range.1).contains(&value) => Some(value),
            Ok(_) => {
                let hint =
                    units::other_prefix(text, d, key.range).map_or(String::new(), |t| format!("did you mean \"{t}\"?"));
                self.problem(place, path, format!("{} {}", d.name(), range_text(key.range, d)), hint);
                None
            }
            Err(refusal) => {
                self.problem(place, path, refusal.expected, refusal.hint);
                None
            }
        }
    }

    /// `{ value = "...", origin = "...", note = "..." }`
    fn datum(&mut self, key: &Key, d: Dimension, node: &Node, path: &str) -> Option<Data> {
        let Raw::Table(entries) = &node.raw else { return None };
        let mut value = None;
        let (mut origin, mut note, mut found, mut uncertainty) = (None, String::new(), false, None);
        for (name, place, item) in entries {
            match (name.as_str(), &item.raw) {
                ("value", Raw::Text(t) | Raw::Number(t)) => {
                    found = true;
                    value = self.quantity(key, d, t, &item.place, path).map(|v| (v, t.clone()));
                }
                ("origin", Raw::Text(t)) => {
                    let known = origin_of(t);
                    if known.is_none() {
                        let hint = nearest(t, ORIGINS.iter().copied())
                            .map_or(String::new(), |n| format!("did you mean \"{n}\"?"));
                        self.problem(
                            &item.place,
                            &joined(path, "origin"),
                            format!("one of {}", ORIGINS.join(", ")),
                            hint,
                        );
                    }
                    origin = known;
                }
                ("note", Raw::Text(t)) => note = visible(t).into_owned(),
                ("uncertainty", Raw::Text(t)) => uncertainty = self.uncertainty(t, &item.place, &joined(path, name)),
                ("value" | "origin" | "note" | "uncertainty", _) => {
                    self.problem(&item.place, &joined(path, name), "a text", "")
                }
                _ => {
                    let expected = "value, origin, uncertainty or note";
                    self.problem(place, &joined(path, name), expected, "a datum has no other keys")
                }
            }
        }
        if !found {
            self.problem(
                &node.place,
                path,
                "the key value in the datum",
                format!("for example {{ value = {}, origin = \"typical\" }}", key.example),
            );
        }
        let (value, text) = value?;
        if let Some(origin) = origin {
            let value_text = visible(&text).into_owned();
            self.values.note(path, value_text, origin, note, uncertainty);
        }
        Some(Data::Number(value))
    }

    /// Standard uncertainty as a share of the value.
    fn uncertainty(&mut self, text: &str, place: &Place, path: &str) -> Option<f64> {
        let share = units::parse(text, Dimension::Fraction).ok().filter(|share| (0.0..=1.0).contains(share));
        if share.is_none() {
            let hint = "the standard uncertainty as a share of the value, for example uncertainty = \"3 %\"";
            self.problem(place, path, "a percentage from 0 % to 100 %", hint);
        }
        share
    }

    fn quantities(&mut self, key: &Key, d: Dimension, node: &Node, path: &str) -> Option<Vec<f64>> {
        let Raw::List(items) = &node.raw else {
            let (expected, hint) = wrong_type(key);
            self.problem(&node.place, path, expected, hint);
            return None;
        };
        if items.is_empty() {
            self.problem(&node.place, path, "at least one value", format!("for example {}", key.example));
            return None;
        }
        let mut all = Some(Vec::new());
        for item in items {
            let value = match &item.raw {
                Raw::Text(t) | Raw::Number(t) => self.quantity(key, d, t, &item.place, path),
                _ => {
                    self.problem(&item.place, path, format!("{} in quotation marks", d.name()), "");
                    None
                }
            };
            let last = all.as_ref().and_then(|v: &Vec<f64>| v.last().copied());
            if let (Some(last), Some(value)) = (last, value)
                && value <= last
            {
                self.problem(
                    &item.place,
                    path,
                    "values in ascending order, each once",
                    format!("move it before {} or remove it", units::show(last, d)),
                );
                all = None;
            }
            all = all.zip(value).map(|(mut v, x)| {
                v.push(x);
                v
            });
        }
        all
    }

    fn choice(&mut self, words: &[&str], text: &str, place: &Place, path: &str) -> Option<Data> {
        let text = text.trim();
        if words.contains(&text) {
            return Some(Data::Text(text.to_string()));
        }
        let hint = nearest(text, words.iter().copied()).map_or(String::new(), |n| format!("did you mean \"{n}\"?"));
        self.problem(place, path, format!("one of {}", words.join(", ")), hint);
        None
    }

    fn count(&mut self, key: &Key, text: &str, place: &Place, path: &str) -> Option<Data> {
        let number: Option<f64> = text.parse::<u32>().ok().map(f64::from);
        let good = number.filter(|n| (key.range.0..=key.range.1).contains(n));
        if good.is_none() {
            self.problem(place, path, format!("a whole number from {} to {}", key.range.0, key.range.1), "");
        }
        good.map(Data::Number)
    }

    /// A list, or one text in which semicolons separate the items.
    fn texts(&mut self, node: &Node, path: &str) -> Option<Vec<Cell>> {
        let cell = |text: &str, place: &Place| Cell { text: text.trim().to_string(), place: place.clone() };
        let items: Option<Vec<Cell>> = match &node.raw {
            Raw::Text(t) => Some(t.split(';').map(|part| cell(part, &node.place)).collect()),
            Raw::Number(t) => Some(vec![cell(t, &node.place)]),
            Raw::List(items) => items
                .iter()
                .map(|i| match &i.raw {
                    Raw::Text(t) | Raw::Number(t) => Some(cell(t, &i.place)),
                    _ => None,
                })
                .collect(),
            _ => None,
        };
        let items = items.filter(|all| !all.is_empty() && all.iter().all(|c| !c.text.is_empty()));
        if items.is_none() {
            self.problem(&node.place, path, "a list of texts, none of them empty", "");
        }
        items
    }

    fn pairs(&mut self, entries: &[(String, Place, Node)], path: &str) -> Vec<(String, Place, String)> {
        let mut all = Vec::new();
        for (name, _, node) in entries {
            match &node.raw {
                Raw::Text(text) | Raw::Number(text) => all.push((name.clone(), node.place.clone(), text.clone())),
                _ => self.problem(&node.place, &joined(path, name), "a text in quotation marks", ""),
            }
        }
        all
    }

    fn rows(&mut self, node: &Node, path: &str) -> Option<Vec<Vec<Cell>>> {
        let Raw::List(rows) = &node.raw else { return None };
        let mut all = Vec::new();
        for row in rows {
            let cells: Option<Vec<Cell>> = match &row.raw {
                Raw::List(items) => items
                    .iter()
                    .map(|i| match &i.raw {
                        Raw::Text(text) | Raw::Number(text) => {
                            Some(Cell { text: text.clone(), place: i.place.clone() })
                        }
                        _ => None,
                    })
                    .collect(),
                _ => None,
            };
            match cells {
                Some(cells) => all.push(cells),
                None => self.problem(&row.place, path, "rows of numbers", "for example [[0, 10], [2.15, 9.4]]"),
            }
        }
        Some(all)
    }

    fn tables(&mut self, key: &'static Key, items: &[Node], node: &Node, path: &str) -> Option<Data> {
        if items.is_empty() {
            self.problem(&node.place, path, "at least one entry", format!("add an entry [[{path}]]"));
        }
        self.values.counts.insert(path.to_string(), items.len());
        for (i, item) in items.iter().enumerate() {
            let here = format!("{path}[{i}]");
            if let Raw::Table(_) = item.raw {
                self.values.map.insert(here.clone().into(), (Data::Flag(true), item.place.clone()));
                self.table(item, key.path, &here);
            } else {
                self.problem(&item.place, &here, "a table", format!("write it as [[{}]]", key.path));
            }
        }
        Some(Data::Flag(true))
    }
}

fn joined(path: &str, name: &str) -> String {
    if path.is_empty() { name.to_string() } else { format!("{path}.{name}") }
}

/// The word for an origin, as an origin.
pub fn origin_of(word: &str) -> Option<Origin> {
    use Origin::*;
    let all = [Measured, Guaranteed, Typical, Digitised, Estimated, Assumed];
    ORIGINS.iter().position(|w| *w == word).map(|i| all[i])
}

/// "from 1 mV to 10 V"
pub fn range_text((low, high): (f64, f64), d: Dimension) -> String {
    format!("from {} to {}", units::show(low, d), units::show(high, d))
}

fn wrong_type(key: &Key) -> (String, String) {
    let expected = match key.kind {
        Kind::Quantity(d) => format!("{} as text with its unit", d.name()),
        Kind::Quantities(d) => format!("a list of {}s, each as text with its unit", d.name()),
        Kind::Text => "a text in quotation marks, not empty".into(),
        Kind::Choice(words) => format!("one of {}", words.join(", ")),
        Kind::Flag => "true or false, without quotation marks".into(),
        Kind::Count => "a whole number without quotation marks".into(),
        Kind::Texts => "a list of texts".into(),
        Kind::Rows => "rows of numbers".into(),
        Kind::Table | Kind::Pairs => "a table".into(),
        Kind::Tables => "a list of tables".into(),
    };
    let hint = match key.kind {
        Kind::Table | Kind::Pairs => format!("write it as [{}]", key.path),
        Kind::Tables => format!("write each entry as [[{}]]", key.path),
        _ => format!("for example {} = {}", key.name(), key.example),
    };
    (expected, hint)
}
