//! The same parts on several boards: one row a part, one cell a board, and the board that decides.

use super::layout::Outcome;
use super::screen::{Row, ScreenRecord};
use serde::Serialize;
use std::cmp::Ordering;
use std::collections::BTreeSet;

/// Parts screened on several boards.
#[derive(Clone, Debug, Serialize)]
pub struct BoardsRecord {
    /// Version of this tool.
    pub presolder_version: String,
    /// The boards, in the order in which they were named.
    pub boards: Vec<Board>,
    /// One row a part, the best first.
    pub rows: Vec<Part>,
}

/// A board.
#[derive(Clone, Debug, Serialize)]
pub struct Board {
    /// Name of its case.
    pub case: String,
    /// Its title.
    pub title: String,
    /// The part that fits it now.
    pub original: String,
    /// What that shows.
    pub state: String,
}

/// A part on all boards.
#[derive(Clone, Debug, Serialize)]
pub struct Part {
    /// Part.
    pub part: String,
    /// One cell a board, in their order.
    pub cells: Vec<Cell>,
    /// Worst outcome over the boards on which it was looked at; none where that was on no board.
    pub worst: Option<Outcome>,
    /// Whether it passes, or is no worse than what fits it now, on every board.
    pub on_all: bool,
    /// Number of the board that decides.
    pub decides: Option<usize>,
}

/// A part on a board.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "is")]
pub enum Cell {
    /// It was looked at.
    LookedAt {
        /// Outcome.
        outcome: Outcome,
        /// What decides, in a sentence.
        decision: String,
        /// Margin in expanded uncertainties.
        margin_in_u: Option<f64>,
    },
    /// It fits the board already.
    Fitted,
    /// It was not looked at: no line of the lists with that name could be used there, or a filter leaves it out.
    NotLookedAt,
}

/// The screenings of several boards side by side.
pub fn beside(screenings: &[ScreenRecord]) -> BoardsRecord {
    let names: BTreeSet<&str> =
        screenings.iter().flat_map(|screening| &screening.rows).map(|row| row.part.as_str()).collect();
    let mut rows: Vec<Part> = names.into_iter().map(|name| part(name, screenings)).collect();
    rows.sort_by(by_rank);
    let board = |screening: &ScreenRecord| Board {
        case: screening.case.name.clone(),
        title: screening.case.title.clone(),
        original: screening.original.part.clone(),
        state: screening.original.sentence.clone(),
    };
    BoardsRecord {
        presolder_version: env!("CARGO_PKG_VERSION").into(),
        boards: screenings.iter().map(board).collect(),
        rows,
    }
}

fn part(name: &str, screenings: &[ScreenRecord]) -> Part {
    let cell = |screening: &ScreenRecord| match screening.rows.iter().find(|row| row.part == name) {
        Some(row) => looked_at(row),
        None if screening.original.part == name => Cell::Fitted,
        None => Cell::NotLookedAt,
    };
    let cells: Vec<Cell> = screenings.iter().map(cell).collect();
    let looked: Vec<(usize, Outcome, f64)> =
        cells.iter().enumerate().filter_map(|(board, cell)| Some((board, cell.outcome()?, cell.margin()))).collect();
    let worse = |a: &&(usize, Outcome, f64), b: &&(usize, Outcome, f64)| a.1.cmp(&b.1).then(b.2.total_cmp(&a.2));
    // The first of equals.
    let decides = looked.iter().rev().max_by(worse);
    let passes =
        |cell: &Cell| *cell == Cell::Fitted || cell.outcome().is_some_and(|outcome| outcome <= Outcome::NoWorse);
    Part {
        part: name.into(),
        worst: decides.map(|decides| decides.1),
        on_all: cells.iter().all(passes),
        decides: decides.map(|decides| decides.0),
        cells,
    }
}

fn looked_at(row: &Row) -> Cell {
    Cell::LookedAt { outcome: row.outcome, decision: row.decision.clone(), margin_in_u: row.margin_in_u }
}

impl Cell {
    /// The outcome, where it was looked at.
    pub fn outcome(&self) -> Option<Outcome> {
        if let Cell::LookedAt { outcome, .. } = self { Some(*outcome) } else { None }
    }

    fn margin(&self) -> f64 {
        if let Cell::LookedAt { margin_in_u: Some(margin), .. } = self { *margin } else { f64::INFINITY }
    }
}

/// Those that pass on all boards, then by the worst outcome, the margin on the board that decides, and the name.
fn by_rank(a: &Part, b: &Part) -> Ordering {
    let margin = |part: &Part| part.decides.map_or(f64::NEG_INFINITY, |board| part.cells[board].margin());
    let by_outcome = b.on_all.cmp(&a.on_all).then(a.worst.cmp(&b.worst));
    by_outcome.then(margin(b).total_cmp(&margin(a))).then(a.part.cmp(&b.part))
}
