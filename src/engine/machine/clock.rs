//! Clock edges: pulses begun or left out, limited cycles counted, pauses; and what is read there.

use super::Machine;
use crate::board::{Foldback, Hiccup, LimitSense};
use crate::engine::mode::Output;
use crate::engine::network::Path;
use crate::engine::run_state::{Guard, RunState, Stage, TurnOff};

impl Machine {
    /// A clock edge: the next cycle, or without a clock only the next period of the time base.
    pub(super) fn clock_edge(&self, state: &mut RunState) {
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
    pub(super) fn begin_cycle(&self, state: &mut RunState) {
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
    pub(super) fn omits_pulse(&self, state: &mut RunState) -> bool {
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
    pub(super) fn stays_paused(&self, state: &mut RunState) -> bool {
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
    pub(super) fn due_hiccup(&self, state: &RunState) -> Option<Hiccup> {
        let hiccup = self.circuit.board.control.protection.current_limit?.hiccup?;
        (state.guard.limited_cycles >= hiccup.cycles).then_some(hiccup)
    }

    /// Whether the valley limit holds a turn-on back.
    pub(super) fn is_held_back(&self, state: &RunState) -> bool {
        let limit = self.circuit.board.control.protection.current_limit;
        limit.is_some_and(|limit| limit.sense == LimitSense::Valley)
            && self.read(state, Output::Inductor) > self.circuit.limit_threshold()
    }

    /// Whether the comparator of a scheme without a clock asks for a turn-on.
    pub(super) fn asks(&self, state: &RunState) -> bool {
        let network = &self.modes[self.current].network;
        let row = self.asking_comparator(network, Path::Low);
        row.is_some_and(|row| row.at(&state.x, &state.inputs) >= 0.0)
    }

    /// An output at the present instant, in the mode that has just ended.
    pub(super) fn read(&self, state: &RunState, output: Output) -> f64 {
        self.modes[self.current].output(output).at(&state.x, &state.inputs)
    }
}
