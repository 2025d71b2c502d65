//! All rows of a file, one after another.

use super::kept::Kept;
use super::layout::{Clock, Layout, Plan};
use super::lines::Lines;
use super::row::first_line;
use super::seen::Levels;
use super::told::{Seen, Told};
use super::{Channel, Fault, Scope, number};
use crate::units::format_si;
use crate::visible::visible;
use std::io::Read;

/// Most samples that a gap may leave out: more are no gap but another time.
const LONGEST_GAP: f64 = 1e6;
/// Most lines behind the numbers.
const MOST_BEHIND: u64 = 1000;
/// Letters of a line that a message shows.
const SHOWN: usize = 60;

/// Everything that grows as rows pass.
struct Stream {
    layout: Layout,
    row: Vec<f64>,
    scratch: Vec<f64>,
    rows: u64,
    samples: u64,
    first_time: f64,
    last_time: f64,
    /// Rows that have the latest time.
    alike: u64,
    gaps: (u64, u64),
    kept: Vec<Kept>,
    levels: Vec<Levels>,
    /// First row of a pair in two rows.
    half: Option<Vec<f64>>,
    cut: bool,
    behind: u64,
    /// The first line behind the numbers, and what is wrong with it as a row.
    stopped: Option<Fault>,
}

/// Reads all rows.
pub(super) fn stream<R: Read>(lines: &mut Lines<R>, layout: Layout, most: usize) -> Result<Scope, Fault> {
    let ends = |plan: &Plan| plan.high.is_some() || layout.pairs_in_rows;
    let kept = layout.channels.iter().map(|plan| Kept::new(most, ends(plan))).collect();
    let levels = layout.channels.iter().map(|_| Levels::new()).collect();
    let mut stream = Stream {
        row: vec![0.0; layout.cells],
        scratch: vec![],
        rows: 0,
        samples: 0,
        first_time: f64::NAN,
        last_time: f64::NAN,
        alike: 1,
        gaps: (0, 0),
        kept,
        levels,
        half: None,
        cut: false,
        behind: 0,
        stopped: None,
        layout,
    };
    loop {
        let text = lines.ready();
        let (used, count) = stream.block(text, lines.number, lines.has_ended())?;
        lines.number += count;
        if lines.has_ended() {
            break;
        }
        lines.go_on(used)?;
    }
    let encoding = lines.encoding;
    stream.finish(encoding)
}

impl Stream {
    /// Takes the lines of a block; how many bytes and lines it took.
    fn block(&mut self, text: &[u8], first: usize, last: bool) -> Result<(usize, usize), Fault> {
        let (mut at, mut number) = (0, first);
        while at < text.len() {
            if self.stopped.is_none()
                && number >= self.layout.first
                && let Some(length) = self.layout.form.short_row(&text[at..], &mut self.row)
            {
                self.take(number)?;
                at += length;
                number += 1;
                continue;
            }
            let (line, length) = first_line(&text[at..]);
            // At the end of a block a line feed may still follow.
            if !last && at + length == text.len() && text[at + length - 1] == b'\r' {
                break;
            }
            if number >= self.layout.first {
                let is_open = last && line.len() == length;
                self.line(&String::from_utf8_lossy(line), number, is_open)?;
            }
            at += length;
            number += 1;
        }
        Ok((at, number - first))
    }

    /// A line that is not plain: with gaps, quotation marks, words.
    fn line(&mut self, line: &str, number: usize, is_open: bool) -> Result<(), Fault> {
        if line.trim().is_empty() {
            return Ok(());
        }
        let is_row = self.layout_row(line).is_ok();
        if let Some(fault) = &self.stopped {
            self.behind += 1;
            return if is_row || self.behind > MOST_BEHIND { Err(fault.clone()) } else { Ok(()) };
        }
        let shorter = self.layout.form.separator.split(line).last().map_or(0, |cell| cell.trim().len());
        if is_open && (!is_row || shorter < self.layout.least_last) {
            self.cut = true;
            return Ok(());
        }
        match self.layout_row(line) {
            Ok(()) => self.take(number),
            Err((found, expected)) => {
                let hint = "mend or delete the line, or export the record again";
                self.stopped = Some(Fault::new(number, found, expected, hint));
                self.behind = 1;
                Ok(())
            }
        }
    }

    /// A line into the row, by the columns that count; or what is wrong with it.
    fn layout_row(&mut self, line: &str) -> Result<(), (String, String)> {
        let texts = self.layout.form.separator.split(line);
        let shown: String = visible(line.trim()).chars().take(SHOWN).collect();
        if texts.len() != self.layout.cells {
            return Err((format!("\"{shown}\""), format!("a row of {} cells", self.layout.cells)));
        }
        let comma = self.layout.form.decimal_comma;
        let time = if let Clock::Column { cell, .. } = self.layout.clock { Some(cell) } else { None };
        let both = |plan: &Plan| [Some(plan.cell), plan.high].into_iter().flatten();
        self.scratch.clear();
        self.scratch.resize(self.layout.cells, f64::NAN);
        for cell in self.layout.channels.iter().flat_map(both).chain(time) {
            let value = number::cell(texts[cell], comma).filter(|value| Some(cell) != time || !value.is_nan());
            self.scratch[cell] =
                value.ok_or_else(|| (format!("\"{shown}\""), "a number in every column".to_string()))?;
        }
        std::mem::swap(&mut self.row, &mut self.scratch);
        Ok(())
    }

    /// The row as the next sample.
    #[inline]
    fn take(&mut self, number: usize) -> Result<(), Fault> {
        self.rows += 1;
        let Clock::Column { cell, step, gap, .. } = self.layout.clock else {
            self.samples += 1;
            return self.push();
        };
        let time = self.row[cell];
        let passed = time - self.last_time;
        if passed.is_nan() {
            self.first_time = time;
        } else if passed < 0.0 || (self.half.is_some() && passed > 0.0) {
            return Err(self.not_rising(number, time));
        } else if self.half.is_some() {
            return self.push();
        } else if passed == 0.0 {
            self.alike += 1;
        } else {
            let rows = self.alike as f64;
            // Rows of one time are printed in too few digits: up to twice as many of them belong to it.
            if passed > gap * rows * if self.alike > 1 { 2.0 } else { 1.0 } {
                self.leave_out((passed / step - rows).round(), number)?;
            }
            self.alike = 1;
        }
        self.last_time = time;
        self.samples += 1;
        self.push()
    }

    fn not_rising(&self, number: usize, time: f64) -> Fault {
        let found = format!("the time {time} after {}", self.last_time);
        let expected = if self.half.is_some() { "two rows of each time" } else { "a time that is rising" };
        Fault::new(number, found, expected, "export one record at a time, unsorted")
    }

    fn leave_out(&mut self, count: f64, number: usize) -> Result<(), Fault> {
        if count > LONGEST_GAP {
            let found = format!("a gap of {count:.3e} samples");
            return Err(Fault::new(number, found, "a time that is rising evenly", "export one record at a time"));
        }
        self.gaps = (self.gaps.0 + 1, self.gaps.1 + count as u64);
        self.samples += count as u64;
        for kept in &mut self.kept {
            (0..count as u64).for_each(|_| kept.push(f64::NAN));
        }
        Ok(())
    }

    #[inline]
    fn push(&mut self) -> Result<(), Fault> {
        if self.layout.pairs_in_rows {
            self.push_half();
            return Ok(());
        }
        for ((plan, kept), levels) in self.layout.channels.iter().zip(&mut self.kept).zip(&mut self.levels) {
            let value = self.row[plan.cell];
            levels.see(value);
            match plan.high {
                None => kept.push(value * plan.factor),
                Some(high) => {
                    levels.see(self.row[high]);
                    kept.push_between(value * plan.factor, self.row[high] * plan.factor);
                }
            }
        }
        Ok(())
    }

    fn push_half(&mut self) {
        let Some(first) = self.half.take() else {
            self.half = Some(self.row.clone());
            return;
        };
        for ((plan, kept), levels) in self.layout.channels.iter().zip(&mut self.kept).zip(&mut self.levels) {
            let (a, b) = (first[plan.cell], self.row[plan.cell]);
            levels.see(a);
            levels.see(b);
            kept.push_between(a.min(b) * plan.factor, a.max(b) * plan.factor);
        }
    }

    fn finish(self, encoding: &str) -> Result<Scope, Fault> {
        let layout = &self.layout;
        let (start_s, step_s, time_from, coarse) = match &layout.clock {
            Clock::Stated { start_s, step_s, from } => (*start_s, *step_s, from.clone(), false),
            Clock::Column { cell, factor, coarse, .. } => {
                let steps = self.samples.saturating_sub(1).max(1) as f64;
                let step_s = factor * (self.last_time - self.first_time) / steps;
                (factor * self.first_time, step_s, format!("in column {}", cell + 1), *coarse)
            }
        };
        if !(step_s > 0.0 && step_s.is_finite() && start_s.is_finite()) {
            let found = format!("a step of {}", format_si(step_s, "s", 4));
            return Err(Fault::new(0, found, "a time that is rising", "state the step"));
        }
        let channels: Vec<Seen> = layout.channels.iter().zip(&self.levels).map(|pair| seen(pair.0, pair.1)).collect();
        let told = Told {
            encoding: encoding.into(),
            separator: layout.form.separator.name().into(),
            decimal_comma: layout.form.decimal_comma,
            cells: layout.cells,
            first_line: layout.first,
            rows: self.rows,
            start_s,
            step_s,
            samples: self.samples,
            time_from,
            averaged: self.kept.first().map_or(1, |kept| kept.each),
            gaps: self.gaps,
            cut: self.cut,
            behind: self.behind,
            pairs: layout.pairs_in_rows || layout.channels.iter().any(|plan| plan.high.is_some()),
            coarse_time: coarse,
            channels,
        };
        let channel = |(plan, kept): (&Plan, Kept)| Channel {
            name: plan.name.clone(),
            unit: plan.unit.into(),
            values: kept.values,
            ends: kept.ends,
        };
        let channels = layout.channels.iter().zip(self.kept).map(channel).collect();
        Ok(Scope { told, channels })
    }
}

fn seen(plan: &Plan, levels: &Levels) -> Seen {
    let judged = levels.judge();
    let (low, high) = levels.range();
    let range = if levels.known > 0 { (low * plan.factor, high * plan.factor) } else { (0.0, 0.0) };
    Seen {
        name: plan.name.clone(),
        unit: plan.unit.into(),
        column: plan.cell + 1,
        range,
        bits: judged.bits,
        level: judged.level * plan.factor,
        clipped: judged.clipped,
        missing: levels.missing,
    }
}
