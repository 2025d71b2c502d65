//! The switching machine: it moves the converter from one switching instant to the next.
//!
//! Between two instants the network is affine and propagated exactly. Time is an integer cycle and a phase within
//! it. Method and conventions: docs/physics.md, "switching sequence".

mod begin;
mod clock;
mod leap;
mod reach;
mod run;
mod sequence;
mod step;
mod watched;

pub use super::mode::{Mode, Output};
pub use super::run_state::{Begin, Effort, RunState, Stage};
pub use super::stretch::{Observer, ROUND, Seen, Stretch};

use super::compensator::{self, Analog};
use super::error::EngineError;
use super::modal::Modal;
use super::mode::Watch;
use super::network::{self, Circuit, FLUX_STATE, ModeKey, Path};
use super::row::{MAX_STATES, Row};
use crate::board::{LowSide, Modulator};
use nalgebra::DMatrix;
use std::cell::Cell;
use std::collections::HashMap;
use std::sync::atomic::AtomicU64;

/// Clock periods simulated by this process so far: what a bench divides its time by.
pub static CYCLES: AtomicU64 = AtomicU64::new(0);

thread_local! {
    static WORK: Cell<u64> = const { Cell::new(0) };
}

/// Work done by this thread so far, in plain stretches: how much something costs, whatever else the computer does.
pub fn work() -> u64 {
    WORK.get()
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

    /// Whether a clock begins every cycle.
    pub fn is_clocked(&self) -> bool {
        self.clocked
    }

    fn modulator(&self) -> &Modulator {
        &self.circuit.board.control.modulator
    }

    fn comparator_delay_s(&self) -> f64 {
        self.modulator().delay_s()
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

    /// A mode that a run went through.
    pub fn mode(&mut self, key: ModeKey) -> &Mode {
        let index = self.prepare(key);
        &self.modes[index]
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
        let watched = self.watched_rows(&network, key);
        let watches = watched.into_iter().map(|(event, row, ramp)| Watch::new(event, project(&row), ramp)).collect();
        Mode::new(key, self.modes.len(), network, modal, plant_modes, (outputs, watches))
    }
}
