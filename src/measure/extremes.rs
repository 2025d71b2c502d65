//! Largest and smallest values of outputs, between the instants as well as at them.

use crate::engine::machine::{Observer, Output, Stretch};

/// Range of one output over a run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// Smallest value.
    pub low: f64,
    /// Largest value.
    pub high: f64,
    /// (cycle, time after its clock edge in s) of the smallest value.
    pub low_at: (u64, f64),
    /// (cycle, time after its clock edge in s) of the largest value.
    pub high_at: (u64, f64),
}

impl Range {
    /// Nothing seen yet.
    pub const EMPTY: Range = Range { low: f64::INFINITY, high: f64::NEG_INFINITY, low_at: (0, 0.0), high_at: (0, 0.0) };

    /// Largest minus smallest value.
    pub fn width(&self) -> f64 {
        self.high - self.low
    }

    /// Includes another range.
    pub fn include(&mut self, other: &Range) {
        self.include_value(other.low, other.low_at);
        self.include_value(other.high, other.high_at);
    }

    fn include_value(&mut self, value: f64, at: (u64, f64)) {
        if value < self.low {
            (self.low, self.low_at) = (value, at);
        }
        if value > self.high {
            (self.high, self.high_at) = (value, at);
        }
    }

    /// Includes an output's values over a whole stretch: both ends and every turning point between.
    pub fn include_stretch(&mut self, stretch: &Stretch<'_>, output: Output) {
        let at = |t_s: f64| (stretch.cycle, stretch.phase_s + t_s);
        let ends = stretch.ends(output);
        self.include_value(ends.0, at(0.0));
        self.include_value(ends.1, at(stretch.duration_s));
        // Most stretches of a long run cannot reach beyond what has been seen, and many go straight from end to end.
        let (low, high) = stretch.enclosure(output, ends);
        if (low >= self.low && high <= self.high) || stretch.is_monotone(output, ends) {
            return;
        }
        let track = stretch.track(output);
        track.turning_points(stretch.duration_s, stretch.end_basis, |t_s| {
            self.include_value(track.value(t_s), at(t_s));
        });
    }
}

/// Ranges of several outputs over a run.
#[derive(Clone, Debug)]
pub struct Extremes {
    outputs: Vec<(Output, Range)>,
}

impl Extremes {
    /// Watches these outputs.
    pub fn of(outputs: &[Output]) -> Extremes {
        Extremes { outputs: outputs.iter().map(|output| (*output, Range::EMPTY)).collect() }
    }

    /// Range of an output that was asked for.
    ///
    /// # Panics
    /// When the output was not asked for.
    pub fn range(&self, output: Output) -> Range {
        self.outputs.iter().find(|(watched, _)| *watched == output).expect("the output was asked for").1
    }
}

impl Observer for Extremes {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        for (output, range) in &mut self.outputs {
            range.include_stretch(stretch, *output);
        }
    }
}
