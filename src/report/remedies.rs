//! Remedies as text and JSON.

use super::text::outcome_name;
use super::wrap::push_wrapped;
use super::{ReportError, check_finite};
use crate::record::remedies::{PartOf, RemediesRecord, RemedyOf};
use std::fmt::Write;

/// Everything as JSON.
///
/// # Errors
/// [`ReportError::NotFinite`] where it holds a number that is not finite.
pub fn json(record: &RemediesRecord) -> Result<String, ReportError> {
    check_finite(record)?;
    Ok(serde_json::to_string_pretty(record)? + "\n")
}

/// What helps each part, for people. A command is never wrapped: it is there to be pasted.
pub fn text(record: &RemediesRecord, width: usize) -> String {
    let mut text = String::new();
    push_wrapped(&mut text, &record.case.title, width, "", "");
    if !record.case.set.is_empty() {
        push_wrapped(&mut text, &format!("Set: {}.", record.case.set.join("; ")), width, "", "  ");
    }
    record.parts.iter().for_each(|part| push_part(&mut text, part, width));
    push_wrapped(&mut text, &format!("Varied: {}.", record.varied.join(", ")), width, "\n", "  ");
    text
}

fn push_part(text: &mut String, part: &PartOf, width: usize) {
    let said = format!("{}  {}  {}.", part.part, outcome_name(part.outcome), part.sentence.trim_end_matches('.'));
    push_wrapped(text, &said, width, "\n", "  ");
    for (number, remedy) in part.remedies.iter().enumerate() {
        push_remedy(text, number + 1, remedy, width);
    }
    if let Some(none) = &part.none {
        push_wrapped(text, none, width, "  ", "  ");
    }
}

fn push_remedy(text: &mut String, number: usize, remedy: &RemedyOf, width: usize) {
    push_wrapped(text, &format!("{}.", remedy.changes.join(", ")), width, &format!("  {number}. "), "     ");
    push_wrapped(text, &format!("{}.", remedy.gains.join("; ")), width, "     ", "     ");
    let costs = match remedy.costs.is_empty() {
        true => "Costs nothing that a limit shows.".into(),
        false => format!("Costs: {}.", remedy.costs.join("; ")),
    };
    push_wrapped(text, &costs, width, "     ", "     ");
    let _ = writeln!(text, "     {}", remedy.command); // cannot fail
}
