//! Values set on the command line, `KEY=VALUE`: put into the trees of the files before these are held against the keys, so that every
//! check of the reader applies to them as well.

use super::keys::{BOARD, Key, Kind, PART, RULES, children};
use super::source::{Node, Place, Raw, Sources, nearest};
use crate::visible::visible;

/// Before the keys of a part and of the house rules.
const PARTS: &str = "parts";
const RULES_FILE: &str = "rules";
/// Keys that a hint lists.
const MOST_MEANT: usize = 3;

/// What is set, in the order in which it is given.
#[derive(Default)]
pub struct Settings {
    all: Vec<Setting>,
}

/// One key with its value.
struct Setting {
    /// The argument as a text that messages point at.
    file: usize,
    /// The argument.
    text: String,
    /// Length of the key in bytes; the sign of equality follows.
    key: usize,
    /// Where it belongs.
    home: Home,
    /// Whether a tree has taken it.
    taken: bool,
    /// Why a tree that might have taken it has not.
    refused: Option<Refused>,
}

#[derive(Clone, Copy, PartialEq)]
enum Home {
    Board,
    Part,
    Rules,
}

/// Why a key is refused.
struct Refused {
    expected: String,
    hint: String,
}

impl Settings {
    /// Takes the arguments apart; what cannot be a key with a value is a problem.
    pub fn of(sources: &mut Sources, arguments: &[String]) -> Settings {
        let mut settings = Settings::default();
        for text in arguments {
            let file = sources.argument(&format!("--set {}", visible(text)), text.clone());
            let place = |span| Place { file, span };
            let example = "for example --set load.step.hold=\"2 ms\"";
            let Some(key) = sign(text).filter(|key| !text[..*key].trim().is_empty()) else {
                sources.problem(&place(0..text.len()), "--set", "a key, = and its value", example);
                continue;
            };
            let name = text[..key].trim();
            if text[key + 1..].trim().is_empty() || text.contains(['\n', '\r']) {
                sources.problem(&place(key + 1..text.len()), name, "a value in one line behind =", example);
            } else if settings.all.iter().any(|other| other.name() == name) {
                sources.problem(&place(0..key), name, "each key once", "leave out one of the two");
            } else {
                let setting = Setting { file, text: text.clone(), key, home: home(name), taken: false, refused: None };
                settings.all.push(setting);
            }
        }
        settings
    }

    /// What is set, as people read it.
    pub fn told(&self) -> Vec<String> {
        let told = |one: &Setting| format!("{}={}", one.name(), one.text[one.key + 1..].trim());
        self.all.iter().map(|one| visible(&told(one)).into_owned()).collect()
    }

    /// Puts what belongs to the board into its tree; a key that it does not know is a problem.
    pub fn put_in_board(&mut self, sources: &mut Sources, tree: &mut Node) {
        self.put_all(sources, Home::Board, BOARD, tree);
    }

    /// Puts what belongs to the house rules into their tree.
    pub fn put_in_rules(&mut self, sources: &mut Sources, tree: &mut Node) {
        self.put_all(sources, Home::Rules, RULES, tree);
    }

    fn put_all(&mut self, sources: &mut Sources, home: Home, keys: &[Key], tree: &mut Node) {
        for one in self.all.iter_mut().filter(|one| one.home == home) {
            let name = one.name().to_string();
            let rest = if home == Home::Rules { &name[RULES_FILE.len() + 1..] } else { &name };
            one.taken = true;
            if let Err(refused) = one.put(sources, keys, "", rest, tree) {
                one.tell(sources, refused);
            }
        }
    }

    /// Puts what belongs to a part of that name into its tree.
    pub fn put_in_part(&mut self, sources: &mut Sources, part: &str, tree: &mut Node) {
        for one in self.all.iter_mut().filter(|one| one.home == Home::Part) {
            let name = one.name().to_string();
            let Some((_, rest)) = element(&name[PARTS.len()..], &[part]) else { continue };
            match one.put(sources, PART, "", rest.strip_prefix('.').unwrap_or(rest), tree) {
                Ok(()) => one.taken = true,
                Err(refused) => one.refused = Some(refused),
            }
        }
    }

    /// Notes what no tree has taken.
    pub fn check_taken(&mut self, sources: &mut Sources, parts: &[&str]) {
        for one in self.all.iter_mut().filter(|one| !one.taken) {
            let refused = one.refused.take().unwrap_or_else(|| match one.home {
                Home::Rules => Refused {
                    expected: "a case with house rules".into(),
                    hint: "name their file as well: --set rules=FILE".into(),
                },
                _ => unknown_part(one.name(), parts),
            });
            one.tell(sources, refused);
        }
    }
}

/// The sign of equality behind the key; a name in it may stand in quotation marks.
fn sign(text: &str) -> Option<usize> {
    let mut quoted = false;
    text.char_indices()
        .find(|(_, c)| {
            quoted ^= *c == '"';
            *c == '=' && !quoted
        })
        .map(|(at, _)| at)
}

/// `parts` is a table of the board as well, with keys of its own.
fn home(name: &str) -> Home {
    let (first, rest) = step(name);
    let (second, _) = step(rest.strip_prefix('.').unwrap_or(""));
    match first {
        PARTS if !rest.is_empty() && children(BOARD, PARTS).all(|key| key.name() != second) => Home::Part,
        RULES_FILE if !rest.is_empty() => Home::Rules,
        _ => Home::Board,
    }
}

fn unknown_part(name: &str, parts: &[&str]) -> Refused {
    let rest = name[PARTS.len()..].trim_start_matches(['.', '[', '"']);
    // A name may hold dots: each begin of the rest may be meant.
    let ends = rest.match_indices(['.', ']', '"']).map(|(at, _)| at).chain([rest.len()]);
    let near = ends.filter_map(|end| nearest(&rest[..end], parts.iter().copied())).next();
    let known = || format!("the parts are {}", parts.iter().take(10).copied().collect::<Vec<_>>().join(", "));
    Refused {
        expected: "the name of a part and a key of it".into(),
        hint: near.map_or_else(known, |near| format!("did you mean {PARTS}.{near}?")),
    }
}

impl Setting {
    fn name(&self) -> &str {
        self.text[..self.key].trim()
    }

    fn place(&self) -> Place {
        Place { file: self.file, span: 0..self.text.len() }
    }

    fn key_place(&self) -> Place {
        Place { file: self.file, span: 0..self.text[..self.key].trim_end().len() }
    }

    fn tell(&self, sources: &mut Sources, refused: Refused) {
        sources.cause(&self.key_place(), self.name(), refused.expected, refused.hint);
    }

    /// Puts the value below a table, `template` in the keys, at the rest of a path.
    fn put(
        &self,
        sources: &mut Sources,
        keys: &[Key],
        template: &str,
        rest: &str,
        table: &mut Node,
    ) -> Result<(), Refused> {
        let (name, after) = step(rest);
        let Some(key) = children(keys, template).find(|key| key.name() == name) else {
            return Err(self.unknown(keys, template, rest));
        };
        // What is no table there is told where the file is held against the keys.
        let Raw::Table(entries) = &mut table.raw else { return Ok(()) };
        match key.kind {
            _ if after.is_empty() => {
                let node = self.value(sources, key);
                entries.retain(|(known, ..)| known != name);
                entries.push((name.into(), self.key_place(), node));
                Ok(())
            }
            Kind::Table if after.starts_with('.') => {
                let inner = self.entry(entries, name, Raw::Table(vec![]));
                self.put(sources, keys, key.path, &after[1..], inner)
            }
            Kind::Pairs if after.starts_with('.') => {
                if let Raw::Table(pairs) = &mut self.entry(entries, name, Raw::Table(vec![])).raw {
                    let free = after[1..].trim_matches('"');
                    let (text, place) = self.told_value();
                    pairs.retain(|(known, ..)| known != free);
                    pairs.push((free.into(), self.key_place(), Node { raw: Raw::Text(text.into()), place }));
                }
                Ok(())
            }
            Kind::Tables => {
                self.put_in_element(sources, keys, key, after, self.entry(entries, name, Raw::List(vec![])))
            }
            _ => Err(self.unknown(keys, template, rest)),
        }
    }

    /// As [`Setting::put`], in one table of a list, by its number from 0 or its name; the number behind the last one adds a table.
    fn put_in_element(
        &self,
        sources: &mut Sources,
        keys: &[Key],
        key: &Key,
        after: &str,
        list: &mut Node,
    ) -> Result<(), Refused> {
        let Raw::List(items) = &mut list.raw else { return Ok(()) };
        let names: Vec<String> = items.iter().map(|item| super::parts::name_of(item).unwrap_or_default()).collect();
        let known: Vec<&str> = names.iter().map(String::as_str).filter(|name| !name.is_empty()).collect();
        let number = |which: Which<'_>| match which {
            Which::Number(number) => Some(number).filter(|number| *number <= items.len()),
            Which::Name(name) => names.iter().position(|other| other == name),
        };
        let found = element(after, &known).and_then(|(which, rest)| Some((number(which)?, rest)));
        let Some((number, rest)) = found else { return Err(self.no_entry(keys, key, after, items.len(), &known)) };
        if number == items.len() {
            items.push(Node { raw: Raw::Table(vec![]), place: self.place() });
        }
        match rest.strip_prefix('.') {
            Some(rest) => self.put(sources, keys, key.path, rest, &mut items[number]),
            None => {
                items[number] = self.value(sources, key);
                Ok(())
            }
        }
    }

    /// A list has no such entry.
    fn no_entry(&self, keys: &[Key], key: &Key, after: &str, count: usize, names: &[&str]) -> Refused {
        let named = if names.is_empty() { String::new() } else { format!(", or one of {}", names.join(", ")) };
        let typed = after.trim_start_matches(['.', '[', '"']);
        let (wrong, rest) = typed.split_at(typed.find(['.', ']', '"']).unwrap_or(typed.len()));
        let walked = self.name().strip_suffix(after).unwrap_or("");
        let rest = rest.trim_start_matches([']', '"']);
        let first = || children(keys, key.path).next().map_or("", Key::name);
        Refused {
            expected: format!("an entry of the list by its number, 0 to {count}{named}, and a key of it"),
            hint: match nearest(wrong, names.iter().copied()) {
                Some(near) => format!("did you mean {walked}.{near}{rest}?"),
                None => format!("for example {walked}[0].{}", first()),
            },
        }
    }

    /// The entry of a name, which is made where it is not there.
    fn entry<'a>(&self, entries: &'a mut Vec<(String, Place, Node)>, name: &str, empty: Raw) -> &'a mut Node {
        let at = entries.iter().position(|(known, ..)| known == name).unwrap_or_else(|| {
            entries.push((name.into(), self.key_place(), Node { raw: empty, place: self.place() }));
            entries.len() - 1
        });
        &mut entries[at].2
    }

    /// The value without white space around it, and where it stands.
    fn told_value(&self) -> (&str, Place) {
        let behind = &self.text[self.key + 1..];
        let start = self.key + 1 + (behind.len() - behind.trim_start().len());
        let text = behind.trim();
        (text, Place { file: self.file, span: start..start + text.len() })
    }

    /// The value as it stands in a file, or without the quotation marks that a shell takes away.
    fn value(&self, sources: &mut Sources, key: &Key) -> Node {
        let (text, place) = self.told_value();
        let is_toml = text.starts_with(['"', '\'', '[', '{']);
        let raw = match key.kind {
            Kind::Text | Kind::Choice(_) | Kind::Quantity(_) | Kind::Texts if !is_toml => Raw::Text(text.into()),
            Kind::Quantities(_) if !is_toml => Raw::List(pieces(text, &place)),
            _ => match toml_value(&self.text, self.key, self.file) {
                Ok(node) => return node,
                Err(message) if is_toml => {
                    let hint = "a shell takes quotation marks away: put the whole argument between single ones";
                    sources.cause(&place, self.name(), format!("a value of TOML, but: {message}"), hint);
                    Raw::Spoilt
                }
                Err(_) => Raw::Text(text.into()),
            },
        };
        Node { raw, place }
    }

    /// The keys that may be meant: those that end alike, else the nearest one beside, else the nearest of all.
    fn unknown(&self, keys: &[Key], template: &str, rest: &str) -> Refused {
        let walked = self.name().strip_suffix(rest).unwrap_or("");
        let (wrong, after) = step(rest);
        let bare = bare(rest);
        let ends_alike = |key: &&(String, &Key)| key.1.path == bare || key.1.path.ends_with(&format!(".{bare}"));
        let all: Vec<(String, &Key)> = everything().collect();
        let alike: Vec<&str> = all.iter().filter(ends_alike).map(|key| key.0.as_str()).take(MOST_MEANT).collect();
        let here = || children(keys, template).map(Key::name);
        let hint = if let Some(leaf) = here().find(|name| *name == wrong) {
            format!("{walked}{leaf} has no keys below it")
        } else if wrong.is_empty() {
            let first = children(keys, template).find(|key| matches!(key.kind, Kind::Quantity(_)));
            format!(
                "add a key of it, for example {}",
                first.map_or(String::new(), |key| format!("{}={}", key.name(), key.example))
            )
        } else if !alike.is_empty() {
            format!("did you mean {}?", alike.join(" or "))
        } else if let Some(near) = nearest(wrong, here()) {
            format!("did you mean {walked}{near}{after}?")
        } else if let Some(near) = nearest(self.name(), all.iter().map(|key| key.0.as_str())) {
            format!("did you mean {near}?")
        } else {
            format!("known here: {}", here().collect::<Vec<_>>().join(", "))
        };
        Refused { expected: "a known key".into(), hint }
    }
}

/// Every key as it goes on the command line.
fn everything() -> impl Iterator<Item = (String, &'static Key)> {
    let board = BOARD.iter().map(|key| (numbered(BOARD, key), key));
    let part = PART.iter().map(|key| (format!("{PARTS}.NAME.{}", numbered(PART, key)), key));
    let rules = RULES.iter().map(|key| (format!("{RULES_FILE}.{}", key.path), key));
    board.chain(part).chain(rules)
}

/// The path of a key with the first entry of each list on its way.
fn numbered(keys: &[Key], key: &Key) -> String {
    let is_list = |path: &str| keys.iter().any(|other| other.path == path && other.kind == Kind::Tables);
    let mut path = String::new();
    for (at, name) in key.path.split('.').enumerate() {
        let parent = key.path.split('.').take(at).collect::<Vec<_>>().join(".");
        let index = if is_list(&parent) { "[0]" } else { "" };
        let dot = if at > 0 { "." } else { "" };
        path += &format!("{index}{dot}{name}");
    }
    path
}

/// A path without the numbers and names of entries in brackets.
fn bare(path: &str) -> String {
    let mut depth = 0;
    let outside = |c: &char| {
        depth += i32::from(*c == '[');
        let is_outside = depth == 0;
        depth -= i32::from(*c == ']');
        is_outside
    };
    path.chars().filter(outside).collect()
}

/// The first step of a path, and what follows it.
fn step(path: &str) -> (&str, &str) {
    path.split_at(path.find(['.', '[']).unwrap_or(path.len()))
}

/// Which table of a list.
#[derive(Clone, Copy)]
enum Which<'a> {
    Number(usize),
    Name(&'a str),
}

/// The entry of a list that a path names, `[0].key`, `[name].key`, `.0.key` or `.name.key`, and what follows it. A name may hold dots.
fn element<'a, 'n>(after: &'a str, names: &[&'n str]) -> Option<(Which<'n>, &'a str)> {
    let (inside, is_open) = match after.strip_prefix('[') {
        Some(inside) => (inside, true),
        None => (after.strip_prefix('.')?, false),
    };
    let end = |rest: &'a str| if is_open { rest.strip_prefix(']') } else { Some(rest) };
    let behind = |name: &str| {
        let quoted = inside.strip_prefix('"').and_then(|rest| rest.strip_prefix(name)?.strip_prefix('"'));
        let rest = end(quoted.or_else(|| inside.strip_prefix(name))?)?;
        (rest.is_empty() || rest.starts_with('.')).then_some(rest)
    };
    let mut named: Vec<(&'n str, &'a str)> = names.iter().filter_map(|name| Some((*name, behind(name)?))).collect();
    named.sort_by_key(|(name, _)| name.len());
    if let Some((name, rest)) = named.pop() {
        return Some((Which::Name(name), rest));
    }
    let digits = inside.find(|c: char| !c.is_ascii_digit()).unwrap_or(inside.len());
    let rest = end(&inside[digits..])?;
    Some((Which::Number(inside[..digits].parse().ok()?), rest))
}

/// The pieces between commas.
fn pieces(text: &str, place: &Place) -> Vec<Node> {
    let mut at = place.span.start;
    let piece = |piece: &str| {
        let start = at + (piece.len() - piece.trim_start().len());
        at += piece.len() + 1;
        let text = piece.trim();
        let place = Place { file: place.file, span: start..start + text.len() };
        Node { raw: Raw::Text(text.into()), place }
    };
    text.split(',').map(piece).collect()
}

/// The value behind a sign of equality, as TOML.
fn toml_value(text: &str, sign: usize, file: usize) -> Result<Node, String> {
    // As long as the key: so that a place in it is one in the argument.
    let line = format!("k{}{}", " ".repeat(sign.saturating_sub(1)), &text[sign..]);
    super::source::only_value(&line, file)
}
