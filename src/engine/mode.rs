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

    /// Whether there is no ramp.
    fn is_none(&self) -> bool {
        self.fixed == 0.0 && self.per_input_v == 0.0
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
    /// Which of its mode's [`Bounds`] is its own, and its part of that.
    share: (usize, f64),
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
            share: (0, 1.0),
            driven: none,
            level: none,
            lag: 0.0,
            crossed_s: none,
            guess_s: None,
        }
    }

    /// The only state that it reads, with its factor.
    fn only_read(&self) -> Option<(usize, f64)> {
        (self.reads_more == 0 && self.reads[1].1 == 0.0).then_some(self.reads[0])
    }

    /// Cycles change little, and then go on to change so.
    pub(super) fn crossed_at(&mut self, t_s: f64) {
        self.crossed_s = (t_s, if self.guess_s.is_some() { self.crossed_s.0 } else { t_s });
        let next_s = 2.0 * t_s - self.crossed_s.1;
        self.guess_s = Some(if next_s > 0.0 { next_s } else { t_s });
    }

    /// Other inputs with the same slopes; whether its value is another at the same state.
    pub(super) fn set_inputs(&mut self, settled: &Settled) -> bool {
        let before = self.driven.0;
        self.driven.0 = dot(&self.row.row.u, &settled.inputs);
        self.level.0 = self.row.level(settled, self.lag);
        self.driven.0 != before
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

/// By how much coordinates and watched rows may differ from their chords over a width of the present stretch, and their slopes from
/// those of the chords, see [`super::crossing`]. Each is worked out when it is asked for first; watches that read the same state share
/// theirs.
pub(super) struct Bounds {
    width_s: f64,
    /// Of the coordinates, where they are known.
    chords: StateVector,
    chords_known: bool,
    slopes: StateVector,
    slopes_known: bool,
    /// (chord, slope) of watched rows; not a number where not known.
    rows: Vec<(f64, f64)>,
}

impl Bounds {
    const UNKNOWN: (f64, f64) = (f64::NAN, f64::NAN);

    /// Those of some watches, which are told where to find theirs.
    fn of(watches: &mut [Watch]) -> Bounds {
        let mut rows = 0;
        for k in 0..watches.len() {
            let (before, rest) = watches.split_at_mut(k);
            let alike = rest[0].only_read().and_then(|(state, factor)| {
                let same =
                    |other: &Watch| other.only_read().filter(|read| read.0 == state).map(|read| (other.share, read.1));
                before.iter().find_map(same).map(|((row, share), other)| (row, share * (factor / other).abs()))
            });
            rest[0].share = alike.unwrap_or_else(|| {
                rows += 1;
                (rows - 1, 1.0)
            });
        }
        Bounds {
            width_s: f64::NAN,
            chords: [0.0; MAX_STATES],
            chords_known: false,
            slopes: [0.0; MAX_STATES],
            slopes_known: false,
            rows: vec![Bounds::UNKNOWN; rows],
        }
    }

    /// Another stretch begins.
    fn forget(&mut self) {
        self.width_s = f64::NAN;
    }

    #[inline]
    fn widen(&mut self, width_s: f64) {
        if self.width_s != width_s {
            self.width_s = width_s;
            (self.chords_known, self.slopes_known) = (false, false);
            self.rows.fill(Bounds::UNKNOWN);
        }
    }

    /// Distance of a watched row from its chord over a width.
    #[inline]
    pub(super) fn chord(&mut self, watch: &Watch, (modal, flow): (&Modal, &Flow), width_s: f64) -> f64 {
        self.widen(width_s);
        let (row, share) = watch.share;
        if self.rows[row].0.is_nan() {
            if !self.chords_known {
                modal.chord_deviations_into(flow, width_s, &mut self.chords);
                self.chords_known = true;
            }
            self.rows[row].0 = watch.row.chord_deviation(&self.chords, modal) / share;
        }
        self.rows[row].0 * share
    }

    /// Distance of the slope of a watched row from that of its chord over a width.
    #[inline]
    pub(super) fn slope(&mut self, watch: &Watch, (modal, flow): (&Modal, &Flow), width_s: f64) -> f64 {
        self.widen(width_s);
        let (row, share) = watch.share;
        if self.rows[row].1.is_nan() {
            if !self.slopes_known {
                modal.slope_deviations_into(flow, width_s, &mut self.slopes);
                self.slopes_known = true;
            }
            self.rows[row].1 = watch.row.slope_deviation(&self.slopes, modal) / share;
        }
        self.rows[row].1 * share
    }

    /// Distances of the coordinates from their chords over a width, where they are known.
    #[inline]
    pub(super) fn chords(&self, width_s: f64) -> Option<&StateVector> {
        (self.chords_known && self.width_s == width_s).then_some(&self.chords)
    }

    /// The same of their slopes.
    #[inline]
    pub(super) fn slopes(&self, width_s: f64) -> Option<&StateVector> {
        (self.slopes_known && self.width_s == width_s).then_some(&self.slopes)
    }
}

/// Values of one state between which none of the watches that read it alone, without a ramp, is due: one look for all of them.
pub(super) struct Corridor {
    state: usize,
    /// Bit by bit, which watches; the first of them, and one over its factor.
    members: u64,
    first: usize,
    per_factor: f64,
    /// Ends for the mode's last inputs; the wrong way round where inputs have slopes.
    low: f64,
    high: f64,
}

impl Corridor {
    /// Corridors of all states that watches read alone.
    fn of(watches: &[Watch]) -> Vec<Corridor> {
        let mut corridors: Vec<Corridor> = vec![];
        for (k, watch) in watches.iter().enumerate().take(u64::BITS as usize) {
            let Some((state, factor)) = watch.only_read().filter(|_| watch.ramp.is_none()) else { continue };
            match corridors.iter_mut().find(|corridor| corridor.state == state) {
                Some(corridor) => corridor.members |= 1 << k,
                None => corridors.push(Corridor {
                    state,
                    members: 1 << k,
                    first: k,
                    per_factor: 1.0 / factor.abs(),
                    low: f64::INFINITY,
                    high: f64::NEG_INFINITY,
                }),
            }
        }
        corridors
    }

    /// The inputs have changed.
    fn lay(&mut self, watches: &[Watch]) {
        (self.low, self.high) = (f64::NEG_INFINITY, f64::INFINITY);
        let members = self.members;
        let held = watches.iter().enumerate().take(u64::BITS as usize).filter(|(k, _)| members >> k & 1 == 1);
        for (_, watch) in held {
            let threshold = -watch.driven.0 / watch.reads[0].1;
            if watch.driven.1 != 0.0 {
                (self.low, self.high) = (f64::INFINITY, f64::NEG_INFINITY);
                return;
            }
            if watch.reads[0].1 > 0.0 {
                self.high = self.high.min(threshold);
            } else {
                self.low = self.low.max(threshold);
            }
        }
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
    corridors: Vec<Corridor>,
    /// How far rows may be from their chords in the present stretch.
    pub(super) bounds: Bounds,
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
        (outputs, mut watches): (Vec<ProjectedRow>, Vec<Watch>),
    ) -> Mode {
        let bounds = Bounds::of(&mut watches);
        let corridors = Corridor::of(&watches);
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
            bounds,
            corridors,
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
                self.corridors.iter_mut().for_each(|corridor| corridor.lay(&self.watches));
            } else if settled.inputs != *inputs {
                self.modal.set_inputs(settled, *inputs);
                let mut moved = 0;
                for (k, watch) in self.watches.iter_mut().enumerate() {
                    moved |= u64::from(watch.set_inputs(settled)).checked_shl(k as u32).unwrap_or(0);
                }
                let touched = self.corridors.iter_mut().filter(|corridor| corridor.members & moved != 0);
                touched.for_each(|corridor| corridor.lay(&self.watches));
            }
        }
        self.driven_by = number;
        self.bounds.forget();
        self.modal.begin(&mut self.flow, x);
    }

    /// Bit by bit, the watches that are sure not to be due in the present stretch up to a width, at whose end the state is `end`: what
    /// they read stays in its corridor, since its distance from its chord is bounded, or it goes straight from one end to the other.
    #[inline]
    pub(super) fn clear_watches(&mut self, end: &StateVector, width_s: f64) -> u64 {
        let place = (&*self.modal, &self.flow);
        let mut clear = 0;
        for corridor in &self.corridors {
            let (from, to) = (self.flow.start[corridor.state], end[corridor.state]);
            let (least, most) = if from < to { (from, to) } else { (to, from) };
            if !(least > corridor.low && most < corridor.high) {
                continue;
            }
            let first = &self.watches[corridor.first];
            let away = self.bounds.chord(first, place, width_s) * corridor.per_factor;
            if (least - away > corridor.low && most + away < corridor.high)
                || most - least > width_s * self.bounds.slope(first, place, width_s) * corridor.per_factor
            {
                clear |= corridor.members;
            }
        }
        clear
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
