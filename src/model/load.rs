//! Loads that a board meets beside its steady states: steps, once or again and again, and currents against time.

use std::sync::Arc;

/// Load step and release.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoadStep {
    /// Current before the step in A.
    pub from_a: f64,
    /// Current after it in A.
    pub to_a: f64,
    /// Slew of the step in A/s.
    pub slew_a_per_s: f64,
    /// Slew of the release in A/s.
    pub release_a_per_s: f64,
    /// Time in s from the end of the step to the begin of the release; of a step that comes once the lower level is held as long.
    pub hold_s: f64,
    /// Time in s from one step to the next; `None`: it comes once.
    pub every_s: Option<f64>,
}

impl LoadStep {
    /// A step that comes once: levels in A, both edges of one slew in A/s, each level held for a time in s.
    pub fn once(from_a: f64, to_a: f64, slew_a_per_s: f64, hold_s: f64) -> LoadStep {
        LoadStep { from_a, to_a, slew_a_per_s, release_a_per_s: slew_a_per_s, hold_s, every_s: None }
    }

    /// Length of the rising edge in s.
    pub fn rise_s(&self) -> f64 {
        (self.to_a - self.from_a).abs() / self.slew_a_per_s
    }

    /// Length of the falling edge in s.
    pub fn fall_s(&self) -> f64 {
        (self.to_a - self.from_a).abs() / self.release_a_per_s
    }

    /// The same as a current against time, so many times.
    pub fn profile(&self, times: usize) -> LoadProfile {
        let (rise_s, fall_s) = (self.rise_s(), self.fall_s());
        let every_s = self.every_s.unwrap_or(rise_s + fall_s + 2.0 * self.hold_s);
        let corners = |number: usize| {
            let at_s = number as f64 * every_s;
            let release_s = at_s + rise_s + self.hold_s;
            let [from_a, to_a] = [self.from_a, self.to_a];
            [(at_s, from_a), (at_s + rise_s, to_a), (release_s, to_a), (release_s + fall_s, from_a)]
        };
        let end = (times as f64 * every_s, self.from_a);
        LoadProfile { points: (0..times).flat_map(corners).chain([end]).collect() }
    }
}

/// A current against time: straight lines from point to point.
#[derive(Clone, Debug, PartialEq)]
pub struct LoadProfile {
    /// Time in s from 0 on, not falling, and current in A.
    pub points: Arc<[(f64, f64)]>,
}

impl LoadProfile {
    /// Current in A before it.
    pub fn first_a(&self) -> f64 {
        self.points.first().map_or(0.0, |(_, load_a)| *load_a)
    }

    /// Least and largest current in A.
    pub fn levels_a(&self) -> (f64, f64) {
        let levels = self.points.iter().map(|(_, load_a)| *load_a);
        levels.fold((f64::INFINITY, 0.0), |(least_a, most_a), load_a| (load_a.min(least_a), load_a.max(most_a)))
    }

    /// Its length in s.
    pub fn duration_s(&self) -> f64 {
        self.points.last().map_or(0.0, |(time_s, _)| *time_s)
    }
}

/// What a named load does.
#[derive(Clone, Debug, PartialEq)]
pub enum Course {
    /// A step, once or again and again.
    Step(LoadStep),
    /// A current against time.
    Profile(LoadProfile),
}

/// A load that the case names, beside the load step of the board.
#[derive(Clone, Debug, PartialEq)]
pub struct NamedLoad {
    /// Name, unique on the board.
    pub name: String,
    /// What it does.
    pub course: Course,
    /// Largest undershoot and overshoot of its own in V; `None`: what holds for the board binds it.
    pub deviation_v: Option<f64>,
    /// Longest settling time of its own in s; `None`: what holds for the board binds it.
    pub recovery_s: Option<f64>,
}
