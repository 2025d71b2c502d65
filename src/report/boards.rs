//! The same parts on several boards: text, table, JSON and a page.

use super::screen::{csv_writer, finished};
use super::text::outcome_name;
use super::wrap::{broken, pad_right, push_wrapped};
use super::{ReportError, check_finite};
use crate::record::boards::{BoardsRecord, Cell, Part};
use crate::visible::visible;
use maud::{DOCTYPE, PreEscaped, html};
use std::fmt::Write;

const STYLE: &str = include_str!("style.css");
/// Columns of an outcome, and the widest name of a part.
const OUTCOME: usize = 12;
const NAME: usize = 24;

/// Everything as JSON.
///
/// # Errors
/// [`ReportError::NotFinite`] where it holds a number that is not finite.
pub fn json(record: &BoardsRecord) -> Result<String, ReportError> {
    check_finite(record)?;
    Ok(serde_json::to_string_pretty(record)? + "\n")
}

/// The best parts, for people.
pub fn text(record: &BoardsRecord, top: usize, width: usize) -> String {
    let mut text = String::new();
    for (number, board) in record.boards.iter().enumerate() {
        let said = format!("{} ({}): {}; {}.", board.case, board.title, board.original, board.state);
        push_wrapped(&mut text, &said, width, &format!("{}  ", letter(number)), "   ");
    }
    let on_all = record.rows.iter().filter(|part| part.on_all).count();
    let summary = format!("{on_all} of {} parts pass on all boards.", record.rows.len());
    push_wrapped(&mut text, &summary, width, "\n", "");
    text.push('\n');
    let shown: Vec<&Part> = record.rows.iter().take(top).collect();
    let name = shown.iter().map(|part| part.part.chars().count()).max().unwrap_or(0).clamp(4, NAME);
    let boards: String = (0..record.boards.len()).map(|number| pad_right(&letter(number), OUTCOME)).collect();
    let _ = writeln!(text, "{}  {}", pad_right("Part", name), boards.trim_end()); // cannot fail
    for part in &shown {
        let cells: String = part.cells.iter().map(|cell| pad_right(word(cell), OUTCOME)).collect();
        let names = broken(&visible(&part.part), name);
        let first = names.first().map_or("", String::as_str);
        let _ = writeln!(text, "{}  {}", pad_right(first, name), cells.trim_end()); // cannot fail
        if let Some((board, Cell::LookedAt { decision, .. })) = part.decides.map(|board| (board, &part.cells[board]))
            && !part.on_all
        {
            push_wrapped(&mut text, &format!("{}: {decision}", letter(board)), width, "    ", "    ");
        }
    }
    if record.rows.len() > shown.len() {
        let _ = writeln!(text, "and {} more in the table", record.rows.len() - shown.len()); // cannot fail
    }
    text
}

/// The letter of a board: A to Z, then its number.
fn letter(number: usize) -> String {
    u8::try_from(number)
        .ok()
        .filter(|number| *number < 26)
        .map_or_else(|| (number + 1).to_string(), |number| char::from(b'A' + number).to_string())
}

fn word(cell: &Cell) -> &'static str {
    match cell {
        Cell::LookedAt { outcome, .. } => outcome_name(*outcome),
        Cell::Fitted => "fitted",
        Cell::NotLookedAt => "not asked",
    }
}

/// One line a part, one column a board.
///
/// # Errors
/// [`ReportError::Csv`].
pub fn csv(record: &BoardsRecord) -> Result<String, ReportError> {
    let mut table = csv_writer();
    let boards = record.boards.iter().map(|board| board.case.clone());
    let head = ["part".to_string(), "on_all".into()].into_iter().chain(boards);
    table.write_record(head.chain(["deciding_board".into(), "decision".into()]))?;
    for part in &record.rows {
        let cells = part.cells.iter().map(|cell| word(cell).to_string());
        let deciding = part.decides.map_or_else(String::new, |board| record.boards[board].case.clone());
        let decision = part.decides.and_then(|board| match &part.cells[board] {
            Cell::LookedAt { decision, .. } => Some(decision.clone()),
            _ => None,
        });
        let on_all = if part.on_all { "yes" } else { "no" };
        let line = [part.part.clone(), on_all.into()].into_iter().chain(cells);
        table.write_record(line.chain([deciding, decision.unwrap_or_default()]))?;
    }
    finished(table)
}

/// The page: the matrix; complete without script, and from no other place.
pub fn page(record: &BoardsRecord) -> String {
    let policy = crate::report::html::policy("");
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(policy);
                title { "Parts on " (record.boards.len()) " boards" }
                style { (PreEscaped(STYLE)) }
            }
            body {
                header {
                    h1 { "Parts on " (record.boards.len()) " boards" }
                    p { (record.rows.iter().filter(|part| part.on_all).count()) " of " (record.rows.len()) " parts pass on all boards." }
                }
                main {
                    div class="scroll" tabindex="0" role="region" aria-label="Outcomes" {
                        table {
                            thead {
                                tr {
                                    th scope="col" { "Part" }
                                    @for board in &record.boards { th scope="col" { (board.case) br; small { "fitted: " (board.original) } } }
                                    th scope="col" { "What decides" }
                                }
                            }
                            tbody { @for part in &record.rows { (page_row(record, part)) } }
                        }
                    }
                }
            }
        }
    }
    .into_string()
}

fn page_row(record: &BoardsRecord, part: &Part) -> maud::Markup {
    let deciding = part.decides.map(|board| (&record.boards[board].case, &part.cells[board]));
    html! {
        tr {
            th scope="row" { (visible(&part.part)) }
            @for cell in &part.cells { td { (word(cell)) } }
            td {
                @if let Some((case, Cell::LookedAt { decision, .. })) = deciding { (case) ": " (decision) }
            }
        }
    }
}
