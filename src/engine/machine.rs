//! The switching machine: it moves the converter from one switching instant to the next.
//!
//! Between two instants the network is affine and propagated exactly. Time is an integer cycle and a phase within
//! it. Method and conventions: docs/physics.md, "switching sequence".

use super::compensator::{self, Analog};
use super::crossing::{Node, Track};
use super::error::EngineError;
use super::modal::{Basis, Flow, Modal, ProjectedRow};
use super::network::{self, Circuit, FLUX_STATE, ModeKey, Network, Path};
use super::program::Program;
use super::row::{Input, InputVector, MAX_STATES, Row, StateVector, dot};
use super::sensitivity::{Crossed, Sensitivity};
use crate::board::{LowSide, Modulator};
use nalgebra::DMatrix;
use std::collections::HashMap;
use std::sync::atomic::{AtomicBool, Ordering};

/// Switching instants allowed in one cycle.
const INSTANTS_PER_CYCLE: usize = 4000;
/// Nominal periods waited for a turn-on of a scheme without a clock.
const LONGEST_PAUSE: u64 = 2000;
/// Overlap of neighbouring pieces of the saturation curve, relative to the first knot: keeps a crossing from being found again.
const KNOT_OVERLAP: f64 = 1e-9;
/// Overlap at the amplifier's clamps in V, for the same reason.
const CLAMP_OVERLAP_V: f64 = 1e-9;

/// Set by the program when the user wants to stop; every run looks at it once a cycle.
pub static INTERRUPT: AtomicBool = AtomicBool::new(false);

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
    /// The amplifier reaches or leaves a clamp.
    Amplifier(Analog),
    /// The output leaves the cell about which a constant-power load is linearised.
    LoadCell(i32),
}

/// A row that is watched for becoming non-negative.
#[derive(Clone, Copy, Debug)]
struct Watch {
    event: Event,
    row: ProjectedRow,
    /// Slope in 1/s that is added per second of phase (ramps).
    per_phase: f64,
    /// The states that the row reads: few, as a rule one.
    reads: [usize; 2],
    /// Whether it reads more than those.
    reads_more: bool,
    /// Time in the stretch at which it last became non-negative: a good guess for the next cycle.
    last_s: Option<f64>,
}

impl Watch {
    fn new(event: Event, row: ProjectedRow, per_phase: f64) -> Watch {
        let read: Vec<usize> = (0..MAX_STATES).filter(|&k| row.row.x[k] != 0.0).collect();
        let reads = [read.first().copied().unwrap_or(0), read.get(1).copied().unwrap_or(MAX_STATES - 1)];
        Watch { event, row, per_phase, reads, reads_more: read.len() > 2, last_s: None }
    }

    /// Value at a state and input, without the ramp.
    #[inline]
    fn at(&self, x: &StateVector, u: &InputVector) -> f64 {
        let row = &self.row.row;
        if self.reads_more {
            return row.at(x, u);
        }
        let [a, b] = self.reads;
        // A row that reads one state has a zero for the second.
        row.x[a] * x[a] + if b == a { 0.0 } else { row.x[b] * x[b] } + dot(&row.u, u)
    }
}

/// A mode, ready to run: its network in modal form with everything that is read or watched in it.
pub struct Mode {
    /// Which mode.
    pub key: ModeKey,
    /// Its equations.
    pub network: Network,
    /// Their modal form.
    pub modal: Modal,
    outputs: Vec<ProjectedRow>,
    watches: Vec<Watch>,
    /// Last durations with their exponentials: dead times and delays come back in every cycle.
    recent: [(f64, Basis); 4],
    oldest: usize,
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

    fn remember(&mut self, duration_s: f64) -> &Basis {
        let known = self.recent.iter().position(|(known_s, _)| *known_s == duration_s);
        let index = known.unwrap_or_else(|| {
            let index = self.oldest;
            self.recent[index].0 = duration_s;
            self.modal.basis_into(duration_s, &mut self.recent[index].1);
            self.oldest = (index + 1) % self.recent.len();
            index
        });
        &self.recent[index].1
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
}

impl Stretch<'_> {
    /// An output as a function of time within the stretch.
    pub fn track(&self, output: Output) -> Track<'_> {
        Track::new(&self.mode.modal, self.flow, self.mode.output(output), (0.0, 0.0))
    }

    /// Inputs at a time within the stretch.
    pub fn inputs(&self, t_s: f64) -> InputVector {
        std::array::from_fn(|k| self.flow.inputs[k] + self.flow.input_slopes[k] * t_s)
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
}

/// Sees nothing.
impl Observer for () {
    fn stretch(&mut self, _: &Stretch<'_>) {}
}

/// Both see every stretch.
impl<A: Observer, B: Observer> Observer for (A, B) {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        self.0.stretch(stretch);
        self.1.stretch(stretch);
    }
}

impl<T: Observer> Observer for &mut T {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        (**self).stretch(stretch);
    }
}

/// Where the switching sequence stands. Instants are times after the clock edge in s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Stage {
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
    /// High side closed.
    On,
    /// High side closed, turn-off under way.
    Tripped {
        /// High side opens.
        off_s: f64,
    },
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
    /// Low side closed, turn-on under way (without a clock only).
    Asked {
        /// The turn-on begins.
        on_s: f64,
    },
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
    /// Instant at which the high side closed last.
    turn_on_s: f64,
    /// Turn-off that the comparator asked for before the high side was closed.
    early_off_s: Option<f64>,
    /// Effort so far.
    pub effort: Effort,
}

/// How much work a run was.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Effort {
    /// Stretches propagated.
    pub stretches: u64,
    /// Instants that had to be located.
    pub located: u64,
}

/// The machine for one circuit.
pub struct Machine {
    /// The circuit.
    pub circuit: Circuit,
    /// Number of states.
    pub states: usize,
    period_s: f64,
    dead_s: f64,
    latest_off_s: f64,
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
        if circuit.load_w > 0.0 && circuit.bank.iter().all(|branch| branch.esl_h > 0.0) {
            return Err(EngineError::PowerIntoInductance);
        }
        if circuit.bank.iter().filter(|branch| branch.esl_h == 0.0 && branch.esr_ohm == 0.0).count() > 1 {
            return Err(EngineError::TwoIdealBranches);
        }
        let period_s = 1.0 / circuit.board.frequency_hz;
        let dead_s = circuit.dead_time_s();
        let latest_off_s = period_s - circuit.board.control.min_off_s.max(dead_s);
        Ok(Machine {
            circuit,
            states,
            period_s,
            dead_s,
            latest_off_s,
            modes: vec![],
            index: HashMap::new(),
            current: 0,
        })
    }

    /// Switching period in s.
    pub fn period_s(&self) -> f64 {
        self.period_s
    }

    /// State of a run that stands at a clock edge.
    pub fn at_clock(&self, x: StateVector) -> RunState {
        let flux = x[FLUX_STATE];
        let segment = self.circuit.flux.locate(flux) as i32;
        let mut state = RunState {
            x,
            cycle: 0,
            phase_s: 0.0,
            stage: Stage::Off,
            low_open: false,
            turn_ons: 0,
            analog: Analog::Linear,
            segment: if flux < 0.0 { -segment } else { segment },
            load_cell: 0,
            turn_on_s: 0.0,
            early_off_s: None,
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
        if self.is_clocked() { self.stage_at_turn_on(0.0) } else { Stage::Asked { on_s: self.comparator_delay_s() } }
    }

    /// Whether a clock begins every cycle.
    pub fn is_clocked(&self) -> bool {
        !matches!(self.circuit.board.control.modulator, Modulator::ConstantOnTime { .. } | Modulator::Hysteretic { .. })
    }

    /// Time after the clock edge at which the high side opens at the latest.
    fn longest_on_s(&self, turn_on_s: f64) -> f64 {
        match self.circuit.board.control.modulator {
            Modulator::FixedDuty { duty } => (turn_on_s + duty * self.period_s).min(self.latest_off_s),
            _ if self.is_clocked() => self.latest_off_s,
            _ => f64::INFINITY,
        }
    }

    /// A turn-on begins: the low side opens, and after the dead time the high side closes.
    fn stage_at_turn_on(&self, now_s: f64) -> Stage {
        if self.dead_s > 0.0 { Stage::LeadDead { until_s: now_s + self.dead_s } } else { self.stage_closed(now_s) }
    }

    fn begin_turn_on(&self, state: &mut RunState, now_s: f64) {
        state.stage = self.stage_at_turn_on(now_s);
        if self.dead_s == 0.0 {
            self.note_closed(state, now_s);
        }
    }

    /// What holds from the instant at which the high side closes: emulation closes the low side again after this pulse.
    fn note_closed(&self, state: &mut RunState, now_s: f64) {
        state.low_open = false;
        state.turn_on_s = now_s;
    }

    /// The high side closes.
    fn stage_closed(&self, now_s: f64) -> Stage {
        let control = &self.circuit.board.control;
        match control.modulator {
            Modulator::PeakCurrent { .. } | Modulator::Hysteretic { .. } if control.min_on_s > 0.0 => {
                Stage::Blank { until_s: now_s + control.min_on_s }
            }
            Modulator::ConstantOnTime { on_time_s, .. } => {
                Stage::Tripped { off_s: now_s + on_time_s * self.circuit.board.nominal_input_v / self.circuit.source_v }
            }
            _ => Stage::On,
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
        self.run_until(state, |state| state.cycle >= last, program, observer, sensitivity)
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
        let (last, give_up) = (state.turn_ons + cycles, state.cycle + LONGEST_PAUSE * cycles);
        let done = |state: &RunState| state.turn_ons >= last || state.cycle >= give_up;
        self.run_until(state, done, program, observer, sensitivity)
    }

    fn run_until(
        &mut self,
        state: &mut RunState,
        done: impl Fn(&RunState) -> bool,
        program: &mut Program,
        observer: &mut impl Observer,
        mut sensitivity: Option<&mut Sensitivity>,
    ) -> Result<(), EngineError> {
        let mut instants = 0;
        while !done(state) {
            let before = state.cycle;
            self.step(state, program, observer, sensitivity.as_deref_mut())?;
            instants += 1;
            if state.cycle != before {
                instants = 0;
                if INTERRUPT.load(Ordering::Relaxed) {
                    return Err(EngineError::Interrupted);
                }
                if !state.x.iter().all(|value| value.is_finite() && value.abs() < 1e9) {
                    return Err(EngineError::RanAway { cycle: state.cycle });
                }
            } else if instants > INSTANTS_PER_CYCLE {
                let (cycle, phase_s) = (state.cycle, state.phase_s);
                return Err(EngineError::Chatter { cycle, phase_s, limit: INSTANTS_PER_CYCLE });
            }
        }
        Ok(())
    }

    /// One stretch: propagate to the next instant and do what happens there.
    fn step(
        &mut self,
        state: &mut RunState,
        program: &mut Program,
        observer: &mut impl Observer,
        sensitivity: Option<&mut Sensitivity>,
    ) -> Result<(), EngineError> {
        let key = self.mode_key(state);
        let mode_index = self.prepare(key);
        let load = program.at(state.cycle, state.phase_s, self.period_s);
        let timer_s = self.timer_s(state);
        let end_s = timer_s.min(load.until_s);
        let allowed_s = (end_s - state.phase_s).max(0.0);
        let inputs = self.inputs(load.value_a, load.slope_a_per_s);
        let mut slopes = [0.0; super::row::INPUTS];
        slopes[Input::Load as usize] = load.slope_a_per_s;

        let mode = &mut self.modes[mode_index];
        let mut flow = Flow::at(&state.x, inputs, slopes);
        mode.modal.fill(&mut flow);
        // The end of the stretch moves from the timer's instant to that of the first event.
        let mut at = Node { t_s: allowed_s, value: 0.0, basis: *mode.remember(allowed_s) };
        let mut end = state.x;
        if allowed_s > 0.0 {
            mode.modal.state_into(&flow, allowed_s, &at.basis, &mut end);
        }
        let event = earliest_event(mode, &flow, state, &mut at, &end);
        let mode = &self.modes[mode_index];
        let duration_s = at.t_s;
        if event.is_some() {
            state.effort.located += 1;
            if duration_s > 0.0 {
                mode.modal.state_into(&flow, duration_s, &at.basis, &mut end);
            } else {
                end = state.x;
            }
        }
        if key.path == Path::Idle {
            // Without current there is no flux: what rounding leaves would pass for a current.
            end[FLUX_STATE] = 0.0;
        }
        let mut tau = sensitivity;
        if let Some(sensitivity) = tau.as_deref_mut() {
            let crossed = event.map(|event| {
                let watch = mode.watch(event);
                Crossed { row: &watch.row.row, per_phase: watch.per_phase, is_trip: event == Event::Trip }
            });
            sensitivity.stretch(mode, &flow, (state.phase_s, duration_s), &end, crossed);
        }
        if duration_s > 0.0 {
            state.effort.stretches += 1;
            observer.stretch(&Stretch {
                cycle: state.cycle,
                phase_s: state.phase_s,
                duration_s,
                mode,
                flow: &flow,
                end: &end,
                end_basis: &at.basis,
            });
        }
        state.x = end;
        state.phase_s = if event.is_none() { end_s } else { state.phase_s + duration_s };
        match event {
            Some(event) => self.on_event(state, event, tau),
            None if timer_s <= load.until_s => self.on_timer(state, tau),
            None => {}
        }
        Ok(())
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

    fn inputs(&self, load_a: f64, load_slew: f64) -> InputVector {
        let mut inputs = [0.0; super::row::INPUTS];
        inputs[Input::One as usize] = 1.0;
        inputs[Input::Source as usize] = self.circuit.source_v;
        inputs[Input::Load as usize] = load_a;
        inputs[Input::Reference as usize] = compensator::reference_v(&self.circuit.board.control.compensator);
        inputs[Input::LoadSlew as usize] = load_slew;
        inputs
    }

    /// Mode in which the run is.
    fn mode_key(&self, state: &RunState) -> ModeKey {
        let flux = state.x[FLUX_STATE];
        let freewheel = if flux > 0.0 {
            Path::LowDiode
        } else if flux < 0.0 {
            Path::HighDiode
        } else {
            Path::Idle
        };
        let path = match state.stage {
            Stage::Blank { .. } | Stage::On | Stage::Tripped { .. } => Path::High,
            Stage::LeadDead { .. } | Stage::TrailDead { .. } => freewheel,
            Stage::Rest { .. } | Stage::Off | Stage::Asked { .. } => match self.circuit.board.stage.low_side {
                LowSide::Switch { .. } if !state.low_open => Path::Low,
                _ => freewheel,
            },
        };
        ModeKey { path, segment: state.segment, analog: state.analog, load_cell: state.load_cell }
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
        let modal = Modal::new(&network.derivative, self.period_s);
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
        let outputs = rows.iter().map(|row| modal.project(row)).collect();
        let watches = self
            .watched_rows(&network, key)
            .into_iter()
            .map(|(event, row, per_phase)| Watch::new(event, modal.project(&row), per_phase))
            .collect();
        let plant_modes = modal.modes_of(network.plant_states);
        Mode {
            key,
            network,
            modal,
            plant_modes,
            next: [self.modes.len(); 2],
            outputs,
            watches,
            recent: [(-1.0, [0.0; MAX_STATES]); 4],
            oldest: 0,
        }
    }

    /// Everything that may end a stretch in a mode, as rows that become non-negative.
    fn watched_rows(&self, network: &Network, key: ModeKey) -> Vec<(Event, Row, f64)> {
        let mut rows = self.knot_rows(key);
        let current = network.inductor_a;
        let emulation = matches!(self.circuit.board.stage.low_side, LowSide::Switch { emulation: true, .. });
        match key.path {
            Path::LowDiode => rows.push((Event::Zero, -current, 0.0)),
            Path::Low if emulation => rows.push((Event::Zero, -current, 0.0)),
            Path::HighDiode => rows.push((Event::Zero, current, 0.0)),
            _ => {}
        }
        if let Some((row, per_phase)) = self.comparator(network, key.path) {
            rows.push((Event::Trip, row, per_phase));
        }
        rows.extend(self.asking_comparator(network, key.path).map(|row| (Event::Ask, row, 0.0)));
        if let (Path::High, Some(limit)) = (key.path, self.circuit.board.control.current_limit) {
            rows.push((Event::Limit, current - Row::constant(limit.threshold_a.1), 0.0));
        }
        rows.extend(self.amplifier_rows(network, key.analog));
        if self.circuit.load_w > 0.0 {
            let (low_v, high_v) = self.circuit.cell_edges_v(key.load_cell);
            rows.push((Event::LoadCell(1), network.output_v - Row::constant(high_v), 0.0));
            rows.push((Event::LoadCell(-1), Row::constant(low_v) - network.output_v, 0.0));
        }
        rows
    }

    fn knot_rows(&self, key: ModeKey) -> Vec<(Event, Row, f64)> {
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
            rows.push((Event::Knot(1), flux - Row::constant(high + overlap), 0.0));
        }
        if low.is_finite() {
            rows.push((Event::Knot(-1), Row::constant(low - overlap) - flux, 0.0));
        }
        rows
    }

    /// Comparator of the modulator: its row, and the slope of its ramp per second of phase. The ramp comparator of voltage mode
    /// is alive from the clock edge on, a current comparator only while the high side conducts.
    fn comparator(&self, network: &Network, path: Path) -> Option<(Row, f64)> {
        match self.circuit.board.control.modulator {
            Modulator::FixedDuty { .. } | Modulator::ConstantOnTime { .. } => None,
            Modulator::PeakCurrent { .. } | Modulator::Hysteretic { .. } if path != Path::High => None,
            Modulator::Hysteretic { band_v, .. } => {
                Some((network.control_v - Row::input(Input::Reference) - Row::constant(0.5 * band_v), 0.0))
            }
            Modulator::VoltageMode { .. } => {
                Some((network.probe - network.control_v, self.circuit.ramp_v() / self.period_s))
            }
            Modulator::PeakCurrent { gain_a_per_v, slope_a_per_s, .. } => {
                Some((network.inductor_a + network.probe - network.control_v * gain_a_per_v, slope_a_per_s))
            }
        }
    }

    /// Comparator that asks for a turn-on where there is no clock.
    fn asking_comparator(&self, network: &Network, path: Path) -> Option<Row> {
        let below = match self.circuit.board.control.modulator {
            Modulator::ConstantOnTime { .. } => 0.0,
            Modulator::Hysteretic { band_v, .. } => 0.5 * band_v,
            _ => return None,
        };
        (path != Path::High).then(|| Row::input(Input::Reference) - Row::constant(below) - network.control_v)
    }

    fn amplifier_rows(&self, network: &Network, analog: Analog) -> Vec<(Event, Row, f64)> {
        let Some((low_v, high_v)) = compensator::clamp_v(&self.circuit.board.control.compensator) else {
            return vec![];
        };
        let control = network.control_v;
        match analog {
            Analog::Linear => vec![
                (Event::Amplifier(Analog::ClampHigh), control - Row::constant(high_v + CLAMP_OVERLAP_V), 0.0),
                (Event::Amplifier(Analog::ClampLow), Row::constant(low_v - CLAMP_OVERLAP_V) - control, 0.0),
            ],
            Analog::ClampHigh => vec![(Event::Amplifier(Analog::Linear), -network.drive, 0.0)],
            Analog::ClampLow => vec![(Event::Amplifier(Analog::Linear), network.drive, 0.0)],
        }
    }

    /// Time after the clock edge at which the stage changes by itself, the next edge at the latest. Without a clock the edges
    /// only count time.
    fn timer_s(&self, state: &RunState) -> f64 {
        let stage_s = match state.stage {
            Stage::LeadDead { until_s } | Stage::Blank { until_s } | Stage::TrailDead { until_s } => until_s,
            Stage::Tripped { off_s } => off_s,
            Stage::On => self.longest_on_s(state.turn_on_s).max(state.phase_s),
            Stage::Rest { until_s } => until_s,
            Stage::Asked { on_s } => on_s,
            Stage::Off => f64::INFINITY,
        };
        stage_s.min(self.period_s)
    }

    fn on_event(&self, state: &mut RunState, event: Event, sensitivity: Option<&mut Sensitivity>) {
        let now_s = state.phase_s;
        match event {
            Event::Knot(direction) => state.segment += direction,
            Event::Zero => {
                state.x[FLUX_STATE] = 0.0;
                state.segment = 0;
                state.low_open = matches!(state.stage, Stage::Rest { .. } | Stage::Off | Stage::Asked { .. });
            }
            Event::Ask => {
                state.turn_ons += 1;
                state.stage = Stage::Asked { on_s: now_s + self.comparator_delay_s() };
                sensitivity.into_iter().for_each(|s| s.start_timer(true));
            }
            Event::Trip | Event::Limit => {
                let delay_s = match event {
                    Event::Limit => self.circuit.board.control.current_limit.map_or(0.0, |limit| limit.delay_s),
                    _ => self.comparator_delay_s(),
                };
                // A shortest conduction holds where nothing is blanked: the turn-off then waits for it.
                let least_s = state.turn_on_s + self.circuit.board.control.min_on_s;
                let latest_s = self.longest_on_s(state.turn_on_s).max(now_s);
                let wanted_s = now_s + delay_s;
                let off_s = wanted_s.max(least_s).min(latest_s);
                let follows = off_s == wanted_s;
                if matches!(state.stage, Stage::LeadDead { .. }) {
                    state.early_off_s = Some(off_s);
                    sensitivity.into_iter().for_each(|s| s.start_early_off(follows));
                } else {
                    state.stage = Stage::Tripped { off_s };
                    sensitivity.into_iter().for_each(|s| s.start_timer(follows));
                }
            }
            Event::Amplifier(next) => {
                if let (Analog::Linear, Some((low_v, high_v))) =
                    (state.analog, compensator::clamp_v(&self.circuit.board.control.compensator))
                {
                    let held_v = if next == Analog::ClampHigh { high_v } else { low_v };
                    state.x[network::compensator_state(&self.circuit)] = held_v;
                }
                state.analog = next;
            }
            Event::LoadCell(direction) => state.load_cell += direction,
        }
    }

    fn comparator_delay_s(&self) -> f64 {
        match self.circuit.board.control.modulator {
            Modulator::VoltageMode { delay_s, .. }
            | Modulator::PeakCurrent { delay_s, .. }
            | Modulator::ConstantOnTime { delay_s, .. }
            | Modulator::Hysteretic { delay_s, .. } => delay_s,
            Modulator::FixedDuty { .. } => 0.0,
        }
    }

    fn on_timer(&self, state: &mut RunState, mut sensitivity: Option<&mut Sensitivity>) {
        let now_s = state.phase_s;
        if now_s >= self.period_s {
            if let Some(sensitivity) = sensitivity.as_deref_mut() {
                sensitivity.clock_edge();
            }
            return self.clock_edge(state, sensitivity);
        }
        if let Some(sensitivity) = sensitivity.as_deref_mut() {
            sensitivity.timer_expired();
        }
        // Every timer that starts here counts from the present instant, but for those that the clock ends.
        let mut follows = true;
        match state.stage {
            Stage::Asked { .. } => self.begin_turn_on(state, now_s),
            Stage::LeadDead { .. } => {
                self.note_closed(state, now_s);
                match state.early_off_s.take() {
                    None => state.stage = self.stage_closed(now_s),
                    Some(asked_s) => {
                        let least_s = now_s + self.circuit.board.control.min_on_s;
                        let off_s = asked_s.max(least_s).min(self.latest_off_s.max(now_s));
                        // A turn-off that was asked for before the turn-on suppresses the pulse.
                        state.stage = if off_s <= now_s { Stage::Off } else { Stage::Tripped { off_s } };
                        if let (true, Some(sensitivity)) = (off_s == asked_s, sensitivity.as_deref_mut()) {
                            sensitivity.resume_early_off();
                            return;
                        }
                    }
                }
                follows = state.stage != Stage::On;
            }
            Stage::Blank { .. } => {
                state.stage = Stage::On;
                follows = false;
            }
            Stage::On | Stage::Tripped { .. } if self.dead_s > 0.0 => {
                state.stage = Stage::TrailDead { until_s: now_s + self.dead_s };
            }
            Stage::On | Stage::Tripped { .. } | Stage::TrailDead { .. } => {
                // Diode emulation does not close the low side on a current that has already ended.
                let emulation = matches!(self.circuit.board.stage.low_side, LowSide::Switch { emulation: true, .. });
                state.low_open = emulation && state.x[FLUX_STATE] <= 0.0;
                state.stage = self.stage_resting(now_s - self.dead_s);
            }
            Stage::Rest { .. } => state.stage = Stage::Off,
            Stage::Off => {}
        }
        if let Some(sensitivity) = sensitivity {
            sensitivity.start_timer(follows);
        }
    }

    /// Stage after a turn-off at an instant.
    fn stage_resting(&self, off_s: f64) -> Stage {
        let least_s = self.circuit.board.control.min_off_s;
        if self.is_clocked() || least_s <= self.dead_s { Stage::Off } else { Stage::Rest { until_s: off_s + least_s } }
    }

    /// A clock edge: the next cycle, or without a clock only the next period of the time base.
    fn clock_edge(&self, state: &mut RunState, sensitivity: Option<&mut Sensitivity>) {
        state.cycle += 1;
        state.phase_s = 0.0;
        if self.is_clocked() {
            state.turn_on_s = 0.0;
            state.early_off_s = None;
            self.begin_turn_on(state, 0.0);
            sensitivity.into_iter().for_each(|s| s.start_timer(true));
            return;
        }
        let earlier = |at_s: f64| at_s - self.period_s;
        state.turn_on_s = earlier(state.turn_on_s);
        state.stage = match state.stage {
            Stage::LeadDead { until_s } => Stage::LeadDead { until_s: earlier(until_s) },
            Stage::Blank { until_s } => Stage::Blank { until_s: earlier(until_s) },
            Stage::Tripped { off_s } => Stage::Tripped { off_s: earlier(off_s) },
            Stage::TrailDead { until_s } => Stage::TrailDead { until_s: earlier(until_s) },
            Stage::Rest { until_s } => Stage::Rest { until_s: earlier(until_s) },
            Stage::Asked { on_s } => Stage::Asked { on_s: earlier(on_s) },
            Stage::On | Stage::Off => state.stage,
        };
    }
}

/// Which events count in a stage.
fn is_armed(stage: Stage, event: Event) -> bool {
    match event {
        Event::Trip => matches!(stage, Stage::LeadDead { .. } | Stage::On),
        Event::Limit => stage == Stage::On,
        Event::Ask => stage == Stage::Off,
        _ => true,
    }
}

/// The first event up to `at`, which is then moved there. `end` is the state at `at`.
fn earliest_event(mode: &mut Mode, flow: &Flow, state: &RunState, at: &mut Node, end: &StateVector) -> Option<Event> {
    let allowed_s = at.t_s;
    let modal = &mode.modal;
    let deviations = modal.chord_deviations(flow, allowed_s);
    let end_inputs: InputVector = std::array::from_fn(|k| flow.inputs[k] + flow.input_slopes[k] * allowed_s);
    let mut first: Option<Event> = None;
    for watch in &mut mode.watches {
        if !is_armed(state.stage, watch.event) || (watch.event == Event::Trip && state.early_off_s.is_some()) {
            continue;
        }
        let ramp = |t_s: f64| watch.per_phase * (state.phase_s + t_s);
        let start_value = watch.at(&flow.start, &flow.inputs) + ramp(0.0);
        let end_value = watch.at(end, &end_inputs) + ramp(allowed_s);
        // Most watches are far from their threshold all the way: their chord and its bound say so.
        if !modal.is_dense() && start_value.max(end_value) + watch.row.chord_deviation(&deviations, modal) < 0.0 {
            continue;
        }
        let track = Track::new(modal, flow, &watch.row, (ramp(0.0), watch.per_phase));
        at.value = track.value_at_basis(&at.basis, at.t_s);
        if track.first_crossing(at, watch.last_s) {
            watch.last_s = Some(at.t_s);
            first = Some(watch.event);
        }
    }
    first
}

impl Mode {
    fn watch(&self, event: Event) -> &Watch {
        self.watches.iter().find(|watch| watch.event == event).expect("an event comes from a watch of its mode")
    }
}
