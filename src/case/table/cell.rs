//! One cell as a quantity. What has one meaning is read; everything else is refused with what is wrong.

use super::number::{Fault, Marks};
use super::words::{self, Qualifier};
use crate::units::Dimension;
use std::borrow::Cow;

/// What a cell holds, before any meaning is given to it.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell {
    /// Nothing.
    Empty,
    /// Text.
    Text(String),
    /// A number of a spreadsheet, which has no marks that could be misread.
    Number(f64),
    /// A date or a time.
    Date,
    /// An error of a spreadsheet, as it shows it.
    Error(String),
}

/// Errors as spreadsheets show them, also in files of text.
const ERRORS: [&str; 7] = ["#N/A", "#REF!", "#DIV/0!", "#VALUE!", "#NAME?", "#NUM!", "#NULL!"];

impl Cell {
    /// A cell of a text file, or of text in a workbook.
    pub fn of_text(text: &str) -> Cell {
        match text.trim() {
            error if ERRORS.contains(&error) => Cell::Error(error.into()),
            text => Cell::Text(text.into()),
        }
    }

    /// As text, for people and for columns of text.
    pub fn text(&self) -> String {
        self.shown().into_owned()
    }

    /// The same, without a copy of what is text.
    pub fn shown(&self) -> Cow<'_, str> {
        match self {
            Cell::Empty => "".into(),
            Cell::Text(text) => text.trim().into(),
            Cell::Number(number) => number.to_string().into(),
            Cell::Date => "a date".into(),
            Cell::Error(error) => error.as_str().into(),
        }
    }

    /// Whether it says nothing.
    pub fn is_empty(&self) -> bool {
        match self {
            Cell::Empty => true,
            Cell::Text(text) => text.trim().is_empty(),
            _ => false,
        }
    }
}

/// A value of a cell: its number with a decimal point, its own unit, and what it says of itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Value {
    /// Number with a decimal point.
    pub number: String,
    /// Unit as it is written; empty where the cell has none.
    pub unit: String,
    /// Typical, largest, least.
    pub qualifier: Option<Qualifier>,
    /// Whether only a bound is stated: '<' or '>'.
    pub bound: Option<char>,
}

/// Why a cell is not read.
#[derive(Clone, Debug, PartialEq)]
pub enum Unread {
    /// The marks of a number may be read in two ways.
    Marks,
    /// It is wrong in itself.
    Because(String),
}

fn because<T>(text: &str) -> Result<T, Unread> {
    Err(Unread::Because(text.into()))
}

/// The values of a cell, and the tolerance behind a plus-minus sign.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Values {
    /// Values in their order.
    pub all: Vec<Value>,
    /// Number behind a plus-minus sign, in per cent.
    pub tolerance: Option<String>,
}

/// Reads the cell of a column of quantities.
pub fn values(cell: &Cell, dimension: Dimension, marks: &Marks) -> Result<Values, Unread> {
    match cell {
        Cell::Empty => Ok(Values::default()),
        Cell::Date => because("a date, into which a spreadsheet may have changed a number"),
        Cell::Error(error) => because(&format!("the error {error} of a spreadsheet")),
        Cell::Number(number) if !number.is_finite() => because("no finite number"),
        Cell::Number(number) => {
            let value = Value { number: number.to_string(), unit: String::new(), qualifier: None, bound: None };
            Ok(Values { all: vec![value], tolerance: None })
        }
        Cell::Text(text) if words::is_nothing(text) => Ok(Values::default()),
        Cell::Text(text) => of_text(&words::plain(text), dimension, marks),
    }
}

fn of_text(text: &str, dimension: Dimension, marks: &Marks) -> Result<Values, Unread> {
    if dimension == Dimension::Fraction {
        let text = text.trim_start_matches(['\u{b1}', ' ']);
        return Ok(Values { all: scan(text, dimension, marks)?, tolerance: None });
    }
    let (value, tolerance) = match text.split_once('\u{b1}') {
        Some((value, tolerance)) => (value, Some(percentage(tolerance, marks)?)),
        None => (text, None),
    };
    Ok(Values { all: scan(value.trim(), dimension, marks)?, tolerance })
}

/// "20 %" behind a plus-minus sign.
fn percentage(text: &str, marks: &Marks) -> Result<String, Unread> {
    match scan(text.trim().trim_end_matches(')'), Dimension::Fraction, marks)?.as_slice() {
        [only] if only.unit == "%" && only.qualifier.is_none() && only.bound.is_none() => Ok(only.number.clone()),
        _ => because("a tolerance that is not one percentage"),
    }
}

/// What the numbers of a cell look like, for the marks of its column.
pub fn numbers(text: &str) -> Vec<String> {
    let plain = words::plain(text);
    let mut rest = plain.as_str();
    let mut all = Vec::new();
    while let Some(at) = rest.find(|c: char| c.is_ascii_digit()) {
        let begins = at - usize::from(rest[..at].ends_with(['.', ',']));
        let length = number_length(&rest[begins..]);
        all.push(rest[begins..begins + length].to_string());
        rest = &rest[begins + length..];
    }
    all
}

/// Bytes of a number at the begin of a text: digits and marks between them; a space only before three digits.
pub fn number_length(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digit = |i: usize| bytes.get(i).is_some_and(u8::is_ascii_digit);
    let three = |i: usize| digit(i) && digit(i + 1) && digit(i + 2) && !digit(i + 3);
    let mut at = usize::from(text.starts_with(['+', '-']));
    loop {
        match bytes.get(at) {
            Some(b'0'..=b'9') => at += 1,
            Some(b'.' | b',') if digit(at + 1) => at += 1,
            Some(b' ' | b'\'') if at > 0 && digit(at - 1) && three(at + 1) => at += 1,
            _ => return at,
        }
    }
}

/// Values one after the other, with qualifiers before or behind them.
fn scan(text: &str, dimension: Dimension, marks: &Marks) -> Result<Vec<Value>, Unread> {
    let mut all: Vec<Value> = Vec::new();
    let (mut rest, mut pending, mut bound, mut apart) = (text.trim(), None, None, true);
    while let Some(first) = rest.chars().next() {
        if " /;:()=".contains(first) || (first == ',' && rest[1..].starts_with(' ')) {
            apart |= first != ' ';
            rest = &rest[1..];
            if let (')', Some(last)) = (first, all.last_mut().filter(|last| last.qualifier.is_none())) {
                last.qualifier = pending.take();
            }
        } else if let Some((sign, length)) = comparison(rest) {
            bound = Some(sign);
            rest = &rest[length..];
        } else if let Some(value) = mantissa_code(rest, dimension).or_else(|| nothing_but_number(rest)) {
            let (number, unit, length) = value;
            let (mantissa, power) = number.split_at(number.find(['e', 'E']).unwrap_or(number.len()));
            let plain = marks.plain(mantissa).map_err(|fault| unread(fault, text))? + power;
            all.push(Value { number: plain, unit, qualifier: pending.take(), bound: bound.take() });
            (rest, apart) = (&rest[length..], false);
        } else {
            let word: String = rest.chars().take_while(|c| c.is_alphabetic()).collect();
            let Some(qualifier) = words::qualifier(&word.to_lowercase()) else {
                return because("words that are not understood");
            };
            rest = rest[word.len()..].trim_start_matches('.');
            match all.last_mut() {
                Some(last) if last.qualifier.is_none() && !apart => last.qualifier = Some(qualifier),
                _ if pending.is_none() => pending = Some(qualifier),
                _ => return because("words that are not understood"),
            }
        }
    }
    if pending.is_some() || bound.is_some() || all.is_empty() {
        return because("no number");
    }
    Ok(share_unit(all))
}

fn unread(fault: Fault, text: &str) -> Unread {
    match fault {
        Fault::Either => Unread::Marks,
        Fault::Wrong => Unread::Because(format!("\"{text}\" is no number")),
    }
}

/// '<' or '>' and how long it is.
fn comparison(text: &str) -> Option<(char, usize)> {
    const SIGNS: [(&str, char); 8] = [
        (">=", '>'),
        ("=>", '>'),
        ("<=", '<'),
        ("=<", '<'),
        (">", '>'),
        ("<", '<'),
        ("\u{2265}", '>'),
        ("\u{2264}", '<'),
    ];
    SIGNS.iter().find(|(sign, _)| text.starts_with(sign)).map(|(sign, meaning)| (*meaning, sign.len()))
}

/// Unit of a value whose decimal point is an R: microhenry or ohm, unless its column has another unit.
pub const POINT: &str = "R point";

/// "4u7", "2R2", "0R031": the letter is the decimal point and the prefix; R stands for microhenry or for ohm (IEC 60062).
fn mantissa_code(text: &str, dimension: Dimension) -> Option<(String, String, usize)> {
    let end = text.find(|c: char| !c.is_ascii_alphanumeric()).unwrap_or(text.len());
    let code = &text[..end];
    let at = code.find(|c: char| !c.is_ascii_digit())?;
    let (whole, letter, part) = (&code[..at], &code[at..at + 1], &code[at + 1..]);
    if part.is_empty() || !part.chars().all(|c| c.is_ascii_digit()) {
        return None;
    }
    let unit = match (dimension, letter) {
        (Dimension::Inductance | Dimension::Resistance, "R") => POINT,
        (Dimension::Inductance, "u") => "uH",
        (Dimension::Inductance, "n") => "nH",
        (Dimension::Inductance, "m") => "mH",
        (Dimension::Resistance, "m") => "mohm",
        _ => return None,
    };
    // "2R200" says 2.200: three digits behind the letter are no thousands, which a closing 0 shows to the marks.
    let whole = if whole.is_empty() { "0" } else { whole };
    let part = if part.len() == 3 { format!("{part}0") } else { part.to_string() };
    Some((format!("{whole}.{part}"), unit.to_string(), end))
}

/// A number and the unit that follows it.
fn nothing_but_number(text: &str) -> Option<(String, String, usize)> {
    let length = number_length(text);
    if !text[..length].contains(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let length = length + power_length(&text[length..]);
    let number = &text[..length];
    let behind = &text[length..];
    let gap = behind.len() - behind.trim_start_matches(' ').len();
    let is_unit = |c: char| c.is_alphabetic() || "%\"\u{b0}".contains(c);
    let unit: String = behind[gap..].chars().take_while(|c| is_unit(*c)).collect();
    if unit.is_empty() || words::qualifier(&unit.to_lowercase()).is_some() {
        return Some((number.to_string(), String::new(), length));
    }
    let unit = if behind[gap..].starts_with("K/W") { "K/W".to_string() } else { unit };
    let length = length + gap + unit.len();
    Some((number.to_string(), unit, length))
}

/// Bytes of a power of ten behind a number: "E-05", with nothing attached to it.
fn power_length(text: &str) -> usize {
    let Some(tail) = text.strip_prefix(['e', 'E']) else { return 0 };
    let signed = tail.strip_prefix(['+', '-']).unwrap_or(tail);
    let digits = signed.bytes().take_while(u8::is_ascii_digit).count();
    let attached = signed[digits..].starts_with(|c: char| c.is_alphanumeric() || ".,".contains(c));
    if digits == 0 || attached { 0 } else { text.len() - signed.len() + digits }
}

/// In "12 / 14 mohm" the unit of the last is that of all.
fn share_unit(mut all: Vec<Value>) -> Vec<Value> {
    let unit = all.last().map_or(String::new(), |last| last.unit.clone());
    if all.iter().rev().skip(1).all(|value| value.unit.is_empty()) {
        all.iter_mut().for_each(|value| value.unit = unit.clone());
    }
    all
}

/// Prefixes that cells write without the unit, where the dimension leaves no doubt.
pub fn with_symbol(unit: &str, dimension: Dimension) -> String {
    match (dimension, unit) {
        (Dimension::Inductance, "u" | "n") => format!("{unit}H"),
        (Dimension::Resistance, "m") => "mohm".into(),
        _ => unit.to_string(),
    }
}

/// Upper end of a range of temperatures: the second of two numbers, or the only one.
pub fn upper_end(text: &str) -> Option<(String, String)> {
    let text = words::plain(text).replace("degC", "").replace(['C', '+'], " ");
    let text = text.replace("bis", "~").replace("to", "~").replace("...", "~").replace(['\u{2026}', '/'], "~");
    let text: String = text.split_whitespace().collect();
    let number = |part: &str| part.parse::<i32>().ok();
    let (low, high) = match text.split_once('~') {
        Some(ends) => ends,
        None => text.rsplit_once('-').filter(|(low, _)| !low.is_empty())?,
    };
    let (low, high) = (number(low)?, number(high.trim_start_matches('~'))?);
    (low < high && low <= 25 && high >= 50).then(|| (high.to_string(), "degC".into()))
}

/// The lengths of "7.3 x 6.8 x 4.8", each with its own unit or that of the last.
pub fn lengths(text: &str, marks: &Marks) -> Result<Vec<Value>, Unread> {
    let plain = words::plain(text).replace(['\u{d7}', 'X', '*'], "x");
    let parts: Vec<&str> = plain.split('x').collect();
    if !(2..=3).contains(&parts.len()) {
        return because("no size such as 7.3 x 6.8 x 4.8");
    }
    let mut all = Vec::new();
    for part in parts {
        match scan(part, Dimension::Length, marks)?.as_slice() {
            [only] if only.bound.is_none() && only.qualifier != Some(Qualifier::Least) => all.push(only.clone()),
            _ => return because("no size such as 7.3 x 6.8 x 4.8"),
        }
    }
    Ok(share_unit(all))
}
