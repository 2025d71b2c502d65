//! A fixed-step integration of the switched converter that shares nothing with the engine but the board's data: the truth that
//! tests of switching instants are held to.
//!
//! The power stage is one node, the output, with branches on it. In every step of 1 ns each branch is replaced by a conductance
//! and a source (weighted trapezoidal rule), so that the node voltage follows from Kirchhoff's current law, whatever the branches
//! are made of. Amplifier, divider and sensing networks follow by Heun's method. A step is cut where something is due, and where
//! a comparator's signal passes its threshold by a straight line through the step; so an instant is off by the square of the
//! step times the curvature of the signal, and never by more than the step.
//!
//! The control is a set of blocks as a controller has them, each with its own memory: comparators that are latched, delays that
//! run on their own, and a switch that opens for whichever of them is due first.
#![allow(dead_code)]

use presolder::board::{Board, Compensator, Injection, LimitSense, LowSide, Modulator, Ramp};
use presolder::parts::CapacitorBranch;

/// Longest step in s.
pub const STEP_S: f64 = 1e-9;
/// First step after anything has jumped: fully implicit, so that the output finds its new value, and too short to matter.
const JUMP_S: f64 = 1e-12;
/// Weight of the end of a step. A half is the trapezoidal rule, which never forgets a wrong start of a node that holds no charge;
/// a little more forgets it within some ten steps, for a tenth of the step's first-order error.
const END_WEIGHT: f64 = 0.55;
/// Instants closer to each other than this are one, in s: a shorter step would leave nothing but rounding in the output voltage.
const INSTANT_S: f64 = 1e-15;
/// Most branches of a bank.
const BRANCHES: usize = 4;
/// Time constant in s in which the contact of a short circuit ends the current that is left.
const CONTACT_S: f64 = 1e-7;

/// Straight lines between points (time in s, value); two points at one time are a jump. Constant before and after.
#[derive(Clone, Debug)]
pub struct Course(pub Vec<(f64, f64)>);

impl Course {
    pub fn constant(value: f64) -> Course {
        Course(vec![(0.0, value)])
    }

    /// An edge from the last value to another, at a slew per s.
    pub fn edge(mut self, at_s: f64, to: f64, slew_per_s: f64) -> Course {
        let from = self.0[self.0.len() - 1].1;
        self.0.extend([(at_s, from), (at_s + (to - from).abs() / slew_per_s, to)]);
        self
    }

    fn at(&self, t_s: f64) -> f64 {
        let next = self.0.partition_point(|point| point.0 <= t_s);
        match (next.checked_sub(1).map(|k| self.0[k]), self.0.get(next)) {
            (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (t_s - a.0) / (b.0 - a.0),
            (Some(a), None) => a.1,
            (None, _) => self.0[0].1,
        }
    }

    fn next_corner_s(&self, t_s: f64) -> f64 {
        self.0.iter().map(|point| point.0).find(|&at_s| at_s > t_s + INSTANT_S).unwrap_or(f64::INFINITY)
    }
}

/// What is simulated: the board, and all that a run adds to it.
pub struct Setup<'a> {
    pub board: &'a Board,
    pub bank: &'a [CapacitorBranch],
    /// Incremental inductance in H at a current in A.
    pub inductance_h: &'a dyn Fn(f64) -> f64,
    pub dcr_ohm: f64,
    /// Threshold of the current limit in A (V where it is sensed on the winding).
    pub limit: f64,
    pub source_v: Course,
    pub load_a: Course,
    /// Most that the programmed load draws per V of output, in S; at and below zero it draws nothing. Infinite for an ideal sink.
    pub knee_s: f64,
    /// Conductance of the load in S.
    pub load_s: f64,
    /// Constant power drawn in W.
    pub load_w: f64,
    /// Load resistor in ohm with its leads in H.
    pub resistor: Option<(f64, f64)>,
    /// Short circuit: ohm, H, and from when until when in s.
    pub short: Option<(f64, f64, f64, f64)>,
    pub step_s: f64,
}

impl<'a> Setup<'a> {
    /// A board with its own bank and a programmed load current, and nothing else.
    pub fn new(board: &'a Board, inductance_h: &'a dyn Fn(f64) -> f64, dcr_ohm: f64, load_a: Course) -> Setup<'a> {
        Setup {
            board,
            bank: &board.output_bank,
            inductance_h,
            dcr_ohm,
            limit: board.control.protection.current_limit.map_or(f64::INFINITY, |limit| limit.threshold.1),
            source_v: Course::constant(board.nominal_input_v),
            load_a,
            knee_s: f64::INFINITY,
            load_s: 0.0,
            load_w: 0.0,
            resistor: None,
            short: None,
            step_s: STEP_S,
        }
    }
}

/// What has memory in the circuit.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct State {
    /// Inductor current in A.
    pub inductor_a: f64,
    /// Output in V; follows from the rest.
    pub output_v: f64,
    /// Voltage of each capacitor in V, and current into each branch in A (memory only where the branch has inductance).
    pub capacitor_v: [f64; BRANCHES],
    pub branch_a: [f64; BRANCHES],
    pub resistor_a: f64,
    pub short_a: f64,
    /// Op-amp: output, C1, C2, C3. Transconductance: output, Cc. Ripple: C_ff, injection. All in V, in that order.
    pub control_v: [f64; 4],
    /// Winding sense in V.
    pub sense_v: f64,
}

/// Which way the inductor current takes.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Way {
    High,
    Low,
    LowDiode,
    HighDiode,
    Nowhere,
}

/// What the gates are doing.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Gate {
    Low,
    LeadDead { until_s: f64 },
    High,
    TrailDead { until_s: f64 },
    Pause,
}

/// What opened the high side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Opener {
    Modulator,
    Limit,
    Timer,
    Pause,
}

/// One conduction of the high side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pulse {
    pub on_s: f64,
    pub off_s: f64,
    /// Current in A at its end.
    pub end_a: f64,
    pub opener: Opener,
}

/// How often something happened.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Counts {
    pub pulses: u64,
    pub limited: u64,
    pub omitted: u64,
    pub pauses: u64,
}

/// What a run leaves.
#[derive(Clone, Debug, Default)]
pub struct Trace {
    pub pulses: Vec<Pulse>,
    pub counts: Counts,
    /// Lowest and highest inductor current in A and output in V.
    pub current_a: (f64, f64),
    pub output_v: (f64, f64),
    /// Mean output in V.
    pub mean_v: f64,
    /// (time in s, inductor current in A, output in V), where asked for.
    pub samples: Vec<(f64, f64, f64)>,
}

/// A run.
pub struct Stepper<'a> {
    setup: Setup<'a>,
    pub state: State,
    /// Time in s since the begin, and number of clock edges since then.
    t_s: f64,
    edges: u64,
    gate: Gate,
    /// The low side has opened by itself, or has not closed since a start or pause.
    low_open: bool,
    closed_s: f64,
    opened_s: f64,
    /// When the modulator and the limit open the high side: each comparator's instant plus its own delay.
    due_s: [f64; 2],
    /// Without a clock: when the turn-on that was asked for begins; and whether the valley limit holds one back.
    turn_on_s: f64,
    held: bool,
    source_at_edge_v: f64,
    fixed_on_s: f64,
    /// Since when the reference rises, and the edge at which a pause ends.
    rises_from_s: f64,
    paused_until: Option<u64>,
    limited: bool,
    folded: bool,
    limited_in_a_row: u64,
    /// Something has jumped: the next step finds the output anew.
    jumped: bool,
    pub trace: Trace,
    integral_vs: f64,
    sample_every_s: f64,
}

/// Modulator's and limit's place in [`Stepper::due_s`].
const MODULATOR: usize = 0;
const LIMIT: usize = 1;
const NEVER: [f64; 2] = [f64::INFINITY; 2];

/// Signals that are watched.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Signal {
    Modulator,
    Limit,
    Ask,
    Valley,
    Zero,
    BodyDiode,
}

const SIGNALS: [Signal; 6] =
    [Signal::Modulator, Signal::Limit, Signal::Ask, Signal::Valley, Signal::Zero, Signal::BodyDiode];

impl<'a> Stepper<'a> {
    /// A run from a clock edge, or without a clock from the instant at which a turn-on is asked for.
    pub fn at_clock(setup: Setup<'a>, state: State) -> Stepper<'a> {
        let source_v = setup.source_v.at(0.0);
        let mut stepper = Stepper {
            setup,
            state,
            t_s: 0.0,
            edges: 0,
            gate: Gate::Low,
            low_open: false,
            closed_s: f64::NEG_INFINITY,
            opened_s: f64::NEG_INFINITY,
            due_s: NEVER,
            turn_on_s: f64::INFINITY,
            held: false,
            source_at_edge_v: source_v,
            fixed_on_s: f64::INFINITY,
            rises_from_s: f64::NEG_INFINITY,
            paused_until: None,
            limited: false,
            folded: false,
            limited_in_a_row: 0,
            jumped: true,
            trace: Trace {
                current_a: (f64::INFINITY, f64::NEG_INFINITY),
                output_v: (f64::INFINITY, f64::NEG_INFINITY),
                ..Trace::default()
            },
            integral_vs: 0.0,
            sample_every_s: f64::INFINITY,
        };
        stepper.low_open = stepper.emulates() && stepper.state.inductor_a <= 0.0;
        stepper.find_output();
        if stepper.is_clocked() {
            stepper.begin_cycle();
        } else {
            stepper.turn_on_s = stepper.modulator_delay_s();
        }
        stepper
    }

    /// A run from rest: the reference begins to rise, the low side stays open until the first pulse.
    pub fn at_rest(setup: Setup<'a>, state: State) -> Stepper<'a> {
        let mut stepper = Stepper::at_clock(setup, state);
        stepper.trace.counts = Counts::default();
        stepper.gate = Gate::Low;
        stepper.turn_on_s = f64::INFINITY;
        stepper.closed_s = f64::NEG_INFINITY;
        stepper.begin_rising();
        if stepper.is_clocked() {
            stepper.begin_cycle();
        }
        stepper
    }

    /// Keeps samples.
    pub fn sampled(mut self, every_s: f64) -> Stepper<'a> {
        self.sample_every_s = every_s;
        self
    }

    /// Runs for a time and hands over what happened.
    pub fn run(mut self, duration_s: f64) -> Trace {
        self.advance_to(duration_s);
        self.act();
        self.trace.mean_v = self.integral_vs / self.t_s;
        self.trace
    }

    /// Runs up to an instant.
    pub fn advance_to(&mut self, end_s: f64) {
        while !self.is_past(end_s) {
            self.act();
            let h_s = self.step_to(end_s);
            let corner_s = self.next_corner_s();
            let (next, fired) = self.crossed(h_s);
            self.accept(next.0, next.1);
            // A corner of the load is a jump where the bank is all inductive.
            self.jumped = self.is_past(corner_s);
            if let Some(signal) = fired {
                self.on_signal(signal);
            }
        }
    }

    fn period_s(&self) -> f64 {
        1.0 / self.setup.board.frequency_hz
    }

    fn is_past(&self, at_s: f64) -> bool {
        self.t_s >= at_s - INSTANT_S
    }

    fn is_clocked(&self) -> bool {
        !matches!(self.setup.board.control.modulator, Modulator::ConstantOnTime { .. } | Modulator::Hysteretic { .. })
    }

    fn modulator_delay_s(&self) -> f64 {
        match self.setup.board.control.modulator {
            Modulator::FixedDuty { .. } => 0.0,
            Modulator::VoltageMode { delay_s, .. }
            | Modulator::PeakCurrent { delay_s, .. }
            | Modulator::ConstantOnTime { delay_s, .. }
            | Modulator::Hysteretic { delay_s, .. } => delay_s,
        }
    }

    fn dead_s(&self) -> f64 {
        match self.setup.board.stage.low_side {
            LowSide::Switch { dead_time_s, .. } => dead_time_s,
            LowSide::Diode { .. } => 0.0,
        }
    }

    fn emulates(&self) -> bool {
        matches!(self.setup.board.stage.low_side, LowSide::Switch { emulation: true, .. })
    }

    /// Length of the next step: up to whatever is due, and no longer than the fixed step.
    fn step_to(&self, end_s: f64) -> f64 {
        let longest_s = if self.jumped { JUMP_S } else { self.setup.step_s };
        let due_s = self.due_instants().into_iter().filter(|&at_s| !self.is_past(at_s)).fold(end_s, f64::min);
        (due_s - self.t_s).min(longest_s)
    }

    /// Everything that is due at a known time.
    fn due_instants(&self) -> [f64; 7] {
        let gate_s = match self.gate {
            Gate::LeadDead { until_s } | Gate::TrailDead { until_s } => until_s,
            Gate::High => self.opening().0,
            _ => f64::INFINITY,
        };
        let control = &self.setup.board.control;
        [
            (self.edges + 1) as f64 * self.period_s(),
            gate_s,
            self.looked_at_from_s(),
            self.asks_from_s(),
            self.turn_on_s,
            self.rises_from_s + control.protection.soft_start_s,
            self.next_corner_s(),
        ]
    }

    /// When load, input or short circuit go on otherwise.
    fn next_corner_s(&self) -> f64 {
        let short_s = self.setup.short.into_iter().flat_map(|(_, _, from_s, until_s)| [from_s, until_s]);
        let short_s = short_s.filter(|&at_s| !self.is_past(at_s)).fold(f64::INFINITY, f64::min);
        self.setup.load_a.next_corner_s(self.t_s).min(self.setup.source_v.next_corner_s(self.t_s)).min(short_s)
    }

    /// The next state and the length of the step to it: `h_s`, or less where a signal passes its threshold first.
    fn crossed(&self, h_s: f64) -> ((State, f64), Option<Signal>) {
        let next = self.stepped(h_s);
        let mut first: Option<(f64, Signal)> = None;
        for signal in SIGNALS {
            let before = self.signal(signal, &self.state, self.t_s);
            let after = self.signal(signal, &next, self.t_s + h_s);
            let (Some(before), Some(after)) = (before, after) else { continue };
            if before < 0.0 && after >= 0.0 {
                let share = before / (before - after);
                if first.is_none_or(|(earlier, _)| share < earlier) {
                    first = Some((share, signal));
                }
            }
        }
        let Some((share, signal)) = first else { return ((next, h_s), None) };
        let cut_s = self.crossing_s(signal, share, h_s).max(INSTANT_S);
        ((self.stepped(cut_s), cut_s), Some(signal))
    }

    /// When in a step a signal passes its threshold: a straight line, drawn anew from what is found there.
    fn crossing_s(&self, signal: Signal, mut share: f64, h_s: f64) -> f64 {
        let at = |share: f64| self.signal(signal, &self.stepped(share * h_s), self.t_s + share * h_s).unwrap_or(0.0);
        let (mut low, mut high) = ((0.0, self.signal(signal, &self.state, self.t_s).unwrap_or(0.0)), (1.0, at(1.0)));
        for _ in 0..2 {
            let found = at(share);
            if found < 0.0 {
                low = (share, found)
            } else {
                high = (share, found)
            }
            share = low.0 + (high.0 - low.0) * low.1 / (low.1 - high.1);
        }
        share * h_s
    }

    fn accept(&mut self, next: State, h_s: f64) {
        let before_s = self.t_s;
        self.t_s += h_s;
        self.integral_vs += 0.5 * h_s * (self.state.output_v + next.output_v);
        self.state = next;
        let include = |range: &mut (f64, f64), value: f64| *range = (range.0.min(value), range.1.max(value));
        include(&mut self.trace.current_a, next.inductor_a);
        include(&mut self.trace.output_v, next.output_v);
        if (self.t_s / self.sample_every_s).floor() > (before_s / self.sample_every_s).floor() {
            self.trace.samples.push((self.t_s, next.inductor_a, next.output_v));
        }
    }

    // ---- control ----

    /// Does everything that is due now.
    fn act(&mut self) {
        while self.act_once() {
            self.jumped = true;
        }
    }

    fn act_once(&mut self) -> bool {
        if self.is_past((self.edges + 1) as f64 * self.period_s()) {
            self.clock_edge();
            return true;
        }
        match self.gate {
            Gate::LeadDead { until_s } if self.is_past(until_s) => self.lead_ends(),
            Gate::TrailDead { until_s } if self.is_past(until_s) => self.low_closes(),
            Gate::High if self.is_past(self.opening().0) => self.open(self.opening().1),
            Gate::Low if self.is_past(self.turn_on_s) => self.turn_on(),
            _ => return self.act_on_level(),
        }
        true
    }

    /// A comparator that is looked at from now on may have tripped already. Where something has just jumped the output is not
    /// known yet.
    fn act_on_level(&mut self) -> bool {
        if self.jumped {
            return false;
        }
        let high = |signal: &Signal| self.signal(*signal, &self.state, self.t_s).is_some_and(|value| value >= 0.0);
        let found = SIGNALS.into_iter().find(|signal| !matches!(signal, Signal::BodyDiode) && high(signal));
        if let Some(signal) = found {
            self.on_signal(signal);
        }
        found.is_some()
    }

    fn on_signal(&mut self, signal: Signal) {
        let t_s = self.t_s;
        match signal {
            Signal::Modulator => self.due_s[MODULATOR] = t_s + self.modulator_delay_s(),
            Signal::Limit => self.due_s[LIMIT] = t_s + self.limit().map_or(0.0, |limit| limit.delay_s),
            Signal::Ask if self.is_held_back() => {
                self.note_limited();
                self.held = true;
            }
            Signal::Ask => self.ask(),
            Signal::Valley => {
                self.held = false;
                if self.asks(&self.state, t_s) >= 0.0 {
                    self.ask();
                }
            }
            Signal::Zero => {
                self.state.inductor_a = 0.0;
                self.low_open |= self.gate == Gate::Low;
                self.jumped = true;
            }
            Signal::BodyDiode => self.jumped = true,
        }
    }

    fn ask(&mut self) {
        self.count_limited();
        self.turn_on_s = self.t_s + self.modulator_delay_s();
    }

    /// When the high side opens, and what opens it: the first of the modulator, the limit, and the end of a fixed or longest
    /// conduction. A shortest conduction holds the first two back. Where two are due at once the limit has nothing to do with it.
    fn opening(&self) -> (f64, Opener) {
        let least_s = self.closed_s + self.setup.board.control.min_on_s;
        let [modulator_s, limit_s] = self.due_s.map(|due_s| due_s.max(least_s));
        let longest_s = self.longest_s();
        if limit_s < modulator_s.min(longest_s) {
            (limit_s, Opener::Limit)
        } else if modulator_s < longest_s {
            (modulator_s, Opener::Modulator)
        } else {
            (longest_s, Opener::Timer)
        }
    }

    /// Latest instant at which the high side opens.
    fn longest_s(&self) -> f64 {
        let control = &self.setup.board.control;
        let edge_s = self.edges as f64 * self.period_s();
        let latest_s = edge_s + self.period_s() - control.min_off_s.max(self.dead_s());
        match control.modulator {
            Modulator::FixedDuty { duty } => (self.closed_s + duty * self.period_s()).min(latest_s),
            Modulator::ConstantOnTime { .. } => self.closed_s + self.fixed_on_s,
            Modulator::Hysteretic { .. } => f64::INFINITY,
            Modulator::VoltageMode { .. } | Modulator::PeakCurrent { .. } => latest_s,
        }
    }

    /// From when on the comparators are looked at that are blanked.
    fn looked_at_from_s(&self) -> f64 {
        let blanked =
            matches!(self.setup.board.control.modulator, Modulator::PeakCurrent { .. } | Modulator::Hysteretic { .. });
        self.closed_s + if blanked { self.setup.board.control.min_on_s } else { 0.0 }
    }

    /// From when on a turn-on may be asked for, without a clock.
    fn asks_from_s(&self) -> f64 {
        self.opened_s + self.setup.board.control.min_off_s.max(self.dead_s())
    }

    fn open(&mut self, opener: Opener) {
        if opener == Opener::Limit {
            self.note_limited();
        }
        self.opened_s = self.t_s;
        self.due_s = NEVER;
        let pulse = Pulse { on_s: self.closed_s, off_s: self.t_s, end_a: self.state.inductor_a, opener };
        self.trace.pulses.push(pulse);
        match opener {
            Opener::Pause => self.gate = Gate::Pause,
            _ if self.dead_s() > 0.0 => self.gate = Gate::TrailDead { until_s: self.t_s + self.dead_s() },
            _ => self.low_closes(),
        }
    }

    fn low_closes(&mut self) {
        self.gate = Gate::Low;
        self.low_open = self.emulates() && self.state.inductor_a <= 0.0;
    }

    fn turn_on(&mut self) {
        self.turn_on_s = f64::INFINITY;
        if self.dead_s() > 0.0 {
            self.gate = Gate::LeadDead { until_s: self.t_s + self.dead_s() };
        } else {
            self.close();
        }
    }

    /// A turn-off that is due before the high side has closed leaves no pulse.
    fn lead_ends(&mut self) {
        if !self.is_past(self.due_s[MODULATOR].max(self.t_s + self.setup.board.control.min_on_s)) {
            self.close();
        } else {
            self.due_s = [f64::NEG_INFINITY, f64::INFINITY];
            self.gate = Gate::Low;
        }
    }

    fn close(&mut self) {
        self.gate = Gate::High;
        self.low_open = false;
        self.closed_s = self.t_s;
        self.trace.counts.pulses += 1;
        if let Modulator::ConstantOnTime { on_time_s, .. } = self.setup.board.control.modulator {
            self.fixed_on_s = on_time_s * self.setup.board.nominal_input_v / self.setup.source_v.at(self.t_s);
        }
    }

    fn clock_edge(&mut self) {
        self.edges += 1;
        self.source_at_edge_v = self.setup.source_v.at(self.t_s);
        match self.paused_until {
            Some(until) if self.edges < until => return,
            Some(_) => {
                self.gate = Gate::Low;
                self.begin_rising();
            }
            None => {
                if self.is_clocked() {
                    self.count_limited();
                }
                if self.begins_pause() {
                    return;
                }
            }
        }
        if self.is_clocked() {
            self.begin_cycle();
        }
    }

    fn begin_rising(&mut self) {
        self.paused_until = None;
        self.low_open = true;
        self.held = false;
        (self.limited, self.folded, self.limited_in_a_row) = (false, false, 0);
        self.rises_from_s = self.t_s;
    }

    /// A pause opens whatever is closed and forgets whatever is pending.
    fn begins_pause(&mut self) -> bool {
        let Some(hiccup) = self.limit().and_then(|limit| limit.hiccup) else { return false };
        if self.limited_in_a_row < hiccup.cycles {
            return false;
        }
        if self.gate == Gate::High {
            self.open(Opener::Pause);
        }
        self.gate = Gate::Pause;
        (self.due_s, self.turn_on_s, self.held) = (NEVER, f64::INFINITY, false);
        let cycles = (hiccup.pause_s * self.setup.board.frequency_hz).ceil() as u64;
        self.paused_until = Some(self.edges + cycles.max(1));
        (self.limited, self.folded, self.limited_in_a_row) = (false, false, 0);
        self.trace.counts.pauses += 1;
        true
    }

    fn note_limited(&mut self) {
        self.limited = true;
        self.trace.counts.limited += 1;
    }

    /// A cycle of the control is over.
    fn count_limited(&mut self) {
        if !self.folded {
            self.limited_in_a_row = if self.limited { self.limited_in_a_row + 1 } else { 0 };
        }
        (self.limited, self.folded) = (false, false);
    }

    fn begin_cycle(&mut self) {
        self.due_s = NEVER;
        if self.is_omitted() {
            self.trace.counts.omitted += 1;
            self.gate = Gate::Low;
        } else {
            self.turn_on();
        }
    }

    fn is_omitted(&mut self) -> bool {
        let protection = &self.setup.board.control.protection;
        let least_v = match self.setup.board.control.modulator {
            Modulator::PeakCurrent { gain_a_per_v, .. } => protection.skip_below_a / gain_a_per_v,
            Modulator::VoltageMode { .. } => 0.0,
            _ => f64::NEG_INFINITY,
        };
        let command_v = self.state.control_v[0];
        if command_v < least_v || (least_v == 0.0 && command_v == 0.0) {
            return true;
        }
        if let Some(foldback) = protection.foldback
            && !self.edges.is_multiple_of(foldback.divisor)
            && self.state.output_v < foldback.below * self.setup.board.output_v
        {
            self.folded = true;
            return true;
        }
        let inhibited = self.limit().and_then(|limit| limit.inhibit_a).is_some_and(|a| self.state.inductor_a > a);
        if inhibited {
            self.note_limited();
        }
        inhibited
    }

    fn limit(&self) -> Option<presolder::board::CurrentLimit> {
        self.setup.board.control.protection.current_limit
    }

    fn is_held_back(&self) -> bool {
        self.limit().is_some_and(|limit| limit.sense == LimitSense::Valley) && self.state.inductor_a > self.setup.limit
    }

    /// A signal that is looked at now, positive where it asks for something.
    fn signal(&self, signal: Signal, state: &State, t_s: f64) -> Option<f64> {
        let high = self.gate == Gate::High;
        match signal {
            Signal::Modulator if self.due_s[MODULATOR] == f64::INFINITY => self.turn_off_signal(state, t_s),
            Signal::Limit if high && self.due_s[LIMIT] == f64::INFINITY && self.is_past(self.looked_at_from_s()) => {
                self.limit_signal(state, t_s)
            }
            Signal::Ask if self.may_ask() => Some(self.asks(state, t_s)),
            Signal::Valley if self.held => Some(self.setup.limit - state.inductor_a),
            Signal::Zero => match self.way() {
                Way::LowDiode if self.state.inductor_a > 0.0 => Some(-state.inductor_a),
                Way::Low if self.emulates() => Some(-state.inductor_a),
                Way::HighDiode if self.state.inductor_a < 0.0 => Some(state.inductor_a),
                _ => None,
            },
            Signal::BodyDiode if self.way() == Way::Nowhere => {
                let (low_v, high_v) = self.diodes_from_v(t_s);
                Some((low_v - state.output_v).max(state.output_v - high_v))
            }
            _ => None,
        }
    }

    /// Outputs in V below and above which a body diode conducts at no current.
    fn diodes_from_v(&self, t_s: f64) -> (f64, f64) {
        let forward_v = self.diode().0;
        (-forward_v, self.setup.source_v.at(t_s) + forward_v)
    }

    fn turn_off_signal(&self, state: &State, t_s: f64) -> Option<f64> {
        let phase_s = t_s - self.edges as f64 * self.period_s();
        let high = self.gate == Gate::High && self.is_past(self.looked_at_from_s());
        match self.setup.board.control.modulator {
            Modulator::VoltageMode { ramp, .. } => {
                let amplitude_v = match ramp {
                    Ramp::Fixed(amplitude_v) => amplitude_v,
                    Ramp::InputOver(n) => self.source_at_edge_v / n,
                };
                let looked_at = matches!(self.gate, Gate::High | Gate::LeadDead { .. });
                looked_at.then(|| amplitude_v * phase_s / self.period_s() - state.control_v[0])
            }
            Modulator::PeakCurrent { gain_a_per_v, slope_a_per_s, .. } => {
                high.then(|| state.inductor_a + slope_a_per_s * phase_s - gain_a_per_v * state.control_v[0])
            }
            Modulator::Hysteretic { band_v, .. } => {
                high.then(|| self.tap_v(state) - self.reference_v(t_s) - 0.5 * band_v)
            }
            Modulator::FixedDuty { .. } | Modulator::ConstantOnTime { .. } => None,
        }
    }

    fn limit_signal(&self, state: &State, t_s: f64) -> Option<f64> {
        match self.limit()?.sense {
            LimitSense::Peak { falls_with_slope } => {
                let slope = match self.setup.board.control.modulator {
                    Modulator::PeakCurrent { slope_a_per_s, .. } if falls_with_slope => slope_a_per_s,
                    _ => 0.0,
                };
                let phase_s = t_s - self.edges as f64 * self.period_s();
                Some(state.inductor_a + slope * phase_s - self.setup.limit)
            }
            LimitSense::Winding { .. } => Some(state.sense_v - self.setup.limit),
            LimitSense::Valley => None,
        }
    }

    fn may_ask(&self) -> bool {
        let idle = self.gate == Gate::Low && !self.held && self.turn_on_s == f64::INFINITY;
        !self.is_clocked() && idle && self.is_past(self.asks_from_s())
    }

    /// Signal of the comparator that asks for a turn-on.
    fn asks(&self, state: &State, t_s: f64) -> f64 {
        let below_v = match self.setup.board.control.modulator {
            Modulator::Hysteretic { band_v, .. } => 0.5 * band_v,
            _ => 0.0,
        };
        self.reference_v(t_s) - below_v - self.tap_v(state)
    }

    fn tap_v(&self, state: &State) -> f64 {
        state.output_v - state.control_v[0]
    }

    fn reference_v(&self, t_s: f64) -> f64 {
        let full_v = self.full_reference_v();
        let soft_start_s = self.setup.board.control.protection.soft_start_s;
        if self.paused_until.is_some() {
            0.0
        } else if soft_start_s > 0.0 {
            full_v * ((t_s - self.rises_from_s) / soft_start_s).clamp(0.0, 1.0)
        } else {
            full_v
        }
    }

    fn full_reference_v(&self) -> f64 {
        match self.setup.board.control.compensator {
            Compensator::Open => 0.0,
            Compensator::OpAmp { reference_v, .. }
            | Compensator::Transconductance { reference_v, .. }
            | Compensator::Ripple { reference_v, .. } => reference_v,
        }
    }

    // ---- circuit ----

    fn way(&self) -> Way {
        let switched_low = matches!(self.setup.board.stage.low_side, LowSide::Switch { .. }) && !self.low_open;
        match self.gate {
            Gate::High => Way::High,
            Gate::Low if switched_low => Way::Low,
            _ => self.freewheeling(),
        }
    }

    fn freewheeling(&self) -> Way {
        let (low_v, high_v) = self.diodes_from_v(self.t_s);
        let (current_a, output_v) = (self.state.inductor_a, self.state.output_v);
        if current_a > 0.0 || (current_a == 0.0 && output_v < low_v) {
            Way::LowDiode
        } else if current_a < 0.0 || output_v > high_v {
            Way::HighDiode
        } else {
            Way::Nowhere
        }
    }

    fn diode(&self) -> (f64, f64) {
        match self.setup.board.stage.low_side {
            LowSide::Switch { body_diode_v, .. } => (body_diode_v, 0.0),
            LowSide::Diode { forward_v, slope_ohm } => (forward_v, slope_ohm),
        }
    }

    /// Source in V and resistance in ohm between ground and the switch node; `None` where nothing conducts.
    fn behind(&self, way: Way, t_s: f64) -> Option<(f64, f64)> {
        let stage = &self.setup.board.stage;
        let (forward_v, slope_ohm) = self.diode();
        let low_ohm = match stage.low_side {
            LowSide::Switch { on_ohm, .. } => on_ohm * stage.hot_factor,
            LowSide::Diode { .. } => 0.0,
        };
        match way {
            Way::High => Some((self.setup.source_v.at(t_s), stage.high_side_ohm * stage.hot_factor)),
            Way::Low => Some((0.0, low_ohm)),
            Way::LowDiode => Some((-forward_v, slope_ohm)),
            Way::HighDiode => Some((self.setup.source_v.at(t_s) + forward_v, 0.0)),
            Way::Nowhere => None,
        }
    }

    fn find_output(&mut self) {
        self.state.output_v = self.state.capacitor_v[0];
        self.state.output_v = self.stepped(JUMP_S).output_v;
    }

    /// The state some time later, with everything switched as it is.
    fn stepped(&self, h_s: f64) -> State {
        let weight = if self.jumped { 1.0 } else { END_WEIGHT };
        let rule = Rule { h_s, end: weight, begin: 1.0 - weight };
        let way = self.way();
        let now = &self.state;
        let v0 = now.output_v;
        let later_s = self.t_s + h_s;
        let inductor = self.inductor(way, &rule);
        let resistor =
            self.setup.resistor.map_or(Line::NONE, |(ohm, henry)| rule.series(henry, ohm, v0, now.resistor_a));
        let short = self.short_line(&rule);
        let mut capacitors = [Line::NONE; BRANCHES];
        for (k, branch) in self.setup.bank.iter().enumerate() {
            capacitors[k] = rule.capacitor(branch, v0, now.capacitor_v[k], now.branch_a[k]);
        }
        let load = self.load_line(later_s, self.reading(&rule, &capacitors));
        // Kirchhoff's current law at the output: what the inductor brings the others take.
        let mut sum = inductor;
        for line in [resistor, short, load].iter().chain(&capacitors) {
            sum = Line { fixed: sum.fixed - line.fixed, per_v: sum.per_v - line.per_v };
        }
        let v1 = -sum.fixed / sum.per_v;
        let mut next = *now;
        next.output_v = v1;
        next.inductor_a = if way == Way::Nowhere { 0.0 } else { inductor.at(v1) };
        next.resistor_a = resistor.at(v1);
        next.short_a = short.at(v1);
        for (k, branch) in self.setup.bank.iter().enumerate() {
            next.branch_a[k] = capacitors[k].at(v1);
            let mean_a = rule.end * next.branch_a[k] + rule.begin * now.branch_a[k];
            next.capacitor_v[k] = now.capacitor_v[k] + h_s / branch.capacitance_f * mean_a;
        }
        self.step_control(way, &mut next, h_s);
        next
    }

    /// Inductor current after a step as a line in the output voltage.
    fn inductor(&self, way: Way, rule: &Rule) -> Line {
        let Some((behind_v, way_ohm)) = self.behind(way, self.t_s + rule.h_s) else { return Line::NONE };
        let now = &self.state;
        let ohm = way_ohm + self.setup.dcr_ohm;
        let across_v = behind_v - ohm * now.inductor_a - now.output_v;
        let at_begin_h = (self.setup.inductance_h)(now.inductor_a);
        let henry = (self.setup.inductance_h)(now.inductor_a + 0.5 * rule.h_s * across_v / at_begin_h);
        // Seen from the output the current is that of a series branch with the sign turned.
        let line = rule.series(henry, ohm, now.output_v - behind_v, -now.inductor_a);
        Line { fixed: -line.fixed + line.per_v * behind_v, per_v: -line.per_v }
    }

    fn short_line(&self, rule: &Rule) -> Line {
        let Some((ohm, henry, from_s, until_s)) = self.setup.short else { return Line::NONE };
        if self.is_past(from_s) && !self.is_past(until_s) {
            rule.series(henry, ohm, self.state.output_v, self.state.short_a)
        } else {
            Line { fixed: self.state.short_a * (-rule.h_s / CONTACT_S).exp(), per_v: 0.0 }
        }
    }

    /// What a load that follows the output reads after a step, as a line in the output voltage: beside a bank that is all inductive
    /// the output without what the least inductance adds to it, since no real load follows that.
    fn reading(&self, rule: &Rule, capacitors: &[Line; BRANCHES]) -> Line {
        let bank = self.setup.bank;
        let least = (0..bank.len()).min_by(|&a, &b| bank[a].esl_h.total_cmp(&bank[b].esl_h));
        match least.filter(|&k| bank[k].esl_h > 0.0) {
            Some(k) => rule.behind(&bank[k], self.state.capacitor_v[k], self.state.branch_a[k], capacitors[k]),
            None => Line { fixed: 0.0, per_v: 1.0 },
        }
    }

    /// Load current as a line about the present output.
    fn load_line(&self, t_s: f64, reading: Line) -> Line {
        let setup = &self.setup;
        let now_v = reading.at(self.state.output_v);
        let program_a = setup.load_a.at(t_s);
        let (mut fixed, mut slope_s) = (program_a, setup.load_s);
        if setup.knee_s.is_finite() && setup.knee_s * now_v < program_a {
            fixed = 0.0;
            slope_s += if now_v > 0.0 { setup.knee_s } else { 0.0 };
        }
        if setup.load_w > 0.0 {
            fixed += 2.0 * setup.load_w / now_v;
            slope_s -= setup.load_w / now_v.powi(2);
        }
        Line { fixed: fixed + slope_s * reading.fixed, per_v: slope_s * reading.per_v }
    }

    // ---- amplifiers ----

    fn step_control(&self, way: Way, next: &mut State, h_s: f64) {
        let now = &self.state;
        let begin = self.control_rates(way, now, now, self.t_s);
        let mut trial = *now;
        for k in 0..4 {
            trial.control_v[k] += h_s * begin.0[k];
        }
        trial.sense_v += h_s * begin.1;
        self.clamp(&mut trial);
        let end = self.control_rates(way, &trial, next, self.t_s + h_s);
        for k in 0..4 {
            next.control_v[k] = now.control_v[k] + 0.5 * h_s * (begin.0[k] + end.0[k]);
        }
        next.sense_v = now.sense_v + 0.5 * h_s * (begin.1 + end.1);
        self.clamp(next);
    }

    fn clamp(&self, state: &mut State) {
        if let Compensator::OpAmp { clamp_v, .. } | Compensator::Transconductance { clamp_v, .. } =
            self.setup.board.control.compensator
        {
            state.control_v[0] = state.control_v[0].clamp(clamp_v.0, clamp_v.1);
        }
    }

    /// Rates of the control's voltages and of the winding sense, with the control as in `control` and the stage as in `stage`.
    fn control_rates(&self, way: Way, control: &State, stage: &State, t_s: f64) -> ([f64; 4], f64) {
        let out_v = stage.output_v;
        let node_v = self.behind(way, t_s).map_or(out_v, |(v, ohm)| v - ohm * stage.inductor_a);
        let sense = match self.limit().map(|limit| limit.sense) {
            Some(LimitSense::Winding { r_ohm, c_f }) => (node_v - out_v - control.sense_v) / (r_ohm * c_f),
            _ => 0.0,
        };
        let reference_v = self.reference_v(t_s);
        let rates = match &self.setup.board.control.compensator {
            Compensator::Open => [0.0; 4],
            Compensator::OpAmp { .. } => self.op_amp_rates(&control.control_v, out_v, reference_v),
            Compensator::Ripple { .. } => self.ripple_rates(&control.control_v, out_v, node_v),
            Compensator::Transconductance { gm_s, ro_ohm, rc_ohm, cc_f, chf_f, .. } => {
                let [v, vc, ..] = control.control_v;
                let share = self.full_reference_v() / self.setup.board.output_v;
                let series_a = (v - vc) / rc_ohm;
                let charging_a = gm_s * (reference_v - share * out_v) - v / ro_ohm - series_a;
                [charging_a / chf_f, series_a / cc_f, 0.0, 0.0]
            }
        };
        (rates, sense)
    }

    /// Voltages: output; across C1, positive at the inverting input; across C2, positive at the output; across C3.
    fn op_amp_rates(&self, x: &[f64; 4], out_v: f64, reference_v: f64) -> [f64; 4] {
        let Compensator::OpAmp { r1_ohm, rb_ohm, lead, r2_ohm, c1_f, c2_f, gain_bandwidth_hz, .. } =
            self.setup.board.control.compensator
        else {
            return [0.0; 4];
        };
        assert!(c2_f > 0.0, "the inverting input is held by C2 here");
        let [v, v1, v2, v3] = x;
        let minus_v = v - v2;
        let (r3_a, c3_rate) = lead.map_or((0.0, 0.0), |(r3_ohm, c3_f)| {
            let a = (out_v - minus_v - v3) / r3_ohm;
            (a, a / c3_f)
        });
        let arriving_a = (out_v - minus_v) / r1_ohm + r3_a - minus_v / rb_ohm;
        let r2_a = (minus_v - v - v1) / r2_ohm;
        let slew = std::f64::consts::TAU * gain_bandwidth_hz * (reference_v - minus_v);
        [slew, r2_a / c1_f, (r2_a - arriving_a) / c2_f, c3_rate]
    }

    /// Voltages: across C_ff; on the injection capacitor.
    fn ripple_rates(&self, x: &[f64; 4], out_v: f64, node_v: f64) -> [f64; 4] {
        let Compensator::Ripple { r1_ohm, rb_ohm, cff_f, injection, .. } = self.setup.board.control.compensator else {
            return [0.0; 4];
        };
        let tap_v = out_v - x[0];
        let divider_a = tap_v / rb_ohm - x[0] / r1_ohm;
        match injection {
            None => [divider_a / cff_f, 0.0, 0.0, 0.0],
            Some(Injection::SwitchNode { r_ohm, c_f }) => {
                let a = (node_v - x[1] - tap_v) / r_ohm;
                [(divider_a - a) / cff_f, a / c_f, 0.0, 0.0]
            }
            Some(Injection::Inductor { r_ohm, c_f, coupling_f }) => {
                // The voltages around junction, output and tap add up to zero, so do their rates:
                // (b / C_b) + ((b - divider) / C_ff) = (arriving - b) / C for the current b through the coupling capacitor.
                let arriving_a = (node_v - out_v - x[1]) / r_ohm;
                let b = (arriving_a / c_f + divider_a / cff_f) / (1.0 / coupling_f + 1.0 / cff_f + 1.0 / c_f);
                [(divider_a - b) / cff_f, (arriving_a - b) / c_f, 0.0, 0.0]
            }
        }
    }
}

/// A current as a line in the output voltage after the step.
#[derive(Clone, Copy, Debug)]
struct Line {
    fixed: f64,
    per_v: f64,
}

impl Line {
    const NONE: Line = Line { fixed: 0.0, per_v: 0.0 };

    fn at(&self, output_v: f64) -> f64 {
        self.fixed + self.per_v * output_v
    }
}

/// A step's length and how much its two ends count.
struct Rule {
    h_s: f64,
    end: f64,
    begin: f64,
}

impl Rule {
    /// Inductance and resistance in series between the output and ground: L di = h (end (v1 - R i1) + begin (v0 - R i0)).
    fn series(&self, henry: f64, ohm: f64, v0: f64, i0: f64) -> Line {
        let k = self.h_s / henry;
        let below = 1.0 + k * self.end * ohm;
        Line { fixed: (i0 + k * self.begin * (v0 - ohm * i0)) / below, per_v: k * self.end / below }
    }

    /// A capacitor branch: with inductance as above, the capacitor's voltage u1 = u0 + h/C (end i1 + begin i0) put in; without,
    /// from v1 = u1 + R i1.
    fn capacitor(&self, branch: &CapacitorBranch, v0: f64, u0: f64, i0: f64) -> Line {
        let q = self.h_s / branch.capacitance_f;
        let u_fixed = u0 + q * self.begin * i0;
        let ohm = branch.esr_ohm + q * self.end;
        if branch.esl_h == 0.0 {
            return Line { fixed: -u_fixed / ohm, per_v: 1.0 / ohm };
        }
        let k = self.h_s / branch.esl_h;
        let below = 1.0 + k * self.end * ohm;
        let begin_v = self.begin * (v0 - u0 - branch.esr_ohm * i0);
        Line { fixed: (i0 + k * (begin_v - self.end * u_fixed)) / below, per_v: k * self.end / below }
    }

    /// What is left of the voltage across such a branch without its inductance, its current being that line: u1 + R i1.
    fn behind(&self, branch: &CapacitorBranch, u0: f64, i0: f64, current: Line) -> Line {
        let q = self.h_s / branch.capacitance_f;
        let ohm = branch.esr_ohm + q * self.end;
        Line { fixed: u0 + q * self.begin * i0 + ohm * current.fixed, per_v: ohm * current.per_v }
    }
}
