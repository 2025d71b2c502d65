//! A mode, ready to run: its network in modal form with everything that is read or watched in it.

use super::compensator::Analog;
use super::modal::{Anchors, Basis, Flow, Modal, ProjectedRow, Settled};
use super::network::{ModeKey, Network, Path, Sink};
use super::row::{INPUTS, InputVector, MAX_STATES, StateVector, dot};
use std::sync::Arc;

/// Index of no watch.
pub(super) const NO_WATCH: usize = usize::MAX;

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
pub(super) const FIXED_OUTPUTS: usize = 7;

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
pub(super) enum Event {
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
    pub(super) fn name(self) -> &'static str {
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
    pub(super) fn is_comparator(self) -> bool {
        matches!(self, Event::Trip | Event::Ask | Event::Limit)
    }
}

/// What is added to a watched row per second of phase, in 1/s.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ramping {
    /// Fixed part.
    pub(super) fixed: f64,
    /// Part per volt of the input at the clock edge (feed-forward).
    pub(super) per_input_v: f64,
}

impl Ramping {
    pub(super) const NONE: Ramping = Ramping { fixed: 0.0, per_input_v: 0.0 };

    pub(super) fn fixed(fixed: f64) -> Ramping {
        Ramping { fixed, per_input_v: 0.0 }
    }

    pub(super) fn slope(&self, input_at_edge_v: f64) -> f64 {
        self.fixed + self.per_input_v * input_at_edge_v
    }
}

/// A row that is watched for becoming non-negative.
#[derive(Clone, Copy, Debug)]
pub(super) struct Watch {
    pub(super) event: Event,
    pub(super) row: ProjectedRow,
    pub(super) ramp: Ramping,
    /// The states that the row reads, with their factors: few, as a rule one.
    reads: [(usize, f64); 2],
    /// Number of states among which it reads more than those; 0 where it does not.
    reads_more: usize,
    /// Part of the inputs in its value: at the begin of a stretch, and per second. Belongs to the mode's last inputs.
    driven: (f64, f64),
    /// Its [`ProjectedRow::level`] and the slope of that in 1/s, for the same inputs, and its [`ProjectedRow::lag`].
    pub(super) level: (f64, f64),
    lag: f64,
    /// Times in the stretch at which it became non-negative, the last one and the one before it.
    crossed_s: (f64, f64),
    /// Time at which it may do so next.
    pub(super) guess_s: Option<f64>,
}

impl Watch {
    pub(super) fn new(event: Event, row: ProjectedRow, ramp: Ramping) -> Watch {
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
    pub(super) fn crossed_at(&mut self, t_s: f64) {
        self.crossed_s = (t_s, if self.guess_s.is_some() { self.crossed_s.0 } else { t_s });
        let next_s = 2.0 * t_s - self.crossed_s.1;
        self.guess_s = Some(if next_s > 0.0 { next_s } else { t_s });
    }

    pub(super) fn set_inputs(&mut self, settled: &Settled) {
        self.driven.0 = dot(&self.row.row.u, &settled.inputs);
        self.level.0 = self.row.level(settled, self.lag);
    }

    pub(super) fn set_slopes(&mut self, settled: &Settled) {
        self.driven.1 = dot(&self.row.row.u, &settled.input_slopes);
        (self.lag, self.level.1) = self.row.lag(settled);
        self.set_inputs(settled);
    }

    /// Value at a state and a time in the stretch, without the ramp.
    #[inline]
    pub(super) fn at(&self, x: &StateVector, t_s: f64) -> f64 {
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
    pub(super) outputs: Vec<ProjectedRow>,
    pub(super) watches: Vec<Watch>,
    /// Exponentials at the last durations: those of a cycle come back in the next.
    pub(super) anchors: Anchors,
    /// Motion within the last stretch, and the number of what drove it.
    pub(super) flow: Flow,
    pub(super) driven_by: u64,
    /// Index of the watch that ended the last stretch, [`NO_WATCH`] where none did: before a comparator's trip, and while its delay
    /// passes.
    pub(super) expected: [usize; 2],
    /// By how much each coordinate may differ from its chord over a width of the present stretch, and that width in s.
    pub(super) deviations: StateVector,
    pub(super) deviations_s: f64,
    /// Fast coordinates in which the power stage takes part, a pair by its first.
    pub(super) plant_modes: Vec<usize>,
    /// Indices of the two modes that followed last: a piece of the curve is left to the next one, or by an edge.
    pub(super) next: [usize; 2],
}

impl Mode {
    /// A mode with its number among those of its machine, and its (outputs, watches).
    pub(super) fn new(
        key: ModeKey,
        index: usize,
        network: Network,
        modal: Arc<Modal>,
        plant_modes: Vec<usize>,
        (outputs, watches): (Vec<ProjectedRow>, Vec<Watch>),
    ) -> Mode {
        // Not the inputs of any run: the first stretch sets its own.
        let flow = Flow::new(modal.settled([0.0; INPUTS], [f64::NAN; INPUTS]));
        Mode {
            key,
            index,
            network,
            modal,
            plant_modes,
            next: [index; 2],
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

    /// Fast coordinates in which the power stage takes part, a pair by its first.
    pub fn plant_modes(&self) -> &[usize] {
        &self.plant_modes
    }

    /// Exponentials of the power stage's modes only: enough for its currents and voltages.
    pub fn plant_basis(&self, t_s: f64) -> Basis {
        self.modal.basis_of(&self.plant_modes, t_s)
    }

    /// Begins a stretch from a state, with inputs and their slopes, of which a number tells whether they are the last ones.
    pub(super) fn begin(&mut self, x: &StateVector, (inputs, slopes): (&InputVector, &InputVector), number: u64) {
        let settled = &mut self.flow.settled;
        if self.driven_by != number {
            if settled.input_slopes != *slopes {
                *settled = self.modal.settled(*inputs, *slopes);
                self.watches.iter_mut().for_each(|watch| watch.set_slopes(settled));
            } else if settled.inputs != *inputs {
                self.modal.set_inputs(settled, *inputs);
                self.watches.iter_mut().for_each(|watch| watch.set_inputs(settled));
            }
        }
        self.driven_by = number;
        self.deviations_s = f64::NAN;
        self.modal.begin(&mut self.flow, x);
    }

    /// Row of an output.
    pub fn output(&self, output: Output) -> &ProjectedRow {
        &self.outputs[output.index()]
    }

    /// The watch of an event.
    pub(super) fn watch(&self, event: Event) -> &Watch {
        self.watches.iter().find(|watch| watch.event == event).expect("an event comes from a watch of its mode")
    }
}
