//! The switching machine: it moves the converter from one switching instant to the next.
//!
//! Between two instants the network is affine and propagated exactly. Time is an integer cycle and a phase within
//! it. Method and conventions: docs/physics.md, "switching sequence".

use super::compensator::{self, Analog};
use super::crossing::{Node, Track, Unresolved};
use super::error::EngineError;
use super::modal::{Anchors, Basis, Flow, Modal, ProjectedRow, Settled};
use super::network::{self, Circuit, FLUX_STATE, ModeKey, Network, Path, Sink};
use super::program::{Drive, Line, Program};
use super::row::{Input, InputVector, MAX_STATES, Row, StateVector, dot};
use super::sensitivity::{Crossed, Sensitivity};
use crate::board::{Comparator, Foldback, Hiccup, LimitSense, LowSide, Modulator, OnTime};
use nalgebra::DMatrix;
use std::cell::OnceCell;
use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Switching instants allowed in one cycle.
const INSTANTS_PER_CYCLE: usize = 4000;
/// Pulses allowed in a nominal period on the average of a run, and that many more at once: a control without a clock gives about one.
const PULSES_PER_CYCLE: u64 = 10;
const PULSES_AT_ONCE: u64 = 300;
/// Periods that a stretch may last without a clock, whose edges only count time: the slow block's polynomials hold for that long.
const UNCUT_PERIODS: u64 = 2;
/// Stretches that a machine propagates by the matrix exponential before it gives up: some ten milliseconds each, a steady state
/// without a hitch needs a thousand.
const MOST_BY_EXPONENTIAL: u64 = 2500;
/// Periods that a stretch may last in a pause, where those polynomials hold: nothing switches, and no more are ever looked at in one go.
const PAUSED_PERIODS: u64 = ROUND;
/// Nominal periods waited for a turn-on of a scheme without a clock.
const LONGEST_PAUSE: u64 = 2000;
/// Cycles after which a run is looked at for repeating itself: alternating cycles fit in as well.
pub const ROUND: u64 = 64;
/// Relative change of the state in a round up to which it repeats: a run that still moves so slowly is within a hundred times that of
/// its end, and the map from edge to edge has a rounding of up to 5e-12.
const ROUND_CHANGE: f64 = 1e-11;
/// Overlap of neighbouring pieces of the saturation curve, relative to the first knot: keeps a crossing from being found again.
const KNOT_OVERLAP: f64 = 1e-9;
/// Flux linkage, relative to what the output aimed at makes in a period, below which a run begins without current: what rounding
/// leaves of an orbit in which the current rests would open a diode for an instant.
const FAINT_FLUX: f64 = 1e-12;
/// Overlap of the parts of a load's characteristic, relative to the output aimed at, for the same reason.
const LOAD_OVERLAP: f64 = 1e-9;
/// Voltage in V beyond its forward voltage at which a diode begins to conduct, for the same reason.
const WAKE_OVERLAP_V: f64 = 1e-3;
/// Overlap at the amplifier's clamps in V, for the same reason.
const CLAMP_OVERLAP_V: f64 = 1e-9;

/// Index of no watch.
const NO_WATCH: usize = usize::MAX;

/// Clock periods simulated by this process so far: what a bench divides its time by.
pub static CYCLES: AtomicU64 = AtomicU64::new(0);

/// What can be read along a stretch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Output {
    /// Inductor current in A.
    Inductor,
    /// Output voltage in V.
    Voltage,
    /// Output voltage as the instrument shows it in V.
    Instrument,
    /// Switch-node voltage in V.
    SwitchNode,
    /// Control voltage in V.
    Control,
    /// Flux linkage in Wb.
    Flux,
    /// Load current in A.
    Load,
    /// Current into a capacitor branch in A.
    Branch(usize),
}

/// Number of outputs before the branches.
const FIXED_OUTPUTS: usize = 7;

impl Output {
    fn index(self) -> usize {
        match self {
            Output::Inductor => 0,
            Output::Voltage => 1,
            Output::Instrument => 2,
            Output::SwitchNode => 3,
            Output::Control => 4,
            Output::Flux => 5,
            Output::Load => 6,
            Output::Branch(k) => FIXED_OUTPUTS + k,
        }
    }
}

/// What ends a stretch before its time is over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Event {
    /// The flux linkage leaves its piece of the saturation curve, up or down.
    Knot(i32),
    /// The inductor current has fallen to zero.
    Zero,
    /// The modulator's comparator trips: the high side is to open.
    Trip,
    /// The comparator of a scheme without a clock asks for a turn-on.
    Ask,
    /// The current limit trips.
    Limit,
    /// The inductor current has fallen to the valley limit.
    Valley,
    /// The amplifier reaches or leaves a clamp.
    Amplifier(Analog),
    /// The output leaves the cell about which a constant-power load is linearised.
    LoadCell(i32),
    /// The output falls below the knee of the programmed load or below zero, or rises again.
    Sink(Sink),
    /// Without current: the output is so far below zero or above the input that a diode begins to conduct.
    Wake(Path),
}

impl Event {
    /// What it is, for messages.
    fn name(self) -> &'static str {
        match self {
            Event::Knot(_) => "the next piece of the saturation curve",
            Event::Zero => "the end of the inductor current",
            Event::Trip => "the trip of the modulator's comparator",
            Event::Ask => "the request for a turn-on",
            Event::Limit => "the current limit",
            Event::Valley => "the valley limit",
            Event::Amplifier(_) => "a clamp of the amplifier",
            Event::LoadCell(_) => "the next cell of the constant-power load",
            Event::Sink(_) => "the knee of the load",
            Event::Wake(_) => "a diode that begins to conduct",
        }
    }

    /// Whether it is a comparator's that is not looked at again in the stretch: what it asks for comes after a delay. (After the
    /// valley limit the modulator's comparator may be looked at again.)
    fn is_comparator(self) -> bool {
        matches!(self, Event::Trip | Event::Ask | Event::Limit)
    }
}

/// What a stretch ends with.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Reached {
    /// An event.
    Event(Event),
    /// The stage is over.
    Timer,
    /// A clock edge.
    Edge,
    /// Load, input or reference go on differently.
    Drive,
}

impl Reached {
    fn event(self) -> Option<Event> {
        if let Reached::Event(event) = self { Some(event) } else { None }
    }
}

/// What drives a stretch.
struct Driven {
    drive: Drive,
    inputs: InputVector,
    slopes: InputVector,
    /// Whether the inputs stay as they are as long as the drive holds.
    constant: bool,
    /// Counts what the machine has been driven by: a mode that knows the number has the inputs.
    number: u64,
}

impl Driven {
    /// Whether it drives the present instant as well.
    fn holds(&self, state: &RunState) -> bool {
        self.constant && state.guard.is_steady() && (state.cycle, state.phase_s) < self.drive.until
    }

    /// Inputs at a time from the begin of the stretch.
    fn inputs_after(&self, t_s: f64) -> InputVector {
        if self.constant { self.inputs } else { std::array::from_fn(|k| self.inputs[k] + self.slopes[k] * t_s) }
    }
}

/// Times after the clock edge at which a stretch ends at the latest, in s.
#[derive(Clone, Copy)]
struct Ends {
    stage_s: f64,
    edge_s: f64,
    drive_s: f64,
    /// From when on comparators are looked at: what trips before leaves the stage to end there.
    looked_s: f64,
}

impl Ends {
    /// The same where comparators are not looked at, and the stage does not end, before a time.
    fn looking_from(self, blank_s: Option<f64>) -> Ends {
        match blank_s {
            Some(looked_s) => Ends { stage_s: self.stage_s.max(looked_s), looked_s, ..self },
            None => self,
        }
    }

    fn first_s(&self) -> f64 {
        self.stage_s.min(self.edge_s).min(self.drive_s)
    }

    fn reached(&self) -> Reached {
        if self.edge_s <= self.stage_s.min(self.drive_s) {
            Reached::Edge
        } else if self.stage_s <= self.drive_s {
            Reached::Timer
        } else {
            Reached::Drive
        }
    }
}

/// What is added to a watched row per second of phase, in 1/s.
#[derive(Clone, Copy, Debug)]
struct Ramping {
    /// Fixed part.
    fixed: f64,
    /// Part per volt of the input at the clock edge (feed-forward).
    per_input_v: f64,
}

impl Ramping {
    const NONE: Ramping = Ramping { fixed: 0.0, per_input_v: 0.0 };

    fn fixed(fixed: f64) -> Ramping {
        Ramping { fixed, per_input_v: 0.0 }
    }

    fn slope(&self, state: &RunState) -> f64 {
        self.fixed + self.per_input_v * state.input_at_edge_v
    }
}

/// A row that is watched for becoming non-negative.
#[derive(Clone, Copy, Debug)]
struct Watch {
    event: Event,
    row: ProjectedRow,
    ramp: Ramping,
    /// The states that the row reads, with their factors: few, as a rule one.
    reads: [(usize, f64); 2],
    /// Number of states among which it reads more than those; 0 where it does not.
    reads_more: usize,
    /// Part of the inputs in its value: at the begin of a stretch, and per second. Belongs to the mode's last inputs.
    driven: (f64, f64),
    /// Its [`ProjectedRow::level`] and the slope of that in 1/s, for the same inputs, and its [`ProjectedRow::lag`].
    level: (f64, f64),
    lag: f64,
    /// Times in the stretch at which it became non-negative, the last one and the one before it.
    crossed_s: (f64, f64),
    /// Time at which it may do so next.
    guess_s: Option<f64>,
}

impl Watch {
    fn new(event: Event, row: ProjectedRow, ramp: Ramping) -> Watch {
        let read: Vec<(usize, f64)> = row.row.x.into_iter().enumerate().filter(|&(_, factor)| factor != 0.0).collect();
        let reads = std::array::from_fn(|k| read.get(k).copied().unwrap_or((0, 0.0)));
        let none = (0.0, 0.0);
        Watch {
            event,
            row,
            ramp,
            reads,
            reads_more: if read.len() > 2 { read[read.len() - 1].0 + 1 } else { 0 },
            driven: none,
            level: none,
            lag: 0.0,
            crossed_s: none,
            guess_s: None,
        }
    }

    /// Cycles change little, and then go on to change so.
    fn crossed_at(&mut self, t_s: f64) {
        self.crossed_s = (t_s, if self.guess_s.is_some() { self.crossed_s.0 } else { t_s });
        let next_s = 2.0 * t_s - self.crossed_s.1;
        self.guess_s = Some(if next_s > 0.0 { next_s } else { t_s });
    }

    fn set_inputs(&mut self, settled: &Settled) {
        self.driven.0 = dot(&self.row.row.u, &settled.inputs);
        self.level.0 = self.row.level(settled, self.lag);
    }

    fn set_slopes(&mut self, settled: &Settled) {
        self.driven.1 = dot(&self.row.row.u, &settled.input_slopes);
        (self.lag, self.level.1) = self.row.lag(settled);
        self.set_inputs(settled);
    }

    /// Value at a state and a time in the stretch, without the ramp.
    #[inline]
    fn at(&self, x: &StateVector, t_s: f64) -> f64 {
        let driven = self.driven.0 + self.driven.1 * t_s;
        let [(a, first), (b, second)] = self.reads;
        if self.reads_more == 0 {
            return first * x[a] + second * x[b] + driven;
        }
        let terms = self.row.row.x.iter().zip(x).take(self.reads_more);
        terms.map(|(factor, x)| factor * x).sum::<f64>() + driven
    }
}

/// A mode, ready to run: its network in modal form with everything that is read or watched in it.
pub struct Mode {
    /// Which mode.
    pub key: ModeKey,
    /// Its number among the modes of its machine.
    pub index: usize,
    /// Its equations.
    pub network: Network,
    /// Their modal form.
    pub modal: Arc<Modal>,
    outputs: Vec<ProjectedRow>,
    watches: Vec<Watch>,
    /// Exponentials at the last durations: those of a cycle come back in the next.
    anchors: Anchors,
    /// Motion within the last stretch, and the number of what drove it.
    flow: Flow,
    driven_by: u64,
    /// Index of the watch that ended the last stretch, [`NO_WATCH`] where none did: before a comparator's trip, and while its delay
    /// passes.
    expected: [usize; 2],
    /// By how much each coordinate may differ from its chord over a width of the present stretch, and that width in s.
    deviations: StateVector,
    deviations_s: f64,
    /// Fast coordinates in which the power stage takes part, a pair by its first.
    plant_modes: Vec<usize>,
    /// Indices of the two modes that followed last: a piece of the curve is left to the next one, or by an edge.
    next: [usize; 2],
}

impl Mode {
    /// Fast coordinates in which the power stage takes part, a pair by its first.
    pub fn plant_modes(&self) -> &[usize] {
        &self.plant_modes
    }

    /// Exponentials of the power stage's modes only: enough for its currents and voltages.
    pub fn plant_basis(&self, t_s: f64) -> Basis {
        self.modal.basis_of(&self.plant_modes, t_s)
    }

    /// Begins a stretch from a state.
    fn begin(&mut self, x: &StateVector, driven: &Driven) {
        let settled = &mut self.flow.settled;
        if self.driven_by != driven.number {
            if settled.input_slopes != driven.slopes {
                *settled = self.modal.settled(driven.inputs, driven.slopes);
                self.watches.iter_mut().for_each(|watch| watch.set_slopes(settled));
            } else if settled.inputs != driven.inputs {
                self.modal.set_inputs(settled, driven.inputs);
                self.watches.iter_mut().for_each(|watch| watch.set_inputs(settled));
            }
        }
        self.driven_by = driven.number;
        self.deviations_s = f64::NAN;
        self.modal.begin(&mut self.flow, x);
    }

    /// Row of an output.
    pub fn output(&self, output: Output) -> &ProjectedRow {
        &self.outputs[output.index()]
    }
}

/// A span between two switching instants, as observers see it.
pub struct Stretch<'a> {
    /// Cycle.
    pub cycle: u64,
    /// Time of the begin after the clock edge in s.
    pub phase_s: f64,
    /// Duration in s.
    pub duration_s: f64,
    /// Mode.
    pub mode: &'a Mode,
    /// Motion within the stretch.
    pub flow: &'a Flow,
    /// State at the end.
    pub end: &'a StateVector,
    /// Exponentials at the end.
    pub end_basis: &'a Basis,
    /// By how much each coordinate may differ from its chord, once somebody has asked, where the mode does not know.
    deviations: OnceCell<StateVector>,
}

impl Stretch<'_> {
    /// Values of an output at the begin and at the end.
    #[inline]
    pub fn ends(&self, output: Output) -> (f64, f64) {
        let row = self.mode.output(output);
        let settled = &self.flow.settled;
        let start = row.at(&self.flow.start, &settled.inputs);
        let end = if settled.is_sloping() {
            row.at(self.end, &settled.inputs_at(self.duration_s))
        } else {
            row.at(self.end, &settled.inputs)
        };
        (start, end)
    }

    /// Bounds between which an output stays all along, given its values at the ends; infinite where there are none.
    #[inline]
    pub fn enclosure(&self, output: Output, (start, end): (f64, f64)) -> (f64, f64) {
        let modal = &self.mode.modal;
        if modal.is_dense() {
            return (f64::NEG_INFINITY, f64::INFINITY);
        }
        let deviations = if self.mode.deviations_s == self.duration_s {
            &self.mode.deviations
        } else {
            self.deviations.get_or_init(|| modal.chord_deviations(self.flow, self.duration_s))
        };
        let away = self.mode.output(output).chord_deviation(deviations, modal);
        (start.min(end) - away, start.max(end) + away)
    }

    /// Whether an output with these values at the ends is sure to go from one to the other without a turn.
    pub fn is_monotone(&self, output: Output, (start, end): (f64, f64)) -> bool {
        let modal = &self.mode.modal;
        let row = self.mode.output(output);
        !modal.is_dense() && row.falls((start.max(end), start.min(end)), self.flow, modal, self.duration_s)
    }

    /// An output as a function of time within the stretch.
    pub fn track(&self, output: Output) -> Track<'_> {
        Track::new(&self.mode.modal, self.flow, self.mode.output(output), (0.0, 0.0))
    }

    /// Inputs at a time within the stretch.
    pub fn inputs(&self, t_s: f64) -> InputVector {
        self.flow.settled.inputs_at(t_s)
    }

    /// State at a time within the stretch.
    pub fn state(&self, t_s: f64) -> StateVector {
        self.mode.modal.state(self.flow, t_s, &self.mode.modal.basis(t_s))
    }

    /// An output at a known state and time.
    pub fn read(&self, output: Output, state: &StateVector, t_s: f64) -> f64 {
        self.mode.output(output).row.at(state, &self.inputs(t_s))
    }
}

/// Sees every stretch of a run, in order.
pub trait Observer {
    /// Called once a stretch.
    fn stretch(&mut self, stretch: &Stretch<'_>);

    /// Whether cycles that repeat the latest [`ROUND`] would tell it nothing that [`Observer::repeat`] does not, see
    /// [`Machine::run_on`].
    fn knows_repeats(&self) -> bool {
        false
    }

    /// Whether it takes a number of samples of every stretch: then stretches end where blanking does, although nothing changes in the
    /// circuit.
    fn samples(&self) -> bool {
        false
    }

    /// A round of cycles begins that may repeat itself.
    fn begin_round(&mut self) {}

    /// The latest round, which takes a time in s, comes that many times again.
    fn repeat(&mut self, _times: u64, _round_s: f64) {}
}

/// Sees nothing.
impl Observer for () {
    fn stretch(&mut self, _: &Stretch<'_>) {}

    fn knows_repeats(&self) -> bool {
        true
    }
}

/// Both see every stretch.
impl<A: Observer, B: Observer> Observer for (A, B) {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        self.0.stretch(stretch);
        self.1.stretch(stretch);
    }

    fn knows_repeats(&self) -> bool {
        self.0.knows_repeats() && self.1.knows_repeats()
    }

    fn samples(&self) -> bool {
        self.0.samples() || self.1.samples()
    }

    fn begin_round(&mut self) {
        self.0.begin_round();
        self.1.begin_round();
    }

    fn repeat(&mut self, times: u64, round_s: f64) {
        self.0.repeat(times, round_s);
        self.1.repeat(times, round_s);
    }
}

impl<T: Observer> Observer for &mut T {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        (**self).stretch(stretch);
    }

    fn knows_repeats(&self) -> bool {
        (**self).knows_repeats()
    }

    fn samples(&self) -> bool {
        (**self).samples()
    }

    fn begin_round(&mut self) {
        (**self).begin_round();
    }

    fn repeat(&mut self, times: u64, round_s: f64) {
        (**self).repeat(times, round_s);
    }
}

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
struct TurnOff {
    modulator_s: Option<f64>,
    limit_s: Option<f64>,
}

impl TurnOff {
    fn first_s(&self) -> f64 {
        self.modulator_s.unwrap_or(f64::INFINITY).min(self.limit_s.unwrap_or(f64::INFINITY))
    }

    /// The same, later by a time.
    fn later(self, by_s: f64) -> TurnOff {
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
    stage: Stage,
    /// Whether the low side has opened again because its current fell to zero.
    low_open: bool,
    /// Turn-ons asked for, without a clock.
    turn_ons: u64,
    analog: Analog,
    segment: i32,
    load_cell: i32,
    sink: Sink,
    /// Instant at which the high side closed last.
    turn_on_s: f64,
    /// Turn-offs under way; the modulator may ask for one before the high side is closed.
    turn_off: TurnOff,
    guard: Guard,
    /// Inputs at the present instant.
    inputs: InputVector,
    /// Input voltage at the last clock edge in V.
    input_at_edge_v: f64,
    /// Effort so far.
    pub effort: Effort,
}

/// Where soft start, limit count and pause stand.
#[derive(Clone, Copy, Debug, Default)]
struct Guard {
    /// Clock edge at which the reference began to rise, while it rises.
    rising_since: Option<u64>,
    /// Clock edge at which a pause ends, while it lasts.
    paused_until: Option<u64>,
    /// Whether the limit acted in this cycle.
    limited: bool,
    /// Limited cycles in a row.
    limited_cycles: u64,
    /// Whether foldback left this cycle's pulse out: it says nothing about the limit.
    folded: bool,
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
    /// What has happened once all since an earlier count has come that many times again; work is not done again.
    fn repeated(self, before: &Effort, times: u64) -> Effort {
        let again = |now: u64, before: u64| now + times * (now - before);
        Effort {
            pulses: again(self.pulses, before.pulses),
            limited: again(self.limited, before.limited),
            omitted: again(self.omitted, before.omitted),
            ..self
        }
    }
}

/// The machine for one circuit.
pub struct Machine {
    /// The circuit.
    pub circuit: Circuit,
    /// Number of states.
    pub states: usize,
    period_s: f64,
    clocked: bool,
    dead_s: f64,
    latest_off_s: f64,
    /// Number of the latest [`Driven`].
    drives: u64,
    /// Stretches propagated by the matrix exponential so far.
    by_exponential: u64,
    modes: Vec<Mode>,
    index: HashMap<ModeKey, usize>,
    current: usize,
}

impl Machine {
    /// A machine for a circuit.
    ///
    /// # Errors
    /// A circuit whose equations have no solution or too many states.
    pub fn new(circuit: Circuit) -> Result<Machine, EngineError> {
        let states = network::state_count(&circuit);
        if states > MAX_STATES {
            return Err(EngineError::TooManyStates { states, limit: MAX_STATES });
        }
        if circuit.bank.iter().filter(|branch| branch.esl_h == 0.0 && branch.esr_ohm == 0.0).count() > 1 {
            return Err(EngineError::TwoIdealBranches);
        }
        let period_s = 1.0 / circuit.board.frequency_hz;
        let dead_s = circuit.dead_time_s();
        let latest_off_s = period_s - circuit.board.control.min_off_s.max(dead_s);
        let clocked = circuit.board.control.modulator.is_clocked();
        Ok(Machine {
            circuit,
            states,
            period_s,
            clocked,
            dead_s,
            latest_off_s,
            drives: 0,
            by_exponential: 0,
            modes: vec![],
            index: HashMap::new(),
            current: 0,
        })
    }

    /// A machine for the same circuit without the instrument; states of this one do for it.
    ///
    /// # Errors
    /// As [`Machine::new`].
    pub fn without_instrument(self) -> Result<Machine, EngineError> {
        Machine::new(Circuit { instrument: false, ..self.circuit })
    }

    /// Switching period in s.
    pub fn period_s(&self) -> f64 {
        self.period_s
    }

    /// State at the begin of a run.
    pub fn begin(&self, begin: Begin) -> RunState {
        match begin {
            Begin::Clock(x) => self.at_clock(x),
            Begin::Rest(output_v) => self.at_rest(output_v),
        }
    }

    /// State of a run that stands at a clock edge.
    pub fn at_clock(&self, mut x: StateVector) -> RunState {
        // An instrument's reading, where the state comes from a machine that has one.
        x[self.states..].fill(0.0);
        if x[FLUX_STATE].abs() < FAINT_FLUX * self.circuit.board.output_v * self.period_s {
            x[FLUX_STATE] = 0.0;
        }
        let flux = x[FLUX_STATE];
        let emulation = matches!(self.circuit.board.stage.low_side, LowSide::Switch { emulation: true, .. });
        let segment = self.circuit.flux.locate(flux) as i32;
        let mut state = RunState {
            x,
            cycle: 0,
            phase_s: 0.0,
            stage: Stage::Off,
            low_open: emulation && flux == 0.0,
            turn_ons: 0,
            analog: Analog::Linear,
            segment: if flux < 0.0 { -segment } else { segment },
            load_cell: 0,
            sink: Sink::Full,
            turn_on_s: 0.0,
            turn_off: TurnOff::default(),
            guard: Guard::default(),
            inputs: [0.0; super::row::INPUTS],
            input_at_edge_v: self.circuit.source_v,
            effort: Effort::default(),
        };
        if let Some((low_v, high_v)) = compensator::clamp_v(&self.circuit.board.control.compensator) {
            let control = network::compensator_state(&self.circuit);
            state.x[control] = state.x[control].clamp(low_v, high_v);
        }
        // The cell needs the output voltage, which a capacitor's voltage stands in for: the run corrects it at once.
        state.load_cell = self.circuit.load_cell(x[1]);
        state.stage = self.stage_at_start();
        state
    }

    /// Stage at a clock edge, or without a clock at the instant at which a turn-on is asked for.
    fn stage_at_start(&self) -> Stage {
        if self.is_clocked() { Stage::Edge } else { Stage::Asked { on_s: self.comparator_delay_s() } }
    }

    /// State before a start: the output at a voltage, nothing asked for, no current but that of the load.
    pub fn at_rest(&self, output_v: f64) -> RunState {
        let mut x = [0.0; MAX_STATES];
        let bank = &self.circuit.bank;
        x[1..=bank.len()].fill(output_v);
        let total_f: f64 = bank.iter().map(|branch| branch.capacitance_f).sum();
        let (conductance_s, extra_a) = self.circuit.load_line(self.circuit.load_cell(output_v));
        let resistor_a = self.circuit.resistor.map_or(0.0, |(ohm, _)| output_v / ohm);
        if self.circuit.resistor.is_some() {
            x[network::resistor_state(&self.circuit)] = resistor_a;
        }
        let drawn_a = output_v * conductance_s + extra_a + resistor_a;
        let own = network::current_states(bank);
        let with_state = (0..bank.len()).filter(|&k| own[k]);
        for (n, k) in with_state.enumerate() {
            x[1 + bank.len() + n] = -drawn_a * bank[k].capacitance_f / total_f;
        }
        let compensator = &self.circuit.board.control.compensator;
        let first = network::compensator_state(&self.circuit);
        for (k, value) in compensator::sleeping_state(compensator, output_v).into_iter().enumerate() {
            x[first + k] = value;
        }
        if self.circuit.instrument {
            x[network::instrument_state(&self.circuit)] = output_v;
        }
        let mut state = self.at_clock(x);
        if !self.is_clocked() {
            state.stage = Stage::Off;
        }
        self.begin_rising(&mut state);
        state
    }

    /// The reference begins to rise, with the low side open until the first pulse: what is at the output stays there.
    fn begin_rising(&self, state: &mut RunState) {
        let soft_start_s = self.circuit.board.control.protection.soft_start_s;
        state.guard = Guard { rising_since: (soft_start_s > 0.0).then_some(state.cycle), ..Guard::default() };
        state.low_open = true;
    }

    /// Reference in V, its slope in V/s, and the time after the clock edge until which they hold in s.
    fn reference(&self, state: &RunState) -> (f64, f64, f64) {
        let full_v = compensator::reference_v(&self.circuit.board.control.compensator);
        if state.guard.paused_until.is_some() {
            return (0.0, 0.0, f64::INFINITY);
        }
        let Some(since) = state.guard.rising_since else { return (full_v, 0.0, f64::INFINITY) };
        let soft_start_s = self.circuit.board.control.protection.soft_start_s;
        let begun_s = (state.cycle - since) as f64 * self.period_s;
        let until_s = soft_start_s - begun_s;
        if state.phase_s >= until_s {
            return (full_v, 0.0, f64::INFINITY);
        }
        let slope = full_v / soft_start_s;
        (slope * (begun_s + state.phase_s), slope, until_s)
    }

    /// Whether a clock begins every cycle.
    pub fn is_clocked(&self) -> bool {
        self.clocked
    }

    /// Time after the clock edge at which the high side opens at the latest.
    fn longest_on_s(&self, turn_on_s: f64) -> f64 {
        match self.modulator().on_time() {
            OnTime::Share(share) => (turn_on_s + share * self.period_s).min(self.latest_off_s),
            _ if self.is_clocked() => self.latest_off_s,
            _ => f64::INFINITY,
        }
    }

    /// A turn-on begins: the low side opens, and after the dead time the high side closes.
    fn begin_turn_on(&self, state: &mut RunState, now_s: f64, sensitivity: Option<&mut Sensitivity>) {
        if self.dead_s > 0.0 {
            state.stage = Stage::LeadDead { until_s: now_s + self.dead_s };
        } else {
            self.close_high_side(state, now_s, sensitivity);
        }
    }

    /// The high side closes; emulation closes the low side again after this pulse.
    fn close_high_side(&self, state: &mut RunState, now_s: f64, sensitivity: Option<&mut Sensitivity>) {
        state.effort.pulses += 1;
        state.low_open = false;
        state.turn_on_s = now_s;
        let min_on_s = self.circuit.board.control.min_on_s;
        let blanked = self.modulator().is_blanked() && min_on_s > 0.0;
        state.stage = if blanked { Stage::Blank { until_s: now_s + min_on_s } } else { Stage::On };
        if let OnTime::AtNominalInput(on_time_s) = self.modulator().on_time() {
            state.turn_off.modulator_s = Some(now_s + on_time_s * self.circuit.board.nominal_input_v / state.input_v());
            sensitivity.into_iter().for_each(|s| s.start_turn_off(Opener::Modulator, true));
        }
    }

    /// Runs until the given number of clock edges has passed.
    ///
    /// # Errors
    /// [`EngineError::Chatter`], [`EngineError::RanAway`] or [`EngineError::Interrupted`].
    pub fn run(
        &mut self,
        state: &mut RunState,
        cycles: u64,
        program: &mut Program,
        observer: &mut impl Observer,
        sensitivity: Option<&mut Sensitivity>,
    ) -> Result<(), EngineError> {
        let last = state.cycle + cycles;
        self.run_until(state, (last, u64::MAX), program, observer, sensitivity)
    }

    /// Runs as [`Machine::run`] does. Where a round of cycles ends as the one before ended, and nothing drives the run otherwise for a
    /// while, those up to then would be the same again: they are counted and not simulated, if the observer needs no more.
    ///
    /// # Errors
    /// As [`Machine::run`].
    pub fn run_on(
        &mut self,
        state: &mut RunState,
        cycles: u64,
        program: &mut Program,
        observer: &mut impl Observer,
    ) -> Result<(), EngineError> {
        let last = state.cycle + cycles;
        if !self.is_clocked() {
            return self.run_on_between_turn_ons(state, last, program, observer);
        }
        // Foldback counts clock edges.
        let round =
            ROUND * self.circuit.board.control.protection.foldback.map_or(1, |foldback| foldback.divisor.max(1));
        while state.cycle < last {
            let before = state.clone();
            observer.begin_round();
            self.run(state, round.min(last - state.cycle), program, observer, None)?;
            let drive = program.at(state.cycle, state.phase_s, self.period_s);
            let until = drive.until.0.min(state.guard.paused_until.unwrap_or(u64::MAX)).min(last);
            let rounds = until.saturating_sub(state.cycle) / round;
            let whole = state.cycle - before.cycle == round;
            if whole && rounds > 0 && drive.is_level() && observer.knows_repeats() && self.repeats(&before, state) {
                observer.repeat(rounds, round as f64 * self.period_s);
                state.effort = state.effort.repeated(&before.effort, rounds);
                state.cycle += rounds * round;
            }
        }
        Ok(())
    }

    /// As [`Machine::run_on`] without a clock: a round goes from one turn-on asked for to another, and takes whatever time it takes.
    fn run_on_between_turn_ons(
        &mut self,
        state: &mut RunState,
        last: u64,
        program: &mut Program,
        observer: &mut impl Observer,
    ) -> Result<(), EngineError> {
        while state.cycle < last {
            let mut before = state.clone();
            observer.begin_round();
            self.run_until(state, (last, state.turn_ons + ROUND), program, observer, None)?;
            let drive = program.at(state.cycle, state.phase_s, self.period_s);
            let until = drive.until.0.min(last);
            let round_s = (state.cycle - before.cycle) as f64 * self.period_s + (state.phase_s - before.phase_s);
            // The last round before something else happens is simulated.
            let left_s = until.saturating_sub(state.cycle + 1) as f64 * self.period_s - state.phase_s;
            let rounds = (left_s / round_s).floor() as u64;
            let whole = state.turn_ons - before.turn_ons == ROUND && state.guard.is_steady();
            before.delay(state.phase_s - before.phase_s);
            before.phase_s = state.phase_s;
            if whole && rounds > 0 && drive.is_level() && observer.knows_repeats() && self.repeats(&before, state) {
                observer.repeat(rounds, round_s);
                state.effort = state.effort.repeated(&before.effort, rounds);
                let end_s = state.phase_s + rounds as f64 * round_s;
                let cycles = (end_s / self.period_s).floor();
                state.delay(end_s - cycles * self.period_s - state.phase_s);
                state.cycle += cycles as u64;
            }
        }
        Ok(())
    }

    /// Whether a state is that of a round before.
    fn repeats(&self, before: &RunState, state: &RunState) -> bool {
        let counts = self.circuit.board.control.protection.current_limit.is_some_and(|limit| limit.hiccup.is_some());
        let limited = |state: &RunState| if counts { state.guard.limited_cycles } else { 0 };
        let switches = |state: &RunState| (state.low_open, state.analog, state.segment, state.load_cell, state.sink);
        // Instants are sums of a few rounded ones.
        let same_time = |a: f64, b: f64| (a - b).abs() <= 1e-12 * self.period_s;
        let alike = switches(before) == switches(state)
            && state.stage.is_like(&before.stage, same_time)
            && state.turn_off == before.turn_off
            && (before.phase_s, before.inputs) == (state.phase_s, state.inputs)
            && limited(before) == limited(state)
            && (before.guard.paused_until, before.guard.rising_since) == (state.guard.paused_until, None);
        let full_a = self.circuit.board.load_a.last().copied().unwrap_or(0.0);
        let scale = self.scales(full_a);
        alike && (0..self.states).all(|k| (state.x[k] - before.x[k]).abs() <= ROUND_CHANGE * scale[k])
    }

    /// Runs until the control has gone through that many of its own cycles: clock edges, or without a clock turn-ons asked for.
    ///
    /// # Errors
    /// As [`Machine::run`], and where turn-ons do not come.
    pub fn run_control_cycles(
        &mut self,
        state: &mut RunState,
        cycles: u64,
        program: &mut Program,
        observer: &mut impl Observer,
        sensitivity: Option<&mut Sensitivity>,
    ) -> Result<(), EngineError> {
        if self.is_clocked() {
            return self.run(state, cycles, program, observer, sensitivity);
        }
        let until = (state.cycle + LONGEST_PAUSE * cycles, state.turn_ons + cycles);
        self.run_until(state, until, program, observer, sensitivity)
    }

    /// Runs until a clock edge or a number of turn-ons, whichever comes first.
    fn run_until(
        &mut self,
        state: &mut RunState,
        (last_cycle, last_turn_on): (u64, u64),
        program: &mut Program,
        observer: &mut impl Observer,
        mut sensitivity: Option<&mut Sensitivity>,
    ) -> Result<(), EngineError> {
        let mut instants = 0;
        let (first_cycle, first_pulse) = (state.cycle, state.effort.pulses);
        let mut driven = self.driven(state, program);
        while state.cycle < last_cycle && state.turn_ons < last_turn_on {
            let before = state.cycle;
            if !driven.holds(state) {
                driven = self.driven(state, program);
            }
            self.step(state, (last_cycle, last_turn_on), &driven, observer, sensitivity.as_deref_mut())?;
            instants += 1;
            if state.cycle != before {
                instants = 0;
                if self.circuit.cancel.is_cancelled() {
                    return Err(EngineError::Interrupted);
                }
                if !state.x.iter().all(|value| value.is_finite() && value.abs() < 1e9) {
                    return Err(EngineError::RanAway { cycle: state.cycle });
                }
                let pulses = state.effort.pulses - first_pulse;
                if pulses > PULSES_PER_CYCLE * (state.cycle - first_cycle) + PULSES_AT_ONCE {
                    return Err(EngineError::Chatter { cycle: state.cycle, phase_s: state.phase_s });
                }
            } else if instants > INSTANTS_PER_CYCLE {
                return Err(EngineError::Chatter { cycle: state.cycle, phase_s: state.phase_s });
            }
        }
        CYCLES.fetch_add(state.cycle - first_cycle, Ordering::Relaxed);
        Ok(())
    }

    /// One stretch: propagate to the next instant and do what happens there.
    fn step(
        &mut self,
        state: &mut RunState,
        (last_cycle, last_turn_on): (u64, u64),
        driven: &Driven,
        observer: &mut impl Observer,
        sensitivity: Option<&mut Sensitivity>,
    ) -> Result<(), EngineError> {
        let key = self.mode_key(state, driven.drive.shorted);
        let mode_index = self.prepare(key);
        self.modes[mode_index].begin(&state.x, driven);
        self.by_exponential += u64::from(self.modes[mode_index].modal.is_dense());
        if self.by_exponential > MOST_BY_EXPONENTIAL {
            return Err(EngineError::TooSlow { cycle: state.cycle, stretches: self.by_exponential });
        }
        state.inputs = driven.inputs;
        let begin = (state.cycle, state.phase_s);
        let (mut end, mut at) = ([0.0; MAX_STATES], Node { t_s: 0.0, value: 0.0, basis: [0.0; MAX_STATES] });
        // Nothing happens in the circuit as blanking ends. Only the period map needs the instant itself.
        let mut blank_s = state.blank_s().filter(|_| sensitivity.is_none() && !observer.samples());
        if blank_s.is_some() {
            state.stage = Stage::On;
        }
        let reached = loop {
            let ends = self.ends(state, &driven.drive, last_cycle, mode_index).looking_from(blank_s);
            let reached = reach(&mut self.modes[mode_index], state, begin.1, ends, &mut at, &mut end)
                .map_err(|event| EngineError::Unresolved { event: event.name(), cycle: begin.0, phase_s: begin.1 })?;
            if let Some(until_s) = blank_s.take().filter(|&until_s| state.phase_s <= until_s) {
                state.stage = Stage::Blank { until_s };
            }
            self.pass_edges(state, reached);
            state.effort.located += u64::from(matches!(reached, Reached::Event(_)));
            match reached {
                Reached::Event(event) if event.is_comparator() && sensitivity.is_none() => {
                    state.x = end;
                    state.inputs = driven.inputs_after(at.t_s);
                    if event == Event::Ask && (state.turn_ons + 1 >= last_turn_on || self.is_held_back(state)) {
                        break reached;
                    }
                    // A comparator alone changes nothing in the circuit: the stretch goes on while its delay passes. Only the period
                    // map needs the instant itself.
                    self.on_event(state, event, None);
                }
                _ => break reached,
            }
        };
        let mode = &self.modes[mode_index];
        if key.path == Path::Idle {
            // Without current there is no flux: what rounding leaves would pass for a current.
            end[FLUX_STATE] = 0.0;
        }
        if let Some((index, held_v)) = self.held(state.analog) {
            // Nor does a clamped output move: what rounding adds would pass for a command.
            end[index] = held_v;
        }
        let mut tau = sensitivity;
        if let Some(sensitivity) = tau.as_deref_mut() {
            let crossed = reached.event().map(|event| {
                let watch = mode.watch(event);
                let per_phase = watch.ramp.slope(state);
                Crossed { row: &watch.row.row, per_phase, is_trip: event == Event::Trip }
            });
            sensitivity.stretch(mode, &mode.flow, (begin.1, at.t_s), &end, crossed);
        }
        if at.t_s > 0.0 {
            state.effort.stretches += 1;
            observer.stretch(&Stretch {
                cycle: begin.0,
                phase_s: begin.1,
                duration_s: at.t_s,
                mode,
                flow: &mode.flow,
                end: &end,
                end_basis: &at.basis,
                deviations: OnceCell::new(),
            });
        }
        state.x = end;
        state.inputs = driven.inputs_after(at.t_s);
        match reached {
            Reached::Event(event) => self.on_event(state, event, tau),
            Reached::Timer => self.on_timer(state, tau),
            Reached::Edge => {
                // Every edge but the last is only counted; the last is where it is to the last bit.
                for left in (1..=(state.phase_s / self.period_s).round() as u64).rev() {
                    state.phase_s = left as f64 * self.period_s;
                    self.clock_edge(state);
                }
                tau.into_iter().for_each(|s| s.clock_edge(self.is_clocked()));
            }
            Reached::Drive => {}
        }
        Ok(())
    }

    /// What drives the run from the present instant on.
    fn driven(&mut self, state: &RunState, program: &mut Program) -> Driven {
        let drive = program.at(state.cycle, state.phase_s, self.period_s);
        let source_v = drive.source_v.unwrap_or(Line { value: self.circuit.source_v, slope_per_s: 0.0 });
        let (value, slope_per_s, _) = self.reference(state);
        let (inputs, slopes) = inputs_of(source_v, drive.load_a, Line { value, slope_per_s });
        self.drives += 1;
        let constant = slopes.iter().all(|&slope| slope == 0.0) && state.guard.is_steady();
        Driven { drive, inputs, slopes, constant, number: self.drives }
    }

    /// When a stretch ends at the latest, seen from the present instant.
    fn ends(&self, state: &RunState, drive: &Drive, last_cycle: u64, mode: usize) -> Ends {
        let rising_s = if state.guard.is_steady() { f64::INFINITY } else { self.reference(state).2 };
        let next = last_cycle.min(drive.until.0);
        let uncut = match state.guard.paused_until {
            Some(until) => self.periods_paused(state, next.min(until), mode),
            None => self.periods_uncut(state, next),
        };
        Ends {
            stage_s: self.timer_s(state),
            edge_s: uncut as f64 * self.period_s,
            drive_s: drive.until_s(state.cycle).min(rising_s),
            looked_s: if let Stage::Rest { until_s } = state.stage { until_s } else { f64::NEG_INFINITY },
        }
    }

    /// Time goes on: edges of the time base are passed without a clock or in a pause, and a rest ends.
    fn pass_edges(&self, state: &mut RunState, reached: Reached) {
        let only_counted = !self.is_clocked() || state.is_paused();
        while only_counted && reached != Reached::Edge && state.phase_s > self.period_s {
            self.clock_edge(state);
        }
        if matches!(state.stage, Stage::Rest { until_s } if state.phase_s >= until_s) {
            state.stage = Stage::Off;
        }
    }

    /// Index and voltage of an amplifier's output that is held at a clamp.
    fn held(&self, analog: Analog) -> Option<(usize, f64)> {
        let clamps = || compensator::clamp_v(&self.circuit.board.control.compensator);
        let held_v = match analog {
            Analog::Linear => return None,
            Analog::ClampLow => clamps()?.0,
            Analog::ClampHigh => clamps()?.1,
        };
        Some((network::compensator_state(&self.circuit), held_v))
    }

    /// Index of the control voltage among the states, where there is an amplifier.
    pub fn control_state(&self) -> Option<usize> {
        let compensator = &self.circuit.board.control.compensator;
        compensator::has_control_state(compensator).then(|| network::compensator_state(&self.circuit))
    }

    /// Matrix of the linear part of a mode that a run went through.
    pub fn generator(&mut self, key: ModeKey) -> DMatrix<f64> {
        let index = self.prepare(key);
        let network = &self.modes[index].network;
        DMatrix::from_fn(network.states, network.states, |i, j| network.derivative[i].x[j])
    }

    /// The modal form of a mode that a run went through.
    pub fn modal(&mut self, key: ModeKey) -> &Modal {
        let index = self.prepare(key);
        &self.modes[index].modal
    }

    /// Mode in which the run is.
    fn mode_key(&self, state: &RunState, shorted: bool) -> ModeKey {
        let flux = state.x[FLUX_STATE];
        let freewheel = if flux > 0.0 {
            Path::LowDiode
        } else if flux < 0.0 {
            Path::HighDiode
        } else {
            Path::Idle
        };
        let path = match state.stage {
            Stage::Blank { .. } | Stage::On => Path::High,
            Stage::LeadDead { .. } | Stage::TrailDead { .. } | Stage::Paused => freewheel,
            Stage::Edge | Stage::Rest { .. } | Stage::Off | Stage::Held | Stage::Asked { .. } => {
                match self.circuit.board.stage.low_side {
                    LowSide::Switch { .. } if !state.low_open => Path::Low,
                    _ => freewheel,
                }
            }
        };
        ModeKey {
            path,
            segment: state.segment,
            analog: state.analog,
            load_cell: state.load_cell,
            sink: state.sink,
            shorted,
        }
    }

    fn prepare(&mut self, key: ModeKey) -> usize {
        // A cycle goes through the same few modes again and again: each remembers which came next.
        if let Some(mode) = self.modes.get(self.current) {
            for next in mode.next {
                if self.modes[next].key == key {
                    self.current = next;
                    return next;
                }
            }
        }
        let index = self.index.get(&key).copied().unwrap_or_else(|| {
            let mode = self.build(key);
            self.index.insert(key, self.modes.len());
            self.modes.push(mode);
            self.modes.len() - 1
        });
        if let Some(mode) = self.modes.get_mut(self.current) {
            mode.next = [index, mode.next[0]];
        }
        self.current = index;
        index
    }

    fn build(&self, key: ModeKey) -> Mode {
        let network = network::assemble(&self.circuit, key);
        let modal = Modal::shared(&network.derivative, self.period_s);
        let plant_modes = modal.modes_of(network.plant_states);
        let project = |row: &Row| {
            if row.x[network.plant_states..].iter().all(|&factor| factor == 0.0) {
                modal.project_plant(row, &plant_modes)
            } else {
                modal.project(row)
            }
        };
        let mut rows = vec![
            network.inductor_a,
            network.output_v,
            network.instrument_v,
            network.switch_v,
            network.control_v,
            Row::state(FLUX_STATE),
            network.load_a,
        ];
        rows.extend(&network.branch_a);
        let outputs = rows.iter().map(project).collect();
        let watches = self
            .watched_rows(&network, key)
            .into_iter()
            .map(|(event, row, ramp)| Watch::new(event, project(&row), ramp))
            .collect();
        // Not the inputs of any run: the first stretch sets its own.
        let flow = Flow::new(modal.settled([0.0; super::row::INPUTS], [f64::NAN; super::row::INPUTS]));
        Mode {
            key,
            index: self.modes.len(),
            network,
            modal,
            plant_modes,
            next: [self.modes.len(); 2],
            outputs,
            watches,
            anchors: Anchors::NONE,
            flow,
            driven_by: 0,
            expected: [NO_WATCH; 2],
            deviations: [0.0; MAX_STATES],
            deviations_s: f64::NAN,
        }
    }

    /// Everything that may end a stretch in a mode, as rows that become non-negative.
    fn watched_rows(&self, network: &Network, key: ModeKey) -> Vec<(Event, Row, Ramping)> {
        let still = |(event, row): (Event, Row)| (event, row, Ramping::NONE);
        let mut rows: Vec<(Event, Row, Ramping)> = self.knot_rows(key).into_iter().map(still).collect();
        let current = network.inductor_a;
        let emulation = matches!(self.circuit.board.stage.low_side, LowSide::Switch { emulation: true, .. });
        match key.path {
            Path::LowDiode => rows.push(still((Event::Zero, -current))),
            Path::Low if emulation => rows.push(still((Event::Zero, -current))),
            Path::HighDiode => rows.push(still((Event::Zero, current))),
            _ => {}
        }
        rows.extend(self.comparator(network, key.path).map(|(row, ramp)| (Event::Trip, row, ramp)));
        rows.extend(self.asking_comparator(network, key.path).map(|row| still((Event::Ask, row))));
        rows.extend(self.limit_row(network, key.path));
        rows.extend(self.amplifier_rows(network, key.analog).into_iter().map(still));
        rows.extend(self.load_rows(network, key).into_iter().map(still));
        if key.path == Path::Idle {
            let diode = Row::constant(self.circuit.diode().0 + WAKE_OVERLAP_V);
            rows.push(still((Event::Wake(Path::LowDiode), -network.output_v - diode)));
            rows.push(still((Event::Wake(Path::HighDiode), network.output_v - Row::input(Input::Source) - diode)));
        }
        rows
    }

    /// Where a load that follows the output goes on differently.
    fn load_rows(&self, network: &Network, key: ModeKey) -> Vec<(Event, Row)> {
        let mut rows = vec![];
        let overlap_v = LOAD_OVERLAP * self.circuit.board.output_v;
        if self.circuit.load_w > 0.0 {
            let (low_v, high_v) = self.circuit.cell_edges_v(key.load_cell);
            rows.push((Event::LoadCell(1), network.load_v - Row::constant(high_v + overlap_v)));
            if low_v.is_finite() {
                rows.push((Event::LoadCell(-1), Row::constant(low_v - overlap_v) - network.load_v));
            }
        }
        let Some(knee_s) = self.circuit.knee_s() else { return rows };
        let short_of = network.load_v * knee_s - Row::input(Input::Load);
        let (above, overlap_a) = (Row::constant(overlap_v), Row::constant(overlap_v * knee_s));
        match key.sink {
            Sink::Full => rows.push((Event::Sink(Sink::Knee), -short_of - overlap_a)),
            Sink::Knee => {
                rows.push((Event::Sink(Sink::Full), short_of - overlap_a));
                rows.push((Event::Sink(Sink::Off), -network.load_v - above));
            }
            Sink::Off => rows.push((Event::Sink(Sink::Knee), network.load_v - above)),
        }
        rows
    }

    /// Comparator of the current limit, where it is looked at.
    fn limit_row(&self, network: &Network, path: Path) -> Option<(Event, Row, Ramping)> {
        let limit = self.circuit.board.control.protection.current_limit?;
        let threshold = Row::constant(self.circuit.limit_threshold());
        match (limit.sense, path) {
            (LimitSense::Peak { falls_with_slope }, Path::High) => {
                let slope = if falls_with_slope { self.modulator().slope_compensation_a_per_s() } else { 0.0 };
                Some((Event::Limit, network.inductor_a - threshold, Ramping::fixed(slope)))
            }
            (LimitSense::Winding { .. }, Path::High) => {
                Some((Event::Limit, network.sense_v - threshold, Ramping::NONE))
            }
            (LimitSense::Valley, Path::Low | Path::LowDiode) => {
                Some((Event::Valley, threshold - network.inductor_a, Ramping::NONE))
            }
            _ => None,
        }
    }

    fn knot_rows(&self, key: ModeKey) -> Vec<(Event, Row)> {
        let table = &self.circuit.flux;
        if table.segments() == 1 || key.path == Path::Idle {
            return vec![];
        }
        let overlap = KNOT_OVERLAP * table.segment(0).flux_high_wb;
        let piece = table.segment(key.segment.unsigned_abs() as usize);
        let (low, high) = match key.segment {
            0 => (-piece.flux_high_wb, piece.flux_high_wb),
            k if k > 0 => (piece.flux_low_wb, piece.flux_high_wb),
            _ => (-piece.flux_high_wb, -piece.flux_low_wb),
        };
        let flux = Row::state(FLUX_STATE);
        let mut rows = vec![];
        if high.is_finite() {
            rows.push((Event::Knot(1), flux - Row::constant(high + overlap)));
        }
        if low.is_finite() {
            rows.push((Event::Knot(-1), Row::constant(low - overlap) - flux));
        }
        rows
    }

    /// Comparator that ends a pulse, where it is looked at: its row, and the slope of its ramp per second of phase.
    fn comparator(&self, network: &Network, path: Path) -> Option<(Row, Ramping)> {
        let comparator = self.modulator().turn_off(self.period_s)?;
        let ramp = Ramping { fixed: comparator.ramp, per_input_v: comparator.ramp_per_input_v };
        (comparator.always || path == Path::High).then(|| (comparator_row(&comparator, network) + network.probe, ramp))
    }

    /// Comparator that asks for a turn-on where there is no clock.
    fn asking_comparator(&self, network: &Network, path: Path) -> Option<Row> {
        let comparator = self.modulator().turn_on()?;
        (path != Path::High).then(|| comparator_row(&comparator, network))
    }

    fn amplifier_rows(&self, network: &Network, analog: Analog) -> Vec<(Event, Row)> {
        let Some((low_v, high_v)) = compensator::clamp_v(&self.circuit.board.control.compensator) else {
            return vec![];
        };
        let control = network.control_v;
        match analog {
            Analog::Linear => vec![
                (Event::Amplifier(Analog::ClampHigh), control - Row::constant(high_v + CLAMP_OVERLAP_V)),
                (Event::Amplifier(Analog::ClampLow), Row::constant(low_v - CLAMP_OVERLAP_V) - control),
            ],
            Analog::ClampHigh => vec![(Event::Amplifier(Analog::Linear), -network.drive)],
            Analog::ClampLow => vec![(Event::Amplifier(Analog::Linear), network.drive)],
        }
    }

    /// Periods after this cycle's clock edge at which a stretch ends at the latest, at an edge: without a clock an edge is no
    /// instant unless something is counted or ends there. `next` is the cycle in which the run ends or is driven otherwise.
    fn periods_uncut(&self, state: &RunState, next: u64) -> u64 {
        if self.is_clocked() || self.due_hiccup(state).is_some() {
            return 1;
        }
        next.saturating_sub(state.cycle).clamp(1, UNCUT_PERIODS)
    }

    /// The same in a pause, in which edges only count time too, with a clock or without.
    fn periods_paused(&self, state: &RunState, next: u64, mode: usize) -> u64 {
        let hold = (self.modes[mode].modal.slow_holds_s() / self.period_s).min(PAUSED_PERIODS as f64) as u64;
        next.saturating_sub(state.cycle).clamp(1, hold.max(1))
    }

    /// Time after the clock edge at which the stage changes by itself.
    fn timer_s(&self, state: &RunState) -> f64 {
        match state.stage {
            Stage::LeadDead { until_s } | Stage::Blank { until_s } | Stage::TrailDead { until_s } => until_s,
            Stage::On => self.longest_on_s(state.turn_on_s).min(state.turn_off.first_s()).max(state.phase_s),
            Stage::Asked { on_s } => on_s,
            Stage::Edge => state.phase_s,
            // A rest only keeps the comparator from being looked at.
            Stage::Rest { .. } | Stage::Off | Stage::Held | Stage::Paused => f64::INFINITY,
        }
    }

    fn on_event(&self, state: &mut RunState, event: Event, sensitivity: Option<&mut Sensitivity>) {
        let now_s = state.phase_s;
        match event {
            Event::Knot(direction) => state.segment += direction,
            Event::Zero => {
                state.x[FLUX_STATE] = 0.0;
                state.segment = 0;
                state.low_open |=
                    matches!(state.stage, Stage::Rest { .. } | Stage::Off | Stage::Held | Stage::Asked { .. });
            }
            Event::Ask if self.is_held_back(state) => {
                state.guard.limited = true;
                state.effort.limited += 1;
                state.stage = Stage::Held;
            }
            // Meanwhile the output may have recovered: then nothing is asked for any more.
            Event::Valley if !self.asks(state) => state.stage = Stage::Off,
            Event::Ask | Event::Valley => {
                state.turn_ons += 1;
                state.guard.count();
                state.stage = Stage::Asked { on_s: now_s + self.comparator_delay_s() };
                sensitivity.into_iter().for_each(|s| s.start_timer(true));
            }
            Event::Trip => self.start_turn_off(state, Opener::Modulator, self.comparator_delay_s(), sensitivity),
            Event::Limit => {
                let limit = self.circuit.board.control.protection.current_limit;
                self.start_turn_off(state, Opener::Limit, limit.map_or(0.0, |limit| limit.delay_s), sensitivity);
            }
            Event::Amplifier(next) => {
                if let Some((index, held_v)) = self.held(next) {
                    state.x[index] = held_v;
                }
                state.analog = next;
            }
            Event::LoadCell(direction) => state.load_cell += direction,
            Event::Sink(next) => state.sink = next,
            Event::Wake(path) => {
                // The path follows from the sign of the flux linkage: next to none will do.
                let faint_wb = KNOT_OVERLAP * self.circuit.board.output_v * self.period_s;
                state.x[FLUX_STATE] = if path == Path::LowDiode { faint_wb } else { -faint_wb };
            }
        }
    }

    /// A comparator has tripped: its turn-off is due after its delay, and where nothing is blanked not before the shortest conduction
    /// is over.
    fn start_turn_off(
        &self,
        state: &mut RunState,
        opener: Opener,
        delay_s: f64,
        sensitivity: Option<&mut Sensitivity>,
    ) {
        let wanted_s = state.phase_s + delay_s;
        let early = matches!(state.stage, Stage::LeadDead { .. });
        let least_s = if early { wanted_s } else { state.turn_on_s + self.circuit.board.control.min_on_s };
        let off_s = wanted_s.max(least_s);
        sensitivity.into_iter().for_each(|s| s.start_turn_off(opener, off_s == wanted_s));
        match opener {
            Opener::Limit => state.turn_off.limit_s = Some(off_s),
            _ => state.turn_off.modulator_s = Some(off_s),
        }
    }

    /// What opens the high side at the end of its conduction: where two do so at once the limit has nothing to do with it.
    fn opener(&self, state: &RunState) -> Opener {
        let TurnOff { modulator_s, limit_s } = state.turn_off;
        let longest_s = self.longest_on_s(state.turn_on_s);
        let modulator_s = modulator_s.unwrap_or(f64::INFINITY);
        if limit_s.is_some_and(|limit_s| limit_s < modulator_s.min(longest_s)) {
            Opener::Limit
        } else if modulator_s < longest_s {
            Opener::Modulator
        } else {
            Opener::Longest
        }
    }

    /// The high side opens.
    fn open_high_side(&self, state: &mut RunState) {
        if self.opener(state) == Opener::Limit {
            state.guard.limited = true;
            state.effort.limited += 1;
        }
        state.turn_off = TurnOff::default();
        if self.dead_s > 0.0 {
            state.stage = Stage::TrailDead { until_s: state.phase_s + self.dead_s };
        } else {
            self.close_low_side(state);
        }
    }

    /// The trailing dead time is over. Diode emulation does not close the low side on a current that has already ended.
    fn close_low_side(&self, state: &mut RunState) {
        let emulation = matches!(self.circuit.board.stage.low_side, LowSide::Switch { emulation: true, .. });
        state.low_open = emulation && state.x[FLUX_STATE] <= 0.0;
        state.stage = self.stage_resting(state.phase_s - self.dead_s);
    }

    fn comparator_delay_s(&self) -> f64 {
        self.modulator().delay_s()
    }

    fn modulator(&self) -> &Modulator {
        &self.circuit.board.control.modulator
    }

    fn on_timer(&self, state: &mut RunState, mut sensitivity: Option<&mut Sensitivity>) {
        let now_s = state.phase_s;
        if let Some(sensitivity) = sensitivity.as_deref_mut() {
            match state.stage {
                Stage::On => sensitivity.turned_off(self.opener(state)),
                _ => sensitivity.timer_expired(),
            }
        }
        match state.stage {
            Stage::Asked { .. } => self.begin_turn_on(state, now_s, sensitivity.as_deref_mut()),
            Stage::LeadDead { .. } => self.end_lead(state, sensitivity.as_deref_mut()),
            Stage::Blank { .. } => state.stage = Stage::On,
            Stage::On => self.open_high_side(state),
            Stage::TrailDead { .. } => self.close_low_side(state),
            Stage::Edge => self.begin_cycle(state),
            Stage::Rest { .. } | Stage::Off | Stage::Held | Stage::Paused => {}
        }
        // Every timer that starts here counts from the present instant, but for the longest conduction, which the clock ends.
        let follows = state.stage != Stage::On;
        sensitivity.into_iter().for_each(|sensitivity| sensitivity.start_timer(follows));
    }

    /// The leading dead time is over: the high side closes, unless a turn-off was asked for before. Then the pulse is suppressed,
    /// and the low side stays as it was, where no shortest conduction makes the turn-off wait.
    fn end_lead(&self, state: &mut RunState, sensitivity: Option<&mut Sensitivity>) {
        let now_s = state.phase_s;
        let Some(asked_s) = state.turn_off.modulator_s else { return self.close_high_side(state, now_s, sensitivity) };
        let off_s = asked_s.max(now_s + self.circuit.board.control.min_on_s);
        if off_s > now_s {
            self.close_high_side(state, now_s, None);
            state.turn_off.modulator_s = Some(off_s);
            if off_s > asked_s {
                sensitivity.into_iter().for_each(|s| s.start_turn_off(Opener::Modulator, true));
            }
        } else {
            state.turn_off = TurnOff::default();
            state.stage = Stage::Off;
        }
    }

    /// Stage after a turn-off at an instant.
    fn stage_resting(&self, off_s: f64) -> Stage {
        let least_s = self.circuit.board.control.min_off_s;
        if self.is_clocked() || least_s <= self.dead_s { Stage::Off } else { Stage::Rest { until_s: off_s + least_s } }
    }

    /// A clock edge: the next cycle, or without a clock only the next period of the time base.
    fn clock_edge(&self, state: &mut RunState) {
        state.cycle += 1;
        state.phase_s -= self.period_s;
        state.input_at_edge_v = state.input_v();
        if state.guard.rising_since.is_some() && self.reference(state).1 == 0.0 {
            state.guard.rising_since = None;
        }
        if self.stays_paused(state) {
            return;
        }
        if self.is_clocked() {
            return self.begin_cycle(state);
        }
        state.delay_timers(-self.period_s);
    }

    /// A clocked cycle begins, with a pulse or without one.
    fn begin_cycle(&self, state: &mut RunState) {
        state.turn_on_s = 0.0;
        state.turn_off = TurnOff::default();
        if self.omits_pulse(state) {
            state.effort.omitted += 1;
            state.stage = Stage::Off;
        } else {
            self.begin_turn_on(state, 0.0, None);
        }
    }

    /// Whether a clock edge begins no pulse: nothing commanded, too much current in the low side, or foldback.
    fn omits_pulse(&self, state: &mut RunState) -> bool {
        let protection = &self.circuit.board.control.protection;
        let read = |output| self.read(state, output);
        let least = self.modulator().least_command_v(protection.skip_below_a);
        let control_v = read(Output::Control);
        if control_v < least || (control_v == least && least == 0.0) {
            return true;
        }
        let aim_v = self.circuit.board.output_v;
        let folded = |foldback: Foldback| {
            !state.cycle.is_multiple_of(foldback.divisor) && read(Output::Voltage) < foldback.below * aim_v
        };
        if protection.foldback.is_some_and(folded) {
            state.guard.folded = true;
            return true;
        }
        let inhibit_a = protection.current_limit.and_then(|limit| limit.inhibit_a);
        let inhibited = inhibit_a.is_some_and(|inhibit_a| read(Output::Inductor) > inhibit_a);
        if inhibited {
            state.guard.limited = true;
            state.effort.limited += 1;
        }
        inhibited
    }

    /// Counts limited cycles, and begins and ends the pause of a hiccup. Whether the cycle that begins now is part of a pause.
    fn stays_paused(&self, state: &mut RunState) -> bool {
        match state.guard.paused_until {
            Some(until) if state.cycle < until => return true,
            Some(_) => {
                self.begin_rising(state);
                state.stage = Stage::Off;
                return false;
            }
            None => {}
        }
        if self.is_clocked() {
            state.guard.count();
        }
        let Some(hiccup) = self.due_hiccup(state) else { return false };
        let cycles = (hiccup.pause_s / self.period_s).ceil() as u64;
        state.guard = Guard { paused_until: Some(state.cycle + cycles.max(1)), ..Guard::default() };
        state.turn_off = TurnOff::default();
        state.effort.pauses += 1;
        state.stage = Stage::Paused;
        true
    }

    /// The hiccup whose count of limited cycles is full: the next clock edge begins its pause.
    fn due_hiccup(&self, state: &RunState) -> Option<Hiccup> {
        let hiccup = self.circuit.board.control.protection.current_limit?.hiccup?;
        (state.guard.limited_cycles >= hiccup.cycles).then_some(hiccup)
    }

    /// Whether the valley limit holds a turn-on back.
    fn is_held_back(&self, state: &RunState) -> bool {
        let limit = self.circuit.board.control.protection.current_limit;
        limit.is_some_and(|limit| limit.sense == LimitSense::Valley)
            && self.read(state, Output::Inductor) > self.circuit.limit_threshold()
    }

    /// Whether the comparator of a scheme without a clock asks for a turn-on.
    fn asks(&self, state: &RunState) -> bool {
        let network = &self.modes[self.current].network;
        let row = self.asking_comparator(network, Path::Low);
        row.is_some_and(|row| row.at(&state.x, &state.inputs) >= 0.0)
    }

    /// An output at the present instant, in the mode that has just ended.
    fn read(&self, state: &RunState, output: Output) -> f64 {
        self.modes[self.current].output(output).row.at(&state.x, &state.inputs)
    }
}

impl Stage {
    /// The same stage with its end later by a time.
    fn later(self, by_s: f64) -> Stage {
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
    fn is_like(&self, other: &Stage, same_time: impl Fn(f64, f64) -> bool) -> bool {
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
    fn delay(&mut self, by_s: f64) {
        self.phase_s += by_s;
        self.delay_timers(by_s);
    }

    /// Everything that is timed comes later by a time.
    fn delay_timers(&mut self, by_s: f64) {
        self.turn_on_s += by_s;
        self.turn_off = self.turn_off.later(by_s);
        self.stage = self.stage.later(by_s);
    }

    /// Time after the clock edge at which blanking ends, while it lasts.
    fn blank_s(&self) -> Option<f64> {
        if let Stage::Blank { until_s } = self.stage { Some(until_s) } else { None }
    }

    fn input_v(&self) -> f64 {
        self.inputs[Input::Source as usize]
    }

    fn programmed_a(&self) -> f64 {
        self.inputs[Input::Load as usize]
    }

    /// Whether a switch waits for a delay or a limit.
    fn is_delayed(&self) -> bool {
        self.turn_off != TurnOff::default() || matches!(self.stage, Stage::Asked { .. } | Stage::Held)
    }

    /// Whether the run is in the pause of a hiccup.
    pub fn is_paused(&self) -> bool {
        self.guard.paused_until.is_some()
    }
}

impl Guard {
    /// Whether the reference stands at its full value.
    fn is_steady(&self) -> bool {
        self.rising_since.is_none() && self.paused_until.is_none()
    }

    /// A cycle of the control has ended.
    fn count(&mut self) {
        if !self.folded {
            self.limited_cycles = if self.limited { self.limited_cycles + 1 } else { 0 };
        }
        (self.limited, self.folded) = (false, false);
    }
}

/// What a comparator sees, without its ramp.
fn comparator_row(comparator: &Comparator, network: &Network) -> Row {
    network.inductor_a * comparator.current
        + network.control_v * comparator.control
        + Row::input(Input::Reference) * comparator.reference
        + Row::constant(comparator.constant)
}

/// Inputs at the begin of a stretch and their slopes.
fn inputs_of(source_v: Line, load_a: Line, reference_v: Line) -> (InputVector, InputVector) {
    let (mut inputs, mut slopes) = ([0.0; super::row::INPUTS], [0.0; super::row::INPUTS]);
    inputs[Input::One as usize] = 1.0;
    inputs[Input::LoadSlew as usize] = load_a.slope_per_s;
    for (input, line) in [(Input::Source, source_v), (Input::Load, load_a), (Input::Reference, reference_v)] {
        inputs[input as usize] = line.value;
        slopes[input as usize] = line.slope_per_s;
    }
    (inputs, slopes)
}

/// Which events count in a stage.
fn is_armed(state: &RunState, event: Event) -> bool {
    let stage = state.stage;
    match event {
        Event::Trip => state.turn_off.modulator_s.is_none() && matches!(stage, Stage::LeadDead { .. } | Stage::On),
        Event::Limit => state.turn_off.limit_s.is_none() && stage == Stage::On,
        Event::Ask => matches!(stage, Stage::Off | Stage::Rest { .. }),
        Event::Valley => stage == Stage::Held,
        // What is programmed below zero makes up for what follows the output: it has no knee.
        Event::Sink(Sink::Knee) => stage != Stage::Edge && (state.sink == Sink::Off || state.programmed_a() > 0.0),
        // An edge takes no time.
        _ => stage != Stage::Edge,
    }
}

/// Moves the present instant, at a time `at` of a stretch that began at the phase `begin_s`, to the next one.
fn reach(
    mode: &mut Mode,
    state: &mut RunState,
    begin_s: f64,
    mut ends: Ends,
    at: &mut Node,
    end: &mut StateVector,
) -> Result<Reached, Event> {
    let (now_s, phase_s) = (at.t_s, state.phase_s);
    let time_at = |end_s: f64| now_s + (end_s - phase_s).max(0.0);
    at.t_s = time_at(ends.first_s());
    let mut event = earliest_event(mode, state, (begin_s, now_s), |event| is_armed(state, event), at, end)?;
    if event.is_some_and(Event::is_comparator) && at.t_s < time_at(ends.looked_s) {
        // Too early: what a comparator says as it begins to be looked at counts.
        ends.stage_s = ends.looked_s;
        at.t_s = time_at(ends.first_s());
        let armed = |event: Event| !event.is_comparator() && is_armed(state, event);
        event = earliest_event(mode, state, (begin_s, now_s), armed, at, end)?;
    }
    match event {
        Some(event) => {
            debug_assert!(at.t_s >= now_s, "what is watched was negative up to the present instant");
            state.phase_s += at.t_s - now_s;
            Ok(Reached::Event(event))
        }
        None => {
            state.phase_s = state.phase_s.max(ends.first_s());
            Ok(ends.reached())
        }
    }
}

/// Writes the state at an instant; where no time has passed it is the first one to the last bit.
fn end_state(modal: &Modal, flow: &Flow, at: &Node, end: &mut StateVector) {
    if at.t_s > 0.0 {
        modal.state_into(flow, at.t_s, &at.basis, end);
    } else {
        *end = flow.start;
    }
}

/// The first event before `at`, to which and whose state `at` and `end` are moved; without one `end` is moved to the state at `at`. Up to
/// `passed_s` there is none.
fn earliest_event(
    mode: &mut Mode,
    state: &RunState,
    (begin_s, passed_s): (f64, f64),
    armed: impl Fn(Event) -> bool,
    at: &mut Node,
    end: &mut StateVector,
) -> Result<Option<Event>, Event> {
    let (expected, allowed_s) = (mode.expected[usize::from(state.is_delayed())], at.t_s);
    // As a rule a mode ends as it did in the cycle before. What is left to show is then a shorter stretch.
    let mut found = mode.ends_as_before(expected, state, begin_s, &armed, at).then_some(expected);
    if found.is_none() {
        at.t_s = allowed_s;
        mode.anchors.basis_into(&mode.modal, allowed_s, &mut at.basis);
    }
    let flow = &mode.flow;
    let modal = &mode.modal;
    let shown_s = at.t_s;
    end_state(modal, flow, at, end);
    let before = found;
    // The flux linkage goes straight to that end of its piece: it does not go to the other.
    let opposite = before.and_then(|index| match mode.watches[index].event {
        Event::Knot(direction) => Some(Event::Knot(-direction)),
        _ => None,
    });
    for (index, watch) in mode.watches.iter_mut().enumerate() {
        if before == Some(index) || !armed(watch.event) {
            continue;
        }
        let slope = watch.ramp.slope(state);
        let line = (slope * begin_s, slope);
        if !modal.is_dense() {
            let start = watch.at(&flow.start, 0.0) + line.0;
            if start < 0.0 && opposite == Some(watch.event) {
                continue;
            }
            // Most watches are far from their threshold all the way, or were met before and are being left: their chord and
            // its bounds say so.
            let shown = watch.at(end, shown_s) + line.0 + slope * shown_s;
            if mode.deviations_s != shown_s {
                modal.chord_deviations_into(flow, shown_s, &mut mode.deviations);
                mode.deviations_s = shown_s;
            }
            let far = start.max(shown) + watch.row.chord_deviation(&mode.deviations, modal) < 0.0;
            if far || (start < 0.0 && watch.row.falls((start, shown), flow, modal, shown_s)) {
                continue;
            }
        }
        let track = Track::with_level(modal, flow, &watch.row, watch.level, line);
        at.value = track.value_at_basis(&at.basis, at.t_s);
        if track.first_crossing(at, watch.guess_s, passed_s).map_err(|Unresolved| watch.event)? {
            watch.crossed_at(at.t_s);
            found = Some(index);
        }
    }
    if found != before {
        end_state(modal, flow, at, end);
    }
    mode.expected[usize::from(state.is_delayed())] = found.unwrap_or(NO_WATCH);
    Ok(found.map(|index| mode.watches[index].event))
}

impl Mode {
    /// Whether the watch that ended the mode before crosses again near the same time, before `at`, which is then moved there.
    fn ends_as_before(
        &mut self,
        expected: usize,
        state: &RunState,
        begin_s: f64,
        armed: impl Fn(Event) -> bool,
        at: &mut Node,
    ) -> bool {
        let Some(watch) = self.watches.get_mut(expected) else { return false };
        let Some(guess_s) = watch.guess_s.filter(|guess_s| *guess_s <= at.t_s && armed(watch.event)) else {
            return false;
        };
        let slope = watch.ramp.slope(state);
        let line = (slope * begin_s, slope);
        let track = Track::with_level(&self.modal, &self.flow, &watch.row, watch.level, line);
        let found = track.expected_crossing(guess_s, at.t_s, &mut self.anchors, at);
        if found {
            watch.crossed_at(at.t_s);
        }
        found
    }
}

impl Mode {
    fn watch(&self, event: Event) -> &Watch {
        self.watches.iter().find(|watch| watch.event == event).expect("an event comes from a watch of its mode")
    }
}
