//! The comparison as plain text for a terminal or a pipe: no colour, no control codes.

use super::number::{MARKS, RowFormat, change_mark, mark};
use super::plan;
pub use super::wrap::item;
use super::wrap::{broken, pad_left, pad_right, push_wrapped, wrap};
use crate::record::layout::{Cell, Judgement, Outcome, QuantityRow, Record, Verdict};

/// Narrowest column of a part: "+1234 %!  >999 %".
const PART_COLUMN: usize = 14;
/// Narrowest and widest column of the quantities.
const LABEL_COLUMN: (usize, usize) = (20, 40);
/// Assumed data that are listed; the report has all.
const ASSUMPTIONS_SHOWN: usize = 8;
/// Below this width nothing would fit.
const LEAST_WIDTH: usize = 40;

/// The whole comparison as text of at most `width` columns; a longer word stands alone on its line.
///
/// The verdicts come last, so that they stand directly above the prompt.
pub fn comparison(record: &Record, width: usize) -> String {
    let width = width.max(LEAST_WIDTH);
    let mut out = String::new();
    let title = format!("{} ({})", record.case.title, record.case.name);
    push_wrapped(&mut out, &title, width, "", "");
    push_wrapped(&mut out, "Worst value of each part over all conditions and corners.", width, "", "");
    for columns in blocks(record.parts.len(), width) {
        out.push('\n');
        push_block(&mut out, record, &columns, width);
    }
    push_quiet(&mut out, record, width);
    push_key(&mut out, record, width);
    push_assumptions(&mut out, record, width);
    push_list(&mut out, "Doubts about the data", &record.warnings, width);
    push_energy(&mut out, record, width);
    plan::push_text(&mut out, &record.bench_plan, width);
    for verdict in &record.verdicts {
        out.push('\n');
        push_verdict(&mut out, verdict, width);
    }
    out
}

/// Name of an outcome as it is printed.
pub fn outcome_name(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "PASS",
        Outcome::PassWithNote => "PASS WITH NOTE",
        Outcome::Inconclusive => "INCONCLUSIVE",
        Outcome::Fail => "FAIL",
    }
}

/// Part numbers of each table block; the original leads every block.
fn blocks(parts: usize, width: usize) -> Vec<Vec<usize>> {
    let fitting = ((width - LABEL_COLUMN.0) / (PART_COLUMN + 1)).max(1);
    if parts <= fitting || fitting == 1 {
        return (0..parts).collect::<Vec<_>>().chunks(fitting).map(<[_]>::to_vec).collect();
    }
    let others: Vec<usize> = (1..parts).collect();
    others.chunks(fitting - 1).map(|chunk| [&[0], chunk].concat()).collect()
}

fn push_block(out: &mut String, record: &Record, columns: &[usize], width: usize) {
    let label = (width - columns.len() * (PART_COLUMN + 1)).min(LABEL_COLUMN.1);
    let names = columns.iter().map(|&i| broken(&record.parts[i].name, PART_COLUMN)).collect::<Vec<_>>();
    push_cells(out, &["Quantity".to_string()], &names, label);
    let line = "-".repeat(label + columns.len() * (PART_COLUMN + 1));
    out.push_str(&line);
    out.push('\n');
    for row in record.quantities.iter().filter(|row| !is_quiet(row)) {
        let format = RowFormat::of(row);
        let cells = columns.iter().map(|&i| cell_lines(&format, row, i)).collect::<Vec<_>>();
        push_cells(out, &label_lines(&format, row, label), &cells, label);
    }
}

/// Whether a row tells nothing that decides: no change was agreed, and every part is well inside the limit or there is none.
fn is_quiet(row: &QuantityRow) -> bool {
    let well = |cell: &Cell| matches!(cell.absolute, Judgement::Pass | Judgement::NoLimit);
    row.agreed_change.is_none() && row.cells.iter().flatten().all(well)
}

/// The rows left out of the table, by name.
fn push_quiet(out: &mut String, record: &Record, width: usize) {
    let quiet = || record.quantities.iter().filter(|row| is_quiet(row));
    let names = |with_limit: bool| {
        let rows = quiet().filter(|row| row.limit.is_some() == with_limit);
        rows.map(|row| row.label.to_lowercase()).collect::<Vec<_>>().join("; ")
    };
    for (heading, names) in [("Limits met by every part", names(true)), ("Without a limit", names(false))] {
        if !names.is_empty() {
            out.push('\n');
            push_wrapped(out, &format!("{heading}, figures in the report: {names}."), width, "", "");
        }
    }
}

/// Label and unit, then the limits, indented.
fn label_lines(format: &RowFormat, row: &QuantityRow, width: usize) -> Vec<String> {
    let unit = &format.scale.unit;
    let label = if unit.is_empty() { row.label.clone() } else { format!("{}, {unit}", row.label) };
    let limits = [format.limit(), format.agreed_change()].into_iter().flatten();
    let mut lines = wrap(&label, width, "", "  ");
    for limit in limits {
        lines.extend(wrap(&limit, width, "  ", "    "));
    }
    lines
}

/// First the value, then its change and how much of its limit it uses.
fn cell_lines(format: &RowFormat, row: &QuantityRow, part: usize) -> Vec<String> {
    let Some(cell) = row.cells.get(part).and_then(Option::as_ref) else {
        return vec!["- ".into()];
    };
    let mut lines = vec![format!("{}{:1}", format.value(cell), mark(cell.absolute))];
    lines.extend(format.own_limit(cell).map(|limit| format!("{limit} ")));
    lines.extend(change_and_use(format, cell));
    lines
}

/// Change and used share on one line where both fit, else one below the other.
fn change_and_use(format: &RowFormat, cell: &Cell) -> Vec<String> {
    let change = format.change(cell).map(|c| format!("{}{:1}", c.replace(" %", "%"), change_mark(cell)));
    let used = format.used(cell).map(|used| format!("{:>5} ", used.replace(' ', "")));
    match (change, used) {
        (Some(change), Some(used)) if change.chars().count() + 1 + used.chars().count() <= PART_COLUMN => {
            vec![format!("{change} {used}")]
        }
        (change, used) => [change, used].into_iter().flatten().collect(),
    }
}

/// One table row of several lines: label to the left, part columns to the right.
fn push_cells(out: &mut String, label: &[String], cells: &[Vec<String>], label_width: usize) {
    let height = cells.iter().map(Vec::len).chain([label.len()]).max().unwrap_or(0);
    for i in 0..height {
        let mut line = pad_right(label.get(i).map_or("", String::as_str), label_width);
        for cell in cells {
            line.push(' ');
            line.push_str(&pad_left(cell.get(i).map_or("", String::as_str), PART_COLUMN));
        }
        out.push_str(line.trim_end());
        out.push('\n');
    }
}

/// Explains the second line of a cell and the marks that occur.
fn push_key(out: &mut String, record: &Record, width: usize) {
    out.push('\n');
    let second = "Below a value: change from the original in the same condition, then share of the limit that is \
                  used (above 100 % is past it); before both a part's own limit, where it has another than the original.";
    push_wrapped(out, second, width, "", "");
    let rows = || record.quantities.iter();
    let cells = || rows().flat_map(|row| row.cells.iter().flatten());
    let default = |row: &QuantityRow| [&row.limit, &row.agreed_change].into_iter().flatten().any(|limit| !limit.stated);
    for (sign, meaning) in MARKS {
        let occurs = match sign {
            "*" => rows().any(default),
            _ => cells().any(|cell| mark(cell.absolute) == sign || change_mark(cell) == sign),
        };
        if occurs {
            push_wrapped(out, meaning, width, &format!("{sign} "), "  ");
        }
    }
}

fn push_assumptions(out: &mut String, record: &Record, width: usize) {
    // Defaults of limits, bench and numerics are marked where they act; here it is about board and parts.
    let of_the_tool = |datum: &str| ["limits.", "bench.", "numerics."].iter().any(|group| datum.contains(group));
    let assumed = record
        .origins
        .iter()
        .filter(|origin| origin.origin == "assumed" && !of_the_tool(&origin.datum))
        .collect::<Vec<_>>();
    let mut lines = Vec::new();
    for origin in assumed.iter().take(ASSUMPTIONS_SHOWN) {
        let note = if origin.note.is_empty() { String::new() } else { format!(" ({})", origin.note) };
        lines.push(format!("{} = {}{note}", origin.datum, origin.value));
    }
    if assumed.len() > ASSUMPTIONS_SHOWN {
        lines.push(format!("and {} more, see the report", assumed.len() - ASSUMPTIONS_SHOWN));
    }
    push_list(out, "Assumed data", &lines, width);
}

fn push_list(out: &mut String, heading: &str, items: &[String], width: usize) {
    if items.is_empty() {
        return;
    }
    out.push_str(&format!("\n{heading}:\n"));
    for item in items {
        push_wrapped(out, item, width, "- ", "  ");
    }
}

/// The line on the energy book, shared with the page.
pub fn energy_sentence(record: &Record) -> String {
    let book = &record.energy_book;
    format!(
        "Energy book of {} runs: largest residual {:.1e} of the energy through the converter (allowed {:.0e}).",
        book.runs, book.worst_residual, book.allowed_residual
    )
}

fn push_energy(out: &mut String, record: &Record, width: usize) {
    out.push('\n');
    push_wrapped(out, &energy_sentence(record), width, "", "");
    for check in &record.cross_check {
        push_wrapped(out, &cross_check_sentence(check), width, "", "");
    }
}

/// The line on one cross-check, shared with the page.
pub fn cross_check_sentence(check: &crate::record::layout::CrossCheckRecord) -> String {
    if let Some(why) = &check.not_compared {
        return format!("Independent integration, {}, {}: not compared: {why}.", check.part, check.condition);
    }
    let (volts, amperes) =
        (super::number::quantity(check.output_v, "V"), super::number::quantity(check.current_a, "A"));
    let until = check.until_s.map_or_else(String::new, |until_s| {
        let time = super::number::quantity(until_s, "s");
        format!(" Compared up to {time}: there a comparator hangs on rounding, and the two go on differently.")
    });
    format!(
        "Independent integration, {}, {}: output differs by at most {volts}, inductor current by {amperes} \
         over {} samples.{until}",
        check.part, check.condition, check.samples
    )
}

fn push_verdict(out: &mut String, verdict: &Verdict, width: usize) {
    let shared = if verdict.already_failing { " (already failing with the original)" } else { "" };
    let head = format!("{}: {}{shared}", verdict.part, outcome_name(verdict.outcome));
    push_wrapped(out, &head, width, "", "  ");
    push_wrapped(out, &verdict.sentence, width, "  ", "  ");
    for reason in &verdict.reasons {
        push_wrapped(out, reason, width, "  - ", "    ");
    }
    for note in &verdict.notes {
        push_wrapped(out, &format!("Note: {note}"), width, "  ", "    ");
    }
    if !verdict.bench.is_empty() {
        push_wrapped(out, &format!("Bench: {}", verdict.bench), width, "  ", "    ");
    }
}
