//! Where a scalar function of time crosses zero within a stretch, with proof that nothing was missed.
//!
//! Method: docs/physics.md, "event location". On an interval of width h with |g''| <= K the function differs from
//! its chord by at most K h^2 / 8 and its slope from the chord's by at most K h / 2. An interval is closed by one of the
//! two bounds or halved. Where the function is zero within its own rounding it crosses nothing.

use super::modal::{Basis, Flow, Modal, ProjectedRow, Scalar};

/// Intervals narrower than this part of the stretch are not halved further.
const NARROWEST: f64 = 1e-12;
/// Number of intervals into which a stretch is cut where no curvature bound exists.
const SAMPLES_WITHOUT_BOUND: usize = 32;

/// A scalar along a stretch that can be evaluated, differentiated and bounded.
pub struct Track<'a> {
    modal: &'a Modal,
    flow: &'a Flow,
    scalar: Scalar,
    row: &'a ProjectedRow,
    line: (f64, f64),
}

impl<'a> Track<'a> {
    /// The row along the flow plus a straight line `constant + slope * t`.
    pub fn new(modal: &'a Modal, flow: &'a Flow, row: &'a ProjectedRow, line: (f64, f64)) -> Track<'a> {
        let scalar = modal.scalar(row, flow).plus_line(line.0, line.1);
        Track { modal, flow, scalar, row, line }
    }

    /// Value at the begin of the stretch.
    pub fn start(&self) -> f64 {
        if self.modal.is_dense() { self.value(0.0) } else { self.scalar.at_start(self.modal) }
    }

    /// Value at a time whose exponentials are known.
    pub fn value_at_basis(&self, basis: &Basis, t_s: f64) -> f64 {
        if self.modal.is_dense() { self.value(t_s) } else { self.scalar.at_basis(basis, t_s) }
    }

    /// Value at a time from the begin of the stretch.
    pub fn value(&self, t_s: f64) -> f64 {
        if self.modal.is_dense() {
            let x = self.modal.state(self.flow, t_s, &self.modal.basis(t_s));
            let u = std::array::from_fn(|k| self.flow.inputs[k] + self.flow.input_slopes[k] * t_s);
            return self.row.row.at(&x, &u) + self.line.0 + self.line.1 * t_s;
        }
        self.scalar.at(self.modal, t_s)
    }

    /// First time in `[from_s, to_s]` at which the value is no longer negative; `at` gives it at both ends.
    pub fn first_crossing(&self, (from_s, to_s): (f64, f64), at: (f64, f64)) -> Option<f64> {
        if at.0 >= 0.0 {
            return Some(from_s);
        }
        if self.modal.is_dense() {
            return self.sampled(from_s, to_s).find(|w| w.0.1 < 0.0 && w.1.1 >= 0.0).map(|w| self.root(w.0, w.1));
        }
        self.crossing_between((from_s, at.0), (to_s, at.1), NARROWEST * to_s)
    }

    fn crossing_between(&self, low: (f64, f64), high: (f64, f64), narrowest_s: f64) -> Option<f64> {
        let width = high.0 - low.0;
        let bound = self.scalar.curvature_bound(self.modal, low.0, high.0);
        if low.1.max(high.1) + bound * width * width / 8.0 < 0.0 {
            return None;
        }
        if low.1.abs().max(high.1.abs()) + bound * width * width / 8.0 <= self.scalar.rounding(high.0) {
            return None;
        }
        let rise = high.1 - low.1;
        if rise.abs() > bound * width * width / 2.0 || width <= narrowest_s {
            return (high.1 >= 0.0).then(|| self.root(low, high));
        }
        let middle_s = 0.5 * (low.0 + high.0);
        let middle = (middle_s, self.value(middle_s));
        if middle.1 >= 0.0 {
            return self.crossing_between(low, middle, narrowest_s);
        }
        self.crossing_between(low, middle, narrowest_s).or_else(|| self.crossing_between(middle, high, narrowest_s))
    }

    /// Calls `visit` with the time of every zero of the derivative in `(0, to_s)`, in order.
    pub fn turning_points(&self, to_s: f64, mut visit: impl FnMut(f64)) {
        if self.modal.is_dense() {
            let step = to_s / SAMPLES_WITHOUT_BOUND as f64;
            (1..SAMPLES_WITHOUT_BOUND).for_each(|k| visit(k as f64 * step));
            return;
        }
        let slope = Track { scalar: self.scalar.derivative(self.modal), ..*self };
        let ends = ((0.0, slope.start()), (to_s, slope.value(to_s)));
        slope.zeros_between(ends.0, ends.1, NARROWEST * to_s, &mut visit);
    }

    fn zeros_between(&self, low: (f64, f64), high: (f64, f64), narrowest_s: f64, visit: &mut impl FnMut(f64)) {
        let width = high.0 - low.0;
        let bound = self.scalar.curvature_bound(self.modal, low.0, high.0);
        if low.1.abs().max(high.1.abs()) + bound * width * width / 8.0 <= self.scalar.rounding(high.0) {
            return;
        }
        let same_side = low.1 * high.1 > 0.0;
        if same_side && low.1.abs().min(high.1.abs()) > bound * width * width / 8.0 {
            return;
        }
        if (high.1 - low.1).abs() > bound * width * width / 2.0 || width <= narrowest_s {
            if !same_side {
                let sign = if low.1 < high.1 { 1.0 } else { -1.0 };
                visit(self.signed_root(low, high, sign));
            }
            return;
        }
        let middle_s = 0.5 * (low.0 + high.0);
        let middle = (middle_s, self.value(middle_s));
        self.zeros_between(low, middle, narrowest_s, visit);
        self.zeros_between(middle, high, narrowest_s, visit);
    }

    fn root(&self, low: (f64, f64), high: (f64, f64)) -> f64 {
        self.signed_root(low, high, 1.0)
    }

    /// Newton's method inside a bracket; a step that leaves the bracket is replaced by its middle.
    /// With `sign` the value goes from not positive to not negative.
    fn signed_root(&self, low: (f64, f64), high: (f64, f64), sign: f64) -> f64 {
        let (mut a, mut b) = (low.0, high.0);
        let rise = high.1 - low.1;
        let slope = (!self.modal.is_dense()).then(|| self.scalar.derivative(self.modal));
        let mut t = if rise == 0.0 { 0.5 * (a + b) } else { a - low.1 / rise * (b - a) };
        for _ in 0..80 {
            let value = sign * self.value(t);
            if value < 0.0 {
                a = t
            } else {
                b = t
            }
            let newton = slope.as_ref().map(|slope| t - value / (sign * slope.at(self.modal, t)));
            let next = newton.filter(|next| *next > a && *next < b).unwrap_or(0.5 * (a + b));
            let step = newton.filter(|n| *n >= a && *n <= b).map_or(b - a, |n| (n - t).abs());
            if value == 0.0 || step <= 4.0 * f64::EPSILON * high.0 {
                return t;
            }
            t = next;
        }
        t
    }

    fn sampled(&self, from_s: f64, to_s: f64) -> impl Iterator<Item = ((f64, f64), (f64, f64))> + '_ {
        let at = move |k: usize| {
            let t = from_s + (to_s - from_s) * k as f64 / SAMPLES_WITHOUT_BOUND as f64;
            (t, self.value(t))
        };
        (0..SAMPLES_WITHOUT_BOUND).map(move |k| (at(k), at(k + 1)))
    }
}
