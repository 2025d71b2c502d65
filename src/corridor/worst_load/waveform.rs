//! Loads as a few edges of one slew between levels: from the exact search on a grid, moved within their bounds, drawn at random.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

/// What a load may do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bounds {
    /// Swing in A.
    pub swing_a: f64,
    /// Fastest slew in A/s.
    pub slew_a_per_s: f64,
    /// Time in s from the end of a rise to the begin of a fall at least, and from the end of a fall to the begin of a rise.
    pub dwell_s: f64,
}

/// One straight move of the load. Currents count from the base load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edge {
    /// Begin in s.
    pub begin_s: f64,
    /// End in s.
    pub end_s: f64,
    /// Current in A before and after.
    pub levels_a: (f64, f64),
}

impl Edge {
    fn rises(&self) -> bool {
        self.levels_a.1 > self.levels_a.0
    }

    /// The same some time later.
    fn later(self, by_s: f64) -> Edge {
        Edge { begin_s: self.begin_s + by_s, end_s: self.end_s + by_s, ..self }
    }
}

/// A load against time, from a clock edge on; level before the first edge and after the last.
#[derive(Clone, Debug, PartialEq)]
pub struct Waveform {
    /// Current in A before the first edge, counted from the base load.
    pub first_a: f64,
    /// The edges in their order.
    pub edges: Vec<Edge>,
}

/// Times closer than this share of a second count as one: far below what any board sees.
const SAME_TIME_S: f64 = 1e-15;

impl Waveform {
    /// A single step up or down over the whole swing, beginning at a time in s.
    pub fn step(bounds: &Bounds, up: bool, begin_s: f64) -> Waveform {
        let levels_a = if up { (0.0, bounds.swing_a) } else { (bounds.swing_a, 0.0) };
        let end_s = begin_s + bounds.swing_a / bounds.slew_a_per_s;
        Waveform { first_a: levels_a.0, edges: vec![Edge { begin_s, end_s, levels_a }] }
    }

    /// The waveform of levels at the boundaries of cells, the latest first, the latest boundary at a time in s. Each run of cells that goes one
    /// way without a rest is one edge of the fastest slew that ends where the run does.
    pub fn of_levels(levels: &[usize], step_a: f64, (last_s, cell_s): (f64, f64), bounds: &Bounds) -> Waveform {
        let at_s = |boundary: usize| last_s - boundary as f64 * cell_s;
        let level_a = |boundary: usize| levels[boundary] as f64 * step_a;
        let mut edges: Vec<Edge> = vec![];
        let moved = |boundary: usize| levels[boundary].cmp(&levels[boundary + 1]);
        let mut boundary = levels.len().saturating_sub(1);
        while boundary > 0 {
            boundary -= 1;
            let way = moved(boundary);
            if way.is_eq() {
                continue;
            }
            let from_a = level_a(boundary + 1);
            while boundary > 0 && moved(boundary - 1) == way {
                boundary -= 1;
            }
            let levels_a = (from_a, level_a(boundary));
            let lasts_s = (levels_a.1 - levels_a.0).abs() / bounds.slew_a_per_s;
            edges.push(Edge { begin_s: at_s(boundary) - lasts_s, end_s: at_s(boundary), levels_a });
        }
        let first_a = levels.last().map_or(0.0, |level| *level as f64 * step_a);
        let mut waveform = Waveform { first_a, edges };
        waveform.make_room(bounds);
        waveform
    }

    /// Moves edges to earlier times until each has the room that the dwell asks for.
    fn make_room(&mut self, bounds: &Bounds) {
        for k in (1..self.edges.len()).rev() {
            let latest_s = self.edges[k].begin_s - room_s(&self.edges[k - 1], &self.edges[k], bounds);
            let over_s = self.edges[k - 1].end_s - latest_s;
            if over_s > 0.0 {
                self.edges[k - 1] = self.edges[k - 1].later(-over_s);
            }
        }
    }

    /// Whether it keeps within its bounds and begins at zero or later.
    pub fn is_within(&self, bounds: &Bounds) -> bool {
        let in_order =
            |pair: &[Edge]| pair[1].begin_s - pair[0].end_s >= room_s(&pair[0], &pair[1], bounds) - SAME_TIME_S;
        self.edges.first().is_none_or(|edge| edge.begin_s >= 0.0) && self.edges.windows(2).all(in_order)
    }

    /// The same with all edges up to a number moved by a time in s.
    pub fn moved(&self, up_to: usize, by_s: f64) -> Waveform {
        let mut moved = self.clone();
        moved.edges.iter_mut().take(up_to + 1).for_each(|edge| *edge = edge.later(by_s));
        moved
    }

    /// The same, all of it later by a time in s.
    pub fn later(&self, by_s: f64) -> Waveform {
        self.moved(self.edges.len(), by_s)
    }

    /// Begin of the first and end of the last edge in s.
    pub fn span_s(&self) -> (f64, f64) {
        let ends = (self.edges.first(), self.edges.last());
        (ends.0.map_or(0.0, |edge| edge.begin_s), ends.1.map_or(0.0, |edge| edge.end_s))
    }

    /// Its corners as time in s and current in A above the base load, from zero on, times rising.
    pub fn points(&self) -> Vec<(f64, f64)> {
        let mut points = vec![(0.0, self.first_a)];
        for edge in &self.edges {
            for (at_s, load_a) in [(edge.begin_s, edge.levels_a.0), (edge.end_s, edge.levels_a.1)] {
                if points.last().is_some_and(|(last_s, _)| at_s > last_s + SAME_TIME_S) {
                    points.push((at_s, load_a));
                }
            }
        }
        points
    }
}

/// Time in s that has to pass between two edges.
fn room_s(before: &Edge, after: &Edge, bounds: &Bounds) -> f64 {
    if before.rises() == after.rises() { 0.0 } else { bounds.dwell_s }
}

/// Random waveforms within bounds, the same for a seed on every machine.
pub struct Draws {
    random: ChaCha8Rng,
    bounds: Bounds,
    /// Length of each in s, and the shortest hold that is drawn.
    span_s: (f64, f64),
}

/// Shares of the slew and of the swing that are drawn at least.
const LEAST_SHARE: f64 = 0.2;
/// One of so many edges goes over the whole swing, or at the fastest slew, whatever is drawn: the worst loads do.
const WHOLE: f64 = 0.6;
/// Most edges of a random waveform.
const MOST_EDGES: usize = 400;

impl Draws {
    /// Waveforms of a length in s with holds of a shortest time in s and more.
    pub fn new(bounds: Bounds, length_s: f64, shortest_s: f64, seed: u64) -> Draws {
        Draws { random: ChaCha8Rng::seed_from_u64(seed), bounds, span_s: (length_s, shortest_s) }
    }

    fn uniform(&mut self) -> f64 {
        ((self.random.next_u64() >> 12) as f64 + 0.5) / (1u64 << 52) as f64
    }

    /// A share of something, often all of it.
    fn share(&mut self) -> f64 {
        if self.uniform() < WHOLE { 1.0 } else { LEAST_SHARE + (1.0 - LEAST_SHARE) * self.uniform() }
    }

    /// The next waveform: it turns back at every edge.
    pub fn draw(&mut self) -> Waveform {
        let Bounds { swing_a, slew_a_per_s, dwell_s } = self.bounds;
        let (length_s, shortest_s) = (self.span_s.0, self.span_s.1.max(dwell_s).max(1e-12));
        let longest_s = (length_s / 3.0).max(2.0 * shortest_s);
        let mut up = self.uniform() < 0.5;
        let first_a = if up { 0.0 } else { swing_a };
        let (mut level_a, mut now_s) = (first_a, self.uniform() * shortest_s);
        let mut edges = vec![];
        while now_s < length_s && edges.len() < MOST_EDGES {
            let room_a = if up { swing_a - level_a } else { level_a };
            let moved_a = room_a * self.share();
            let next_a = if up { level_a + moved_a } else { level_a - moved_a };
            let end_s = now_s + moved_a / (slew_a_per_s * self.share());
            edges.push(Edge { begin_s: now_s, end_s, levels_a: (level_a, next_a) });
            now_s = end_s + shortest_s * (longest_s / shortest_s).powf(self.uniform());
            (level_a, up) = (next_a, !up);
        }
        Waveform { first_a, edges }
    }
}
