//! Two records held against each other, as text and JSON.

use super::number::quantity;
use super::text::{outcome_name, state_name};
use super::wrap::push_wrapped;
use super::{ReportError, check_finite};
use crate::record::difference::{Changed, Difference, MovedCheck, SAME, Stand};
use crate::record::layout::Value;
use std::fmt::Write;

/// Lines of a kind that the text shows; all are in the JSON.
const SHOWN: usize = 12;

/// Everything as JSON.
///
/// # Errors
/// [`ReportError::NotFinite`] where it holds a number that is not finite.
pub fn json(difference: &Difference) -> Result<String, ReportError> {
    check_finite(difference)?;
    Ok(serde_json::to_string_pretty(difference)? + "\n")
}

/// What moved, for people: outcomes first, then why.
pub fn text(difference: &Difference, width: usize) -> String {
    let mut text = String::new();
    if difference.is_none() {
        let same =
            format!("The same: inputs, outcomes, and {} figures to a part in {:.0e}.", difference.compared, 1.0 / SAME);
        push_wrapped(&mut text, &same, width, "", "");
        return text;
    }
    let outcomes = difference.outcomes.iter().map(|moved| {
        let ((old, before), (new, now)) = (&moved.old, &moved.new);
        format!("{}: {} -> {}. Before: {before}. Now: {now}.", moved.part, outcome_name(*old), outcome_name(*new))
    });
    section(&mut text, "Outcomes that moved", outcomes.collect(), width);
    section(&mut text, "Parts in one of the two", difference.parts.iter().map(change).collect(), width);
    section(&mut text, "Checks that moved", difference.checks.iter().map(check).collect(), width);
    section(&mut text, "Inputs that changed", difference.inputs.iter().map(change).collect(), width);
    let figures = difference.figures.iter().map(|figure| {
        let by = figure.relative.map(|relative| format!(" ({:.2} %)", 100.0 * relative)).unwrap_or_default();
        format!("{}: {} -> {}{by}", figure.what, value(&figure.old, &figure.unit), value(&figure.new, &figure.unit))
    });
    let title = format!("Figures that differ, of {}", difference.compared);
    section(&mut text, &title, figures.collect(), width);
    text
}

pub(super) fn section(text: &mut String, title: &str, lines: Vec<String>, width: usize) {
    if lines.is_empty() {
        return;
    }
    let gap = if text.is_empty() { "" } else { "\n" };
    let _ = writeln!(text, "{gap}{title}: {}", lines.len()); // cannot fail
    lines.iter().take(SHOWN).for_each(|line| push_wrapped(text, line, width, "  ", "    "));
    if lines.len() > SHOWN {
        let _ = writeln!(text, "  and {} more", lines.len() - SHOWN); // cannot fail
    }
}

pub(super) fn change(changed: &Changed) -> String {
    let or_nothing = |value: &Option<String>| value.clone().unwrap_or("nothing".into());
    format!("{}: {} -> {}", changed.what, or_nothing(&changed.old), or_nothing(&changed.new))
}

fn check(moved: &MovedCheck) -> String {
    let of = |stand: &Option<Stand>| match stand {
        Some(stand) => format!("{} {} ({})", state_name(stand.state), value(&stand.value, &moved.unit), stand.place),
        None => "not asked".into(),
    };
    format!("{}, {}: {} -> {}", moved.part, moved.label, of(&moved.old), of(&moved.new))
}

fn value(value: &Value, unit: &str) -> String {
    match value {
        Value::Number(number) => quantity(*number, unit),
        Value::AtLeast(number) => format!("more than {}", quantity(*number, unit)),
        Value::AtMost(number) => format!("less than {}", quantity(*number, unit)),
        Value::NotComputed(why) => why.to_string(),
    }
}
