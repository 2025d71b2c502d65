//! Files of scopes: the numbers of a record, whatever stands around them.
//!
//! No maker's format is followed. What has numbers in rows is found by trying every separator and decimal mark on the beginning of the
//! file; the rest streams through in bounded memory. What was understood is told, so that a slip is seen.

mod kept;
mod layout;
mod lines;
mod number;
mod row;
mod seen;
mod stream;
mod told;
mod words;

pub use told::{Seen, Told};

use std::io::Read;

/// Points of a channel that are kept at most; a longer record is averaged.
const USUAL_POINTS: usize = 1 << 21;

/// What a person says of a file beside what stands in it.
#[derive(Clone, Debug)]
pub struct Said {
    /// Time of the first sample in s, for a file without a column of time.
    pub start_s: Option<f64>,
    /// Time between samples in s, for a file without a column of time.
    pub step_s: Option<f64>,
    /// Columns that are wanted, by title or by number from 1; empty: all that are not the time.
    pub columns: Vec<String>,
    /// Points of a channel that are kept at most.
    pub most_points: usize,
}

impl Default for Said {
    fn default() -> Said {
        Said { start_s: None, step_s: None, columns: vec![], most_points: USUAL_POINTS }
    }
}

/// A record as it was read.
#[derive(Clone, Debug)]
pub struct Scope {
    /// What was understood.
    pub told: Told,
    /// The channels in the order of the file, or as they were wanted.
    pub channels: Vec<Channel>,
}

impl Scope {
    /// Time in s of a point of the channels: the middle of the samples that it is the mean of.
    pub fn time_s(&self, point: usize) -> f64 {
        let each = f64::from(self.told.averaged);
        self.told.start_s + self.told.step_s * (each * point as f64 + 0.5 * (each - 1.0))
    }

    /// Time in s between points of the channels.
    pub fn point_s(&self) -> f64 {
        self.told.step_s * f64::from(self.told.averaged)
    }
}

/// One channel on an even grid of time.
#[derive(Clone, Debug)]
pub struct Channel {
    /// Its title; "column 2" where it has none.
    pub name: String,
    /// V, A, or empty where the file does not say.
    pub unit: String,
    /// Its values in SI; not a number where there is none.
    pub values: Vec<f32>,
    /// Least and most around each value, where the file has such pairs or the values are means.
    pub ends: Option<(Vec<f32>, Vec<f32>)>,
}

/// Why a file is not taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Line from 1; 0 where it concerns the file as a whole.
    pub line: usize,
    /// What was found.
    pub found: String,
    /// What was expected.
    pub expected: String,
    /// What to do.
    pub hint: String,
}

impl Fault {
    fn new(line: usize, found: impl Into<String>, expected: impl Into<String>, hint: impl Into<String>) -> Fault {
        Fault { line, found: found.into(), expected: expected.into(), hint: hint.into() }
    }
}

/// Reads a record.
///
/// # Errors
/// [`Fault`]: no rows of numbers, no time, a time that does not rise, a row that is none, a column that is not there.
pub fn read(source: impl Read, said: &Said) -> Result<Scope, Fault> {
    let mut lines = lines::Lines::new(source)?;
    let layout = layout::Layout::of(&lines, said)?;
    stream::stream(&mut lines, layout, said.most_points)
}
