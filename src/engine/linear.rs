//! A periodic orbit, linearised, with its load driven: how states and output deviate where the load current does.
//!
//! Between two instants the deviation follows the mode's own equations, with the forced solution of the load; at an instant that
//! moves with the states it jumps. Equations: docs/physics.md, "output impedance".

use super::error::EngineError;
use super::machine::Machine;
use super::modal::{Column, Factors, Modal, Number};
use super::row::{Input, MAX_STATES, Row};
use super::sensitivity::{Crossing, Jump, Leg, Origin};
use super::steady::Orbit;
use nalgebra::{Complex, DMatrix};
use std::sync::Arc;

/// From when the time of a deviation counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Frame {
    /// From one instant for ever: without a clock a deviation of the phase stays.
    Absolute,
    /// Anew from each clock edge, without a clock from each request for a turn-on.
    Cycle,
}

/// One repetition of an orbit, stretch by stretch.
pub struct LinearOrbit {
    /// Its duration in s.
    pub duration_s: f64,
    /// Number of states.
    pub states: usize,
    pub(crate) legs: Vec<LinearLeg>,
    crossings: Vec<Crossing>,
    /// Without a clock the crossing that ends it, and the right side before that.
    end: Option<(Crossing, Vec<f64>)>,
    /// Index of the control voltage among the states, where a comparator watches one.
    control_state: Option<usize>,
}

/// A stretch of it.
#[derive(Clone)]
pub(crate) struct LinearLeg {
    /// Begin in s after that of the orbit.
    pub begin_s: f64,
    pub duration_s: f64,
    pub modal: Arc<Modal>,
    /// Matrix of the linear part, and the transition over the stretch.
    generator: DMatrix<f64>,
    transition: DMatrix<f64>,
    /// Rate of each state per ampere of the load, and per ampere per second of its slew.
    load: [Column<f64>; 2],
    /// Output voltage.
    pub output: Row,
    pub jump: Option<Jump>,
    pub crossing: Option<usize>,
}

impl LinearLeg {
    fn new(machine: &mut Machine, leg: &Leg, begin_s: f64) -> LinearLeg {
        let generator = machine.generator(leg.key);
        let mode = machine.mode(leg.key);
        let per = |input: Input| {
            let rate = |i: usize| mode.network.derivative.get(i).map_or(0.0, |row| row.u[input as usize]);
            std::array::from_fn(rate)
        };
        LinearLeg {
            begin_s,
            duration_s: leg.duration_s,
            modal: Arc::clone(&mode.modal),
            generator,
            transition: mode.modal.transition(leg.duration_s),
            load: [per(Input::Load), per(Input::LoadSlew)],
            output: mode.network.output_v,
            jump: leg.jump.clone(),
            crossing: leg.crossing,
        }
    }

    /// Time of its end in s after the begin of the orbit.
    pub fn end_s(&self) -> f64 {
        self.begin_s + self.duration_s
    }

    /// The state at its end where the load does not deviate.
    pub fn free<T: Number>(&self, start: &Column<T>) -> Column<T> {
        let mut end = [T::from_real(0.0); MAX_STATES];
        for (column, from) in self.transition.column_iter().zip(start) {
            end.iter_mut().zip(column.iter()).for_each(|(sum, entry)| *sum += *from * T::from_real(*entry));
        }
        end
    }
}

/// A row of the network along deviations of states, load in A and its slew in A/s.
pub(crate) fn deviation<T: Number>(row: &Row, x: &Column<T>, load: (T, T)) -> T {
    let states = row.x.iter().zip(x).fold(T::from_real(0.0), |sum, (factor, x)| sum + *x * T::from_real(*factor));
    let of = |input: Input| T::from_real(row.u[input as usize]);
    states + load.0 * of(Input::Load) + load.1 * of(Input::LoadSlew)
}

/// A deviation of the load current.
pub(crate) trait Drive<T: Number> {
    /// Current in A and slew in A/s at a time in s.
    fn at(&self, time_s: f64) -> (T, T);

    /// The state at the end of the stretch of that number from that at its begin.
    fn pass(&self, number: usize, leg: &LinearLeg, start: &Column<T>) -> Column<T>;
}

/// What a stretch shows of a deviation.
pub(crate) struct Passed<'a, T: Number> {
    pub number: usize,
    pub leg: &'a LinearLeg,
    pub start: Column<T>,
    pub end: Column<T>,
    /// Shift in s of the instant at its begin, where that jumps.
    pub shift: T,
}

impl LinearOrbit {
    /// The linearised course of an orbit; `None` where it does not repeat.
    ///
    /// # Errors
    /// Whatever stops a run.
    pub fn around(machine: &mut Machine, orbit: &Orbit) -> Result<Option<LinearOrbit>, EngineError> {
        if !orbit.repeats {
            return Ok(None);
        }
        let sensitivity = machine.map(&orbit.x, orbit.program_a, orbit.periods)?.sensitivity;
        let mut duration_s = 0.0;
        let mut legs = vec![];
        for leg in &sensitivity.legs {
            legs.push(LinearLeg::new(machine, leg, duration_s));
            duration_s += leg.duration_s;
        }
        let end = sensitivity.last().map(|(crossing, rates)| (crossing, rates.to_vec()));
        Ok(Some(LinearOrbit {
            duration_s,
            states: machine.states,
            legs,
            end: end.filter(|_| !machine.is_clocked()),
            crossings: sensitivity.crossings,
            control_state: machine.control_state(),
        }))
    }

    /// Whether there is a control voltage at which the loop can be opened.
    pub fn has_loop(&self) -> bool {
        self.control_state.is_some() && self.crossings.iter().any(|crossing| crossing.is_trip)
    }

    /// The same with the control voltage held on its course: the loop opened there.
    pub fn opened(&self) -> LinearOrbit {
        let opened = |crossing: &Crossing| {
            let mut crossing = *crossing;
            if let Some(control) = self.control_state.filter(|_| crossing.is_trip) {
                crossing.row.x[control] = 0.0;
            }
            crossing
        };
        LinearOrbit {
            duration_s: self.duration_s,
            states: self.states,
            legs: self.legs.clone(),
            crossings: self.crossings.iter().map(opened).collect(),
            end: self.end.clone(),
            control_state: self.control_state,
        }
    }

    /// Passes a deviation through one repetition and shows every stretch of it; the state at the end.
    pub(crate) fn pass<T: Number>(
        &self,
        frame: Frame,
        start: &Column<T>,
        drive: &impl Drive<T>,
        see: &mut impl FnMut(&Passed<'_, T>),
    ) -> Column<T> {
        let zero = T::from_real(0.0);
        let begin = match (&self.end, frame) {
            (Some((crossing, _)), Frame::Absolute) => shift(crossing, start, drive.at(0.0)),
            _ => zero,
        };
        let mut shifts = vec![zero; self.crossings.len()];
        let mut x = *start;
        for (number, leg) in self.legs.iter().enumerate() {
            let shift_s = match leg.jump.as_ref().map(|jump| jump.by) {
                Some(Origin::Crossing(number)) => shifts[number],
                Some(Origin::Begin) => begin,
                _ => zero,
            };
            let rates = leg.jump.iter().flat_map(|jump| &jump.rates);
            x.iter_mut().zip(rates).for_each(|(x, rate)| *x += shift_s * T::from_real(*rate));
            let end = drive.pass(number, leg, &x);
            if let Some(number) = leg.crossing {
                shifts[number] = shift(&self.crossings[number], &end, drive.at(leg.end_s()));
            }
            see(&Passed { number, leg, start: x, end, shift: shift_s });
            x = end;
        }
        if let (Some((crossing, rates)), Frame::Cycle) = (&self.end, frame) {
            let shift_s = shift(crossing, &x, drive.at(self.duration_s));
            x.iter_mut().zip(rates).for_each(|(x, rate)| *x += shift_s * T::from_real(*rate));
        }
        x
    }

    /// Map of a deviation over one repetition without a deviation of the load.
    pub fn map(&self, frame: Frame) -> DMatrix<f64> {
        let mut map = DMatrix::zeros(self.states, self.states);
        for j in 0..self.states {
            let mut unit = [0.0; MAX_STATES];
            unit[j] = 1.0;
            let end = self.pass(frame, &unit, &Still, &mut |_| {});
            (0..self.states).for_each(|i| map[(i, j)] = end[i]);
        }
        map
    }

    /// Component of the continuous output voltage at a frequency in Hz per ampere that the load draws more at that frequency, in ohm and
    /// positive where the output falls: the output impedance. `None` where the equations have no solution.
    pub fn impedance_ohm(&self, map: &DMatrix<f64>, frequency_hz: f64) -> Option<Complex<f64>> {
        let sine = Sine::new(self, std::f64::consts::TAU * frequency_hz)?;
        let none = [Complex::new(0.0, 0.0); MAX_STATES];
        // From rest; then from the state that comes back turned by the sine's own angle.
        let forced = self.pass(Frame::Absolute, &none, &sine, &mut |_| {});
        let mut start = forced.map(|entry| -entry);
        Factors::new(map, sine.turn(self.duration_s))?.solve(&mut start);
        start[self.states..].fill(Complex::new(0.0, 0.0));
        let mut component = Complex::new(0.0, 0.0);
        self.pass(Frame::Absolute, &start, &sine, &mut |passed| component += sine.component(passed));
        Some(-component / self.duration_s)
    }
}

/// Shift in s of a crossing by deviations of the states and the load.
fn shift<T: Number>(crossing: &Crossing, x: &Column<T>, load: (T, T)) -> T {
    deviation(&crossing.row, x, load) * T::from_real(-1.0 / crossing.speed)
}

/// No deviation of the load.
struct Still;

impl<T: Number> Drive<T> for Still {
    fn at(&self, _: f64) -> (T, T) {
        (T::from_real(0.0), T::from_real(0.0))
    }

    fn pass(&self, _: usize, leg: &LinearLeg, start: &Column<T>) -> Column<T> {
        leg.free(start)
    }
}

/// A sine of the load current of one ampere, as `exp(j w t)`.
struct Sine {
    omega: f64,
    legs: Vec<SineLeg>,
}

/// What a sine does in a stretch.
struct SineLeg {
    /// The mode's matrix less `j w`.
    factors: Factors<Complex<f64>>,
    /// Forced solution: the states as multiples of the sine.
    forced: Column<Complex<f64>>,
}

impl Sine {
    fn new(orbit: &LinearOrbit, omega: f64) -> Option<Sine> {
        let one = |leg: &LinearLeg| {
            let factors = Factors::new(&leg.generator, Complex::new(0.0, omega))?;
            let driven = |i: usize| -Complex::new(leg.load[0][i], omega * leg.load[1][i]);
            let mut forced = std::array::from_fn(driven);
            factors.solve(&mut forced);
            Some(SineLeg { factors, forced })
        };
        Some(Sine { omega, legs: orbit.legs.iter().map(one).collect::<Option<_>>()? })
    }

    /// The sine at a time in s.
    fn turn(&self, time_s: f64) -> Complex<f64> {
        Complex::from_polar(1.0, self.omega * time_s)
    }

    /// What a state deviates beside the forced solution.
    fn rest(&self, number: usize, x: &Column<Complex<f64>>, time_s: f64) -> Column<Complex<f64>> {
        let turn = self.turn(time_s);
        let forced = &self.legs[number].forced;
        std::array::from_fn(|i| x[i] - forced[i] * turn)
    }

    /// Integral of the output's deviation times `exp(-j w t)` over a stretch, with what a shifted edge in the output adds at its begin.
    fn component(&self, passed: &Passed<'_, Complex<f64>>) -> Complex<f64> {
        let (leg, SineLeg { factors, forced }) = (passed.leg, &self.legs[passed.number]);
        let back = |time_s: f64| self.turn(time_s).conj();
        let begin = self.rest(passed.number, &passed.start, leg.begin_s);
        let end = self.rest(passed.number, &passed.end, leg.end_s());
        let mut rest: Column<Complex<f64>> =
            std::array::from_fn(|i| end[i] * back(leg.end_s()) - begin[i] * back(leg.begin_s));
        factors.solve(&mut rest);
        let nothing = (Complex::new(0.0, 0.0), Complex::new(0.0, 0.0));
        let steady = deviation(&leg.output, forced, (Complex::new(1.0, 0.0), Complex::new(0.0, self.omega)));
        let edge_v = leg.jump.as_ref().map_or(0.0, |jump| jump.output_v);
        steady * leg.duration_s + deviation(&leg.output, &rest, nothing) + passed.shift * back(leg.begin_s) * edge_v
    }
}

impl Drive<Complex<f64>> for Sine {
    fn at(&self, time_s: f64) -> (Complex<f64>, Complex<f64>) {
        let turn = self.turn(time_s);
        (turn, turn * Complex::new(0.0, self.omega))
    }

    fn pass(&self, number: usize, leg: &LinearLeg, start: &Column<Complex<f64>>) -> Column<Complex<f64>> {
        let mut end = leg.free(&self.rest(number, start, leg.begin_s));
        let turn = self.turn(leg.end_s());
        end.iter_mut().zip(&self.legs[number].forced).for_each(|(end, forced)| *end += forced * turn);
        end
    }
}
