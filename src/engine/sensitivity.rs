//! How the state depends on the state at the begin of a run: the linearised map with the shifts of the switching instants.
//!
//! At an instant where `n.x` crosses its threshold the instant moves by `-n.dx / (n.f + ramp)`; where the right side jumps
//! from `f` to `g` the state then picks up `(f - g) dt`. Equations: docs/physics.md, "period map".

use super::modal::Flow;
use super::mode::Mode;
use super::network::ModeKey;
use super::row::{Row, StateVector};
use super::run_state::Opener;
use nalgebra::{DMatrix, RowDVector};

/// A stretch as the linearised map passes it.
#[derive(Clone, Debug)]
pub struct Leg {
    /// Mode.
    pub key: ModeKey,
    /// Begin after the clock edge in s.
    pub phase_s: f64,
    /// Duration in s.
    pub duration_s: f64,
    /// d(state at its begin) / d(first state, threshold).
    pub matrix: DMatrix<f64>,
}

/// What the comparator saw when it tripped.
#[derive(Clone, Debug)]
pub struct Trip {
    /// Instant after the clock edge in s.
    pub phase_s: f64,
    /// d(the comparator's signal) / d(first state, threshold), before the instant moves.
    pub signal: RowDVector<f64>,
    /// Part of it that comes through the control voltage.
    pub control: RowDVector<f64>,
    /// Share of the control voltage in the rate at which the comparator's signal rises.
    pub control_share: f64,
}

/// Linearised map from the first to the present state, and from a small signal added to the comparator's.
///
/// The last column belongs to that signal: it shifts the instant at which the comparator trips.
#[derive(Clone, Debug)]
pub struct Sensitivity {
    /// d(present state) / d(first state, threshold).
    pub matrix: DMatrix<f64>,
    /// Every stretch passed.
    pub legs: Vec<Leg>,
    /// Every trip of the modulator's comparator.
    pub trips: Vec<Trip>,
    /// Index of the control voltage among the states.
    control_state: Option<usize>,
    /// d(present instant) / d(first state, threshold).
    now: RowDVector<f64>,
    /// The same for the running timer, and for the turn-offs under way by the modulator and by the current limit.
    timer: RowDVector<f64>,
    modulator_off: RowDVector<f64>,
    limit_off: RowDVector<f64>,
    /// Right side before the last instant, while that after it is not yet known.
    before: Option<Vec<f64>>,
}

/// The crossing that ended a stretch.
#[derive(Clone, Copy)]
pub(super) struct Crossed<'a> {
    /// Row that became non-negative.
    pub row: &'a Row,
    /// Its slope per second of phase.
    pub per_phase: f64,
    /// Whether it is the modulator's comparator.
    pub is_trip: bool,
}

impl Sensitivity {
    /// Identity for a network of that many states; `control_state` is the index of the control voltage, where there is one.
    pub fn identity(states: usize, control_state: Option<usize>) -> Sensitivity {
        let zero = RowDVector::zeros(states + 1);
        Sensitivity {
            matrix: DMatrix::identity(states, states + 1),
            legs: vec![],
            trips: vec![],
            control_state,
            now: zero.clone(),
            timer: zero.clone(),
            modulator_off: zero.clone(),
            limit_off: zero,
            before: None,
        }
    }

    fn right_side(mode: &Mode, x: &StateVector, flow: &Flow, t_s: f64) -> Vec<f64> {
        let inputs = flow.settled.inputs_at(t_s);
        mode.network.derivative.iter().map(|row| row.at(x, &inputs)).collect()
    }

    /// Passes a stretch that begins at a phase and lasts some time; `crossed` is what ended it, if a crossing did.
    pub(super) fn stretch(
        &mut self,
        mode: &Mode,
        flow: &Flow,
        (phase_s, duration_s): (f64, f64),
        end: &StateVector,
        crossed: Option<Crossed<'_>>,
    ) {
        if duration_s > 0.0 {
            if let Some(before) = self.before.take() {
                let after = Sensitivity::right_side(mode, &flow.start, flow, 0.0);
                self.jump(&before, &after);
            }
            self.legs.push(Leg { key: mode.key, phase_s, duration_s, matrix: self.matrix.clone() });
            self.matrix = mode.modal.transition(duration_s) * &self.matrix;
            let rate = Sensitivity::right_side(mode, end, flow, duration_s);
            self.now = match crossed {
                Some(crossed) => self.shift_of(&crossed, (phase_s + duration_s, flow), &rate),
                None => RowDVector::zeros(self.now.len()),
            };
            self.before = Some(rate);
        }
    }

    fn jump(&mut self, before: &[f64], after: &[f64]) {
        for (i, (f, g)) in before.iter().zip(after).enumerate() {
            for j in 0..self.now.len() {
                self.matrix[(i, j)] += (f - g) * self.now[j];
            }
        }
    }

    /// Shift of the present instant, at which something crossed; a trip of the comparator is noted.
    fn shift_of(&mut self, crossed: &Crossed<'_>, (now_s, flow): (f64, &Flow), rate: &[f64]) -> RowDVector<f64> {
        let (n, row) = (rate.len(), crossed.row);
        let normal = RowDVector::from_fn(n, |_, i| row.x[i]);
        let inputs: f64 = row.u.iter().zip(flow.settled.input_slopes).map(|(a, b)| a * b).sum();
        let speed: f64 = rate.iter().enumerate().map(|(i, f)| row.x[i] * f).sum::<f64>() + crossed.per_phase + inputs;
        if speed == 0.0 {
            return RowDVector::zeros(n + 1);
        }
        let mut signal = normal * &self.matrix;
        if crossed.is_trip {
            if let Some(control) = self.control_state {
                self.trips.push(Trip {
                    phase_s: now_s,
                    signal: signal.clone(),
                    control: self.matrix.row(control) * row.x[control],
                    control_share: row.x[control] * rate[control] / speed,
                });
            }
            signal[n] += 1.0;
        }
        signal * (-1.0 / speed)
    }

    /// A timer expired: the instant moves as its start did.
    pub(super) fn timer_expired(&mut self) {
        self.now = self.timer.clone();
    }

    /// A clock edge, which never moves. Where it begins a cycle a timer starts; timers that run on over it keep their own shift.
    pub(super) fn clock_edge(&mut self, begins_cycle: bool) {
        self.now.fill(0.0);
        if begins_cycle {
            self.start_timer(true);
        }
    }

    /// The map up to the present instant where that moves with the states, as the turn-on does without a clock.
    pub fn to_instant(&self) -> DMatrix<f64> {
        let mut matrix = self.matrix.clone();
        for (i, rate) in self.before.iter().flatten().enumerate() {
            for j in 0..self.now.len() {
                matrix[(i, j)] += rate * self.now[j];
            }
        }
        matrix
    }

    /// A timer starts now; it `follows` the present instant, or ends at a fixed time after the clock edge.
    pub(super) fn start_timer(&mut self, follows: bool) {
        self.timer = if follows { self.now.clone() } else { RowDVector::zeros(self.now.len()) };
    }

    /// A turn-off is under way; it `follows` the present instant, or is due at a fixed time after the turn-on.
    pub(super) fn start_turn_off(&mut self, opener: Opener, follows: bool) {
        let shift = if follows { self.now.clone() } else { RowDVector::zeros(self.now.len()) };
        match opener {
            Opener::Modulator => self.modulator_off = shift,
            Opener::Limit => self.limit_off = shift,
            Opener::Longest => {}
        }
    }

    /// The high side opens: the instant moves as what opened it did.
    pub(super) fn turned_off(&mut self, opener: Opener) {
        self.now = match opener {
            Opener::Modulator => self.modulator_off.clone(),
            Opener::Limit => self.limit_off.clone(),
            Opener::Longest => self.timer.clone(),
        };
    }
}
