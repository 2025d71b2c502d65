//! Where runs begin: at a clock edge, or from rest with a reference that rises.

use super::Machine;
use crate::board::LowSide;
use crate::engine::compensator::{self, Analog};
use crate::engine::network::{self, FLUX_STATE, Sink};
use crate::engine::row::{INPUTS, MAX_STATES, StateVector};
use crate::engine::run_state::{Begin, Effort, Guard, RunState, Stage, TurnOff};

/// Flux linkage, relative to what the output aimed at makes in a period, below which a run begins without current: what rounding
/// leaves of an orbit in which the current rests would open a diode for an instant.
const FAINT_FLUX: f64 = 1e-12;

impl Machine {
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
            inputs: [0.0; INPUTS],
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
    pub(super) fn stage_at_start(&self) -> Stage {
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
    pub(super) fn begin_rising(&self, state: &mut RunState) {
        let soft_start_s = self.circuit.board.control.protection.soft_start_s;
        state.guard = Guard { rising_since: (soft_start_s > 0.0).then_some(state.cycle), ..Guard::default() };
        state.low_open = true;
    }

    /// Reference in V, its slope in V/s, and the time after the clock edge until which they hold in s.
    pub(super) fn reference(&self, state: &RunState) -> (f64, f64, f64) {
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
}
