//! One stretch: what drives it, when it ends at the latest, and what it ends with.

use super::reach::reach;
use super::{Machine, WORK};
use crate::engine::compensator::Analog;
use crate::engine::crossing::Node;
use crate::engine::error::EngineError;
use crate::engine::mode::Event;
use crate::engine::network::{FLUX_STATE, ModeKey, Path};
use crate::engine::program::{Drive, Line, Program};
use crate::engine::row::{INPUTS, Input, InputVector, MAX_STATES, StateVector};
use crate::engine::run_state::{RunState, Stage};
use crate::engine::sensitivity::{Crossed, Sensitivity};
use crate::engine::stretch::{Observer, ROUND, Stretch};
use std::cell::OnceCell;

/// Stretches that a machine propagates by the matrix exponential before it gives up: some ten milliseconds each, a steady state
/// without a hitch needs a thousand.
const MOST_BY_EXPONENTIAL: u64 = 2500;

/// Periods that a stretch may last without a clock, whose edges only count time: the slow block's polynomials hold for that long.
const UNCUT_PERIODS: u64 = 2;

/// Periods that a stretch may last in a pause, where those polynomials hold: nothing switches, and no more are ever looked at in one go.
const PAUSED_PERIODS: u64 = ROUND;

/// The cycle at whose edge, and the turn-on at which, a run ends.
pub(super) type Last = (u64, u64);

/// Instants at which nothing happens in the circuit and that a stretch need not end at.
#[derive(Clone, Copy)]
struct Passes {
    /// The end of blanking.
    blanking: bool,
    /// The trip of a comparator whose delay follows.
    comparators: bool,
}

/// What drives a stretch.
pub(super) struct Driven {
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
    pub(super) fn holds(&self, state: &RunState) -> bool {
        self.constant && state.guard.is_steady() && (state.cycle, state.phase_s) < self.drive.until
    }

    /// Inputs at a time from the begin of the stretch.
    pub(super) fn inputs_after(&self, t_s: f64) -> InputVector {
        if self.constant { self.inputs } else { std::array::from_fn(|k| self.inputs[k] + self.slopes[k] * t_s) }
    }
}

/// Times after the clock edge at which a stretch ends at the latest, in s.
#[derive(Clone, Copy)]
pub(super) struct Ends {
    pub(super) stage_s: f64,
    pub(super) edge_s: f64,
    pub(super) drive_s: f64,
    /// From when on comparators are looked at: what trips before leaves the stage to end there.
    pub(super) looked_s: f64,
}

impl Ends {
    /// The same where comparators are not looked at, and the stage does not end, before a time.
    pub(super) fn looking_from(self, blank_s: Option<f64>) -> Ends {
        match blank_s {
            Some(looked_s) => Ends { stage_s: self.stage_s.max(looked_s), looked_s, ..self },
            None => self,
        }
    }

    pub(super) fn first_s(&self) -> f64 {
        self.stage_s.min(self.edge_s).min(self.drive_s)
    }

    pub(super) fn reached(&self) -> Reached {
        if self.edge_s <= self.stage_s.min(self.drive_s) {
            Reached::Edge
        } else if self.stage_s <= self.drive_s {
            Reached::Timer
        } else {
            Reached::Drive
        }
    }
}

/// What a stretch ends with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Reached {
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
    pub(super) fn event(self) -> Option<Event> {
        if let Reached::Event(event) = self { Some(event) } else { None }
    }
}

impl Machine {
    /// One stretch: propagate to the next instant and do what happens there.
    pub(super) fn step(
        &mut self,
        state: &mut RunState,
        last: Last,
        driven: &Driven,
        observer: &mut impl Observer,
        mut sensitivity: Option<&mut Sensitivity>,
    ) -> Result<(), EngineError> {
        let key = self.mode_key(state, driven.drive.shorted);
        let index = self.prepare(key);
        self.modes[index].begin(&state.x, (&driven.inputs, &driven.slopes), driven.number);
        let dense = self.modes[index].modal.is_dense();
        self.by_exponential += u64::from(dense);
        WORK.set(WORK.get() + work(dense, sensitivity.is_some(), observer.samples()));
        if self.by_exponential > MOST_BY_EXPONENTIAL {
            return Err(EngineError::TooSlow { cycle: state.cycle, stretches: self.by_exponential });
        }
        state.inputs = driven.inputs;
        let begin = (state.cycle, state.phase_s);
        let (mut end, mut at) = ([0.0; MAX_STATES], Node { t_s: 0.0, value: 0.0, basis: [0.0; MAX_STATES] });
        // Only the period map, and who takes samples, need the instants at which nothing happens in the circuit.
        let passes =
            Passes { blanking: sensitivity.is_none() && !observer.samples(), comparators: sensitivity.is_none() };
        let reached = self.propagate(state, last, driven, passes, (&mut at, &mut end))?;
        self.correct(key, state.analog, &mut end);
        let mode = &self.modes[index];
        if let Some(sensitivity) = sensitivity.as_deref_mut() {
            let crossed = reached.event().map(|event| {
                let watch = mode.watch(event);
                let per_phase = watch.ramp.slope(state.input_at_edge_v);
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
        self.happen(state, reached, sensitivity);
        Ok(())
    }

    /// Moves the present instant in the current mode to the next one at which something happens in the circuit.
    fn propagate(
        &mut self,
        state: &mut RunState,
        (last_cycle, last_turn_on): Last,
        driven: &Driven,
        passes: Passes,
        (at, end): (&mut Node, &mut StateVector),
    ) -> Result<Reached, EngineError> {
        let (mode, cycle, phase_s) = (self.current, state.cycle, state.phase_s);
        // Nothing happens in the circuit as blanking ends.
        let mut blank_s = state.blank_s().filter(|_| passes.blanking);
        if blank_s.is_some() {
            state.stage = Stage::On;
        }
        loop {
            let ends = self.ends(state, &driven.drive, last_cycle, mode).looking_from(blank_s);
            let reached = reach(&mut self.modes[mode], state, phase_s, ends, at, end)
                .map_err(|event| EngineError::Unresolved { event: event.name(), cycle, phase_s })?;
            if let Some(until_s) = blank_s.take().filter(|&until_s| state.phase_s <= until_s) {
                state.stage = Stage::Blank { until_s };
            }
            self.pass_edges(state, reached);
            state.effort.located += u64::from(matches!(reached, Reached::Event(_)));
            let event = match reached {
                Reached::Event(event) if event.is_comparator() && passes.comparators => event,
                _ => return Ok(reached),
            };
            state.x = *end;
            state.inputs = driven.inputs_after(at.t_s);
            if event == Event::Ask && (state.turn_ons + 1 >= last_turn_on || self.is_held_back(state)) {
                return Ok(reached);
            }
            // A comparator alone changes nothing in the circuit: the stretch goes on while its delay passes.
            self.on_event(state, event, None);
        }
    }

    /// Takes rounding away from a state at the end of a stretch.
    fn correct(&self, key: ModeKey, analog: Analog, end: &mut StateVector) {
        if key.path == Path::Idle {
            // Without current there is no flux: what rounding leaves would pass for a current.
            end[FLUX_STATE] = 0.0;
        }
        if let Some((index, held_v)) = self.held(analog) {
            // Nor does a clamped output move: what rounding adds would pass for a command.
            end[index] = held_v;
        }
    }

    /// Does what happens at the instant that has been reached.
    fn happen(&self, state: &mut RunState, reached: Reached, sensitivity: Option<&mut Sensitivity>) {
        match reached {
            Reached::Event(event) => self.on_event(state, event, sensitivity),
            Reached::Timer => self.on_timer(state, sensitivity),
            Reached::Edge => {
                // Every edge but the last is only counted; the last is where it is to the last bit.
                for left in (1..=(state.phase_s / self.period_s).round() as u64).rev() {
                    state.phase_s = left as f64 * self.period_s;
                    self.clock_edge(state);
                }
                sensitivity.into_iter().for_each(|s| s.clock_edge(self.is_clocked()));
            }
            Reached::Drive => {}
        }
    }

    /// What drives the run from the present instant on.
    pub(super) fn driven(&mut self, state: &RunState, program: &mut Program) -> Driven {
        let drive = program.at(state.cycle, state.phase_s, self.period_s);
        let source_v = drive.source_v.unwrap_or(Line { value: self.circuit.source_v, slope_per_s: 0.0 });
        let (value, slope_per_s, _) = self.reference(state);
        let (inputs, slopes) = inputs_of(source_v, drive.load_a, Line { value, slope_per_s });
        self.drives += 1;
        let constant = slopes.iter().all(|&slope| slope == 0.0) && state.guard.is_steady();
        Driven { drive, inputs, slopes, constant, number: self.drives }
    }

    /// When a stretch ends at the latest, seen from the present instant.
    pub(super) fn ends(&self, state: &RunState, drive: &Drive, last_cycle: u64, mode: usize) -> Ends {
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
    pub(super) fn pass_edges(&self, state: &mut RunState, reached: Reached) {
        let only_counted = !self.is_clocked() || state.is_paused();
        while only_counted && reached != Reached::Edge && state.phase_s > self.period_s {
            self.clock_edge(state);
        }
        if matches!(state.stage, Stage::Rest { until_s } if state.phase_s >= until_s) {
            state.stage = Stage::Off;
        }
    }

    /// Periods after this cycle's clock edge at which a stretch ends at the latest, at an edge: without a clock an edge is no
    /// instant unless something is counted or ends there. `next` is the cycle in which the run ends or is driven otherwise.
    pub(super) fn periods_uncut(&self, state: &RunState, next: u64) -> u64 {
        if self.is_clocked() || self.due_hiccup(state).is_some() {
            return 1;
        }
        next.saturating_sub(state.cycle).clamp(1, UNCUT_PERIODS)
    }

    /// The same in a pause, in which edges only count time too, with a clock or without.
    pub(super) fn periods_paused(&self, state: &RunState, next: u64, mode: usize) -> u64 {
        let hold = (self.modes[mode].modal.slow_holds_s() / self.period_s).min(PAUSED_PERIODS as f64) as u64;
        next.saturating_sub(state.cycle).clamp(1, hold.max(1))
    }

    /// Time after the clock edge at which the stage changes by itself.
    pub(super) fn timer_s(&self, state: &RunState) -> f64 {
        match state.stage {
            Stage::LeadDead { until_s } | Stage::Blank { until_s } | Stage::TrailDead { until_s } => until_s,
            Stage::On => self.longest_on_s(state.turn_on_s).min(state.turn_off.first_s()).max(state.phase_s),
            Stage::Asked { on_s } => on_s,
            Stage::Edge => state.phase_s,
            // A rest only keeps the comparator from being looked at.
            Stage::Rest { .. } | Stage::Off | Stage::Held | Stage::Paused => f64::INFINITY,
        }
    }
}

/// Work that a stretch is, in plain ones: by the matrix exponential, with the linearised map, with samples taken of it.
fn work(dense: bool, linearised: bool, sampled: bool) -> u64 {
    match (dense, linearised, sampled) {
        (true, _, _) => 100,
        (false, true, _) => 10,
        (false, false, true) => 20,
        (false, false, false) => 1,
    }
}

/// Inputs at the begin of a stretch and their slopes.
fn inputs_of(source_v: Line, load_a: Line, reference_v: Line) -> (InputVector, InputVector) {
    let (mut inputs, mut slopes) = ([0.0; INPUTS], [0.0; INPUTS]);
    inputs[Input::One as usize] = 1.0;
    inputs[Input::LoadSlew as usize] = load_a.slope_per_s;
    for (input, line) in [(Input::Source, source_v), (Input::Load, load_a), (Input::Reference, reference_v)] {
        inputs[input as usize] = line.value;
        slopes[input as usize] = line.slope_per_s;
    }
    (inputs, slopes)
}
