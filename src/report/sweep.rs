//! A sweep of tolerances as a table, a unit a line, and its summary as text.

use super::csv::number;
use super::number::{Scale, fixed, quantity};
use super::wrap::push_wrapped;
use super::{ReportError, check_finite};
use crate::condition::figures::{Value, Why};
use crate::corridor::sweep::{Column, Sweep, Unit};
use crate::quantity::{Limit, Side};
use crate::record::sweep::{CheckSummary, PartSummary, Share, Summary, Worst, case_hash, how};
use crate::visible::visible;
use std::fmt::Write;

/// End of a line (RFC 4180).
pub const LINE_END: &str = "\r\n";

/// The lines with which a table begins: what sweep it is of, and the names of its columns. A table of the same sweep begins with the same.
pub fn header(sweep: &Sweep) -> String {
    let plan = &sweep.plan;
    let parts: Vec<&str> = plan.parts.iter().map(|part| sweep.case.parts[*part].name.as_str()).collect();
    let conditions: Vec<&str> = plan.conditions.iter().map(|condition| condition.name()).collect();
    let items = [
        format!("# presolder sweep of {}", sweep.case.name),
        format!("version {}", env!("CARGO_PKG_VERSION")),
        format!("case sha256 {}", case_hash(&sweep.case)),
        how(sweep),
        format!("parts {}", parts.join(" | ")),
        format!("conditions {}", conditions.join(" | ")),
        format!("tolerances {}", plan.tolerances.iter().map(|one| one.key()).collect::<Vec<_>>().join(" | ")),
    ];
    let set = Some(format!("set {}", sweep.case.set.join(" | "))).filter(|_| !sweep.case.set.is_empty());
    let items: Vec<String> = items.into_iter().chain(set).collect();
    let positions = plan.tolerances.iter().map(|one| format!("{}_fraction", one.key().replace('-', "_")));
    let values = sweep.columns.iter().map(|one| quoted(&visible(&column(sweep, one))));
    let columns: Vec<String> =
        ["unit".to_string(), "part".to_string()].into_iter().chain(positions).chain(values).collect();
    format!("{}{LINE_END}{}{LINE_END}", visible(&items.join("; ")), columns.join(","))
}

/// Name of a quantity with its unit, and the load step or profile of which it is.
fn column(sweep: &Sweep, column: &Column) -> String {
    let name = match (column.quantity.id, column.quantity.unit) {
        (id, "") => id.into(),
        (id, unit) => format!("{id}_{}", unit.to_lowercase()),
    };
    sweep.case.board.named(column.load).map_or(name.clone(), |named| format!("{name}:{}", named.name))
}

/// One unit as a line, its end not with it.
pub fn line(sweep: &Sweep, unit: &Unit) -> String {
    let values = unit.values.iter().map(|value| value.as_ref().map_or(String::new(), cell));
    let fields: Vec<String> = begin(sweep, unit.number).into_iter().chain(values).collect();
    fields.join(",")
}

/// The fields that tell which unit it is.
fn begin(sweep: &Sweep, number_in_sweep: usize) -> Vec<String> {
    let (part, positions) = sweep.plan.unit(number_in_sweep);
    let unit = (number_in_sweep / sweep.plan.parts.len() + 1).to_string();
    let positions = positions.into_iter().map(|position| number(position).unwrap_or_default());
    [unit, quoted(&visible(&sweep.case.parts[part].name))].into_iter().chain(positions).collect()
}

/// A field with quotes where it needs them (RFC 4180).
fn quoted(text: &str) -> String {
    if text.contains([',', '"']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text.into() }
}

/// Words for what has no number.
const WORDS: [(&str, Why); 3] =
    [("not delivered", Why::NotDelivered), ("runaway", Why::Runaway), ("never starts", Why::NeverStarts)];
const NOT_COMPUTED: &str = "not computed";
const AT_LEAST: &str = "at least ";
const AT_MOST: &str = "at most ";

fn cell(value: &Value) -> String {
    let told = |of: f64| number(of).unwrap_or(NOT_COMPUTED.into());
    match value {
        Value::Number(of) => told(*of),
        Value::AtLeast(of) => format!("{AT_LEAST}{}", told(*of)),
        Value::AtMost(of) => format!("{AT_MOST}{}", told(*of)),
        Value::NotComputed(why) => {
            let word = WORDS.iter().find(|(_, known)| known == why).map(|(word, _)| *word);
            word.unwrap_or(NOT_COMPUTED).into()
        }
    }
}

/// The unit that a line tells of; `None` where it is no line of this sweep, or not the one of that number.
pub fn unit(sweep: &Sweep, number_in_sweep: usize, line: &str) -> Option<Unit> {
    let values = line.strip_prefix(&begin(sweep, number_in_sweep).join(","))?.strip_prefix(',')?;
    let values: Option<Vec<Option<Value>>> = values.split(',').map(read).collect();
    let values = values.filter(|values| values.len() == sweep.columns.len())?;
    let (part, positions) = sweep.plan.unit(number_in_sweep);
    Some(Unit { number: number_in_sweep, part, positions, values })
}

/// What a cell holds: nothing, or a value; `None` where it is neither.
fn read(cell: &str) -> Option<Option<Value>> {
    let finite = |text: &str| text.parse::<f64>().ok().filter(|number| number.is_finite());
    if cell.is_empty() {
        return Some(None);
    }
    if cell == NOT_COMPUTED {
        return Some(Some(Value::NotComputed(Why::Told(NOT_COMPUTED.into()))));
    }
    if let Some((_, why)) = WORDS.iter().find(|(word, _)| *word == cell) {
        return Some(Some(Value::NotComputed(why.clone())));
    }
    let value = match (cell.strip_prefix(AT_LEAST), cell.strip_prefix(AT_MOST)) {
        (Some(text), _) => Value::AtLeast(finite(text)?),
        (_, Some(text)) => Value::AtMost(finite(text)?),
        _ => Value::Number(finite(cell)?),
    };
    Some(Some(value))
}

/// The summary as JSON.
///
/// # Errors
/// [`ReportError::NotFinite`] where it holds a number that is not finite.
pub fn json(summary: &Summary) -> Result<String, ReportError> {
    check_finite(summary)?;
    Ok(serde_json::to_string_pretty(summary)? + "\n")
}

/// The summary for people.
///
/// # Errors
/// As [`json`].
pub fn text(summary: &Summary, width: usize) -> Result<String, ReportError> {
    check_finite(summary)?;
    let mut text = String::new();
    let what = format!(
        "Sweep of {}: {} units of each part, {}; {} runs of a condition.",
        summary.case, summary.units, summary.how, summary.runs
    );
    push_wrapped(&mut text, &what, width, "", "");
    if !summary.set.is_empty() {
        push_wrapped(&mut text, &format!("Set: {}.", summary.set.join("; ")), width, "", "  ");
    }
    let swept = format!("Tolerances: {}; the others are typical.", summary.tolerances.join(", "));
    push_wrapped(&mut text, &swept, width, "", "");
    push_wrapped(&mut text, &format!("Conditions: {}.", summary.conditions.join(", ")), width, "", "");
    push_wrapped(&mut text, told_of(summary), width, "", "");
    summary.parts.iter().for_each(|part| push_part(&mut text, part, width));
    Ok(text)
}

fn told_of(summary: &Summary) -> &'static str {
    match summary.seed {
        Some(_) => {
            "Every datum is taken as it is shown, and of each unit the worst input, load and instant counts. A tolerance stands between 0, \
             its least end, and 1, its greatest. Intervals of yields are exact binomial ones at 95 % confidence."
        }
        None => "Every datum is taken as it is shown, and of each unit the worst input, load and instant counts.",
    }
}

fn push_part(text: &mut String, part: &PartSummary, width: usize) {
    let _ = writeln!(text, "\n{}", visible(&part.part)); // cannot fail
    if part.checks.is_empty() {
        push_wrapped(text, "nothing is asked that these conditions give", width, "  ", "  ");
    }
    part.checks.iter().for_each(|check| push_check(text, check, width));
}

fn push_check(text: &mut String, check: &CheckSummary, width: usize) {
    let asked = check.limit.map_or("must happen".into(), |limit| limit_words(&limit, check.unit));
    push_wrapped(text, &format!("{}, {asked}: {}", check.label, counted(check)), width, "  ", "    ");
    if !check.quantiles.is_empty() && check.limit.is_some() && !check.unit.is_empty() {
        push_wrapped(text, &quantile_words(check), width, "    ", "    ");
    }
    // Where any value will do, or something is counted, only what fails is worth a line.
    let tells = |_: &&Worst| check.missed > 0 || check.limit.is_some() && !check.unit.is_empty();
    if let Some(worst) = check.worst.as_ref().filter(tells) {
        push_wrapped(text, &worst_words(worst, check.unit), width, "    ", "    ");
    }
}

fn limit_words(limit: &Limit, unit: &str) -> String {
    let side = if limit.side == Side::AtLeast { "at least" } else { "at most" };
    format!("{side} {}", quantity(limit.value, unit))
}

fn counted(check: &CheckSummary) -> String {
    let mut words = format!("met by {} of {} units", check.met, check.units);
    if check.open > 0 {
        let _ = write!(words, ", not told by {}", check.open); // cannot fail
    }
    if let Some(Share { share, low, high }) = check.met_share {
        let percent = |share: f64| fixed(100.0 * share, 2);
        let _ = write!(words, "; yield {} %, between {} and {} %", percent(share), percent(low), percent(high));
    }
    words
}

fn quantile_words(check: &CheckSummary) -> String {
    let scale = Scale::of(check.quantiles.iter().map(|quantile| quantile.value), check.unit);
    let shares: Vec<String> = check.quantiles.iter().map(|quantile| fixed(100.0 * quantile.share, 0)).collect();
    let values: Vec<String> = check.quantiles.iter().map(|quantile| scale.number(quantile.value)).collect();
    format!("{} % of the draws are up to {} {}", shares.join(", "), values.join(", "), scale.unit)
}

fn worst_words(worst: &Worst, unit: &str) -> String {
    let value = match &worst.value {
        Value::Number(number) => quantity(*number, unit),
        Value::AtLeast(number) => format!("more than {}", quantity(*number, unit)),
        Value::AtMost(number) => format!("less than {}", quantity(*number, unit)),
        Value::NotComputed(why) => why.to_string(),
    };
    format!("worst {value} in unit {}: {}", worst.unit, worst.combination)
}
