//! A linearised orbit under a load that goes in straight lines: what the output does in time.
//!
//! Time counts anew from each clock edge, without a clock from each request for a turn-on: what moves the phase of the switching is of
//! second order in the load. Equations: docs/physics.md, "worst load".

use super::linear::{Drive, Frame, LinearLeg, LinearOrbit, deviation};
use super::modal::{Column, Factors};
use super::row::{INPUTS, Input, MAX_STATES};
use nalgebra::{DMatrix, DVector, RowDVector};

/// Share of the largest response below which what is left of it to settle is left out.
const SETTLED: f64 = 2e-4;

/// Times closer than this count as one: rounding of a repetition, far below what any board sees.
const SAME_TIME_S: f64 = 1e-14;

/// The output at one instant within the period as it follows from the load before it.
#[derive(Clone, Debug, PartialEq)]
pub struct Response {
    /// Instant in s after the begin of the orbit.
    pub phase_s: f64,
    /// Output in V per ampere by which the load rises in each cell before the instant and stays there, the latest cell first. A cell
    /// ends where the next one begins, the first at the instant itself.
    pub rises: Vec<f64>,
    /// The same of a rise long ago.
    pub settled: f64,
}

/// A deviation of the load in A against time in s, in straight lines from point to point, level before and after; `from_s` is the time
/// at which the present repetition of the orbit begins.
struct Course<'a> {
    points: &'a [(f64, f64)],
    from_s: f64,
}

impl Course<'_> {
    /// Current, slew, and the number of the next point at a time after the begin of the repetition.
    fn line(&self, time_s: f64) -> (f64, f64, usize) {
        let at_s = self.from_s + time_s;
        self.line_to(at_s, self.points.partition_point(|(point_s, _)| *point_s <= at_s))
    }

    /// Current and slew just before a time after the begin of the repetition: an edge moves the output furthest as it ends.
    fn before(&self, time_s: f64) -> (f64, f64) {
        let at_s = self.from_s + time_s;
        let (load_a, slew, _) =
            self.line_to(at_s, self.points.partition_point(|(point_s, _)| *point_s < at_s - SAME_TIME_S));
        (load_a, slew)
    }

    fn line_to(&self, at_s: f64, next: usize) -> (f64, f64, usize) {
        let value = |k: usize| self.points.get(k).map_or(0.0, |(_, load_a)| *load_a);
        match next {
            0 => (value(0), 0.0, 0),
            next if next == self.points.len() => (value(next - 1), 0.0, next),
            next => {
                let ((from_s, from_a), (to_s, to_a)) = (self.points[next - 1], self.points[next]);
                let slew = (to_a - from_a) / (to_s - from_s);
                (from_a + slew * (at_s - from_s), slew, next)
            }
        }
    }

    /// The state at a time within a stretch from that at its begin.
    fn walk(&self, leg: &LinearLeg, start: &Column<f64>, until_s: f64) -> Column<f64> {
        let (mut x, mut now_s) = (*start, leg.begin_s);
        let (_, _, mut next) = self.line(now_s);
        while now_s < until_s {
            let corner_s = self.points.get(next).map_or(f64::INFINITY, |(point_s, _)| point_s - self.from_s);
            next += 1;
            let end_s = corner_s.min(until_s);
            if end_s <= now_s {
                continue;
            }
            // In the middle of a line no rounding mistakes it for its neighbour.
            let (middle_a, slew, _) = self.line(0.5 * (now_s + end_s));
            x = straight(leg, &x, (middle_a - 0.5 * slew * (end_s - now_s), slew), end_s - now_s);
            now_s = end_s;
        }
        x
    }
}

/// The state after a time under a load that begins at a current in A with a slew in A/s.
fn straight(leg: &LinearLeg, x: &Column<f64>, (load_a, slew): (f64, f64), time_s: f64) -> Column<f64> {
    if load_a == 0.0 && slew == 0.0 && x.iter().all(|value| *value == 0.0) {
        return *x;
    }
    let (mut inputs, mut slopes) = ([0.0; INPUTS], [0.0; INPUTS]);
    (inputs[Input::Load as usize], inputs[Input::LoadSlew as usize]) = (load_a, slew);
    slopes[Input::Load as usize] = slew;
    let flow = leg.modal.flow(x, inputs, slopes);
    leg.modal.state(&flow, time_s, &leg.modal.basis(time_s))
}

impl Drive<f64> for Course<'_> {
    fn at(&self, time_s: f64) -> (f64, f64) {
        let (load_a, slew, _) = self.line(time_s);
        (load_a, slew)
    }

    fn pass(&self, _: usize, leg: &LinearLeg, start: &Column<f64>) -> Column<f64> {
        self.walk(leg, start, leg.end_s())
    }
}

/// What the whole of an orbit does to a deviation, and how the output follows from that at its begin.
struct Period {
    map: DMatrix<f64>,
    /// State at the end and output at each instant under an ampere all along.
    held: DVector<f64>,
    held_v: Vec<f64>,
    /// Output at each instant per state at the begin.
    reads: Vec<RowDVector<f64>>,
    /// The state that comes back under an ampere all along.
    settled: DVector<f64>,
}

impl LinearOrbit {
    /// Runs through one repetition from a state and hands on the output at instants within it, ascending.
    fn sampled(
        &self,
        start: &Column<f64>,
        course: &Course<'_>,
        instants_s: &[f64],
        see: &mut impl FnMut(usize, f64),
    ) -> Column<f64> {
        self.pass(Frame::Cycle, start, course, &mut |passed| {
            let leg = passed.leg;
            let from = instants_s.partition_point(|at_s| *at_s < leg.begin_s);
            for (k, at_s) in instants_s.iter().enumerate().skip(from).take_while(|(_, at_s)| **at_s < leg.end_s()) {
                let x = course.walk(leg, &passed.start, *at_s);
                see(k, deviation(&leg.output, &x, course.before(*at_s)));
            }
        })
    }

    fn period(&self, instants_s: &[f64]) -> Option<Period> {
        let n = self.states;
        let mut reads = vec![RowDVector::zeros(n); instants_s.len()];
        let mut map = DMatrix::zeros(n, n);
        let still = Course { points: &[], from_s: 0.0 };
        for j in 0..n {
            let mut unit = [0.0; MAX_STATES];
            unit[j] = 1.0;
            let end = self.sampled(&unit, &still, instants_s, &mut |k, output_v| reads[k][j] = output_v);
            (0..n).for_each(|i| map[(i, j)] = end[i]);
        }
        let mut held_v = vec![0.0; instants_s.len()];
        let ampere = Course { points: &[(0.0, 1.0)], from_s: 0.0 };
        let end = self.sampled(&[0.0; MAX_STATES], &ampere, instants_s, &mut |k, output_v| held_v[k] = output_v);
        let mut settled = end.map(|value| -value);
        Factors::new(&map, 1.0)?.solve(&mut settled);
        let [held, settled] = [end, settled].map(|column| DVector::from_column_slice(&column[..n]));
        Some(Period { map, held, held_v, reads, settled })
    }

    /// The output at instants within the period, in s after its begin and ascending, as it follows from the load before: cells of which
    /// `cells` are as long as the orbit, over at most `most` repetitions. In a cell the load rises within `rise_s` before its end. `None`
    /// where the equations have no solution.
    pub fn responses(&self, instants_s: &[f64], (cells, rise_s): (usize, f64), most: usize) -> Option<Vec<Response>> {
        let period = self.period(instants_s)?;
        let responses = instants_s.iter().enumerate().map(|(number, phase_s)| {
            let cell_s = self.duration_s / cells as f64;
            let begun: Vec<Begun> =
                (0..cells).map(|cell| self.begun(*phase_s, (cell, cell_s), rise_s.min(cell_s))).collect();
            period.response(number, *phase_s, &begun, most)
        });
        Some(responses.collect())
    }

    /// A rise by an ampere in one cell before an instant.
    fn begun(&self, phase_s: f64, (cell, cell_s): (usize, f64), rise_s: f64) -> Begun {
        let begin_s = phase_s - (cell + 1) as f64 * cell_s;
        // Rounding must not take the cell that begins with the repetition for one of the repetition before.
        let first = usize::from(begin_s < -SAME_TIME_S);
        let end_s = begin_s + cell_s + first as f64 * self.duration_s;
        let points = [(end_s - rise_s, 0.0), (end_s, 1.0)];
        let (mut seen, mut x) = (vec![], [0.0; MAX_STATES]);
        for number in 0..2 {
            let course = Course { points: &points, from_s: number as f64 * self.duration_s };
            x = self.sampled(&x, &course, &[phase_s], &mut |_, output_v| {
                if number >= first {
                    seen.push(output_v);
                }
            });
        }
        Begun { seen, state: DVector::from_column_slice(&x[..self.states]) }
    }

    /// The output's deviation in V at instants of every repetition under a load in A against time in s, which has been at its first level for
    /// ever: handed on as (time in s, number of the instant, deviation). `None` where the equations have no solution.
    pub fn follow(
        &self,
        points: &[(f64, f64)],
        instants_s: &[f64],
        repetitions: usize,
        see: &mut impl FnMut(f64, usize, f64),
    ) -> Option<()> {
        let first_a = points.first().map_or(0.0, |(_, load_a)| *load_a);
        let mut x = self.settled(first_a)?;
        for number in 0..repetitions {
            let from_s = number as f64 * self.duration_s;
            let course = Course { points, from_s };
            x = self.sampled(&x, &course, instants_s, &mut |k, output_v| see(from_s + instants_s[k], k, output_v));
        }
        Some(())
    }

    /// The state at the begin that comes back under a load in A all along.
    fn settled(&self, load_a: f64) -> Option<Column<f64>> {
        let ampere = Course { points: &[(0.0, load_a)], from_s: 0.0 };
        let end = self.sampled(&[0.0; MAX_STATES], &ampere, &[], &mut |_, _| {});
        let mut settled = end.map(|value| -value);
        Factors::new(&self.map(Frame::Cycle), 1.0)?.solve(&mut settled);
        Some(settled)
    }
}

/// What one rise has done by the end of the repetition after the one in which it began.
struct Begun {
    /// Outputs at the instant so far, the first of them after the rise.
    seen: Vec<f64>,
    state: DVector<f64>,
}

impl Period {
    /// The response at the instant of a number, from the rises in all cells of one repetition.
    fn response(&self, number: usize, phase_s: f64, begun: &[Begun], most: usize) -> Response {
        let cells = begun.len();
        let settled = (&self.reads[number] * &self.settled)[0] + self.held_v[number];
        let mut rises: Vec<f64> = vec![0.0; cells * most];
        for (cell, begun) in begun.iter().enumerate() {
            begun.seen.iter().take(most).enumerate().for_each(|(k, output_v)| rises[cell + k * cells] = *output_v);
        }
        let (mut read, mut held_v) = (self.reads[number].clone(), self.held_v[number]);
        let mut largest = rises.iter().fold(settled.abs(), |most, value| value.abs().max(most));
        for repetition in 1..most {
            let mut moves = 0.0f64;
            for (cell, begun) in begun.iter().enumerate() {
                let known = begun.seen.len();
                // Of a cell that was seen twice already this is the output of the repetition after.
                let at = cell + (repetition - 1 + known) * cells;
                let output_v = (&read * &begun.state)[0] + held_v;
                moves = moves.max((output_v - settled).abs());
                largest = largest.max(output_v.abs());
                rises.get_mut(at).into_iter().for_each(|rise| *rise = output_v);
            }
            held_v += (&read * &self.held)[0];
            read = &read * &self.map;
            if moves <= SETTLED * largest {
                rises.truncate((repetition + 1) * cells);
                break;
            }
        }
        Response { phase_s, rises, settled }
    }
}
