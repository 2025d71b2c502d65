//! The comparison as plain text for a terminal or a pipe: no colour, no control codes. The decision first, then why, then what next.

use super::number::{RowFormat, quantity};
pub use super::wrap::item;
use super::wrap::{broken, pad_left, pad_right, push_wrapped};
use crate::record::layout::{Check, CrossCheckRecord, Outcome, Record, State, Verdict};
use crate::record::words::lower;

/// Narrowest and widest column of a part.
const PART_COLUMN: (usize, usize) = (9, 13);
/// Narrowest and widest column of the names of parts, and of the words before a list.
const NAME_COLUMN: (usize, usize) = (14, 20);
/// Narrowest and widest column of the labels of what decides.
const LABEL_COLUMN: (usize, usize) = (12, 25);
/// Column of the limits.
const LIMIT_COLUMN: usize = 7;
/// Below this width nothing would fit.
const LEAST_WIDTH: usize = 40;
/// Rows of what decides: what decides is never left out, what is only close to a limit is.
const ROWS: usize = 8;
/// Share of its limit from which a quantity is close to it.
const CLOSE: f64 = 0.9;
/// What the tool does not look at.
pub const NOT_JUDGED: &str = "emissions, audible noise, vibration, soldering";

/// The whole comparison as text of at most `width` columns; a longer word stands alone on its line.
pub fn comparison(record: &Record, width: usize) -> String {
    let width = width.max(LEAST_WIDTH);
    let mut out = String::new();
    push_wrapped(&mut out, &record.case.title, width, "", "");
    for warning in to_check(record) {
        push_wrapped(&mut out, warning, width, "Check: ", "  ");
    }
    push_original(&mut out, &record.original, width);
    for verdict in &record.verdicts {
        push_verdict(&mut out, verdict, width);
    }
    push_deciding(&mut out, record, width);
    push_rest(&mut out, record, width);
    out
}

/// Doubts about the data that stand before everything else; what holds for the runs of all parts is no doubt about a datum.
pub(super) fn to_check(record: &Record) -> impl Iterator<Item = &String> {
    record.warnings.iter().filter(|warning| !warning.starts_with("all parts:"))
}

/// Name of an outcome as it is printed.
pub fn outcome_name(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "PASS",
        Outcome::NoWorse => "NO WORSE",
        Outcome::Undecided => "UNDECIDED",
        Outcome::Fail => "FAIL",
    }
}

/// Name of a state as it is printed.
pub fn state_name(state: State) -> &'static str {
    match state {
        State::Met => "met",
        State::Open => "open",
        State::Missed => "missed",
    }
}

/// How many of the checks of a part are in a state.
pub(super) fn count(verdict: &Verdict, state: State) -> usize {
    verdict.checks.iter().filter(|check| check.state == state).count()
}

/// The original's own state in a sentence.
pub(super) fn original_sentence(original: &Verdict) -> String {
    let names = |state| {
        let mut labels: Vec<&str> = vec![];
        for check in original.checks.iter().filter(|check| check.state == state) {
            if !labels.contains(&check.label.as_str()) {
                labels.push(&check.label);
            }
        }
        labels.into_iter().map(lower).collect::<Vec<_>>().join("; ")
    };
    let total = original.checks.len();
    let mut text = format!("Fitted: {}. It meets {} of {total} checks", original.part, count(original, State::Met));
    for state in [State::Missed, State::Open] {
        if count(original, state) > 0 {
            text.push_str(&format!("; {}: {}", state_name(state), names(state)));
        }
    }
    text + "."
}

fn push_original(out: &mut String, original: &Verdict, width: usize) {
    push_wrapped(out, &original_sentence(original), width, "", "  ");
}

fn push_verdict(out: &mut String, verdict: &Verdict, width: usize) {
    out.push('\n');
    let name = verdict.part.chars().count().clamp(NAME_COLUMN.0, NAME_COLUMN.1);
    let head = format!("{}  {}", pad_right(&verdict.part, name), pad_right(outcome_name(verdict.outcome), 11));
    let indent = " ".repeat(name + 2);
    push_wrapped(out, &verdict.sentence, width, &head, &indent);
    if !verdict.condition.is_empty() {
        push_wrapped(out, &format!("at {}", verdict.condition), width, &indent, &indent);
    }
    let others = other_reasons(verdict);
    if !others.is_empty() {
        push_wrapped(out, &others, width, &indent, &indent);
    }
    if !verdict.within.is_empty() {
        push_wrapped(out, &verdict.within, width, &indent, &indent);
    }
    if !verdict.next.is_empty() {
        push_wrapped(out, &verdict.next, width, &indent, &indent);
    }
}

/// Further checks of the same outcome as the one that decides, by name.
pub(super) fn other_reasons(verdict: &Verdict) -> String {
    if verdict.outcome == Outcome::Pass {
        return String::new();
    }
    let mut labels: Vec<String> = vec![];
    for check in verdict.checks.iter().skip(1).filter(|check| check.outcome == verdict.outcome) {
        let label = lower(&check.label);
        if lower(&verdict.checks[0].label) != label && !labels.contains(&label) {
            labels.push(label);
        }
    }
    if labels.is_empty() { String::new() } else { format!("also: {}", labels.join("; ")) }
}

/// Rows of the checks that decide anywhere, then of those close to a limit.
fn push_deciding(out: &mut String, record: &Record, width: usize) {
    let all: Vec<&Verdict> = std::iter::once(&record.original).chain(&record.verdicts).collect();
    let mut rows: Vec<&Check> = vec![];
    let known = |rows: &[&Check], check: &Check| rows.iter().any(|row| row.key == check.key);
    for verdict in &record.verdicts {
        if let Some(check) = verdict.checks.first().filter(|check| !known(&rows, check)) {
            rows.push(check);
        }
    }
    let close = |check: &&Check| check.state != State::Met || is_close(check);
    for check in record.verdicts.iter().flat_map(|verdict| &verdict.checks).filter(close) {
        if rows.len() < ROWS && !known(&rows, check) {
            rows.push(check);
        }
    }
    if rows.is_empty() {
        return;
    }
    // The original and one more part always fit.
    let least = 1 + LIMIT_COLUMN + 2 * (PART_COLUMN.0 + 1);
    let label = width.saturating_sub(least).clamp(LABEL_COLUMN.0, LABEL_COLUMN.1);
    let fitting = ((width.saturating_sub(label + 1 + LIMIT_COLUMN)) / (PART_COLUMN.0 + 1)).max(1);
    for parts in all[1..].chunks(fitting.saturating_sub(1).max(1)) {
        out.push('\n');
        let parts: Vec<&Verdict> = std::iter::once(all[0]).chain(parts.iter().copied()).collect();
        let column = (width.saturating_sub(label + 1 + LIMIT_COLUMN) / parts.len()).saturating_sub(1);
        let column = column.clamp(PART_COLUMN.0, PART_COLUMN.1);
        let names: Vec<String> = parts.iter().map(|verdict| broken(&verdict.part, column)[0].clone()).collect();
        push_line(out, "What decides", "limit", &names, (label, column));
        for row in &rows {
            push_row(out, record, row, &parts, (label, column, width));
        }
    }
}

/// Whether a value is within a tenth of its limit.
fn is_close(check: &Check) -> bool {
    if check.stands_in {
        return false;
    }
    let (Some(limit), Some(value)) = (check.limit, check.value.value.number()) else { return false };
    let share = value.abs() / limit.value.abs();
    share.is_finite() && (share.min(1.0 / share) > CLOSE || share > 1.0 && limit.side != crate::quantity::Side::AtLeast)
}

/// One check of all parts: values, then states, then the condition of each value; the same condition stands once.
fn push_row(
    out: &mut String,
    record: &Record,
    row: &Check,
    parts: &[&Verdict],
    (label_column, column, width): (usize, usize, usize),
) {
    let same = |check: &&Check| check.key == row.key;
    let checks: Vec<Option<&Check>> = parts.iter().map(|verdict| verdict.checks.iter().find(same)).collect();
    let format = record.quantities.iter().find(|known| known.quantity == row.quantity).map(RowFormat::of);
    let value = |check: &&Check| match (&format, check.value.value.number()) {
        (Some(format), Some(_)) => format.bounded(&check.value.value),
        _ => "none".into(),
    };
    let unit = format.as_ref().map_or(String::new(), |format| format.scale.unit.clone());
    let heading = heading(row);
    let label = if unit.is_empty() { heading } else { format!("{heading}, {unit}") };
    let limit = match (&format, row.limit) {
        (Some(format), Some(limit)) => format.scale.short(limit.value),
        _ => String::new(),
    };
    let cells = |text: &dyn Fn(&&Check) -> String| -> Vec<String> {
        checks.iter().map(|check| check.as_ref().map_or_else(|| "-".into(), text)).collect()
    };
    let mut label = super::wrap::wrap(&label, label_column, "", "  ").into_iter();
    push_line(out, &label.next().unwrap_or_default(), &limit, &cells(&value), (label_column, column));
    let states = cells(&|check| state_name(check.state).into());
    push_line(out, &label.next().unwrap_or_default(), "", &states, (label_column, column));
    label.for_each(|line| out.push_str(&(line + "\n")));
    let conditions = conditions(parts, &checks);
    if !conditions.is_empty() {
        push_wrapped(out, &format!("at {conditions}"), width, "  ", "    ");
    }
}

/// The condition of every value of a row: the same once, others with the names of their parts.
fn conditions(parts: &[&Verdict], checks: &[Option<&Check>]) -> String {
    let mut groups: Vec<(&str, Vec<&str>)> = vec![];
    for (verdict, check) in parts.iter().zip(checks).filter_map(|(verdict, check)| Some((verdict, check.as_ref()?))) {
        match groups.iter_mut().find(|(place, _)| *place == check.place) {
            Some((_, names)) => names.push(&verdict.part),
            None => groups.push((&check.place, vec![&verdict.part])),
        }
    }
    match groups.as_slice() {
        [(place, _)] => place.to_string(),
        _ => {
            let each = groups.iter().map(|(place, names)| format!("{place} ({})", names.join(", ")));
            each.collect::<Vec<_>>().join("; ")
        }
    }
}

/// What a row of checks is called: where several quantities are one check, not by the quantity that decides it in one part.
pub(super) fn heading(check: &Check) -> String {
    match check.key.as_str() {
        "pulse_rating" => "Highest current, switches".into(),
        "below_limit" => "Highest current, lowest limit".into(),
        _ => check.label.clone(),
    }
}

fn push_line(out: &mut String, label: &str, limit: &str, cells: &[String], (label_column, column): (usize, usize)) {
    let mut line = format!("{} {}", pad_right(label, label_column), pad_left(limit, LIMIT_COLUMN));
    for cell in cells {
        line.push(' ');
        line.push_str(&pad_left(cell, column));
    }
    out.push_str(line.trim_end());
    out.push('\n');
}

fn push_rest(out: &mut String, record: &Record, width: usize) {
    out.push('\n');
    let mut say = |head: &str, text: &str| {
        if !text.is_empty() {
            push_wrapped(out, text, width, &pad_right(head, NAME_COLUMN.1), &" ".repeat(NAME_COLUMN.1));
        }
    };
    let changes: Vec<String> = record
        .verdicts
        .iter()
        .filter(|verdict| !verdict.changes.is_empty())
        .map(|verdict| format!("{}: {}", verdict.part, verdict.changes[0]))
        .collect();
    say("Changes to accept", &changes.join(". "));
    say("Assumed data", &assumed_sentence(record));
    let tests = record.bench_plan.measurements.iter().enumerate();
    let tests: Vec<String> =
        tests.map(|(i, test)| format!("{}. {} ({})", i + 1, lower(&test.label), test.reading.place)).collect();
    say("Bench tests", &tests.join("  "));
    say("Do not run", &forbidden(record).join("; "));
    say("Not asked", &record.original.not_asked.join(", "));
    say("Not judged", NOT_JUDGED);
    say("Open checks", &open_share(record));
    for check in &record.cross_check {
        say("Cross-check", &cross_check_sentence(check));
    }
}

/// What is not to be run with each part, the conditions of one part together.
fn forbidden(record: &Record) -> Vec<String> {
    let of = |part: &str| -> Vec<&str> {
        let dangers = record.bench_plan.do_not_run.iter().filter(|danger| danger.parts.iter().any(|name| name == part));
        let mut conditions: Vec<&str> = dangers.map(|danger| danger.condition.as_str()).collect();
        conditions.sort_unstable();
        conditions.dedup();
        conditions
    };
    let named = record.parts.iter().map(|part| (part.name.as_str(), of(&part.name)));
    let told = named.filter(|(_, conditions)| !conditions.is_empty());
    told.map(|(part, conditions)| format!("{part}: {}", conditions.join(", "))).collect()
}

/// The proposed bench tests in full.
pub fn bench_tests(record: &Record, width: usize) -> String {
    let mut out = String::new();
    super::plan::push_text(&mut out, &record.bench_plan, width.max(LEAST_WIDTH));
    out
}

/// How many data are assumed.
pub(super) fn assumed_sentence(record: &Record) -> String {
    let of_the_tool = |datum: &str| ["limits.", "bench.", "numerics."].iter().any(|group| datum.contains(group));
    let assumed = record.origins.iter().filter(|origin| {
        ["assumed", "absent", "estimated"].contains(&origin.origin.as_str()) && !of_the_tool(&origin.datum)
    });
    let mut deciding: Vec<&str> = vec![];
    for check in record.verdicts.iter().filter_map(|verdict| verdict.checks.first()) {
        if let Some(datum) = check.decides.as_ref().filter(|datum| !deciding.contains(&datum.label.as_str())) {
            deciding.push(&datum.label);
        }
    }
    match (assumed.count(), deciding.is_empty()) {
        (0, _) => "none".into(),
        (count, true) => format!("{count}, none of which decides"),
        (count, false) => format!("{count}; what decides: {}", deciding.join(", ")),
    }
}

/// Share of the checks that are open.
fn open_share(record: &Record) -> String {
    let all: usize = record.verdicts.iter().map(|verdict| verdict.checks.len()).sum();
    let open: usize = record.verdicts.iter().map(|verdict| count(verdict, State::Open)).sum();
    format!("{open} of {all} for the substitutes")
}

/// The line on the energy book, shared with the page.
pub fn energy_sentence(record: &Record) -> String {
    let book = &record.energy_book;
    format!(
        "Energy balance check of {} runs: largest residual {:.1e} of the energy through the converter (allowed {:.0e}).",
        book.runs, book.worst_residual, book.allowed_residual
    )
}

/// The line on one cross-check, shared with the page.
pub fn cross_check_sentence(check: &CrossCheckRecord) -> String {
    if let Some(why) = &check.not_compared {
        return format!("Independent integration, {}, {}: not compared: {why}.", check.part, check.condition);
    }
    let (volts, amperes) = (quantity(check.output_v, "V"), quantity(check.current_a, "A"));
    let until = check.until_s.map_or_else(String::new, |until_s| {
        let time = quantity(until_s, "s");
        format!(" Compared up to {time}: there a comparator hangs on rounding, and the two go on differently.")
    });
    format!(
        "Independent integration, {}, {}: output differs by at most {volts}, inductor current by {amperes} \
         over {} samples.{until}",
        check.part, check.condition, check.samples
    )
}
