//! How the state depends on the state at the begin of a run: the linearised map with the shifts of the switching instants.
//!
//! At an instant where `n.x` crosses its threshold the instant moves by `-n.dx / (n.f + ramp)`; where the right side jumps
//! from `f` to `g` the state then picks up `(f - g) dt`. Equations: docs/physics.md, "period map".

use super::modal::Flow;
use super::mode::{Mode, Output};
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
    /// What happens at its begin where that instant moves.
    pub jump: Option<Jump>,
    /// Number of the crossing that ends it, see [`Sensitivity::crossings`].
    pub crossing: Option<usize>,
}

/// By what an instant moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// It does not.
    Fixed,
    /// As the crossing of that number does, see [`Sensitivity::crossings`].
    Crossing(usize),
    /// As the instant does from which the run began: without a clock the request for a turn-on.
    Begin,
}

/// What a shift of an instant does.
#[derive(Clone, Debug)]
pub struct Jump {
    /// By what the instant moves.
    pub by: Origin,
    /// Right side before it less that after it.
    pub rates: Vec<f64>,
    /// Output voltage in V before it less that after it.
    pub output_v: f64,
}

/// Something watched that crossed its threshold, and moves with what it reads.
#[derive(Clone, Copy, Debug)]
pub struct Crossing {
    /// What is watched.
    pub row: Row,
    /// Rate at which it rises, in its unit per s.
    pub speed: f64,
    /// Whether it is the modulator's comparator.
    pub is_trip: bool,
}

/// Shift of an instant: d(instant) / d(first state, threshold), and what it goes back to.
#[derive(Clone, Debug)]
struct Shift {
    row: RowDVector<f64>,
    by: Origin,
}

impl Shift {
    fn none(width: usize) -> Shift {
        Shift { row: RowDVector::zeros(width), by: Origin::Fixed }
    }
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
    /// Every crossing that ended a stretch.
    pub crossings: Vec<Crossing>,
    /// Every trip of the modulator's comparator.
    pub trips: Vec<Trip>,
    /// Index of the control voltage among the states.
    control_state: Option<usize>,
    /// Shift of the present instant.
    now: Shift,
    /// The same for the running timer, and for the turn-offs under way by the modulator and by the current limit.
    timer: Shift,
    modulator_off: Shift,
    limit_off: Shift,
    /// Right side and output voltage before the last instant, while those after it are not yet known.
    before: Option<(Vec<f64>, f64)>,
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
        let zero = Shift::none(states + 1);
        Sensitivity {
            matrix: DMatrix::identity(states, states + 1),
            legs: vec![],
            crossings: vec![],
            trips: vec![],
            control_state,
            now: zero.clone(),
            timer: Shift { by: Origin::Begin, ..zero.clone() },
            modulator_off: zero.clone(),
            limit_off: zero,
            before: None,
        }
    }

    fn right_side(mode: &Mode, x: &StateVector, flow: &Flow, t_s: f64) -> Vec<f64> {
        let inputs = flow.settled.inputs_at(t_s);
        mode.network.derivative.iter().map(|row| row.at(x, &inputs)).collect()
    }

    fn output_v(mode: &Mode, x: &StateVector, flow: &Flow, t_s: f64) -> f64 {
        mode.output(Output::Voltage).row.at(x, &flow.settled.inputs_at(t_s))
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
            let jump = self.before.take().map(|(before, output_v)| {
                let after = Sensitivity::right_side(mode, &flow.start, flow, 0.0);
                let rates = before.iter().zip(after).map(|(f, g)| f - g).collect();
                let output_v = output_v - Sensitivity::output_v(mode, &flow.start, flow, 0.0);
                Jump { by: self.now.by, rates, output_v }
            });
            jump.iter().for_each(|jump| self.jump(&jump.rates));
            let jump = jump.filter(|jump| jump.by != Origin::Fixed);
            let matrix = self.matrix.clone();
            self.legs.push(Leg { key: mode.key, phase_s, duration_s, matrix, jump, crossing: None });
            self.matrix = mode.modal.transition(duration_s) * &self.matrix;
            let rate = Sensitivity::right_side(mode, end, flow, duration_s);
            self.now = match crossed {
                Some(crossed) => self.shift_of(&crossed, (phase_s + duration_s, flow), &rate),
                None => self.fixed(),
            };
            self.before = Some((rate, Sensitivity::output_v(mode, end, flow, duration_s)));
        }
    }

    fn fixed(&self) -> Shift {
        Shift::none(self.now.row.len())
    }

    fn jump(&mut self, rates: &[f64]) {
        for (i, rate) in rates.iter().enumerate() {
            for j in 0..self.now.row.len() {
                self.matrix[(i, j)] += rate * self.now.row[j];
            }
        }
    }

    /// Shift of the present instant, at which something crossed; a trip of the comparator is noted.
    fn shift_of(&mut self, crossed: &Crossed<'_>, (now_s, flow): (f64, &Flow), rate: &[f64]) -> Shift {
        let (n, row) = (rate.len(), crossed.row);
        let normal = RowDVector::from_fn(n, |_, i| row.x[i]);
        let inputs: f64 = row.u.iter().zip(flow.settled.input_slopes).map(|(a, b)| a * b).sum();
        let speed: f64 = rate.iter().enumerate().map(|(i, f)| row.x[i] * f).sum::<f64>() + crossed.per_phase + inputs;
        if speed == 0.0 {
            return self.fixed();
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
        let number = self.crossings.len();
        self.crossings.push(Crossing { row: *row, speed, is_trip: crossed.is_trip });
        self.legs.iter_mut().last().into_iter().for_each(|leg| leg.crossing = Some(number));
        Shift { row: signal * (-1.0 / speed), by: Origin::Crossing(number) }
    }

    /// A timer expired: the instant moves as its start did.
    pub(super) fn timer_expired(&mut self) {
        self.now = self.timer.clone();
    }

    /// A clock edge, which never moves. Where it begins a cycle a timer starts; timers that run on over it keep their own shift.
    pub(super) fn clock_edge(&mut self, begins_cycle: bool) {
        self.now = self.fixed();
        if begins_cycle {
            self.start_timer(true);
        }
    }

    /// The crossing by which the present instant moves, with the right side before it; none where it does not move.
    pub fn last(&self) -> Option<(Crossing, &[f64])> {
        let Origin::Crossing(number) = self.now.by else { return None };
        Some((*self.crossings.get(number)?, self.before.as_ref()?.0.as_slice()))
    }

    /// The map up to the present instant where that moves with the states, as the turn-on does without a clock.
    pub fn to_instant(&self) -> DMatrix<f64> {
        let mut matrix = self.matrix.clone();
        for (i, rate) in self.before.iter().flat_map(|(rates, _)| rates).enumerate() {
            for j in 0..self.now.row.len() {
                matrix[(i, j)] += rate * self.now.row[j];
            }
        }
        matrix
    }

    /// A timer starts now; it `follows` the present instant, or ends at a fixed time after the clock edge.
    pub(super) fn start_timer(&mut self, follows: bool) {
        self.timer = if follows { self.now.clone() } else { self.fixed() };
    }

    /// A turn-off is under way; it `follows` the present instant, or is due at a fixed time after the turn-on.
    pub(super) fn start_turn_off(&mut self, opener: Opener, follows: bool) {
        let shift = if follows { self.now.clone() } else { self.fixed() };
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
