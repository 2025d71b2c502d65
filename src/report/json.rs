//! The record as JSON, and its schema.

use super::{ReportError, check_finite};
use crate::record::layout::Record;
use serde_json::Value;

/// Longest list or object that stands in one line.
const ONE_LINE: usize = 120;
/// Longest text in a list that stands in one line, however many there are.
const SHORT: usize = 32;
/// Field whose entries stand in one line each, however long.
const ROWS: &str = "rows";

/// The record as indented JSON, one line a row of a table, with a final line feed.
///
/// # Errors
/// [`ReportError::NotFinite`] where the record holds a number that JSON cannot write.
pub fn record(record: &Record) -> Result<String, ReportError> {
    check_finite(record)?;
    let mut text = String::new();
    push(&mut text, &serde_json::to_value(record)?, 0, false);
    Ok(text + "\n")
}

fn push(text: &mut String, value: &Value, depth: usize, is_rows: bool) {
    let compact = || value.to_string();
    match value {
        Value::Object(fields) if !fits(value) => {
            let entries = fields.iter().map(|(name, value)| (Some(name.as_str()), value));
            push_lines(text, ['{', '}'], entries, depth, false);
        }
        Value::Array(list) if is_rows || !fits(value) => {
            push_lines(text, ['[', ']'], list.iter().map(|value| (None, value)), depth, is_rows);
        }
        _ => text.push_str(&compact()),
    }
}

/// Entries between brackets, a line each; a line is the entry as it is where each is a row.
fn push_lines<'a>(
    text: &mut String,
    brackets: [char; 2],
    entries: impl Iterator<Item = (Option<&'a str>, &'a Value)>,
    depth: usize,
    as_it_is: bool,
) {
    text.push(brackets[0]);
    for (number, (name, value)) in entries.enumerate() {
        text.push_str(if number > 0 { ",\n" } else { "\n" });
        text.extend(std::iter::repeat_n(' ', depth + 1));
        if let Some(name) = name {
            text.push_str(&format!("{}: ", Value::from(name)));
        }
        if as_it_is { text.push_str(&value.to_string()) } else { push(text, value, depth + 1, name == Some(ROWS)) }
    }
    text.push('\n');
    text.extend(std::iter::repeat_n(' ', depth));
    text.push(brackets[1]);
}

/// Whether a value stands in one line: it is short, and holds no table.
fn fits(value: &Value) -> bool {
    let is_short = |value: &Value| value.is_number() || value.as_str().is_some_and(|text| text.len() <= SHORT);
    let is_short_list = || value.as_array().is_some_and(|list| list.iter().all(is_short));
    value.get(ROWS).is_none() && (is_short_list() || value.to_string().len() <= ONE_LINE)
}

/// JSON Schema (draft 2020-12) of the record, indented, with a final line feed.
pub fn record_schema() -> String {
    let mut text = format!("{:#}", schemars::schema_for!(Record).as_value());
    text.push('\n');
    text
}
