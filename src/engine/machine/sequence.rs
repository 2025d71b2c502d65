//! The switching sequence: what events and timers do.

use super::Machine;
use crate::board::{LowSide, OnTime};
use crate::engine::mode::Event;
use crate::engine::network::FLUX_STATE;
use crate::engine::network::Path;
use crate::engine::run_state::{Opener, RunState, Stage, TurnOff};
use crate::engine::sensitivity::Sensitivity;

use super::watched::KNOT_OVERLAP;

impl Machine {
    pub(super) fn on_event(&self, state: &mut RunState, event: Event, sensitivity: Option<&mut Sensitivity>) {
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

    pub(super) fn on_timer(&self, state: &mut RunState, mut sensitivity: Option<&mut Sensitivity>) {
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

    /// A turn-on begins: the low side opens, and after the dead time the high side closes.
    pub(super) fn begin_turn_on(&self, state: &mut RunState, now_s: f64, sensitivity: Option<&mut Sensitivity>) {
        if self.dead_s > 0.0 {
            state.stage = Stage::LeadDead { until_s: now_s + self.dead_s };
        } else {
            self.close_high_side(state, now_s, sensitivity);
        }
    }

    /// The high side closes; emulation closes the low side again after this pulse.
    pub(super) fn close_high_side(&self, state: &mut RunState, now_s: f64, sensitivity: Option<&mut Sensitivity>) {
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

    /// The leading dead time is over: the high side closes, unless a turn-off was asked for before. Then the pulse is suppressed,
    /// and the low side stays as it was, where no shortest conduction makes the turn-off wait.
    pub(super) fn end_lead(&self, state: &mut RunState, sensitivity: Option<&mut Sensitivity>) {
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

    /// Time after the clock edge at which the high side opens at the latest.
    pub(super) fn longest_on_s(&self, turn_on_s: f64) -> f64 {
        match self.modulator().on_time() {
            OnTime::Share(share) => (turn_on_s + share * self.period_s).min(self.latest_off_s),
            _ if self.is_clocked() => self.latest_off_s,
            _ => f64::INFINITY,
        }
    }

    /// A comparator has tripped: its turn-off is due after its delay, and where nothing is blanked not before the shortest conduction
    /// is over.
    pub(super) fn start_turn_off(
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
    pub(super) fn opener(&self, state: &RunState) -> Opener {
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
    pub(super) fn open_high_side(&self, state: &mut RunState) {
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
    pub(super) fn close_low_side(&self, state: &mut RunState) {
        let emulation = matches!(self.circuit.board.stage.low_side, LowSide::Switch { emulation: true, .. });
        state.low_open = emulation && state.x[FLUX_STATE] <= 0.0;
        state.stage = self.stage_resting(state.phase_s - self.dead_s);
    }

    /// Stage after a turn-off at an instant.
    pub(super) fn stage_resting(&self, off_s: f64) -> Stage {
        let least_s = self.circuit.board.control.min_off_s;
        if self.is_clocked() || least_s <= self.dead_s { Stage::Off } else { Stage::Rest { until_s: off_s + least_s } }
    }
}
