//! A span between two switching instants, and who sees it.

use super::crossing::Track;
use super::modal::{Basis, Flow};
use super::mode::{Mode, Output};
use super::row::{InputVector, StateVector};
use std::cell::OnceCell;

/// Cycles after which a run is looked at for repeating itself: alternating cycles fit in as well.
pub const ROUND: u64 = 64;

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
    /// By how much each coordinate may differ from its chord, once somebody has asked, where the mode does not know.
    pub(super) deviations: OnceCell<StateVector>,
}

impl Stretch<'_> {
    /// Values of an output at the begin and at the end.
    #[inline]
    pub fn ends(&self, output: Output) -> (f64, f64) {
        let row = self.mode.output(output);
        let settled = &self.flow.settled;
        let driven = row.of_inputs(&settled.inputs);
        let start = driven + row.of_state(&self.flow.start);
        let driven = if settled.is_sloping() { row.of_inputs(&settled.inputs_at(self.duration_s)) } else { driven };
        let end = driven + row.of_state(self.end);
        (start, end)
    }

    /// Bounds between which an output stays all along, given its values at the ends; infinite where there are none.
    #[inline]
    pub fn enclosure(&self, output: Output, (start, end): (f64, f64)) -> (f64, f64) {
        let modal = &self.mode.modal;
        if modal.is_dense() {
            return (f64::NEG_INFINITY, f64::INFINITY);
        }
        let known = self.mode.bounds.chords(self.duration_s);
        let deviations =
            known.unwrap_or_else(|| self.deviations.get_or_init(|| modal.chord_deviations(self.flow, self.duration_s)));
        let away = self.mode.output(output).chord_deviation(deviations, modal);
        (start.min(end) - away, start.max(end) + away)
    }

    /// Whether an output with these values at the ends is sure to go from one to the other without a turn.
    pub fn is_monotone(&self, output: Output, (start, end): (f64, f64)) -> bool {
        let (modal, row) = (&self.mode.modal, self.mode.output(output));
        if modal.is_dense() {
            return false;
        }
        match self.mode.bounds.slopes(self.duration_s) {
            Some(slopes) => (end - start).abs() > self.duration_s * row.slope_deviation(slopes, modal),
            None => row.falls((start.max(end), start.min(end)), self.flow, modal, self.duration_s),
        }
    }

    /// An output as a function of time within the stretch.
    pub fn track(&self, output: Output) -> Track<'_> {
        Track::new(&self.mode.modal, self.flow, self.mode.output(output), (0.0, 0.0))
    }

    /// Inputs at a time within the stretch.
    pub fn inputs(&self, t_s: f64) -> InputVector {
        self.flow.settled.inputs_at(t_s)
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

    /// Whether cycles that repeat the latest [`ROUND`] would tell it nothing that [`Observer::repeat`] does not, see
    /// `Machine::run_on`.
    fn knows_repeats(&self) -> bool {
        false
    }

    /// Whether it takes a number of samples of every stretch: then stretches end where blanking does, although nothing changes in the
    /// circuit.
    fn samples(&self) -> bool {
        false
    }

    /// A round of cycles begins that may repeat itself.
    fn begin_round(&mut self) {}

    /// The latest round, which takes a time in s, comes that many times again.
    fn repeat(&mut self, _times: u64, _round_s: f64) {}

    /// Whether a part of the run may be leapt over at all in which nothing happens, see `Machine::leap`.
    fn knows_leaps(&self) -> bool {
        false
    }

    /// Whether it misses nothing if the run leaps to where it goes on as `after` tells.
    fn may_leap(&self, _after: &Seen) -> bool {
        true
    }

    /// The run has leapt: the next stretch does not begin where the last one ended.
    fn leapt(&mut self) {}
}

/// The output voltage in V over some cycles, as (lowest, highest).
#[derive(Clone, Copy, Debug)]
pub struct Seen {
    /// It is nowhere beyond these.
    pub bounds_v: (f64, f64),
    /// It is at these at some time.
    pub reached_v: (f64, f64),
}

impl Seen {
    pub(super) const NOTHING: Seen = {
        let nothing = (f64::INFINITY, f64::NEG_INFINITY);
        Seen { bounds_v: nothing, reached_v: nothing }
    };
}

impl Observer for Seen {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        let widen = |range: &mut (f64, f64), (low, high): (f64, f64)| *range = (range.0.min(low), range.1.max(high));
        let ends = stretch.ends(Output::Voltage);
        widen(&mut self.bounds_v, stretch.enclosure(Output::Voltage, ends));
        widen(&mut self.reached_v, (ends.0.min(ends.1), ends.0.max(ends.1)));
    }
}

/// Sees nothing.
impl Observer for () {
    fn stretch(&mut self, _: &Stretch<'_>) {}

    fn knows_repeats(&self) -> bool {
        true
    }

    fn knows_leaps(&self) -> bool {
        true
    }
}

/// Both see every stretch.
impl<A: Observer, B: Observer> Observer for (A, B) {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        self.0.stretch(stretch);
        self.1.stretch(stretch);
    }

    fn knows_repeats(&self) -> bool {
        self.0.knows_repeats() && self.1.knows_repeats()
    }

    fn samples(&self) -> bool {
        self.0.samples() || self.1.samples()
    }

    fn begin_round(&mut self) {
        self.0.begin_round();
        self.1.begin_round();
    }

    fn repeat(&mut self, times: u64, round_s: f64) {
        self.0.repeat(times, round_s);
        self.1.repeat(times, round_s);
    }

    fn knows_leaps(&self) -> bool {
        self.0.knows_leaps() && self.1.knows_leaps()
    }

    fn may_leap(&self, after: &Seen) -> bool {
        self.0.may_leap(after) && self.1.may_leap(after)
    }

    fn leapt(&mut self) {
        self.0.leapt();
        self.1.leapt();
    }
}

impl<T: Observer> Observer for &mut T {
    fn stretch(&mut self, stretch: &Stretch<'_>) {
        (**self).stretch(stretch);
    }

    fn knows_repeats(&self) -> bool {
        (**self).knows_repeats()
    }

    fn samples(&self) -> bool {
        (**self).samples()
    }

    fn begin_round(&mut self) {
        (**self).begin_round();
    }

    fn repeat(&mut self, times: u64, round_s: f64) {
        (**self).repeat(times, round_s);
    }

    fn knows_leaps(&self) -> bool {
        (**self).knows_leaps()
    }

    fn may_leap(&self, after: &Seen) -> bool {
        (**self).may_leap(after)
    }

    fn leapt(&mut self) {
        (**self).leapt();
    }
}
