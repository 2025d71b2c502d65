//! What the title of a column says: meaning, unit, and the conditions under which its values hold.

use super::offer;
use super::words::{self, Qualifier, Word};
use crate::units::{Dimension, parse};

/// A title that has been read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Title {
    /// What its words mean; `None` where they are not understood.
    pub word: Option<Word>,
    /// Unit as it is written.
    pub unit: Option<String>,
    /// Drop of the inductance, such as "30 %".
    pub drop: Option<String>,
    /// Rise of the temperature, such as "40 K".
    pub rise: Option<String>,
    /// Temperature, such as "25 degC".
    pub temperature: Option<String>,
    /// Tolerance either way that the title states, such as "20 %".
    pub tolerance: Option<String>,
    /// Typical, largest, least; in the order in which they stand.
    pub qualifiers: Vec<Qualifier>,
    /// What is understood of it, but does not belong there: the column is asked about.
    pub odd: Vec<String>,
    /// Whether it has a unit, a condition or a qualifier, but no words: what merged cells leave behind.
    pub fragment: bool,
}

/// A piece of a title.
#[derive(Debug)]
enum Piece {
    Word(String),
    Unit(String),
    Percent(String, bool),
    Kelvins(String),
    Celsius(String),
    Qualifier(Qualifier),
    /// A condition that changes nothing: frequency or voltage of a test.
    Test,
}

/// Reads a title.
pub fn read(text: &str) -> Title {
    if let Some(title) = offer::title(&words::plain(text)) {
        return title;
    }
    let plain = words::plain(text).replace("K/W", "K_per_W").replace("degC/W", "K_per_W");
    let (plain, has_order) = without_order(&plain);
    let mut title = Title::default();
    let (outside, inside) = apart(&plain);
    let mut pieces = pieces(&outside, false);
    let in_brackets: Vec<Piece> = inside.iter().flat_map(|part| self::pieces(part, true)).collect();
    let of_words = |pieces: &[Piece]| -> Vec<String> {
        pieces.iter().filter_map(|p| if let Piece::Word(word) = p { Some(word.clone()) } else { None }).collect()
    };
    let (outer, inner) = (lower(&of_words(&pieces)), of_words(&in_brackets));
    title.word = if outer.is_empty() && has_order { Some(Word::Size) } else { meaning(&outer) };
    title.fragment = outer.iter().all(|word| words::JOINTS.contains(&word.as_str())) && title.word.is_none();
    let is_filler = |word: &str| words::FILLERS.contains(&word) || words::RISES.contains(&word);
    let is_odd = |word: &&String| !is_filler(&word.to_lowercase()) && !repeats(&word.to_lowercase(), title.word);
    title.odd = inner.iter().filter(is_odd).cloned().collect();
    let rising = outer.iter().chain(&lower(&inner)).any(|word| words::RISES.contains(&word.as_str()));
    pieces.extend(in_brackets);
    // Where kelvins state the rise, degrees state a temperature.
    let rising = rising && !pieces.iter().any(|piece| matches!(piece, Piece::Kelvins(_)));
    title.fragment &= pieces.iter().any(|piece| !matches!(piece, Piece::Word(_)));
    pieces.into_iter().for_each(|piece| title.take(piece, rising));
    title.settle(&outer);
    title
}

fn lower(words: &[String]) -> Vec<String> {
    words.iter().map(|word| word.to_lowercase()).collect()
}

/// Orders in which titles say that length, width and height follow each other; as single letters they would be units.
const ORDERS: [&str; 10] =
    ["L x W x H", "L X W X H", "LxWxH", "LXWXH", "L*W*H", "L x B x H", "LxBxH", "L x W", "LxW", "L*W"];

/// The title without the order of a size, and whether there was one.
fn without_order(text: &str) -> (String, bool) {
    let text = text.replace('\u{d7}', "x");
    match ORDERS.iter().find(|order| text.contains(**order)) {
        Some(order) => (text.replace(order, " "), true),
        None => (text, false),
    }
}

/// Whether a word in brackets says once more what the words before it mean: "Saturation current (Isat)".
fn repeats(word: &str, meaning: Option<Word>) -> bool {
    meaning.is_some() && words::header(word) == meaning
}

/// The meaning of words, with or without those that change nothing.
fn meaning(all: &[String]) -> Option<Word> {
    let needed = all.iter().filter(|word| !words::FILLERS.contains(&word.as_str()));
    let needed: Vec<&str> = needed.map(String::as_str).collect();
    let full = |words: &[&str]| words.iter().map(|word| words::in_full(word)).collect::<Vec<_>>().join(" ");
    let every: Vec<&str> = all.iter().map(String::as_str).collect();
    let tried = [every.join(" "), full(&every), needed.join(" "), full(&needed)];
    tried.iter().find_map(|words| words::header(words))
}

/// What stands outside and what inside brackets.
fn apart(text: &str) -> (String, Vec<String>) {
    let (mut outside, mut inside, mut depth) = (String::new(), Vec::new(), 0);
    for c in text.chars() {
        match c {
            '[' | '(' | '{' => {
                depth += 1;
                // The square one is kept: "[1]" is a unit, "(1)" a footnote.
                inside.push(if c == '[' { "[".into() } else { String::new() });
                outside.push(' ');
            }
            ']' | ')' | '}' => depth = 0,
            _ if depth > 0 => inside.last_mut().into_iter().for_each(|part| part.push(c)),
            _ => outside.push(c),
        }
    }
    (outside, inside)
}

/// The pieces of a text. Outside brackets a first word is no unit: "L" and "H" are also names.
fn pieces(text: &str, in_brackets: bool) -> Vec<Piece> {
    let whole = text.trim().trim_start_matches('\u{b1}').trim();
    if in_brackets && words::is_unit(whole.trim_start_matches('[')) && (whole.starts_with('[') || !is_number(whole)) {
        let whole = whole.trim_start_matches('[');
        return vec![Piece::Unit(whole.to_string())];
    }
    let tokens = joined(tokens(&text.replace('[', " ")));
    let last = tokens.len().saturating_sub(1);
    let piece = |(i, token): (usize, &String)| {
        let may_be_unit = in_brackets || i > 0;
        // "in" is an inch only where nothing follows it.
        let is_word = token == "in" && i < last;
        piece_of(token, may_be_unit && !is_word)
    };
    tokens.iter().enumerate().filter_map(piece).collect()
}

/// Runs of letters and digits, with the signs that belong to numbers and units.
fn tokens(text: &str) -> Vec<String> {
    let spaced = text.replace("L/L", " ").replace(['/', ',', ';', ':', '@', '=', '|', '_', '*', '~', '<', '>'], " ");
    let spaced = spaced.replace("K per W", "K/W");
    let strip = |token: &str| token.trim_matches(['-', '.', '+']).to_string();
    let split = spaced.split_whitespace().flat_map(|token| token.split('-')).map(strip);
    split.filter(|token| !token.is_empty()).collect()
}

/// Numbers together with the unit behind them: "30 %" is one token.
fn joined(tokens: Vec<String>) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for token in tokens {
        match all.last_mut() {
            Some(last) if is_number(last) && !is_number(&token) && (words::is_unit(&token) || token == "C") => {
                last.push(' ');
                last.push_str(&token);
            }
            _ => all.push(token),
        }
    }
    all
}

fn is_number(text: &str) -> bool {
    let body = text.trim_start_matches('\u{b1}');
    !body.is_empty() && body.chars().all(|c| c.is_ascii_digit() || c == '.')
}

fn piece_of(token: &str, may_be_unit: bool) -> Option<Piece> {
    if let Some(condition) = condition(token) {
        return Some(condition);
    }
    let bare = token.trim_start_matches('\u{b1}');
    if bare.is_empty() {
        return None;
    }
    if may_be_unit && words::is_unit(bare) && !is_number(bare) {
        return Some(Piece::Unit(bare.to_string()));
    }
    let qualifier = words::qualifier(&bare.to_lowercase());
    Some(qualifier.map_or_else(|| Piece::Word(bare.to_string()), Piece::Qualifier))
}

/// A number with a unit in a title is a condition.
fn condition(token: &str) -> Option<Piece> {
    let bare = token.trim_start_matches('\u{b1}');
    let split = bare.find(|c: char| !c.is_ascii_digit() && c != '.')?;
    let (number, unit) = (&bare[..split], bare[split..].trim());
    if !is_number(number) {
        return None;
    }
    let is = |d| parse(&format!("{number} {unit}"), d).is_ok();
    match unit {
        "%" => Some(Piece::Percent(format!("{number} %"), token.starts_with('\u{b1}'))),
        "K" | "k" => Some(Piece::Kelvins(format!("{number} K"))),
        "degC" | "C" => Some(Piece::Celsius(number.to_string())),
        _ if is(Dimension::Frequency) || is(Dimension::Voltage) => Some(Piece::Test),
        _ => None,
    }
}

impl Title {
    /// Words whose meaning hangs on what stands beside them.
    fn settle(&mut self, outer: &[String]) {
        let is_length = |unit: &String| words::unit(unit, Dimension::Length).is_some();
        let condition = match outer {
            [word] if word == "dl" => self.drop.is_some(),
            [word] if word == "dt" => self.rise.is_some() || self.temperature.is_some(),
            [word] if word == "l" && self.unit.as_ref().is_some_and(is_length) => {
                self.word = Some(Word::Key("body_length"));
                false
            }
            _ => false,
        };
        if condition {
            (self.word, self.fragment) = (None, true);
        }
    }

    fn take(&mut self, piece: Piece, rising: bool) {
        let (place, value) = match piece {
            Piece::Word(_) | Piece::Test => return,
            Piece::Qualifier(qualifier) => return self.qualifiers.push(qualifier),
            Piece::Unit(unit) => (&mut self.unit, unit),
            Piece::Percent(percent, true) => (&mut self.tolerance, percent),
            Piece::Percent(percent, false) => (&mut self.drop, percent),
            Piece::Kelvins(rise) => (&mut self.rise, rise),
            Piece::Celsius(number) if rising => (&mut self.rise, format!("{number} K")),
            Piece::Celsius(number) => (&mut self.temperature, format!("{number} degC")),
        };
        match place {
            Some(before) if *before != value => self.odd.push(value),
            _ => *place = Some(value),
        }
    }
}
