//! Runs: stretch after stretch up to a clock edge or a number of turn-ons; rounds that repeat are counted.

use super::leap::{LOOKS, Trail};
use super::{CYCLES, Machine};
use crate::engine::error::EngineError;
use crate::engine::program::Program;
use crate::engine::run_state::RunState;
use crate::engine::sensitivity::Sensitivity;
use crate::engine::stretch::Observer;
use std::sync::atomic::Ordering;

/// Switching instants allowed in one cycle.
const INSTANTS_PER_CYCLE: usize = 4000;

/// Pulses allowed in a nominal period on the average of a run, and that many more at once: a control without a clock gives about one.
const PULSES_PER_CYCLE: u64 = 10;

const PULSES_AT_ONCE: u64 = 300;

/// Nominal periods waited for a turn-on of a scheme without a clock.
const LONGEST_PAUSE: u64 = 2000;

/// Relative change of the state in a round up to which it repeats: a run that still moves so slowly is within a hundred times that of
/// its end, and the map from edge to edge has a rounding of up to 5e-12.
const ROUND_CHANGE: f64 = 1e-11;

impl Machine {
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
    /// while, those up to then would be the same again: they are counted and not simulated, if the observer needs no more. Where they
    /// would be the same but for a course that they follow, the run leaps (docs/physics.md, "leaps").
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
        let round = LOOKS * self.look();
        let mut trail = Trail::NEW;
        let (mut before, mut begun) = (state.clone(), self.control_cycle(state));
        observer.begin_round();
        while state.cycle < last {
            // Nothing switches in a pause, and a stretch may be long.
            let look = if state.is_paused() { round } else { self.look() };
            let until = self.control_cycle(state) + look;
            let until = if self.is_clocked() { (last.min(until), u64::MAX) } else { (last, until) };
            self.run_until(state, until, program, observer, None)?;
            let passed = self.control_cycle(state) - begun;
            let moved = passed == round && self.count_repeats(&before, state, last, program, observer)
                || self.leap(state, &mut trail, last, program, observer)?;
            if moved || passed >= round {
                (before, begun) = (state.clone(), self.control_cycle(state));
                observer.begin_round();
            }
        }
        Ok(())
    }

    /// Where the latest round, which began as `before` tells, ended as it began, those that follow are counted. Whether there are any.
    fn count_repeats(
        &self,
        before: &RunState,
        state: &mut RunState,
        last: u64,
        program: &mut Program,
        observer: &mut impl Observer,
    ) -> bool {
        let drive = program.at(state.cycle, state.phase_s, self.period_s);
        if !drive.is_level() || !observer.knows_repeats() || !self.repeats(before, state) {
            return false;
        }
        let until = drive.until.0.min(state.guard.paused_until.unwrap_or(u64::MAX)).min(last);
        let round_s = (state.cycle - before.cycle) as f64 * self.period_s + (state.phase_s - before.phase_s);
        let rounds = if self.is_clocked() {
            until.saturating_sub(state.cycle) / (state.cycle - before.cycle)
        } else {
            // The last round before something else happens is simulated.
            let left_s = until.saturating_sub(state.cycle + 1) as f64 * self.period_s - state.phase_s;
            (left_s / round_s).floor() as u64
        };
        if rounds > 0 {
            observer.repeat(rounds, round_s);
            state.effort = state.effort.with(&state.effort.happened_since(&before.effort), rounds);
            let cycles = rounds * (state.cycle - before.cycle);
            self.move_on(state, (cycles, rounds as f64 * round_s));
        }
        rounds > 0
    }

    /// The same state a number of clock edges later, or without a clock a time in s later.
    pub(super) fn move_on(&self, state: &mut RunState, (cycles, by_s): (u64, f64)) {
        if self.is_clocked() {
            state.cycle += cycles;
            return;
        }
        let end_s = state.phase_s + by_s;
        let cycles = (end_s / self.period_s).floor();
        state.delay(end_s - cycles * self.period_s - state.phase_s);
        state.cycle += cycles as u64;
    }

    /// Whether a state is that of a round before.
    pub(super) fn repeats(&self, before: &RunState, state: &RunState) -> bool {
        // Without a clock a round takes whatever time it takes, but neither counts cycles nor pauses in it.
        let mut before = before.clone();
        if !self.is_clocked() {
            if !state.guard.is_steady() {
                return false;
            }
            before.delay(state.phase_s - before.phase_s);
            before.phase_s = state.phase_s;
        }
        let counts = self.circuit.board.control.protection.current_limit.is_some_and(|limit| limit.hiccup.is_some());
        let limited = |state: &RunState| if counts { state.guard.limited_cycles } else { 0 };
        let switches = |state: &RunState| (state.low_open, state.analog, state.segment, state.load_cell, state.sink);
        // Instants are sums of a few rounded ones.
        let same_time = |a: f64, b: f64| (a - b).abs() <= 1e-12 * self.period_s;
        let alike = switches(&before) == switches(state)
            && state.stage.is_like(&before.stage, same_time)
            && state.turn_off == before.turn_off
            && (before.phase_s, before.inputs) == (state.phase_s, state.inputs)
            && limited(&before) == limited(state)
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
    pub(super) fn run_until(
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
}
