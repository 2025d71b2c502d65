//! What the first screen leaves out: every quantity, one part in full, the data.

use super::place::short;
use super::{LEAST_WIDTH, outcome_name, state_name};
use crate::record::layout::{Check, QuantityRow, Record, Verdict};
use crate::record::words::{say, say_value};
use crate::report::number::{RowFormat, Scale, sided};
use crate::report::wrap::{pad_right, push_wrapped};

/// Every quantity of every part: value, state, and the condition of each.
pub fn quantities(record: &Record, width: usize) -> String {
    let width = width.max(LEAST_WIDTH);
    let name = record.parts.iter().map(|part| part.name.chars().count()).max().unwrap_or(0);
    let mut out = String::from("\nEvery quantity, each in the condition that decides it\n");
    for row in &record.quantities {
        push_quantity(&mut out, record, row, (name, width));
    }
    out
}

fn push_quantity(out: &mut String, record: &Record, row: &QuantityRow, (name, width): (usize, usize)) {
    let format = RowFormat::of(row);
    let limit = format.limit().map_or_else(String::new, |limit| format!(", {limit}"));
    push_wrapped(out, &format!("{}{limit}", row.label), width, "", "  ");
    for (part, cell) in record.parts.iter().zip(&row.cells) {
        let Some(cell) = cell else { continue };
        let own = format.own_limit(cell).map_or_else(String::new, |limit| format!(" ({limit})"));
        let change = format.change(cell).filter(|_| !part.original);
        let change = change.map_or_else(String::new, |change| format!(" ({change})"));
        let state = cell.state.map_or_else(String::new, |state| format!(", {}", state_name(state)));
        let place = if cell.place.is_empty() { String::new() } else { format!("; {}", short(&cell.place)) };
        let text = format!("{} {}{own}{change}{state}{place}", format.value(cell), format.scale.unit);
        let head = format!("  {} ", pad_right(&part.name, name));
        push_wrapped(out, &text.replace(" ,", ",").replace(" ;", ";"), width, &head, &" ".repeat(name + 5));
    }
}

/// Everything that was checked of one part, the deciding check first; `None` where there is no such part.
pub fn part(record: &Record, name: &str, width: usize) -> Option<String> {
    let width = width.max(LEAST_WIDTH);
    let verdict = std::iter::once(&record.original).chain(&record.verdicts).find(|verdict| verdict.part == name)?;
    let mut out = String::from("\n");
    push_wrapped(&mut out, &format!("{name}: {}", headline(record, verdict)), width, "", "  ");
    for check in &verdict.checks {
        push_check(&mut out, check, width);
    }
    let lists = [("Changes to accept", &verdict.changes), ("Notes", &verdict.notes), ("Not asked", &verdict.not_asked)];
    for (title, items) in lists {
        if !items.is_empty() {
            push_wrapped(&mut out, &items.join("; "), width, &pad_right(title, 20), &" ".repeat(20));
        }
    }
    Some(out)
}

fn headline(record: &Record, verdict: &Verdict) -> String {
    if verdict.part == record.original.part {
        return super::original_sentence(verdict);
    }
    let more = [&verdict.within, &verdict.next].into_iter().filter(|text| !text.is_empty());
    let more: String = more.map(|text| format!("; {text}")).collect();
    format!("{}, {}{more}", outcome_name(verdict.outcome), verdict.sentence)
}

fn push_check(out: &mut String, check: &Check, width: usize) {
    let unit = &check.unit;
    let limit =
        check.limit.as_ref().map_or_else(String::new, |limit| format!(", {}", sided(limit, &say(limit.value, unit))));
    let ends = check.value.ends.map_or_else(String::new, |(low, high)| {
        format!(" ({} to {} with absent data)", say(low, unit), say(high, unit))
    });
    let doubt = match check.value.value.number() {
        Some(number) if check.value.uncertainty > 0.0 => {
            let scale = Scale::of([number], unit);
            format!(" ± {} {}", scale.doubt(check.value.uncertainty), scale.unit)
        }
        _ => String::new(),
    };
    let value = say_value(&check.value.value, unit);
    let text = format!("{}: {value}{doubt}{ends}{limit}", check.label);
    push_wrapped(out, text.trim_end(), width, &pad_right(state_name(check.state), 8), &" ".repeat(8));
    if !check.place.is_empty() {
        push_wrapped(out, &format!("at {}", check.place), width, &" ".repeat(8), &" ".repeat(10));
    }
    let largest = check.budget.iter().take(3).map(|one| one.label.clone()).collect::<Vec<_>>().join("; ");
    if !largest.is_empty() {
        push_wrapped(out, &format!("largest doubts: {largest}"), width, &" ".repeat(8), &" ".repeat(10));
    }
}

/// Doubts about the data, then everything that was assumed or is absent.
pub fn data(record: &Record, width: usize) -> String {
    let width = width.max(LEAST_WIDTH);
    let mut out = String::from("\nData\n");
    for warning in &record.warnings {
        push_wrapped(&mut out, warning, width, "  Check: ", "    ");
    }
    for origin in &record.origins {
        let note = if origin.note.is_empty() { String::new() } else { format!(" ({})", origin.note) };
        let text = format!("{}: {}, {}{note}", origin.datum, origin.value, origin.origin);
        push_wrapped(&mut out, &text, width, "  - ", "    ");
    }
    out
}
