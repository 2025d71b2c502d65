//! Where a scalar function of time crosses zero within a stretch, with proof that nothing was missed.
//!
//! Method: docs/physics.md, "event location". On an interval the function differs from its chord, and its slope from the
//! chord's, by no more than the sum over its modes: a mode of size A and rate m contributes at most A m^2 w^2 / 8 to the first and
//! A m^2 w / 2 to the second on a width w, and never more than its own size. An interval is closed by one of the two bounds or
//! halved. Where the function is zero within its own rounding all along it crosses nothing.

use super::modal::{Anchors, Basis, Flow, Modal, ProjectedRow, Scalar};
use super::row::MAX_STATES;

/// Intervals narrower than this part of the stretch are not halved further.
const NARROWEST: f64 = 1e-12;
/// Number of intervals into which a stretch is cut where no bound exists.
const SAMPLES_WITHOUT_BOUND: usize = 32;
/// Intervals looked at in one search before it is given up: an ordinary one needs fewer than ten, a ringing of a thousand swings some
/// ten thousand.
const MOST_INTERVALS: usize = 100_000;
/// Newton steps before a root is taken as it is.
const NEWTON_STEPS: usize = 80;
/// Newton steps for a crossing that is expected near a time.
const FEW_STEPS: usize = 6;
/// A step below this part of the time leaves an error below its rounding: the step squared.
const LAST_STEP: f64 = 1e-8;

/// A scalar along a stretch that can be evaluated, differentiated and bounded.
pub struct Track<'a> {
    modal: &'a Modal,
    flow: &'a Flow,
    scalar: Scalar,
    row: &'a ProjectedRow,
    line: (f64, f64),
}

/// A search that was given up: the function changes its sign too often for the bounds to tell where.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unresolved;

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

/// A search for a crossing: intervals narrower than this are not halved, a time to be tried first, and how many more it may halve.
struct Search {
    narrowest_s: f64,
    guess_s: Option<f64>,
    left: usize,
}

/// An end of an interval: as [`Node`], with the exponentials where they are, since most ends are looked at only.
#[derive(Clone, Copy)]
struct Edge<'b> {
    t_s: f64,
    value: f64,
    basis: &'b Basis,
}

impl Edge<'_> {
    fn node(&self) -> Node {
        Node { t_s: self.t_s, value: self.value, basis: *self.basis }
    }
}

impl Node {
    fn edge(&self) -> Edge<'_> {
        Edge { t_s: self.t_s, value: self.value, basis: &self.basis }
    }
}

impl<'a> Track<'a> {
    /// The row along the flow plus a straight line `constant + slope * t`.
    #[inline]
    pub fn new(modal: &'a Modal, flow: &'a Flow, row: &'a ProjectedRow, line: (f64, f64)) -> Track<'a> {
        Track { modal, flow, scalar: modal.scalar(row, flow, line), row, line }
    }

    /// As [`Track::new`], with the row's [`ProjectedRow::level`] known.
    #[inline]
    pub fn with_level(
        modal: &'a Modal,
        flow: &'a Flow,
        row: &'a ProjectedRow,
        level: (f64, f64),
        line: (f64, f64),
    ) -> Track<'a> {
        let scalar = modal.scalar_from(row, flow, (level.0 + line.0, level.1 + line.1));
        Track { modal, flow, scalar, row, line }
    }

    /// Bound of the distance from the chord over a whole stretch; `None` where there is none.
    pub fn chord_deviation(&self, to_s: f64) -> Option<f64> {
        let modal = self.modal;
        (!modal.is_dense()).then(|| self.row.chord_deviation(&modal.chord_deviations(self.flow, to_s), modal))
    }

    /// Value at the begin of the stretch.
    #[inline]
    pub fn start(&self) -> f64 {
        if self.modal.is_dense() { self.value(0.0) } else { self.scalar.at_start(self.modal) }
    }

    /// Value at a time whose exponentials are known.
    #[inline]
    pub fn value_at_basis(&self, basis: &Basis, t_s: f64) -> f64 {
        if self.modal.is_dense() { self.dense_value(t_s) } else { self.scalar.at_basis(basis, t_s) }
    }

    /// Value at a time from the begin of the stretch.
    #[inline]
    pub fn value(&self, t_s: f64) -> f64 {
        if self.modal.is_dense() { self.dense_value(t_s) } else { self.scalar.at(self.modal, t_s) }
    }

    fn dense_value(&self, t_s: f64) -> f64 {
        let x = self.modal.state(self.flow, t_s, &self.modal.basis(t_s));
        self.row.row.at(&x, &self.flow.settled.inputs_at(t_s)) + self.line.0 + self.line.1 * t_s
    }

    fn node(&self, t_s: f64) -> Node {
        let mut basis = [0.0; MAX_STATES];
        self.modal.basis_where(&self.scalar.weight, true, t_s, &mut basis);
        Node { t_s, value: self.value_at_basis(&basis, t_s), basis }
    }

    /// First time in the stretch, up to `end`, at which the value is no longer negative: `end` is then moved there; `guess_s` is
    /// tried first in the search. False where there is no such time. Where no bound exists only what comes after `shown_s` is looked at:
    /// up to there it has been negative.
    ///
    /// # Errors
    /// [`Unresolved`] after too many intervals.
    pub fn first_crossing(&self, end: &mut Node, guess_s: Option<f64>, shown_s: f64) -> Result<bool, Unresolved> {
        if self.modal.is_dense() {
            return Ok(self.first_sampled(end, shown_s));
        }
        let start = Edge { t_s: 0.0, value: self.start(), basis: &self.modal.unit_basis };
        if start.value >= 0.0 {
            *end = start.node();
            return Ok(true);
        }
        let mut search = Search { narrowest_s: NARROWEST * end.t_s, guess_s, left: MOST_INTERVALS };
        let found = self.crossing_between(start, end, 0.0, &mut search)?;
        if found {
            // The search has looked at the modes that take part only.
            self.modal.basis_where(&self.scalar.weight, false, end.t_s, &mut end.basis);
        }
        Ok(found)
    }

    /// Moves `node` to the first crossing in the stretch, up to `end_s`, where Newton's method finds it from `guess_s` and the value
    /// rises all the way to it: what bounds the slope over a width `bounds` tells. False, with `node` anywhere, where that is not so:
    /// there may be a crossing all the same.
    pub fn expected_crossing(
        &self,
        guess_s: f64,
        end_s: f64,
        anchors: &mut Anchors,
        bounds: impl FnOnce(f64) -> f64,
        node: &mut Node,
    ) -> bool {
        let start = self.start();
        if start >= 0.0 || self.modal.is_dense() {
            return false;
        }
        let slope = self.scalar.derivative(self.modal);
        node.t_s = guess_s;
        for _ in 0..FEW_STEPS {
            if !(node.t_s > 0.0 && node.t_s <= end_s) {
                return false;
            }
            anchors.basis_into(self.modal, node.t_s, &mut node.basis);
            node.value = self.scalar.at_basis(&node.basis, node.t_s);
            let step_s = -node.value / slope.at_basis(&node.basis, node.t_s);
            node.t_s += step_s;
            if step_s.abs() <= LAST_STEP * node.t_s {
                self.modal.nudge(&mut node.basis, step_s);
                return node.t_s <= end_s && -start > bounds(node.t_s) * node.t_s;
            }
        }
        false
    }

    /// Moves `high` to the first crossing between the two, if there is one. `deepest` is the lowest value at the begin of an interval
    /// that holds this one.
    fn crossing_between(
        &self,
        low: Edge<'_>,
        high: &mut Node,
        deepest: f64,
        search: &mut Search,
    ) -> Result<bool, Unresolved> {
        let width = high.t_s - low.t_s;
        let (deviation, slope_deviation) = self.scalar.chord_bounds(self.modal, low.basis, low.t_s, width);
        if low.value.max(high.value) + deviation < 0.0 {
            return Ok(false);
        }
        let deepest = deepest.min(low.value);
        if self.is_rounding(low, high.edge(), deviation) {
            // What comes up from clearly below crosses here as well as anywhere within its rounding; what was zero all along does not.
            return Ok(high.value >= 0.0 && deepest < -self.scalar.rounding(high.t_s));
        }
        if (high.value - low.value).abs() > slope_deviation * width || width <= search.narrowest_s {
            let crosses = high.value >= 0.0;
            if crosses {
                self.root(low, high, 1.0, search.guess_s);
            }
            return Ok(crosses);
        }
        search.left = search.left.checked_sub(1).ok_or(Unresolved)?;
        let mut middle = self.node(0.5 * (low.t_s + high.t_s));
        let ends_there = middle.value >= 0.0;
        if self.crossing_between(low, &mut middle, deepest, search)? {
            *high = middle;
            return Ok(true);
        }
        Ok(!ends_there && self.crossing_between(middle.edge(), high, deepest, search)?)
    }

    #[inline]
    fn is_rounding(&self, low: Edge<'_>, high: Edge<'_>, deviation: f64) -> bool {
        low.value.abs().max(high.value.abs()) + deviation <= self.scalar.rounding(high.t_s)
    }

    /// Calls `visit` with the time of every zero of the derivative in `(0, to_s)`, in order; `end` is the basis at `to_s`. After very
    /// many of them (see [`Track::first_crossing`]) the ends of the intervals that are left stand in for those within: their values
    /// then are off by no more than the deviation from the chord of an interval that narrow.
    pub fn turning_points(&self, to_s: f64, end: &Basis, mut visit: impl FnMut(f64)) {
        if self.modal.is_dense() {
            let step = to_s / SAMPLES_WITHOUT_BOUND as f64;
            (1..SAMPLES_WITHOUT_BOUND).for_each(|k| visit(k as f64 * step));
            return;
        }
        let slope = Track { scalar: self.scalar.derivative(self.modal), ..*self };
        let low = Edge { t_s: 0.0, value: slope.start(), basis: &self.modal.unit_basis };
        let high = Edge { t_s: to_s, value: slope.scalar.at_basis(end, to_s), basis: end };
        slope.zeros_between(low, high, (NARROWEST * to_s, &mut MOST_INTERVALS.clone()), &mut visit);
    }

    fn zeros_between(
        &self,
        low: Edge<'_>,
        high: Edge<'_>,
        (narrowest_s, left): (f64, &mut usize),
        visit: &mut impl FnMut(f64),
    ) {
        let width = high.t_s - low.t_s;
        let (deviation, slope_deviation) = self.scalar.chord_bounds(self.modal, low.basis, low.t_s, width);
        let same_side = low.value * high.value > 0.0;
        if same_side && low.value.abs().min(high.value.abs()) > deviation {
            return;
        }
        if self.is_rounding(low, high, deviation) {
            // Two modes that are nearly one have large parts that cancel: the zero is no better known than that.
            if !same_side {
                visit(0.5 * (low.t_s + high.t_s));
            }
            return;
        }
        if (high.value - low.value).abs() > slope_deviation * width || width <= narrowest_s {
            if !same_side {
                let sign = if low.value < high.value { 1.0 } else { -1.0 };
                let mut root = high.node();
                self.root(low, &mut root, sign, None);
                visit(root.t_s);
            }
            return;
        }
        let Some(fewer) = left.checked_sub(1) else { return visit(high.t_s) };
        *left = fewer;
        let middle = self.node(0.5 * (low.t_s + high.t_s));
        self.zeros_between(low, middle.edge(), (narrowest_s, left), visit);
        self.zeros_between(middle.edge(), high, (narrowest_s, left), visit);
    }

    /// Newton's method inside a bracket, whose upper end is moved to the root; a step that leaves the bracket is replaced by its
    /// middle. With `sign` the value goes from not positive to not negative.
    fn root(&self, low: Edge<'_>, high: &mut Node, sign: f64, guess_s: Option<f64>) {
        let (mut a, mut b) = (low.t_s, high.t_s);
        let settled_s = 4.0 * f64::EPSILON * high.t_s;
        let slope = (!self.modal.is_dense()).then(|| self.scalar.derivative(self.modal));
        let rise = high.value - low.value;
        let secant = if rise == 0.0 { 0.5 * (a + b) } else { a - low.value / rise * (b - a) };
        let node = high;
        self.move_node(node, guess_s.filter(|guess| *guess > a && *guess < b).unwrap_or(secant));
        for _ in 0..NEWTON_STEPS {
            let value = sign * node.value;
            if value < 0.0 {
                a = node.t_s
            } else {
                b = node.t_s
            }
            let newton = slope.as_ref().map(|slope| node.t_s - value / (sign * slope.at_basis(&node.basis, node.t_s)));
            let step = newton.filter(|n| *n >= a && *n <= b).map_or(b - a, |n| (n - node.t_s).abs());
            if value == 0.0 || step <= settled_s {
                return;
            }
            self.move_node(node, newton.filter(|next| *next > a && *next < b).unwrap_or(0.5 * (a + b)));
        }
    }

    #[inline]
    fn move_node(&self, node: &mut Node, t_s: f64) {
        self.modal.basis_where(&self.scalar.weight, true, t_s, &mut node.basis);
        (node.t_s, node.value) = (t_s, self.value_at_basis(&node.basis, t_s));
    }

    /// As [`Track::first_crossing`], looked for at a number of times.
    fn first_sampled(&self, end: &mut Node, shown_s: f64) -> bool {
        let step_s = (end.t_s - shown_s) / SAMPLES_WITHOUT_BOUND as f64;
        let mut low = self.node(shown_s);
        if low.value >= 0.0 {
            *end = low;
            return true;
        }
        for k in 1..=SAMPLES_WITHOUT_BOUND {
            let high =
                if k < SAMPLES_WITHOUT_BOUND { self.node(shown_s + step_s * k as f64) } else { self.node(end.t_s) };
            if high.value >= 0.0 {
                *end = high;
                self.root(low.edge(), end, 1.0, None);
                return true;
            }
            low = high;
        }
        false
    }
}
