//! A purchasing specification as text and JSON.

use super::wrap::{capital, push_wrapped};
use super::{ReportError, check_finite};
use crate::record::specification::{Line, SpecificationRecord};

/// Everything as JSON.
///
/// # Errors
/// [`ReportError::NotFinite`] where it holds a number that is not finite.
pub fn json(record: &SpecificationRecord) -> Result<String, ReportError> {
    check_finite(record)?;
    Ok(serde_json::to_string_pretty(record)? + "\n")
}

/// Everything, for people.
pub fn text(record: &SpecificationRecord, width: usize) -> String {
    let mut text = String::new();
    push_wrapped(&mut text, &record.case.title, width, "", "");
    if !record.case.set.is_empty() {
        push_wrapped(&mut text, &format!("Set: {}.", record.case.set.join("; ")), width, "", "  ");
    }
    let head = format!("A part in place of {} passes on this board if it has", record.original);
    push_wrapped(&mut text, &head, width, "", "");
    text.push('\n');
    let label = record.lines.iter().map(|line| line.label.chars().count()).max().unwrap_or(0);
    for line in &record.lines {
        let first = format!("  {:label$}  ", line.label);
        push_wrapped(&mut text, &said(line), width, &first, &" ".repeat(label + 4));
    }
    push_wrapped(&mut text, &format!("As with the original: {}.", record.same.join("; ")), width, "\n", "  ");
    text.push_str("\nWhat sets it\n");
    for line in record.lines.iter().filter(|line| !line.set_by.is_empty()) {
        for by in &line.set_by {
            push_wrapped(&mut text, &format!("{}, {by}", line.label), width, "  ", "    ");
        }
    }
    if !record.trades.is_empty() {
        text.push_str("\nWhat can be exchanged, one at a time\n");
        for trade in &record.trades {
            push_wrapped(&mut text, &capital(trade), width, "  ", "    ");
        }
    }
    push_wrapped(&mut text, &proof(record), width, "\n", "  ");
    text
}

fn said(line: &Line) -> String {
    if line.at.is_empty() { line.said.clone() } else { format!("{}, {}", line.said, line.at) }
}

fn proof(record: &SpecificationRecord) -> String {
    let (sides, hold) = record.sides;
    format!(
        "Checked: {} corners of this range compared in full, all pass; {} of {} random parts inside pass in the {} places that decide; \
{hold} of {sides} limits, moved out alone by the uncertainty of their check, give a part that fails or is undecided.",
        record.vertices_in_full, record.random_passes, record.random_parts, record.places
    )
}
