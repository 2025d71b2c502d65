//! Where a scalar function of time crosses zero within a stretch, with proof that nothing was missed.
//!
//! Method: docs/physics.md, "event location". On an interval the function differs from its chord, and its slope from the
//! chord's, by no more than the sum over its modes: a mode of size A and rate m contributes at most A m^2 w^2 / 8 to the first and
//! A m^2 w / 2 to the second on a width w, and never more than its own size. An interval is closed by one of the two bounds or
//! halved. Where the function is zero within its own rounding it crosses nothing.

use super::modal::{Basis, Flow, Modal, ProjectedRow, Scalar};
use super::row::dot;

/// Intervals narrower than this part of the stretch are not halved further.
const NARROWEST: f64 = 1e-12;
/// Number of intervals into which a stretch is cut where no bound exists.
const SAMPLES_WITHOUT_BOUND: usize = 32;
/// Newton steps before a root is taken as it is.
const NEWTON_STEPS: usize = 80;

/// A scalar along a stretch that can be evaluated, differentiated and bounded.
pub struct Track<'a> {
    modal: &'a Modal,
    flow: &'a Flow,
    scalar: Scalar,
    row: &'a ProjectedRow,
    line: (f64, f64),
}

/// A time within a stretch with the value and the exponentials there.
#[derive(Clone, Copy)]
pub struct Node {
    /// Time from the begin of the stretch in s.
    pub t_s: f64,
    /// Value.
    pub value: f64,
    /// Exponentials.
    pub basis: Basis,
}

impl<'a> Track<'a> {
    /// The row along the flow plus a straight line `constant + slope * t`.
    pub fn new(modal: &'a Modal, flow: &'a Flow, row: &'a ProjectedRow, line: (f64, f64)) -> Track<'a> {
        let scalar = modal.scalar(row, flow).plus_line(line.0, line.1);
        Track { modal, flow, scalar, row, line }
    }

    /// Bound of the distance from the chord over a whole stretch; `None` where there is none.
    pub fn chord_deviation(&self, to_s: f64) -> Option<f64> {
        (!self.modal.is_dense()).then(|| dot(&self.row.size, &self.modal.chord_deviations(self.flow, to_s)))
    }

    /// Value at the begin of the stretch.
    pub fn start(&self) -> f64 {
        if self.modal.is_dense() { self.value(0.0) } else { self.scalar.at_start(self.modal) }
    }

    /// Value at a time whose exponentials are known.
    pub fn value_at_basis(&self, basis: &Basis, t_s: f64) -> f64 {
        if self.modal.is_dense() { self.dense_value(t_s) } else { self.scalar.at_basis(basis, t_s) }
    }

    /// Value at a time from the begin of the stretch.
    pub fn value(&self, t_s: f64) -> f64 {
        if self.modal.is_dense() { self.dense_value(t_s) } else { self.scalar.at(self.modal, t_s) }
    }

    fn dense_value(&self, t_s: f64) -> f64 {
        let x = self.modal.state(self.flow, t_s, &self.modal.basis(t_s));
        let u = std::array::from_fn(|k| self.flow.inputs[k] + self.flow.input_slopes[k] * t_s);
        self.row.row.at(&x, &u) + self.line.0 + self.line.1 * t_s
    }

    fn node(&self, t_s: f64) -> Node {
        let basis = self.modal.basis(t_s);
        Node { t_s, value: self.value_at_basis(&basis, t_s), basis }
    }

    /// First time in the stretch, up to `end`, at which the value is no longer negative; `guess_s` is tried first in the search.
    pub fn first_crossing(&self, end: Node, guess_s: Option<f64>) -> Option<Node> {
        let start = Node { t_s: 0.0, value: self.start(), basis: self.modal.unit_basis() };
        if start.value >= 0.0 {
            return Some(start);
        }
        if self.modal.is_dense() {
            return self
                .sampled(end.t_s)
                .find(|w| w.0.value < 0.0 && w.1.value >= 0.0)
                .map(|w| self.root(&w.0, &w.1, 1.0, None));
        }
        self.crossing_between(&start, &end, NARROWEST * end.t_s, guess_s)
    }

    fn crossing_between(&self, low: &Node, high: &Node, narrowest_s: f64, guess_s: Option<f64>) -> Option<Node> {
        let width = high.t_s - low.t_s;
        let (deviation, slope_deviation) = self.scalar.chord_bounds(self.modal, &low.basis, low.t_s, width);
        if low.value.max(high.value) + deviation < 0.0 || self.is_rounding(low, high, deviation) {
            return None;
        }
        if (high.value - low.value).abs() > slope_deviation * width || width <= narrowest_s {
            return (high.value >= 0.0).then(|| self.root(low, high, 1.0, guess_s));
        }
        let middle = self.node(0.5 * (low.t_s + high.t_s));
        if middle.value >= 0.0 {
            return self.crossing_between(low, &middle, narrowest_s, guess_s);
        }
        self.crossing_between(low, &middle, narrowest_s, guess_s)
            .or_else(|| self.crossing_between(&middle, high, narrowest_s, guess_s))
    }

    fn is_rounding(&self, low: &Node, high: &Node, deviation: f64) -> bool {
        low.value.abs().max(high.value.abs()) + deviation <= self.scalar.rounding(high.t_s)
    }

    /// Calls `visit` with the time of every zero of the derivative in `(0, to_s)`, in order; `end` is the basis at `to_s`.
    pub fn turning_points(&self, to_s: f64, end: &Basis, mut visit: impl FnMut(f64)) {
        if self.modal.is_dense() {
            let step = to_s / SAMPLES_WITHOUT_BOUND as f64;
            (1..SAMPLES_WITHOUT_BOUND).for_each(|k| visit(k as f64 * step));
            return;
        }
        let slope = Track { scalar: self.scalar.derivative(self.modal), ..*self };
        let low = Node { t_s: 0.0, value: slope.start(), basis: self.modal.unit_basis() };
        let high = Node { t_s: to_s, value: slope.scalar.at_basis(end, to_s), basis: *end };
        slope.zeros_between(&low, &high, NARROWEST * to_s, &mut visit);
    }

    fn zeros_between(&self, low: &Node, high: &Node, narrowest_s: f64, visit: &mut impl FnMut(f64)) {
        let width = high.t_s - low.t_s;
        let (deviation, slope_deviation) = self.scalar.chord_bounds(self.modal, &low.basis, low.t_s, width);
        let same_side = low.value * high.value > 0.0;
        if (same_side && low.value.abs().min(high.value.abs()) > deviation) || self.is_rounding(low, high, deviation) {
            return;
        }
        if (high.value - low.value).abs() > slope_deviation * width || width <= narrowest_s {
            if !same_side {
                let sign = if low.value < high.value { 1.0 } else { -1.0 };
                visit(self.root(low, high, sign, None).t_s);
            }
            return;
        }
        let middle = self.node(0.5 * (low.t_s + high.t_s));
        self.zeros_between(low, &middle, narrowest_s, visit);
        self.zeros_between(&middle, high, narrowest_s, visit);
    }

    /// Newton's method inside a bracket; a step that leaves the bracket is replaced by its middle.
    /// With `sign` the value goes from not positive to not negative.
    fn root(&self, low: &Node, high: &Node, sign: f64, guess_s: Option<f64>) -> Node {
        let (mut a, mut b) = (low.t_s, high.t_s);
        let slope = (!self.modal.is_dense()).then(|| self.scalar.derivative(self.modal));
        let rise = high.value - low.value;
        let secant = if rise == 0.0 { 0.5 * (a + b) } else { a - low.value / rise * (b - a) };
        let mut node = self.node(guess_s.filter(|guess| *guess > a && *guess < b).unwrap_or(secant));
        for _ in 0..NEWTON_STEPS {
            let value = sign * node.value;
            if value < 0.0 {
                a = node.t_s
            } else {
                b = node.t_s
            }
            let newton = slope.as_ref().map(|slope| node.t_s - value / (sign * slope.at_basis(&node.basis, node.t_s)));
            let step = newton.filter(|n| *n >= a && *n <= b).map_or(b - a, |n| (n - node.t_s).abs());
            if value == 0.0 || step <= 4.0 * f64::EPSILON * high.t_s {
                return node;
            }
            node = self.node(newton.filter(|next| *next > a && *next < b).unwrap_or(0.5 * (a + b)));
        }
        node
    }

    fn sampled(&self, to_s: f64) -> impl Iterator<Item = (Node, Node)> + '_ {
        let at = move |k: usize| self.node(to_s * k as f64 / SAMPLES_WITHOUT_BOUND as f64);
        (0..SAMPLES_WITHOUT_BOUND).map(move |k| (at(k), at(k + 1)))
    }
}
