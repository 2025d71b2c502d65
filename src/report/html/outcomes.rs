//! The first screen of the page: the original's own state, a card a substitute, the checks against the parts; and the evidence that they
//! link to.

use super::figure;
use crate::judge::sight::margin as margin_to;
use crate::record::layout::{Check, Record, State, Verdict};
use crate::record::words::{say, say_value};
use crate::report::csv;
use crate::report::number::{RowFormat, Scale, percent, sided};
use crate::report::plots::{Plot, deciding_name};
use crate::report::text::{
    NOT_JUDGED, assumed_sentence, heading, original_sentence, other_reasons, outcome_name, state_name, to_check,
};
use crate::report::wrap::capital;
use maud::{Markup, html};

/// Doubts that are told before the outcomes; the others stand with the data.
const MOST_DOUBTS: usize = 3;

/// The original first, then the substitutes.
fn all(record: &Record) -> Vec<&Verdict> {
    std::iter::once(&record.original).chain(&record.verdicts).collect()
}

/// Anchor of the evidence of a part, and of one of its checks.
fn anchor(part: usize, check: Option<usize>) -> String {
    check.map_or_else(|| format!("part-{part}"), |check| format!("check-{part}-{check}"))
}

/// What decides, at a glance.
pub(super) fn section(record: &Record) -> Markup {
    let doubts: Vec<&String> = to_check(record).collect();
    html! {
        section #outcomes {
            h2.first { "Outcomes" }
            @for doubt in doubts.iter().take(MOST_DOUBTS) { p.doubt { strong { "Check: " } (doubt) } }
            @if doubts.len() > MOST_DOUBTS {
                p.doubt { a href="#data" { (doubts.len() - MOST_DOUBTS) " more to check" } }
            }
            p.fitted { (original_sentence(&record.original)) }
            div.cards {
                @for (number, verdict) in record.verdicts.iter().enumerate() { (card(number + 1, verdict)) }
            }
            @if record.verdicts.is_empty() { p { "No substitute was compared." } }
            (matrix(record))
            p.sub {
                "Assumed data: " (assumed_sentence(record)) ". "
                @if !record.original.not_asked.is_empty() { "Not asked: " (record.original.not_asked.join(", ")) ". " }
                "Not judged by this tool: " (NOT_JUDGED) "."
            }
        }
    }
}

fn card(number: usize, verdict: &Verdict) -> Markup {
    html! {
        article class={ "verdict " (csv::word(&verdict.outcome)) } {
            h3 { a href={ "#" (anchor(number, None)) } { (verdict.part) } span.outcome { (outcome_name(verdict.outcome)) } }
            p { (capital(&verdict.sentence)) "." }
            @if !verdict.condition.is_empty() { p.place { "At " (verdict.condition) "." } }
            @if !verdict.within.is_empty() { p { (capital(&verdict.within)) "." } }
            @if !verdict.next.is_empty() { p.next { (capital(&verdict.next)) "." } }
        }
    }
}

/// Checks against parts: the state, and the margin as a share of the limit; each leads to its evidence. Where the screen is narrow the
/// cards stand alone.
fn matrix(record: &Record) -> Markup {
    let all = all(record);
    let mut rows: Vec<&Check> = vec![];
    for check in all.iter().flat_map(|verdict| &verdict.checks) {
        if !rows.iter().any(|row| row.key == check.key) {
            rows.push(check);
        }
    }
    html! {
        div.wide {
            h3 { "Checks" }
            table.matrix {
                thead { tr {
                    th scope="col" { "Check, and the margin to its limit" }
                    @for verdict in &all { th.n scope="col" { (verdict.part) } }
                } }
                tbody { @for row in rows { tr {
                    th scope="row" { (heading(row)) }
                    @for (part, verdict) in all.iter().enumerate() {
                        @match verdict.checks.iter().position(|check| check.key == row.key) {
                            Some(number) => (cell(&verdict.checks[number], &anchor(part, Some(number)))),
                            None => td.n { "not asked" },
                        }
                    }
                } } }
            }
        }
    }
}

/// Class of a cell by its state.
pub(super) fn class_of(state: State) -> &'static str {
    match state {
        State::Missed => "n past",
        State::Open => "n open",
        State::Met => "n",
    }
}

fn cell(check: &Check, anchor: &str) -> Markup {
    html! {
        td class=(class_of(check.state)) {
            a href={ "#" (anchor) } { (state_name(check.state)) @if let Some(margin) = margin(check) { " " (margin) } }
        }
    }
}

/// What is left of the limit: "12 %"; negative past it. None where there is no limit or nothing to measure by.
fn margin(check: &Check) -> Option<String> {
    let limit = check.limit.filter(|limit| limit.value != 0.0)?;
    let left = margin_to(check.value.value.number()?, &limit) / limit.value.abs();
    let sign = if left < 0.0 { "-" } else { "" };
    Some(format!("{sign}{} %", percent(left.abs())))
}

/// Every check of every part in full, the deciding one first, and what a person accepts with it.
pub(super) fn evidence(record: &Record, plots: &[Plot]) -> Markup {
    html! {
        section #evidence {
            h2 { "Evidence" }
            @for (part, verdict) in all(record).iter().enumerate() { (of_part(record, part, verdict, plots)) }
        }
    }
}

fn of_part(record: &Record, part: usize, verdict: &Verdict, plots: &[Plot]) -> Markup {
    let others = other_reasons(verdict);
    let is_original = part == 0;
    html! {
        article.evidence id=(anchor(part, None)) {
            h3 { (verdict.part) ": " @if is_original { "fitted" } @else { (outcome_name(verdict.outcome)) } }
            @if !is_original {
                p { (capital(&verdict.sentence)) @if !verdict.condition.is_empty() { " (at " (verdict.condition) ")" } "." }
                @if !others.is_empty() { p { "Also: " (others.join("; ")) "." } }
                @if !verdict.within.is_empty() { p { (capital(&verdict.within)) "." } }
                @if !verdict.next.is_empty() { p { strong { "Next. " } (capital(&verdict.next)) "." } }
            }
            @for plot in plots.iter().filter(|plot| plot.name == deciding_name(part)) { (figure(plot)) }
            @if !verdict.changes.is_empty() {
                p { strong { "Changes to accept. " } (verdict.changes.join(". ")) "." }
            }
            @if !verdict.notes.is_empty() {
                details { summary { "Notes on its runs" } ul { @for note in &verdict.notes { li { (note) } } } }
            }
            @if !verdict.bench.is_empty() { p.bench { (capital(&verdict.bench)) "." } }
            details.checks {
                summary { "Every check: " (verdict.checks.len()) }
                table {
                    thead { tr {
                        th scope="col" { "Check" }
                        th scope="col" { "State" }
                        @for head in ["Value", "Limit"] { th.n scope="col" { (head) } }
                        th scope="col" { "Condition, largest doubts" }
                    } }
                    tbody {
                        @for (number, check) in verdict.checks.iter().enumerate() {
                            (check_row(record, &anchor(part, Some(number)), check))
                        }
                    }
                }
            }
        }
    }
}

fn check_row(record: &Record, anchor: &str, check: &Check) -> Markup {
    let unit = &check.unit;
    let format = record.quantities.iter().find(|row| row.quantity == check.quantity).map(RowFormat::of);
    let doubts: Vec<&str> = check.budget.iter().take(3).map(|one| one.label.as_str()).collect();
    html! {
        tr id=(anchor) {
            th scope="row" { (check.label) }
            td class=(class_of(check.state).trim_start_matches('n').trim_start()) { (state_name(check.state)) }
            td.n {
                @match (check.value.value.number(), &format) {
                    (Some(_), Some(format)) => { (format.bounded(&check.value.value)) " " (format.scale.unit) },
                    _ => (say_value(&check.value.value, unit)),
                }
                @if let (Some(number), true) = (check.value.value.number(), check.value.uncertainty > 0.0) {
                    @let scale = Scale::of([number], unit);
                    small { "± " (scale.doubt(check.value.uncertainty)) " " (scale.unit) }
                }
                @if let Some((low, high)) = check.value.ends { small { (say(low, unit)) " to " (say(high, unit)) } }
            }
            td.n { @if let Some(limit) = &check.limit { (sided(limit, &say(limit.value, unit))) } }
            td {
                (check.place)
                @if !doubts.is_empty() { small { "doubts: " (doubts.join("; ")) } }
            }
        }
    }
}
