//! Parts screened beside one original: text, table, JSON, and a page (`page`).

mod page;

use super::calibration::push_head;
use super::csv::number;
use super::number::{price, quantity};
use super::text::outcome_name;
use super::wrap::push_wrapped;
use super::{ReportError, check_finite};
use crate::record::layout::Outcome;
use crate::record::screen::{Decided, Filter, OfferRecord, Row, ScreenRecord};
use crate::visible::visible;
pub use page::page;
use std::fmt::Write;

/// Checks and data that the text counts.
const MOST_COUNTED: usize = 6;
/// Longest part name in a column of its own.
const LONGEST_NAME: usize = 24;

/// Everything as JSON.
///
/// # Errors
/// [`ReportError::NotFinite`] where it holds a number that is not finite.
pub fn json(record: &ScreenRecord) -> Result<String, ReportError> {
    check_finite(record)?;
    Ok(serde_json::to_string_pretty(record)? + "\n")
}

/// The best parts and the counts, for people.
pub fn text(record: &ScreenRecord, top: usize, width: usize) -> String {
    let mut text = String::new();
    push_wrapped(&mut text, &record.case.title, width, "", "");
    if !record.case.set.is_empty() {
        push_wrapped(&mut text, &format!("Set: {}.", record.case.set.join("; ")), width, "", "  ");
    }
    push_head(&mut text, record.calibration.as_ref(), width);
    let fitted = format!("Fitted: {}; {}.", record.original.part, record.original.sentence);
    push_wrapped(&mut text, &fitted, width, "", "  ");
    push_wrapped(&mut text, &counts(record), width, "", "  ");
    text.push('\n');
    let shown: Vec<&Row> = record.rows.iter().take(top).collect();
    let name_width = shown.iter().map(|row| row.part.chars().count()).max().unwrap_or(0).min(LONGEST_NAME);
    for (number, row) in shown.iter().enumerate() {
        push_row(&mut text, number + 1, row, (name_width, width));
    }
    if record.rows.len() > shown.len() {
        let _ = writeln!(text, "     and {} more in the table", record.rows.len() - shown.len()); // cannot fail
    }
    if let Some(first) = record.deciding_data.first() {
        let what = format!("One datum decides on {}: {}.", parts(first.parts), first.label);
        push_wrapped(&mut text, &format!("{what}{}", others(&record.deciding_data[1..])), width, "\n", "  ");
    }
    if !record.failing_checks.is_empty() {
        let all: Vec<String> = record.failing_checks.iter().take(MOST_COUNTED).map(counted).collect();
        push_wrapped(&mut text, &format!("What fails parts: {}.", all.join(", ")), width, "\n", "  ");
    }
    if !record.left_out.is_empty() {
        let lines = record.left_out.len();
        let what = format!(
            "{lines} lines of the lists cannot be used: see left_out in the table's folder, first: {}",
            record.left_out[0]
        );
        push_wrapped(&mut text, &what, width, "", "  ");
    }
    text
}

/// How many parts came to what.
fn counts(record: &ScreenRecord) -> String {
    let of = |outcome: Outcome| record.rows.iter().filter(|row| row.outcome == outcome).count();
    let each: Vec<String> = [Outcome::Pass, Outcome::NoWorse, Outcome::Undecided, Outcome::Fail]
        .into_iter()
        .map(|outcome| format!("{} {}", of(outcome), outcome_name(outcome)))
        .collect();
    let on_paper = record.rows.iter().filter(|row| row.stage == "paper").count();
    let share = record.shard.map_or_else(String::new, |shard| format!("Share {} of {}, ", shard.number, shard.of));
    let mut said = format!("{share}{}: {}", parts(record.rows.len()), each.join(", "));
    if on_paper > 0 {
        let _ = write!(said, " ({on_paper} of them by their data sheet alone)"); // cannot fail
    }
    said + "." + &record.filters.iter().map(filtered).collect::<String>()
}

/// What came of a filter.
fn filtered(filter: &Filter) -> String {
    let Filter { datum, asks, outside, not_stated } = filter;
    let price = if datum == "price" { " in that currency" } else { "" };
    let open = match not_stated {
        0 => String::new(),
        count => format!("; {} without a {datum}{price}, examined all the same", parts(*count)),
    };
    format!(" Filter {datum} {asks}: {} not examined{open}.", parts(*outside))
}

fn parts(count: usize) -> String {
    if count == 1 { "1 part".into() } else { format!("{count} parts") }
}

fn counted(decided: &Decided) -> String {
    format!("{} {}", decided.label, decided.parts)
}

fn others(rest: &[Decided]) -> String {
    let all: Vec<String> = rest.iter().take(MOST_COUNTED).map(counted).collect();
    if all.is_empty() { String::new() } else { format!(" Then {}.", all.join(", ")) }
}

fn push_row(text: &mut String, number: usize, row: &Row, (name_width, width): (usize, usize)) {
    let name = visible(&row.part);
    let first = format!("{number:>3}  {name:<name_width$}  {:<9}  ", outcome_name(row.outcome));
    let indent = " ".repeat(3 + 2 + name_width + 2 + 9 + 2);
    let like = row.like.as_ref().map(|name| format!("; its data are those of {name}")).unwrap_or_default();
    push_wrapped(text, &format!("{}{like}", decision(row)), width, &first, &indent);
    if !row.condition.is_empty() {
        push_wrapped(text, &row.condition, width, &indent, &indent);
    }
    let offered = offered(&row.offer);
    if !offered.is_empty() {
        push_wrapped(text, &offered, width, &indent, &indent);
    }
    let next = match row.share {
        Some(share) if row.outcome == Outcome::Undecided => {
            format!("{} (within {:.0} % of its range)", row.next, 100.0 * share)
        }
        _ => row.next.clone(),
    };
    if row.outcome == Outcome::Undecided && !next.is_empty() {
        push_wrapped(text, &next, width, &indent, &indent);
    }
}

/// What decides on a part, after what its list does not state.
fn decision(row: &Row) -> String {
    match row.missing.is_empty() {
        true => row.decision.clone(),
        false => format!("not stated: {}; else: {}", row.missing.join(", "), row.decision),
    }
}

/// What a part is offered for, in words; empty where nothing is stated.
fn offered(offer: &OfferRecord) -> String {
    let price = offer.price.zip(offer.currency.as_ref()).map(|(amount, currency)| price(amount, currency));
    let stock = stock(offer).map(|stock| format!("{stock} in stock"));
    price.into_iter().chain(stock).collect::<Vec<_>>().join(", ")
}

/// Pieces in stock, with a sign where there may be more.
fn stock(offer: &OfferRecord) -> Option<String> {
    offer.stock.map(|pieces| format!("{pieces}{}", if offer.or_more { "+" } else { "" }))
}

/// Columns of the table, with their units.
const COLUMNS: [&str; 25] = [
    "rank",
    "part",
    "outcome",
    "looked_at",
    "not_stated",
    "check",
    "value",
    "uncertainty",
    "limit",
    "unit",
    "margin_in_u",
    "condition",
    "deciding_datum",
    "share_of_its_range",
    "next_step",
    "same_data_as",
    "inductance_h",
    "resistance_ohm",
    "saturation_a",
    "saturation_drop",
    "length_width_height_m",
    "price",
    "currency",
    "stock",
    "data_sha256",
];

/// Every part as a line of a table.
///
/// # Errors
/// [`ReportError::Csv`].
pub fn csv(record: &ScreenRecord) -> Result<String, ReportError> {
    let mut table = csv_writer();
    table.write_record(COLUMNS)?;
    for (rank, row) in record.rows.iter().enumerate() {
        table.write_record(fields(rank + 1, row))?;
    }
    finished(table)
}

/// Parts that were not looked at, and lines that could not be used.
///
/// # Errors
/// [`ReportError::Csv`].
pub fn left_out(record: &ScreenRecord) -> Result<String, ReportError> {
    let mut table = csv_writer();
    table.write_record(["part_or_line", "reason"])?;
    for part in &record.not_examined {
        table.write_record([&part.part, &part.reason])?;
    }
    for line in &record.left_out {
        let (place, reason) = line.split_once(": ").unwrap_or((line, ""));
        table.write_record([place, reason])?;
    }
    finished(table)
}

pub(super) fn csv_writer() -> ::csv::Writer<Vec<u8>> {
    ::csv::WriterBuilder::new().terminator(::csv::Terminator::CRLF).from_writer(vec![])
}

pub(super) fn finished(table: ::csv::Writer<Vec<u8>>) -> Result<String, ReportError> {
    let bytes = table.into_inner().map_err(|error| ::csv::Error::from(error.into_error()))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

fn fields(rank: usize, row: &Row) -> Vec<String> {
    let told = |value: Option<f64>| value.and_then(number).unwrap_or_default();
    let size = row.data.body_m.map(|body| body.map(|side| told(Some(side))).join(" x ")).unwrap_or_default();
    vec![
        rank.to_string(),
        row.part.clone(),
        outcome_name(row.outcome).into(),
        row.stage.clone(),
        row.missing.join("; "),
        row.label.clone(),
        told(row.value),
        told(Some(row.uncertainty)),
        told(row.limit.map(|limit| limit.value)),
        row.unit.clone(),
        told(row.margin_in_u),
        row.condition.clone(),
        row.datum.clone().unwrap_or_default(),
        told(row.share),
        row.next.clone(),
        row.like.clone().unwrap_or_default(),
        told(Some(row.data.inductance_h)),
        told(Some(row.data.resistance_ohm)),
        told(row.data.saturation.map(|(current_a, _)| current_a)),
        told(row.data.saturation.map(|(_, drop)| drop)),
        size,
        told(row.offer.price),
        row.offer.currency.clone().unwrap_or_default(),
        stock(&row.offer).unwrap_or_default(),
        row.sha256.clone(),
    ]
}

/// A part's data in a few words.
fn data_words(row: &Row) -> String {
    let data = &row.data;
    let saturation = data.saturation.map(|(current_a, drop)| {
        format!(", saturation {} at a drop of {:.0} %", quantity(current_a, "A"), 100.0 * drop)
    });
    let inductance = quantity(data.inductance_h, "H");
    format!("{inductance}, {}{}", quantity(data.resistance_ohm, "ohm"), saturation.unwrap_or_default())
}
