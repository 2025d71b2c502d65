//! What follows an edge: extremes, and how long the output is out of a band.
//!
//! Definitions: docs/physics.md, "load step".

use super::extremes::Range;
use crate::engine::machine::{Observer, Output, ROUND, Seen, Stretch};
use crate::engine::program::Instant;

/// What happened after one edge of the load.
#[derive(Clone, Copy, Debug)]
pub struct EdgeResponse {
    /// Range of the output voltage in V.
    pub output: Range,
    /// Range of the inductor current in A.
    pub current: Range,
    /// From leaving the band around the final mean to the last re-entry in s; 0 where it never left.
    pub recovery_s: f64,
    /// Whether the output was inside the band at the end of the program's level.
    pub recovered: bool,
}

/// Follows the output and current from one instant to another.
pub(crate) struct EdgeWatch {
    from: Instant,
    until: Instant,
    period_s: f64,
    band_v: (f64, f64),
    output: Range,
    current: Range,
    left_s: Option<f64>,
    back_s: f64,
    inside: bool,
    /// When the output passed an edge of the band last, and the end of the latest stretch, in s after the begin.
    edge_s: Option<f64>,
    seen_s: f64,
    /// Output voltage in V at the end of the latest stretch seen, and whether that was the latest of the run.
    seen_v: f64,
    watching: bool,
}

impl EdgeWatch {
    /// Watches from one instant to another with a band of `half_band_v` either way around `mean_v`.
    pub(crate) fn new(from: Instant, until: Instant, period_s: f64, mean_v: f64, half_band_v: f64) -> EdgeWatch {
        EdgeWatch {
            from,
            until,
            period_s,
            band_v: (mean_v - half_band_v, mean_v + half_band_v),
            output: Range::EMPTY,
            current: Range::EMPTY,
            left_s: None,
            back_s: 0.0,
            inside: true,
            edge_s: None,
            seen_s: 0.0,
            seen_v: mean_v,
            watching: false,
        }
    }

    /// Only outputs outside a range in V are of interest.
    #[must_use]
    pub fn beyond(mut self, low_v: f64, high_v: f64) -> EdgeWatch {
        (self.output.low, self.output.high) = (low_v, high_v);
        self
    }

    fn since_edge_s(&self, cycle: u64, phase_s: f64) -> f64 {
        (cycle as f64 - self.from.0 as f64) * self.period_s + (phase_s - self.from.1)
    }

    fn is_outside(&self, output_v: f64) -> bool {
        output_v < self.band_v.0 || output_v > self.band_v.1
    }

    /// The band is judged between the turning points of a stretch, where the output is monotone.
    fn follow_band(&mut self, stretch: &Stretch<'_>) {
        let track = stretch.track(Output::Voltage);
        let mut previous = (0.0, track.start());
        let mut pieces = vec![];
        track.turning_points(stretch.duration_s, stretch.end_basis, |t| pieces.push(t));
        pieces.push(stretch.duration_s);
        let begin_s = self.since_edge_s(stretch.cycle, stretch.phase_s);
        self.note(begin_s, previous.1);
        for t in pieces {
            let value = track.value(t);
            if self.is_outside(previous.1) != self.is_outside(value) {
                let edge_s =
                    bisect(previous.0, t, |at| self.is_outside(track.value(at)) == self.is_outside(previous.1));
                self.note_edge(begin_s + edge_s, self.is_outside(value));
            }
            self.note(begin_s + t, value);
            previous = (t, value);
        }
    }

    fn note(&mut self, at_s: f64, output_v: f64) {
        if self.is_outside(output_v) == self.inside {
            self.note_edge(at_s, self.inside);
        }
    }

    fn note_edge(&mut self, at_s: f64, leaves: bool) {
        self.edge_s = Some(at_s);
        if leaves {
            self.left_s.get_or_insert(at_s);
        } else {
            self.back_s = at_s;
        }
        self.inside = !leaves;
    }

    /// Whether the output has been in its band from some time on until the latest stretch seen.
    pub(crate) fn is_inside(&self) -> bool {
        self.inside
    }

    /// When the output came back into its band last, in s after the begin.
    pub(crate) fn back_s(&self) -> f64 {
        self.back_s
    }

    /// What was seen.
    pub(crate) fn response(&self) -> EdgeResponse {
        let end_s = self.since_edge_s(self.until.0, self.until.1);
        let back_s = if self.inside { self.back_s } else { end_s };
        EdgeResponse {
            output: self.output,
            current: self.current,
            recovery_s: self.left_s.map_or(0.0, |left_s| back_s - left_s),
            recovered: self.inside,
        }
    }
}

impl Observer for EdgeWatch {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let begin = (stretch.cycle, stretch.phase_s);
        self.watching = begin >= self.from && begin < self.until;
        if self.watching {
            self.seen_s = self.since_edge_s(stretch.cycle, stretch.phase_s) + stretch.duration_s;
            self.current.include_stretch(stretch, Output::Inductor);
            let ends = stretch.ends(Output::Voltage);
            self.seen_v = ends.1;
            let (low, high) = stretch.enclosure(Output::Voltage, ends);
            let stays = if self.inside {
                low >= self.band_v.0 && high <= self.band_v.1
            } else {
                high < self.band_v.0 || low > self.band_v.1
            };
            if !(low >= self.output.low && high <= self.output.high) {
                self.output.include_stretch(stretch, Output::Voltage);
            }
            if !stays {
                self.follow_band(stretch);
            }
        }
    }

    /// An output that leaves its band again and again comes back ever later.
    fn knows_repeats(&self) -> bool {
        self.edge_s.is_none_or(|edge_s| self.seen_s - edge_s > ROUND as f64 * self.period_s)
    }

    fn knows_leaps(&self) -> bool {
        true
    }

    /// The output stays where it is: in the band, below or above it, or it still leaves the band in every cycle.
    fn may_leap(&self, after: &Seen) -> bool {
        let (low_v, high_v) = self.band_v;
        let (bounds_v, reached_v) = (after.bounds_v, after.reached_v);
        let passes = |edge_v: f64| reached_v.0 < edge_v && reached_v.1 > edge_v;
        if !self.watching {
            // A run leaps over no instant at which it is driven otherwise, as it is where the watch begins and ends.
            true
        } else if !self.knows_repeats() {
            passes(low_v) || passes(high_v)
        } else if self.inside {
            bounds_v.0 >= low_v && bounds_v.1 <= high_v
        } else if self.seen_v < low_v {
            bounds_v.1 < low_v
        } else {
            bounds_v.0 > high_v
        }
    }
}

/// Last time in `[low, high]` for which `holds` is still true, given that it is true at `low` and false at `high`.
fn bisect(mut low: f64, mut high: f64, holds: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if holds(middle) { low = middle } else { high = middle }
    }
    high
}
