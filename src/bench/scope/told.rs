//! What was understood of a file, in words that show a slip.

use crate::units::format_si;

/// What was understood of a file.
#[derive(Clone, Debug, PartialEq)]
pub struct Told {
    /// Encoding of its text.
    pub encoding: String,
    /// What stands between its cells.
    pub separator: String,
    /// Whether a comma is the decimal mark.
    pub decimal_comma: bool,
    /// Cells of a row.
    pub cells: usize,
    /// Line of the first row, from 1.
    pub first_line: usize,
    /// Rows of numbers.
    pub rows: u64,
    /// Time of the first sample in s.
    pub start_s: f64,
    /// Time between samples in s.
    pub step_s: f64,
    /// Samples, those left out included; of pairs in two rows, pairs.
    pub samples: u64,
    /// Where the time comes from.
    pub time_from: String,
    /// Samples of which each point is the mean.
    pub averaged: u32,
    /// Places where rows are left out, and how many samples are missing there.
    pub gaps: (u64, u64),
    /// The last row is cut and left out.
    pub cut: bool,
    /// Lines behind the numbers.
    pub behind: u64,
    /// Whether the file has pairs of least and most.
    pub pairs: bool,
    /// Whether the time is printed in too few digits to tell its rows apart.
    pub coarse_time: bool,
    /// The channels.
    pub channels: Vec<Seen>,
}

/// What was seen of a channel.
#[derive(Clone, Debug, PartialEq)]
pub struct Seen {
    /// Title.
    pub name: String,
    /// V, A, or empty.
    pub unit: String,
    /// Column from 1.
    pub column: usize,
    /// Least and most.
    pub range: (f64, f64),
    /// Bits that count its levels; `None` beyond 4096 of them.
    pub bits: Option<u32>,
    /// Distance of two levels; 0 where it is not known.
    pub level: f64,
    /// Share of samples that are clipped.
    pub clipped: f64,
    /// Samples without a value.
    pub missing: u64,
}

impl Told {
    /// In lines of at most 80 characters.
    pub fn lines(&self) -> Vec<String> {
        let mark = if self.decimal_comma { "decimal comma" } else { "decimal point" };
        let between = if self.cells == 1 { "one column".into() } else { format!("cells between {}", self.separator) };
        let mut lines = vec![
            format!("{}, {between}, {mark}, {} rows from line {}", self.encoding, self.rows, self.first_line),
            format!(
                "time {}: {} to {}, step {}; {}",
                self.time_from,
                si(self.start_s, "s"),
                si(self.end_s(), "s"),
                si(self.step_s, "s"),
                counted(self.channels.len() as u64, "channel")
            ),
        ];
        lines.extend(self.remarks());
        lines.extend(self.channels.iter().flat_map(Seen::lines));
        lines
    }

    /// Time of the last sample in s.
    pub fn end_s(&self) -> f64 {
        self.start_s + self.step_s * self.samples.saturating_sub(1) as f64
    }

    /// What a person must know beside the numbers.
    pub fn remarks(&self) -> Vec<String> {
        let say = |wanted: bool, words: String| wanted.then_some(words);
        let all = [
            say(self.pairs, "pairs of least and most: their middle is taken, noise widens them".into()),
            say(self.coarse_time, "time printed in too few digits: the step is the mean of all".into()),
            say(
                self.gaps.0 > 0,
                format!("{}: {} left out", counted(self.gaps.0, "gap"), counted(self.gaps.1, "sample")),
            ),
            say(self.cut, "the last row is cut and left out".into()),
            say(self.behind > 0, format!("{} behind the numbers", counted(self.behind, "line"))),
            say(self.averaged > 1, format!("long record: every {} samples averaged", self.averaged)),
        ];
        all.into_iter().flatten().collect()
    }
}

impl Seen {
    fn lines(&self) -> Vec<String> {
        let resolution = match self.bits {
            Some(bits) if self.level > 0.0 => format!(", {} a level, {bits} bits", si(self.level, &self.unit)),
            Some(_) => ", one level".into(),
            None => ", more than 12 bits".into(),
        };
        let (low, high) = self.range;
        let mut lines = vec![format!("{}: {} to {}{resolution}", self.name, si(low, &self.unit), si(high, &self.unit))];
        if self.clipped > 0.0 {
            let share = format_si(100.0 * self.clipped, "%", 2);
            lines.push(format!("{}: {share} clipped, unless it rests at its highest or lowest", self.name));
        }
        if self.missing > 0 {
            lines.push(format!("{}: {} with no value", self.name, counted(self.missing, "sample")));
        }
        lines
    }
}

fn si(value: f64, unit: &str) -> String {
    let text = format_si(value, unit, 4);
    let (number, unit) = text.split_once(' ').unwrap_or((&text, ""));
    let number = if number.contains(['.']) && !number.contains('e') {
        number.trim_end_matches('0').trim_end_matches('.')
    } else {
        number
    };
    format!("{number} {unit}").trim_end().to_string()
}

fn counted(count: u64, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}
