//! Margins to the limits with their uncertainty: a row a check, a lane a part.

use super::panels::{Legend, draw_legend, draw_on, legend_height, text_of, ticks};
use super::style::{CHARACTER, FRAME, GRID, INK, Stroke, WIDTH, text_style};
use super::{Plot, plot};
use crate::judge::sight::margin;
use crate::record::layout::{Check, Outcome, Record, State, Verdict};
use crate::report::ReportError;
use crate::report::number::fixed;
use crate::report::text::heading;
use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// Height of the lane of a part, and between rows.
const LANE: i32 = 13;
const BETWEEN_ROWS: i32 = 12;
/// Least height of a row: its label.
const LEAST_ROW: i32 = 38;
/// Most height of all rows together: with legend and axis a screen.
const MOST_HEIGHT: i32 = 820;
const AXIS_HEIGHT: i32 = 96;
const LONGEST_LABEL: i32 = 600;
const RIGHT: i32 = WIDTH - 60;
/// Largest margin in % that is drawn to scale: what keeps more than its whole limit is in no danger.
const LARGEST: f64 = 100.0;

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

/// Margin of one part to a limit in % of it: as shown, and the ends between which it lies.
struct Margin {
    shown: f64,
    ends: (f64, f64),
}

struct Row {
    label: String,
    /// One a part; `None` where there is no number.
    margins: Vec<Option<Margin>>,
}

impl Row {
    fn least(&self) -> f64 {
        self.margins.iter().flatten().map(|margin| margin.shown).fold(f64::INFINITY, f64::min)
    }
}

/// The plot, where there are limits.
pub(crate) fn draw(record: &Record) -> Result<Option<Plot>, ReportError> {
    let all: Vec<&Verdict> = std::iter::once(&record.original).chain(&record.verdicts).collect();
    let mut rows = rows(&all);
    if rows.is_empty() {
        return Ok(None);
    }
    rows.sort_by(|a, b| a.least().total_cmp(&b.least()));
    let height = (all.len() as i32 * LANE + BETWEEN_ROWS).max(LEAST_ROW);
    let left_out = rows.split_off(rows.len().min((MOST_HEIGHT / height) as usize));
    let failing = record.verdicts.iter().filter(|v| v.outcome == Outcome::Fail).count();
    let further = match left_out.first() {
        Some(row) => format!(" {} more checks keep {} % or more.", left_out.len(), fixed(row.least(), 0)),
        None => String::new(),
    };
    plot(
        "margins",
        "Margin to each limit, the closest first".into(),
        format!(
            "What each part keeps of each limit, in % of the limit; left of zero the limit is past. The bar is the uncertainty; a check is \
             met where all of it lies right of zero. In a row the parts stand from top to bottom as above. {failing} of {} substitutes \
             fail.{further}",
            record.verdicts.len()
        ),
        Chart::new(rows, &all, height).draw(),
    )
}

/// Every check for which any part has a number and a limit to hold it against.
fn rows(all: &[&Verdict]) -> Vec<Row> {
    let mut keys: Vec<&Check> = vec![];
    for check in all.iter().flat_map(|verdict| &verdict.checks) {
        if !keys.iter().any(|known| known.key == check.key) {
            keys.push(check);
        }
    }
    let row = |key: &&Check| {
        let checks = || all.iter().map(|verdict| verdict.checks.iter().find(|check| check.key == key.key));
        // A count that every part keeps has no margin worth a row.
        let is_kept_count = key.unit.is_empty() && checks().flatten().all(|check| check.state == State::Met);
        let margins: Vec<Option<Margin>> = checks().map(|check| margin_of(check?)).collect();
        let is_shown = !is_kept_count && margins.iter().any(Option::is_some);
        is_shown.then(|| Row { label: heading(key), margins })
    };
    keys.iter().filter_map(row).collect()
}

fn margin_of(check: &Check) -> Option<Margin> {
    let limit = check.limit.filter(|limit| limit.value != 0.0)?;
    let share = |number: f64| 100.0 * margin(number, &limit) / limit.value.abs();
    let shown = check.value.value.number()?;
    let (low, high) = check.value.ends.unwrap_or((shown, shown));
    let ends = [share(low.min(shown) - check.value.uncertainty), share(high.max(shown) + check.value.uncertainty)];
    Some(Margin { shown: share(shown), ends: (ends[0].min(ends[1]), ends[0].max(ends[1])) })
}

struct Chart {
    rows: Vec<Row>,
    legend: Vec<Legend>,
    row_height: i32,
    left: i32,
    top: i32,
    /// Margins in % at the two sides.
    range: (f64, f64),
}

impl Chart {
    fn new(rows: Vec<Row>, all: &[&Verdict], row_height: i32) -> Chart {
        let name = |(i, verdict): (usize, &&Verdict)| Legend::filled(&verdict.part, Stroke::part(i).color);
        let legend = all.iter().enumerate().map(name).collect::<Vec<_>>();
        let longest = rows.iter().map(|row| row.label.chars().count()).max().unwrap_or(0) as i32;
        let ends = || rows.iter().flat_map(|row| row.margins.iter().flatten());
        let low = ends().map(|margin| margin.ends.0).fold(-5.0, f64::min);
        let high = ends().map(|margin| margin.ends.1).fold(10.0, f64::max).min(LARGEST);
        let room = 0.03 * (high - low);
        Chart {
            row_height,
            left: (longest * CHARACTER + 30).min(LONGEST_LABEL),
            top: legend_height(&legend),
            range: (low - room, high + room),
            legend,
            rows,
        }
    }

    fn bottom(&self) -> i32 {
        self.top + self.rows.len() as i32 * self.row_height
    }

    fn x(&self, margin: f64) -> i32 {
        let (low, high) = self.range;
        let share = (margin.clamp(low, high) - low) / (high - low);
        self.left + (share * f64::from(RIGHT - self.left)).round() as i32
    }

    fn draw(&self) -> Result<String, String> {
        draw_on(self.bottom() + AXIS_HEIGHT, |root| {
            draw_legend(root, &self.legend)?;
            self.draw_axis(root)?;
            self.rows.iter().enumerate().try_for_each(|(i, row)| self.draw_row(root, i, row))
        })
    }

    fn draw_axis(&self, root: &Area) -> Result<(), String> {
        let upright = |x: i32| vec![(x, self.top), (x, self.bottom())];
        let past = [(self.left, self.top), (self.x(0.0), self.bottom())];
        root.draw(&Rectangle::new(past, GRID.mix(0.5).filled())).map_err(text_of)?;
        let (values, decimals) = ticks(self.range.0, self.range.1, 10);
        let style = text_style(INK).pos(Pos::new(HPos::Center, VPos::Top));
        for value in values {
            let x = self.x(value);
            root.draw(&PathElement::new(upright(x), GRID.stroke_width(2))).map_err(text_of)?;
            let label = Text::new(fixed(value, decimals), (x, self.bottom() + 10), style.clone());
            root.draw(&label).map_err(text_of)?;
        }
        root.draw(&PathElement::new(upright(self.x(0.0)), Stroke::limit().style())).map_err(text_of)?;
        let title = "Margin to the limit (% of the limit)";
        root.draw(&Text::new(title, ((self.left + RIGHT) / 2, self.bottom() + 52), style)).map_err(text_of)
    }

    fn draw_row(&self, root: &Area, number: usize, row: &Row) -> Result<(), String> {
        let top = self.top + number as i32 * self.row_height;
        let label = text_style(INK).pos(Pos::new(HPos::Right, VPos::Center));
        root.draw(&Text::new(shortened(&row.label), (self.left - 16, top + self.row_height / 2), label))
            .map_err(text_of)?;
        let line = vec![(self.left, top + self.row_height), (RIGHT, top + self.row_height)];
        root.draw(&PathElement::new(line, GRID.stroke_width(1))).map_err(text_of)?;
        let first = top + (self.row_height - row.margins.len() as i32 * LANE) / 2 + LANE / 2;
        for (part, margin) in row.margins.iter().enumerate() {
            let Some(margin) = margin else { continue };
            self.draw_margin(root, margin, first + part as i32 * LANE, Stroke::part(part).color)?;
        }
        Ok(())
    }

    fn draw_margin(&self, root: &Area, margin: &Margin, y: i32, color: RGBColor) -> Result<(), String> {
        let (low, high) = (self.x(margin.ends.0), self.x(margin.ends.1));
        root.draw(&Rectangle::new([(low, y - 2), (high, y + 2)], color.filled())).map_err(text_of)?;
        for end in [low, high] {
            root.draw(&Rectangle::new([(end - 1, y - 5), (end + 1, y + 5)], color.filled())).map_err(text_of)?;
        }
        if margin.shown > self.range.1 {
            let tip = vec![(RIGHT + 14, y), (RIGHT, y - 6), (RIGHT, y + 6)];
            return root.draw(&Polygon::new(tip, color.filled())).map_err(text_of);
        }
        let at = self.x(margin.shown);
        root.draw(&Rectangle::new([(at - 6, y - 6), (at + 6, y + 6)], FRAME.filled())).map_err(text_of)?;
        root.draw(&Rectangle::new([(at - 5, y - 5), (at + 5, y + 5)], color.filled())).map_err(text_of)
    }
}

/// A label that fits left of the margins.
fn shortened(label: &str) -> String {
    let fitting = ((LONGEST_LABEL - 30) / CHARACTER) as usize;
    if label.chars().count() <= fitting {
        return label.to_string();
    }
    label.chars().take(fitting - 1).collect::<String>() + "…"
}
