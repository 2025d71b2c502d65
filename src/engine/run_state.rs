//! Where a run stands: states, stage of the switching sequence, timers and counts.

use super::compensator::Analog;
use super::network::Sink;
use super::row::{Input, InputVector, StateVector};
use std::mem::{Discriminant, discriminant};

/// Where the switching sequence stands. Instants are times after the clock edge in s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Stage {
    /// A clock edge, at which is decided whether a pulse begins.
    Edge,
    /// Low side open, high side not yet closed.
    LeadDead {
        /// High side closes.
        until_s: f64,
    },
    /// High side closed, comparators not yet looked at.
    Blank {
        /// Comparators are looked at from then on.
        until_s: f64,
    },
    /// High side closed, until the first turn-off that is under way or the end of the longest conduction.
    On,
    /// High side open, low side not yet closed.
    TrailDead {
        /// Low side closes.
        until_s: f64,
    },
    /// Low side closed, a turn-on not yet allowed (without a clock only).
    Rest {
        /// A turn-on is allowed from then on.
        until_s: f64,
    },
    /// Low side closed.
    Off,
    /// Low side closed, a turn-on asked for and held back by the valley limit (without a clock only).
    Held,
    /// Both switches open: the pause of a hiccup.
    Paused,
    /// Low side closed, turn-on under way (without a clock only).
    Asked {
        /// The turn-on begins.
        on_s: f64,
    },
}

/// What opens the high side.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Opener {
    /// The modulator: its comparator after its delay, or its on-time.
    Modulator,
    /// The current limit after its delay.
    Limit,
    /// The end of the longest conduction.
    Longest,
}

/// Turn-offs under way, as times after the clock edge in s: each comparator has a delay of its own, and whichever is over first
/// opens the switch.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct TurnOff {
    pub(super) modulator_s: Option<f64>,
    pub(super) limit_s: Option<f64>,
}

impl TurnOff {
    pub(super) fn first_s(&self) -> f64 {
        self.modulator_s.unwrap_or(f64::INFINITY).min(self.limit_s.unwrap_or(f64::INFINITY))
    }

    /// The same, later by a time.
    pub(super) fn later(self, by_s: f64) -> TurnOff {
        let later = |at_s: Option<f64>| at_s.map(|at_s| at_s + by_s);
        TurnOff { modulator_s: later(self.modulator_s), limit_s: later(self.limit_s) }
    }
}

/// State of a run.
#[derive(Clone, Debug)]
pub struct RunState {
    /// States of the network.
    pub x: StateVector,
    /// Cycles completed.
    pub cycle: u64,
    /// Time after the clock edge in s.
    pub phase_s: f64,
    pub(super) stage: Stage,
    /// Whether the low side has opened again because its current fell to zero.
    pub(super) low_open: bool,
    /// Turn-ons asked for, without a clock.
    pub(super) turn_ons: u64,
    pub(super) analog: Analog,
    pub(super) segment: i32,
    pub(super) load_cell: i32,
    pub(super) sink: Sink,
    /// Instant at which the high side closed last.
    pub(super) turn_on_s: f64,
    /// Turn-offs under way; the modulator may ask for one before the high side is closed.
    pub(super) turn_off: TurnOff,
    pub(super) guard: Guard,
    /// Inputs at the present instant.
    pub(super) inputs: InputVector,
    /// Input voltage at the last clock edge in V.
    pub(super) input_at_edge_v: f64,
    /// Effort so far.
    pub effort: Effort,
}

/// Where soft start, limit count and pause stand.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Guard {
    /// Clock edge at which the reference began to rise, while it rises.
    pub(super) rising_since: Option<u64>,
    /// Clock edge at which a pause ends, while it lasts.
    pub(super) paused_until: Option<u64>,
    /// Whether the limit acted in this cycle.
    pub(super) limited: bool,
    /// Limited cycles in a row.
    pub(super) limited_cycles: u64,
    /// Whether foldback left this cycle's pulse out: it says nothing about the limit.
    pub(super) folded: bool,
}

/// Where a run begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Begin {
    /// With these states at a clock edge, or without a clock where a turn-on is asked for.
    Clock(StateVector),
    /// From rest with that voltage in V at the output: a start.
    Rest(f64),
}

/// How much work a run was, and what happened in it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Effort {
    /// Stretches propagated.
    pub stretches: u64,
    /// Instants that had to be located.
    pub located: u64,
    /// Times that the high side closed.
    pub pulses: u64,
    /// Times that the current limit acted.
    pub limited: u64,
    /// Clock edges that began no pulse.
    pub omitted: u64,
    /// Pauses of a hiccup.
    pub pauses: u64,
}

impl Effort {
    /// What has happened since an earlier count, without the work that it was.
    pub(super) fn happened_since(self, before: &Effort) -> Effort {
        Effort {
            stretches: 0,
            located: 0,
            pulses: self.pulses - before.pulses,
            limited: self.limited - before.limited,
            omitted: self.omitted - before.omitted,
            pauses: self.pauses - before.pauses,
        }
    }

    /// With what has happened a number of times more; work is not done again.
    pub(super) fn with(self, happened: &Effort, times: u64) -> Effort {
        Effort {
            pulses: self.pulses + times * happened.pulses,
            limited: self.limited + times * happened.limited,
            omitted: self.omitted + times * happened.omitted,
            ..self
        }
    }
}

impl Stage {
    /// The same stage with its end later by a time.
    pub(super) fn later(self, by_s: f64) -> Stage {
        match self {
            Stage::LeadDead { until_s } => Stage::LeadDead { until_s: until_s + by_s },
            Stage::Blank { until_s } => Stage::Blank { until_s: until_s + by_s },
            Stage::TrailDead { until_s } => Stage::TrailDead { until_s: until_s + by_s },
            Stage::Rest { until_s } => Stage::Rest { until_s: until_s + by_s },
            Stage::Asked { on_s } => Stage::Asked { on_s: on_s + by_s },
            Stage::Edge | Stage::On | Stage::Off | Stage::Held | Stage::Paused => self,
        }
    }

    /// Whether it is another stage with an end at the same time.
    pub(super) fn is_like(&self, other: &Stage, same_time: impl Fn(f64, f64) -> bool) -> bool {
        match (*self, *other) {
            (Stage::LeadDead { until_s: a }, Stage::LeadDead { until_s: b })
            | (Stage::Blank { until_s: a }, Stage::Blank { until_s: b })
            | (Stage::TrailDead { until_s: a }, Stage::TrailDead { until_s: b })
            | (Stage::Rest { until_s: a }, Stage::Rest { until_s: b })
            | (Stage::Asked { on_s: a }, Stage::Asked { on_s: b }) => same_time(a, b),
            (a, b) => a == b,
        }
    }
}

impl RunState {
    /// The same state some time later, the clock edge staying where it is.
    pub(super) fn delay(&mut self, by_s: f64) {
        self.phase_s += by_s;
        self.delay_timers(by_s);
    }

    /// Everything that is timed comes later by a time.
    pub(super) fn delay_timers(&mut self, by_s: f64) {
        self.turn_on_s += by_s;
        self.turn_off = self.turn_off.later(by_s);
        self.stage = self.stage.later(by_s);
    }

    /// Time after the clock edge at which blanking ends, while it lasts.
    pub(super) fn blank_s(&self) -> Option<f64> {
        if let Stage::Blank { until_s } = self.stage { Some(until_s) } else { None }
    }

    pub(super) fn input_v(&self) -> f64 {
        self.inputs[Input::Source as usize]
    }

    pub(super) fn programmed_a(&self) -> f64 {
        self.inputs[Input::Load as usize]
    }

    /// Whether a switch waits for a delay or a limit.
    pub(super) fn is_delayed(&self) -> bool {
        self.turn_off != TurnOff::default() || matches!(self.stage, Stage::Asked { .. } | Stage::Held)
    }

    /// Where the switches and the amplifier stand, whatever the time.
    pub(super) fn switches(&self) -> (Discriminant<Stage>, bool, Analog, Sink, bool) {
        (discriminant(&self.stage), self.low_open, self.analog, self.sink, self.is_delayed())
    }

    /// Whether the run is in the pause of a hiccup.
    pub fn is_paused(&self) -> bool {
        self.guard.paused_until.is_some()
    }
}

impl Guard {
    /// Whether the reference stands at its full value.
    pub(super) fn is_steady(&self) -> bool {
        self.rising_since.is_none() && self.paused_until.is_none()
    }

    /// A cycle of the control has ended.
    pub(super) fn count(&mut self) {
        if !self.folded {
            self.limited_cycles = if self.limited { self.limited_cycles + 1 } else { 0 };
        }
        (self.limited, self.folded) = (false, false);
    }
}
