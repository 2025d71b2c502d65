//! Modal form of a mode's matrices: exact propagation of a stretch as a sum of exponentials.
//!
//! `x' = A x + B u` is split by eigenvectors into real modes, oscillating pairs and one slow block. The slow
//! block collects the eigenvalues that are zero or so small that their exponentials are short polynomials within a
//! cycle: there, and only there, a converter's matrices are defective (a capacitor fed by a current sink
//! in front of an integrator). Where the split is not accurate the mode is propagated by the matrix exponential.
//!
//! Method: docs/physics.md, "exact propagation".

#![allow(clippy::needless_range_loop, reason = "matrix algebra reads best with the indices that it has on paper")]

use super::row::{INPUTS, InputVector, MAX_STATES, Row, StateVector, combine, dot, dot_of};
use nalgebra::{Complex, ComplexField, DMatrix, DVector, Schur};
use std::cell::RefCell;
use std::collections::HashMap;
use std::sync::Arc;

/// Degree of the polynomials of the slow block.
const SLOW_DEGREE: usize = 6;
/// Reciprocals of the factorials.
const PER_FACTORIAL: Polynomial = [1.0, 1.0, 1.0 / 2.0, 1.0 / 6.0, 1.0 / 24.0, 1.0 / 120.0, 1.0 / 720.0];
/// A mode that has decayed by this exponent (to 9e-27) is gone.
const GONE: f64 = -60.0;
/// Angles up to this have a short series for sine and cosine.
const SMALL_ANGLE: f64 = 0.25;
/// Exponents up to this have a short series for the exponential.
const SMALL_EXPONENT: f64 = 0.05;
/// Most slow coordinates for which the split is used.
const SLOW_MOST: usize = 8;
/// Times that a mode remembers with their exponentials.
const ANCHORS: usize = 4;
/// Eigenvalues below this many per cycle belong to the slow block: the remainder of the polynomial is below 1e-17 over a cycle.
const SLOW_PER_CYCLE: f64 = 0.01;
/// Eigenvalues above this many per cycle may do without it.
const LEAST_SLOW_PER_CYCLE: f64 = 0.001;
/// Largest disagreement with the matrix exponential, in balanced units, for which the modal form is used.
const MODAL_ACCURACY: f64 = 1e-10;
/// Steps of the iteration for the slow subspace.
const SUBSPACE_STEPS: usize = 60;
/// Turn of the slow subspace in a step of its iteration at which it stands: rounding.
const SUBSPACE_TURN: f64 = 4.0 * f64::EPSILON;
/// Iterations allowed to the Schur decomposition.
const SCHUR_ITERATIONS: usize = 2000;

/// Modal forms that a thread remembers: those of a few machines.
const REMEMBERED: usize = 600;

thread_local! {
    /// Machines differ in the load, the events and the input voltage, of which the equations know nothing.
    static LATELY: RefCell<HashMap<Vec<u64>, Arc<Modal>>> = RefCell::new(HashMap::new());
}

/// Eigenvalues of some modes, and their directions in the first states as columns.
pub type PlantSplit = (Vec<Complex<f64>>, DMatrix<Complex<f64>>);

/// Coefficients of a polynomial in time within a stretch, constant term first.
pub type Polynomial = [f64; SLOW_DEGREE + 1];

/// Exponentials of all modes at one time: for a pair the cosine and sine parts.
pub type Basis = StateVector;

/// Modal form of one mode.
#[derive(Clone, Debug)]
pub struct Modal {
    /// Number of states.
    pub n: usize,
    /// Number of real modes; they come first.
    pub reals: usize,
    /// Number of oscillating pairs; they follow.
    pub pairs: usize,
    /// Fastest growth of a mode in 1/s; 0 where all decay.
    growth_per_s: f64,
    /// See [`Modal::slow_holds_s`].
    slow_holds_s: f64,
    /// Decay rate of each fast coordinate in 1/s (a pair repeats its own).
    pub rate: StateVector,
    /// Angular frequency of each coordinate of a pair in rad/s.
    pub omega: StateVector,
    /// Magnitude of each eigenvalue in 1/s, and its square in 1/s2; for a pair in its first coordinate.
    speed: StateVector,
    square: StateVector,
    /// By how much a mode of size one may differ from its chord at most: 1, for a pair 2 in its first coordinate.
    most: StateVector,
    /// Magnitude of the fastest mode in 1/s.
    fastest_per_s: f64,
    /// Exponentials at the begin of a stretch.
    pub unit_basis: Basis,
    /// Columns: directions of the coordinates in the state space.
    directions: Vec<StateVector>,
    /// Columns: coordinates of a unit of each state.
    coordinates: Vec<StateVector>,
    /// Input of each coordinate.
    input: Vec<InputVector>,
    /// Columns: particular solution of the fast coordinates per unit of each input.
    particular: [StateVector; INPUTS],
    /// Columns: by how much that differs per unit of each input's slope.
    lagging: [StateVector; INPUTS],
    /// Slow block, row by row, in coordinates from `reals + 2 * pairs` on.
    slow: Vec<StateVector>,
    /// Matrices of the fallback: state and inputs together.
    dense: Option<DMatrix<f64>>,
}

/// Exponentials at times at which a mode was left before. The next cycles leave it at nearly the same ones, which costs a
/// short series instead of exponentials.
#[derive(Clone, Debug)]
pub struct Anchors {
    known: [(f64, Basis); ANCHORS],
    used: usize,
    oldest: usize,
}

impl Anchors {
    /// Nothing known yet.
    pub const NONE: Anchors = Anchors { known: [(f64::INFINITY, [0.0; MAX_STATES]); ANCHORS], used: 0, oldest: 0 };

    /// Writes the exponentials at a time from the begin of a stretch over those of another time.
    #[inline]
    pub fn basis_into(&mut self, modal: &Modal, t_s: f64, basis: &mut Basis) {
        let (known_s, known) = &self.known[self.used];
        if *known_s == t_s {
            *basis = *known;
        } else {
            let far = modal.basis_from(known, (*known_s, t_s), basis);
            if 2 * far >= modal.reals + modal.pairs {
                self.look_further(modal, t_s, far, basis);
            }
        }
    }

    /// Of the anchor used last that many modes are far: the nearest one may be another.
    #[inline(never)]
    fn look_further(&mut self, modal: &Modal, t_s: f64, mut far: usize, basis: &mut Basis) {
        let distance_s = |k: &usize| (self.known[*k].0 - t_s).abs();
        let nearest = (0..ANCHORS).min_by(|a, b| distance_s(a).total_cmp(&distance_s(b))).unwrap_or(0);
        if nearest != self.used {
            self.used = nearest;
            let (known_s, known) = &self.known[nearest];
            far = modal.basis_from(known, (*known_s, t_s), basis);
        }
        let modes = modal.reals + modal.pairs;
        // A mode that is faster than the instants are steady is worked out anew each time, and leaves the others their anchor.
        if 2 * far < modes {
            return;
        }
        if far == modes {
            self.used = self.oldest;
            self.oldest = (self.oldest + 1) % ANCHORS;
        }
        // The anchor follows where the cycles go.
        self.known[self.used] = (t_s, *basis);
    }
}

/// A scalar function of time within a stretch: exponentials plus a polynomial.
#[derive(Clone, Copy, Debug)]
pub struct Scalar {
    /// Coefficient of each basis function.
    pub weight: StateVector,
    /// Polynomial part.
    pub polynomial: Polynomial,
    /// Number of basis functions.
    fast: usize,
    /// Whether the polynomial is more than a straight line.
    bent: bool,
}

/// Particular solution of the fast coordinates under inputs: most stretches of a mode have the same.
#[derive(Clone, Copy, Debug)]
pub struct Settled {
    /// Inputs at the begin of a stretch.
    pub inputs: InputVector,
    /// Slope of each input in 1/s.
    pub input_slopes: InputVector,
    /// Whether an input has a slope.
    sloping: bool,
    constant: StateVector,
    slope: StateVector,
    /// By how much the constant part differs for the slopes.
    lag: StateVector,
    /// What drives each slow coordinate, in 1/s, and how that grows per second.
    slow: [(f64, f64); SLOW_MOST],
}

impl Settled {
    /// Whether an input has a slope.
    pub fn is_sloping(&self) -> bool {
        self.sloping
    }

    /// Inputs at a time from the begin of the stretch.
    pub fn inputs_at(&self, t_s: f64) -> InputVector {
        std::array::from_fn(|k| self.inputs[k] + self.input_slopes[k] * t_s)
    }
}

/// Coordinates at the begin of a stretch, ready to be evaluated at any time within it.
#[derive(Clone, Copy, Debug)]
pub struct Flow {
    eta: StateVector,
    /// Polynomials of the slow coordinates.
    slow: [Polynomial; SLOW_MOST],
    /// Inputs, and where they drive the fast coordinates.
    pub settled: Settled,
    /// State at the begin.
    pub start: StateVector,
    /// Size of each mode: for a pair in its first coordinate.
    amplitude: StateVector,
}

impl Modal {
    /// As [`Modal::new`]; where this thread has split the same equations lately, what it found then.
    pub fn shared(rows: &[Row], period_s: f64) -> Arc<Modal> {
        let n = rows.len();
        let numbers = rows.iter().flat_map(|row| row.x[..n].iter().chain(&row.u)).chain([&period_s]);
        let key: Vec<u64> = numbers.map(|number| number.to_bits()).collect();
        LATELY.with_borrow_mut(|lately| {
            if let Some(modal) = lately.get(&key) {
                return Arc::clone(modal);
            }
            if lately.len() >= REMEMBERED {
                lately.clear();
            }
            let modal = Arc::new(Modal::new(rows, period_s));
            lately.insert(key, Arc::clone(&modal));
            modal
        })
    }

    /// Splits `x' = A x + B u`, given by its rows, for a converter with that period.
    pub fn new(rows: &[Row], period_s: f64) -> Modal {
        let n = rows.len();
        let a = DMatrix::from_fn(n, n, |i, j| rows[i].x[j]);
        let scale = balance(&a);
        let balanced = DMatrix::from_fn(n, n, |i, j| a[(i, j)] * scale[j] / scale[i]);
        let split = splits(&balanced, period_s).find(|split| split.is_accurate(&balanced, period_s));
        match split {
            Some(split) => Modal::from_split(rows, &split, &scale),
            None => Modal::dense(rows),
        }
    }

    fn from_split(rows: &[Row], split: &Split, scale: &[f64]) -> Modal {
        let n = rows.len();
        let mut modal = Modal {
            n,
            reals: split.reals,
            pairs: split.pairs,
            growth_per_s: 0.0,
            slow_holds_s: split.slow_holds_s(),
            rate: [0.0; MAX_STATES],
            omega: [0.0; MAX_STATES],
            unit_basis: [0.0; MAX_STATES],
            speed: [0.0; MAX_STATES],
            square: [0.0; MAX_STATES],
            most: [0.0; MAX_STATES],
            fastest_per_s: 0.0,
            directions: vec![[0.0; MAX_STATES]; n],
            coordinates: vec![[0.0; MAX_STATES]; n],
            input: vec![[0.0; INPUTS]; n],
            particular: [[0.0; MAX_STATES]; INPUTS],
            lagging: [[0.0; MAX_STATES]; INPUTS],
            slow: vec![],
            dense: None,
        };
        for j in 0..n {
            for i in 0..n {
                modal.directions[j][i] = split.vectors[(i, j)] * scale[i];
                modal.coordinates[i][j] = split.inverse[(j, i)] / scale[i];
            }
        }
        for j in 0..n {
            for u in 0..INPUTS {
                modal.input[j][u] = (0..n).map(|i| modal.coordinates[i][j] * rows[i].u[u]).sum();
            }
        }
        for j in 0..modal.fast() {
            modal.rate[j] = split.block[(j, j)];
            modal.growth_per_s = modal.growth_per_s.max(modal.rate[j]);
        }
        modal.unit_basis[..modal.reals].fill(1.0);
        for j in modal.pair_modes() {
            modal.unit_basis[j] = 1.0;
            modal.omega[j] = split.block[(j, j + 1)];
            modal.omega[j + 1] = modal.omega[j];
        }
        modal.set_speeds();
        for u in 0..INPUTS {
            let column: StateVector = std::array::from_fn(|j| if j < n { -modal.input[j][u] } else { 0.0 });
            let solved = modal.solve_fast(&column);
            let fast = modal.fast();
            modal.particular[u][..fast].copy_from_slice(&solved[..fast]);
            modal.lagging[u] = modal.solve_fast(&modal.particular[u]);
        }
        modal.slow = (modal.fast()..n)
            .map(|i| {
                std::array::from_fn(|j| if j < n - modal.fast() { split.block[(i, modal.fast() + j)] } else { 0.0 })
            })
            .collect();
        modal
    }

    /// Magnitudes of the eigenvalues, and what follows from them.
    fn set_speeds(&mut self) {
        for j in 0..self.fast() {
            let first = j < self.reals || (j - self.reals).is_multiple_of(2);
            self.square[j] = if first { self.rate[j].powi(2) + self.omega[j].powi(2) } else { 0.0 };
            self.speed[j] = self.square[j].sqrt();
            self.most[j] = if j < self.reals { 1.0 } else { f64::from(u8::from(first)) * 2.0 };
            self.fastest_per_s = self.fastest_per_s.max(self.speed[j]);
        }
    }

    fn dense(rows: &[Row]) -> Modal {
        let n = rows.len();
        let size = n + 2 * INPUTS;
        let matrix = DMatrix::from_fn(size, size, |i, j| match (i < n, j < n) {
            (true, true) => rows[i].x[j],
            (true, false) if j < n + INPUTS => rows[i].u[j - n],
            (false, false) if i < n + INPUTS && j == i + INPUTS => 1.0,
            _ => 0.0,
        });
        Modal {
            n,
            reals: 0,
            pairs: 0,
            growth_per_s: 0.0,
            slow_holds_s: 0.0,
            rate: [0.0; MAX_STATES],
            omega: [0.0; MAX_STATES],
            unit_basis: [0.0; MAX_STATES],
            speed: [0.0; MAX_STATES],
            square: [0.0; MAX_STATES],
            most: [0.0; MAX_STATES],
            fastest_per_s: 0.0,
            directions: vec![],
            coordinates: vec![],
            input: vec![],
            particular: [[0.0; MAX_STATES]; INPUTS],
            lagging: [[0.0; MAX_STATES]; INPUTS],
            slow: vec![],
            dense: Some(matrix),
        }
    }

    /// Whether this mode is propagated by the matrix exponential instead of modes.
    pub fn is_dense(&self) -> bool {
        self.dense.is_some()
    }

    /// Fast coordinates in which one of the first `states` takes part, a pair by its first.
    pub fn modes_of(&self, states: usize) -> Vec<usize> {
        // The power stage does not feel the compensator: the share of its modes there is rounding only.
        let takes_part = |j: &usize| {
            let direction = &self.directions[*j];
            let whole = direction.iter().fold(0.0f64, |size, v| size.max(v.abs()));
            direction[..states].iter().any(|v| v.abs() > 1e-9 * whole)
        };
        let firsts = self.real_modes().chain(self.pair_modes());
        firsts.filter(|&j| takes_part(&j) || (j >= self.reals && takes_part(&(j + 1)))).collect()
    }

    /// Eigenvalues of the power stage, whose states come first, with its own directions as columns: an oscillating pair as two conjugates.
    /// `None` where it is not a sum of exponentials alone.
    pub fn plant_split(&self, modes: &[usize], states: usize) -> Option<PlantSplit> {
        let pairs = modes.iter().filter(|&&j| j >= self.reals).count();
        if self.is_dense() || modes.len() + pairs != states {
            return None;
        }
        let mut rates = vec![];
        let mut columns = vec![];
        for &j in modes {
            let direction = |j: usize, i: usize| self.directions[j][i];
            if j < self.reals {
                rates.push(Complex::from(self.rate[j]));
                columns.push(DVector::from_fn(states, |i, _| Complex::from(direction(j, i))));
                continue;
            }
            // Coordinates y and z of a pair turn as y + i z does by exp((rate - i omega) t).
            for sign in [1.0, -1.0] {
                rates.push(Complex::new(self.rate[j], -sign * self.omega[j]));
                columns.push(DVector::from_fn(states, |i, _| {
                    Complex::new(0.5 * direction(j, i), -0.5 * sign * direction(j + 1, i))
                }));
            }
        }
        Some((rates, DMatrix::from_columns(&columns)))
    }

    /// Exponentials of some modes only, a pair named by its first coordinate; those of the others are zero.
    pub fn basis_of(&self, modes: &[usize], t_s: f64) -> Basis {
        let mut basis = [0.0; MAX_STATES];
        for &j in modes {
            self.enter(&mut basis, j, t_s);
        }
        basis
    }

    #[inline(always)]
    fn enter(&self, basis: &mut Basis, j: usize, t_s: f64) {
        if self.is_gone(j, t_s) {
            basis[j] = 0.0;
            if j >= self.reals {
                basis[j + 1] = 0.0;
            }
            return;
        }
        let size = (self.rate[j] * t_s).exp();
        if j < self.reals {
            basis[j] = size;
        } else {
            let (sin, cos) = sin_cos(self.omega[j] * t_s);
            basis[j] = size * cos;
            basis[j + 1] = size * sin;
        }
    }

    /// Magnitude of the fastest mode in 1/s; 0 where the modes are not known.
    pub fn fastest_per_s(&self) -> f64 {
        self.fastest_per_s
    }

    /// Time in s for which the polynomials of the slow block hold to rounding; 0 where the modes are not known.
    pub fn slow_holds_s(&self) -> f64 {
        self.slow_holds_s
    }

    /// Number of fast coordinates.
    #[inline]
    pub fn fast(&self) -> usize {
        // No more than there are: the compiler then need not check every index.
        (self.reals + 2 * self.pairs).min(MAX_STATES)
    }

    /// Indices of the real modes.
    #[inline]
    fn real_modes(&self) -> std::ops::Range<usize> {
        0..self.reals.min(MAX_STATES)
    }

    /// First index of every pair.
    #[inline]
    fn pair_modes(&self) -> impl Iterator<Item = usize> + use<> {
        let first = self.reals;
        (0..self.pairs).map(move |k| (first + 2 * k).min(MAX_STATES - 2))
    }

    /// Applies the inverse of the fast block to a vector of coordinates.
    fn solve_fast(&self, v: &StateVector) -> StateVector {
        let mut solved = [0.0; MAX_STATES];
        for j in self.real_modes() {
            solved[j] = v[j] / self.rate[j];
        }
        for j in self.pair_modes() {
            let (a, w) = (self.rate[j], self.omega[j]);
            let norm = 1.0 / (a * a + w * w);
            solved[j] = (a * v[j] - w * v[j + 1]) * norm;
            solved[j + 1] = (w * v[j] + a * v[j + 1]) * norm;
        }
        solved
    }

    /// Coordinates at the begin of a stretch.
    pub fn flow(&self, x: &StateVector, inputs: InputVector, input_slopes: InputVector) -> Flow {
        let mut flow = Flow::new(self.settled(inputs, input_slopes));
        self.begin(&mut flow, x);
        flow
    }

    /// Particular solution under inputs that are straight lines in time.
    pub fn settled(&self, inputs: InputVector, input_slopes: InputVector) -> Settled {
        let sloping = input_slopes.iter().any(|&slope| slope != 0.0);
        let (mut slope, mut lag) = ([0.0; MAX_STATES], [0.0; MAX_STATES]);
        if sloping && !self.is_dense() {
            combine(&self.particular, &input_slopes, self.n, &mut slope);
            combine(&self.lagging, &input_slopes, self.n, &mut lag);
        }
        let mut slow = [(0.0, 0.0); SLOW_MOST];
        for (slow, input) in slow.iter_mut().zip(self.input.iter().skip(self.fast())) {
            slow.1 = dot(input, &input_slopes);
        }
        let mut settled = Settled { inputs, input_slopes, sloping, constant: [0.0; MAX_STATES], slope, lag, slow };
        self.set_inputs(&mut settled, inputs);
        settled
    }

    /// The particular solution under other inputs with the same slopes.
    pub fn set_inputs(&self, settled: &mut Settled, inputs: InputVector) {
        settled.inputs = inputs;
        if !self.is_dense() {
            combine(&self.particular, &inputs, self.n, &mut settled.constant);
            if settled.sloping {
                settled.constant.iter_mut().zip(&settled.lag).for_each(|(value, lag)| *value += lag);
            }
        }
        for (slow, input) in settled.slow.iter_mut().zip(self.input.iter().skip(self.fast())) {
            slow.0 = dot(input, &inputs);
        }
    }

    /// Begins another stretch with the same inputs.
    pub fn begin(&self, flow: &mut Flow, x: &StateVector) {
        flow.start = *x;
        if self.is_dense() {
            return;
        }
        combine(&self.coordinates, &flow.start, self.n, &mut flow.eta);
        // Slow coordinates have no steady part.
        flow.eta.iter_mut().zip(&flow.settled.constant).for_each(|(eta, steady)| *eta -= steady);
        for j in self.real_modes() {
            flow.amplitude[j] = flow.eta[j].abs();
        }
        for j in self.pair_modes() {
            flow.amplitude[j] = (flow.eta[j] * flow.eta[j] + flow.eta[j + 1] * flow.eta[j + 1]).sqrt();
        }
        self.slow_polynomials(flow);
    }

    /// By how much each coordinate may differ from its chord over a whole stretch, see [`super::crossing`].
    #[inline]
    pub fn chord_deviations(&self, flow: &Flow, duration_s: f64) -> StateVector {
        let mut deviations = [0.0; MAX_STATES];
        if !self.is_dense() {
            self.chord_deviations_into(flow, duration_s, &mut deviations);
        }
        deviations
    }

    /// The same, written over those of another duration or stretch.
    #[inline]
    pub fn chord_deviations_into(&self, flow: &Flow, duration_s: f64, deviations: &mut StateVector) {
        let (growth, eighth) = (self.growth(duration_s), duration_s * duration_s / 8.0);
        let deviation = |j: usize| flow.amplitude[j] * growth * lesser(self.square[j] * eighth, self.most[j]);
        fill(deviations, self.n, deviation);
        for k in 0..self.n - self.fast() {
            let [_, _, c2, c3, c4, c5, c6] = flow.slow[k].map(f64::abs);
            let tail = c2 + duration_s * (c3 + duration_s * (c4 + duration_s * (c5 + duration_s * c6)));
            deviations[self.fast() + k] = tail * duration_s * duration_s;
        }
    }

    /// Writes by how much the slope of each coordinate may differ from that of its chord, see [`super::crossing`].
    #[inline]
    pub fn slope_deviations_into(&self, flow: &Flow, width_s: f64, deviations: &mut StateVector) {
        let (growth, half_s, per_width) = (self.growth(width_s), 0.5 * width_s, 1.0 / width_s);
        let steepest = |j: usize| lesser(self.square[j] * half_s, self.speed[j] + self.most[j] * per_width);
        fill(deviations, self.n, |j| flow.amplitude[j] * growth * steepest(j));
        for k in 0..self.n - self.fast() {
            deviations[self.fast() + k] = bound_of_curvature(&flow.slow[k], width_s) * half_s;
        }
    }

    /// Factor by which a mode grows at most; 1 where all decay.
    #[inline]
    fn growth(&self, duration_s: f64) -> f64 {
        if self.growth_per_s > 0.0 { (self.growth_per_s * duration_s).exp() } else { 1.0 }
    }

    /// Taylor coefficients of the slow coordinates: each derivative is the block applied to the former one.
    fn slow_polynomials(&self, flow: &mut Flow) {
        match self.n - self.fast() {
            0 => {}
            1 => self.slow_polynomials_of::<1>(flow),
            2 => self.slow_polynomials_of::<2>(flow),
            3 => self.slow_polynomials_of::<3>(flow),
            4 => self.slow_polynomials_of::<4>(flow),
            _ => self.slow_polynomials_of::<SLOW_MOST>(flow),
        }
    }

    fn slow_polynomials_of<const SIZE: usize>(&self, flow: &mut Flow) {
        let fast = self.fast();
        let block: [[f64; SIZE]; SIZE] =
            std::array::from_fn(|k| std::array::from_fn(|l| self.slow.get(k).map_or(0.0, |row| row[l])));
        let mut derivative: [f64; SIZE] = std::array::from_fn(|k| flow.eta.get(fast + k).copied().unwrap_or(0.0));
        for degree in 0..=SLOW_DEGREE {
            for k in 0..SIZE {
                flow.slow[k][degree] = derivative[k] * PER_FACTORIAL[degree];
            }
            derivative = std::array::from_fn(|k| (0..SIZE).map(|l| block[k][l] * derivative[l]).sum());
            for k in 0..SIZE {
                match degree {
                    0 => derivative[k] += flow.settled.slow[k].0,
                    1 => derivative[k] += flow.settled.slow[k].1,
                    _ => {}
                }
            }
        }
    }

    /// Exponentials at a time from the begin of a stretch.
    #[inline]
    pub fn basis(&self, t_s: f64) -> Basis {
        let mut basis = [0.0; MAX_STATES];
        self.basis_into(t_s, &mut basis);
        basis
    }

    /// Writes the exponentials at a time from the begin of a stretch over those of another time.
    #[inline]
    pub fn basis_into(&self, t_s: f64, basis: &mut Basis) {
        for j in self.real_modes() {
            self.enter(basis, j, t_s);
        }
        for j in self.pair_modes() {
            self.enter(basis, j, t_s);
        }
    }

    /// Writes the exponentials at a time of those modes that have a weight, or of all others.
    pub fn basis_where(&self, weight: &StateVector, weighty: bool, t_s: f64, basis: &mut Basis) {
        for j in self.real_modes() {
            if (weight[j] != 0.0) == weighty {
                self.enter(basis, j, t_s);
            }
        }
        for j in self.pair_modes() {
            if (weight[j] != 0.0 || weight[j + 1] != 0.0) == weighty {
                self.enter(basis, j, t_s);
            }
        }
    }

    /// Moves the exponentials of a known time to another one, by short series where a mode is near; returns how many are not.
    #[inline]
    fn basis_from(&self, known: &Basis, (known_s, t_s): (f64, f64), basis: &mut Basis) -> usize {
        let by_s = t_s - known_s;
        let mut far = 0;
        for j in self.real_modes() {
            let exponent = self.rate[j] * by_s;
            if exponent.abs() <= SMALL_EXPONENT {
                basis[j] = known[j] + known[j] * small_exp_less_one(exponent);
            } else {
                far += usize::from(!self.is_gone(j, known_s.min(t_s)));
                self.enter(basis, j, t_s);
            }
        }
        for j in self.pair_modes() {
            let (exponent, angle) = (self.rate[j] * by_s, self.omega[j] * by_s);
            if exponent.abs() <= SMALL_EXPONENT && angle.abs() <= SMALL_ANGLE {
                self.turn_pair(j, known, by_s, basis);
            } else {
                far += usize::from(!self.is_gone(j, known_s.min(t_s)));
                self.enter(basis, j, t_s);
            }
        }
        far
    }

    /// Whether a mode has decayed to nothing by a time.
    #[inline(always)]
    fn is_gone(&self, j: usize, t_s: f64) -> bool {
        self.rate[j] * t_s < GONE
    }

    #[inline(always)]
    fn turn_pair(&self, j: usize, known: &Basis, by_s: f64, basis: &mut Basis) {
        let growth = small_exp_less_one(self.rate[j] * by_s);
        turn((known[j], known[j + 1]), growth, small_sin_cos_less_one(self.omega[j] * by_s), &mut basis[j..j + 2]);
    }

    /// Moves the exponentials of a time by so little that three terms of their series are all.
    #[inline]
    pub fn nudge(&self, basis: &mut Basis, by_s: f64) {
        let tiny_exp_less_one = |x: f64| x + 0.5 * x * x;
        for j in self.real_modes() {
            basis[j] += basis[j] * tiny_exp_less_one(self.rate[j] * by_s);
        }
        for j in self.pair_modes() {
            let (growth, angle) = (tiny_exp_less_one(self.rate[j] * by_s), self.omega[j] * by_s);
            let known = (basis[j], basis[j + 1]);
            turn(known, growth, (angle, -0.5 * angle * angle), &mut basis[j..j + 2]);
        }
    }

    /// A row of the network in modal coordinates.
    pub fn project(&self, row: &Row) -> ProjectedRow {
        self.project_onto(row, |_| true)
    }

    /// A row that reads the power stage only, whose modes are given, a pair by its first: the share of all others is rounding.
    pub fn project_plant(&self, row: &Row, modes: &[usize]) -> ProjectedRow {
        let first = |j: usize| if j < self.reals { j } else { j - (j - self.reals) % 2 };
        self.project_onto(row, |j| j >= self.fast() || modes.contains(&first(j)))
    }

    fn project_onto(&self, row: &Row, takes_part: impl Fn(usize) -> bool) -> ProjectedRow {
        let mut coefficients = [0.0; MAX_STATES];
        if !self.is_dense() {
            for j in (0..self.n).filter(|&j| takes_part(j)) {
                coefficients[j] = dot(&row.x, &self.directions[j]);
            }
        }
        let mut size = coefficients.map(f64::abs);
        for j in self.pair_modes() {
            size[j] = coefficients[j].hypot(coefficients[j + 1]);
            size[j + 1] = 0.0;
        }
        let reach = row.x.iter().rposition(|&factor| factor != 0.0).map_or(0, |last| last + 1);
        let level = std::array::from_fn(|k| dot(&coefficients, &self.particular[k]) + row.u[k]);
        let lag = std::array::from_fn(|k| dot(&coefficients, &self.lagging[k]));
        ProjectedRow { coefficients, size, row: *row, reach, level, lag }
    }

    /// A projected row along a flow plus a straight line (constant, slope per s), as a function of time.
    #[inline]
    pub fn scalar(&self, row: &ProjectedRow, flow: &Flow, line: (f64, f64)) -> Scalar {
        let (lag, slope) = row.lag(&flow.settled);
        self.scalar_from(row, flow, (row.level(&flow.settled, lag) + line.0, slope + line.1))
    }

    /// As [`Modal::scalar`], with the row's [`ProjectedRow::level`] already part of the line.
    #[inline(always)]
    pub fn scalar_from(&self, row: &ProjectedRow, flow: &Flow, line: (f64, f64)) -> Scalar {
        let c = &row.coefficients;
        let fast = self.fast();
        let mut scalar = Scalar {
            weight: [0.0; MAX_STATES],
            polynomial: [line.0, line.1, 0.0, 0.0, 0.0, 0.0, 0.0],
            fast,
            bent: self.n > fast,
        };
        if self.is_dense() {
            // Such a mode is read through its states.
            return scalar;
        }
        for j in self.real_modes() {
            scalar.weight[j] = c[j] * flow.eta[j];
        }
        for j in self.pair_modes() {
            scalar.weight[j] = c[j] * flow.eta[j] + c[j + 1] * flow.eta[j + 1];
            scalar.weight[j + 1] = c[j] * flow.eta[j + 1] - c[j + 1] * flow.eta[j];
        }
        for k in 0..self.n - fast {
            for (sum, coefficient) in scalar.polynomial.iter_mut().zip(flow.slow[k]) {
                *sum += c[fast + k] * coefficient;
            }
        }
        scalar
    }

    /// State after a time, with the exponentials of that time.
    pub fn state(&self, flow: &Flow, t_s: f64, basis: &Basis) -> StateVector {
        let mut x = [0.0; MAX_STATES];
        self.state_into(flow, t_s, basis, &mut x);
        x
    }

    /// Writes the state after a time over another state.
    pub fn state_into(&self, flow: &Flow, t_s: f64, basis: &Basis, x: &mut StateVector) {
        if let Some(matrix) = &self.dense {
            *x = dense_state(matrix, self.n, flow, t_s);
            return;
        }
        combine(&self.directions, &self.coordinates(flow, t_s, basis), self.n, x);
    }

    /// Modal coordinates after a time, with the exponentials of that time.
    #[inline]
    fn coordinates(&self, flow: &Flow, t_s: f64, basis: &Basis) -> StateVector {
        let fast = self.fast();
        let mut y = [0.0; MAX_STATES];
        for j in self.real_modes() {
            y[j] = flow.eta[j] * basis[j];
        }
        for j in self.pair_modes() {
            y[j] = flow.eta[j] * basis[j] + flow.eta[j + 1] * basis[j + 1];
            y[j + 1] = flow.eta[j + 1] * basis[j] - flow.eta[j] * basis[j + 1];
        }
        if flow.settled.sloping {
            for j in 0..fast {
                y[j] += flow.settled.constant[j] + flow.settled.slope[j] * t_s;
            }
        } else {
            y.iter_mut().zip(&flow.settled.constant).take(fast).for_each(|(y, constant)| *y += constant);
        }
        for k in 0..self.n - fast {
            y[fast + k] = horner(&flow.slow[k], t_s);
        }
        y
    }

    /// Transition matrix of the states over a time.
    pub fn transition(&self, t_s: f64) -> DMatrix<f64> {
        if let Some(matrix) = &self.dense {
            return (matrix.view((0, 0), (self.n, self.n)) * t_s).exp();
        }
        // The columns are the responses to unit states without inputs.
        let basis = self.basis(t_s);
        let mut matrix = DMatrix::zeros(self.n, self.n);
        let mut flow = Flow::new(self.settled([0.0; INPUTS], [0.0; INPUTS]));
        let mut x = [0.0; MAX_STATES];
        for j in 0..self.n {
            flow.eta = self.coordinates[j];
            self.slow_polynomials(&mut flow);
            self.state_into(&flow, t_s, &basis, &mut x);
            (0..self.n).for_each(|i| matrix[(i, j)] = x[i]);
        }
        matrix
    }
}

impl Flow {
    /// A flow under inputs, of which no stretch has begun.
    pub fn new(settled: Settled) -> Flow {
        Flow {
            eta: [0.0; MAX_STATES],
            slow: [[0.0; SLOW_DEGREE + 1]; SLOW_MOST],
            settled,
            start: [0.0; MAX_STATES],
            amplitude: [0.0; MAX_STATES],
        }
    }

    /// Size of a mode at the begin of the stretch; a pair by its first coordinate.
    pub fn amplitude(&self, j: usize) -> f64 {
        self.amplitude[j]
    }
}

/// A row of the network together with its modal coefficients.
#[derive(Clone, Copy, Debug)]
pub struct ProjectedRow {
    coefficients: StateVector,
    /// Magnitude of the coefficient of each mode; for a pair in its first coordinate.
    pub size: StateVector,
    /// The row itself.
    pub row: Row,
    /// Number of states among which are all that it reads.
    reach: usize,
    /// What it reads where the fast coordinates have settled, per unit of each input, and in addition per unit of its slope.
    level: InputVector,
    lag: InputVector,
}

impl ProjectedRow {
    /// Value at a state and inputs.
    #[inline]
    pub fn at(&self, x: &StateVector, inputs: &InputVector) -> f64 {
        self.of_inputs(inputs) + self.of_state(x)
    }

    /// Part of the inputs in its value.
    #[inline(always)]
    pub fn of_inputs(&self, inputs: &InputVector) -> f64 {
        dot(&self.row.u, inputs)
    }

    /// Part of the states in its value.
    #[inline(always)]
    pub fn of_state(&self, x: &StateVector) -> f64 {
        match self.reach {
            0 => 0.0,
            1 => self.row.x[0] * x[0],
            2..=4 => dot_of(&self.row.x[..4], &x[..4]),
            5..=8 => dot_of(&self.row.x[..8], &x[..8]),
            _ => dot(&self.row.x, x),
        }
    }

    /// What the row reads where the fast coordinates have settled, given its [`ProjectedRow::lag`] under the same slopes.
    #[inline]
    pub fn level(&self, settled: &Settled, lag: f64) -> f64 {
        dot(&self.level, &settled.inputs) + lag
    }

    /// What the slopes of the inputs add to the level, and its slope in 1/s.
    #[inline]
    pub fn lag(&self, settled: &Settled) -> (f64, f64) {
        if settled.sloping {
            (dot(&self.lag, &settled.input_slopes), dot(&self.level, &settled.input_slopes))
        } else {
            (0.0, 0.0)
        }
    }

    /// Whether the row falls all along a stretch of that width with these values at its ends.
    pub fn falls(&self, (start, end): (f64, f64), flow: &Flow, modal: &Modal, width_s: f64) -> bool {
        let mut deviations = [0.0; MAX_STATES];
        modal.slope_deviations_into(flow, width_s, &mut deviations);
        start - end > width_s * self.slope_deviation(&deviations, modal)
    }

    /// By how much the slope of the row may differ from that of its chord, by the deviations of the coordinates.
    #[inline]
    pub fn slope_deviation(&self, deviations: &StateVector, modal: &Modal) -> f64 {
        dot_first(&self.size, deviations, modal.n)
    }

    /// By how much the row may differ from its chord over a stretch, by the deviations of the coordinates.
    #[inline]
    pub fn chord_deviation(&self, deviations: &StateVector, modal: &Modal) -> f64 {
        dot_first(&self.size, deviations, modal.n)
    }
}

impl Scalar {
    /// Value at a time whose exponentials are known.
    #[inline]
    pub fn at_basis(&self, basis: &Basis, t_s: f64) -> f64 {
        let waves = dot_first(&self.weight, basis, self.fast);
        let line = self.polynomial[0] + self.polynomial[1] * t_s;
        if self.bent { waves + (line + t_s * t_s * self.bend(t_s)) } else { waves + line }
    }

    /// Polynomial from the second power on, divided by that power; two short chains of operations instead of a long one.
    #[inline]
    fn bend(&self, t_s: f64) -> f64 {
        let [_, _, c2, c3, c4, c5, c6] = self.polynomial;
        (c2 + c3 * t_s) + t_s * t_s * ((c4 + c5 * t_s) + t_s * t_s * c6)
    }

    /// Value at a time.
    #[inline]
    pub fn at(&self, modal: &Modal, t_s: f64) -> f64 {
        self.at_basis(&modal.basis(t_s), t_s)
    }

    /// Value at the begin of the stretch.
    pub fn at_start(&self, modal: &Modal) -> f64 {
        let pairs: f64 = modal.pair_modes().map(|j| self.weight[j]).sum();
        self.weight[..modal.reals].iter().sum::<f64>() + pairs + self.polynomial[0]
    }

    /// Size of the rounding error of a value at times up to `to_s`, growing modes left aside.
    #[inline]
    pub fn rounding(&self, to_s: f64) -> f64 {
        let waves: f64 = self.weight[..self.fast].iter().map(|w| w.abs()).sum();
        let degree = if self.bent { SLOW_DEGREE } else { 1 };
        let polynomial: f64 = self.polynomial[..=degree].iter().rev().fold(0.0, |sum, c| sum * to_s + c.abs());
        4.0 * f64::EPSILON * (waves + polynomial)
    }

    /// Time derivative as a function of time.
    #[inline]
    pub fn derivative(&self, modal: &Modal) -> Scalar {
        let mut d = Scalar { weight: [0.0; MAX_STATES], ..*self };
        for j in modal.real_modes() {
            d.weight[j] = self.weight[j] * modal.rate[j];
        }
        for j in modal.pair_modes() {
            let (a, w) = (modal.rate[j], modal.omega[j]);
            d.weight[j] = a * self.weight[j] + w * self.weight[j + 1];
            d.weight[j + 1] = a * self.weight[j + 1] - w * self.weight[j];
        }
        let [_, c1, c2, c3, c4, c5, c6] = self.polynomial;
        d.polynomial = [c1, 2.0 * c2, 3.0 * c3, 4.0 * c4, 5.0 * c5, 6.0 * c6, 0.0];
        d
    }

    /// Bounds of the distance from the chord, and of that of the slope from the chord's, on an interval of a width that begins at
    /// a time whose exponentials are known.
    pub fn chord_bounds(&self, modal: &Modal, from: &Basis, from_s: f64, width_s: f64) -> (f64, f64) {
        let (mut value, mut slope) = (0.0, 0.0);
        let (growth, per_width) = (modal.growth(width_s), 1.0 / width_s);
        let mut include = |j: usize, size: f64, most: f64| {
            let size = size * growth;
            let by_curve = modal.square[j] * width_s;
            value += size * (by_curve * width_s / 8.0).min(most);
            slope += size * (by_curve / 2.0).min(modal.speed[j] + most * per_width);
        };
        for j in modal.real_modes() {
            include(j, (self.weight[j] * from[j]).abs(), 1.0);
        }
        for j in modal.pair_modes() {
            let now = (from[j] * from[j] + from[j + 1] * from[j + 1])
                * (self.weight[j] * self.weight[j] + self.weight[j + 1] * self.weight[j + 1]);
            include(j, now.sqrt(), 2.0);
        }
        if !self.bent {
            return (value, slope);
        }
        let curvature = bound_of_curvature(&self.polynomial, from_s + width_s);
        (value + curvature * width_s * width_s / 8.0, slope + curvature * width_s / 2.0)
    }
}

/// Turns a pair by an angle, given by its sine and its cosine less one, and lets it grow by a factor less one: what changes little
/// is changed by a small sum, so that rounding stays that of one addition.
#[inline]
fn turn((p, q): (f64, f64), growth: f64, (sin, cos_less_one): (f64, f64), pair: &mut [f64]) {
    let along = growth + cos_less_one + growth * cos_less_one;
    let across = sin + sin * growth;
    pair[0] = p + (p * along - q * across);
    pair[1] = q + (q * along + p * across);
}

/// Exponential of a small number less one, by its series, whose remainder is below 1e-17.
#[inline]
fn small_exp_less_one(x: f64) -> f64 {
    let z = x * x;
    let even = z * (1.0 / 2.0 + z * (1.0 / 24.0 + z * (1.0 / 720.0 + z / 40320.0)));
    let odd = 1.0 + z * (1.0 / 6.0 + z * (1.0 / 120.0 + z / 5040.0));
    even + x * odd
}

/// Sine and cosine; those of small angles by their series, whose remainder is below 1e-17.
#[inline]
fn sin_cos(angle: f64) -> (f64, f64) {
    if angle.abs() > SMALL_ANGLE {
        return angle.sin_cos();
    }
    let (sin, cos_less_one) = small_sin_cos_less_one(angle);
    (sin, 1.0 + cos_less_one)
}

/// Sine, and cosine less one, of a small angle.
#[inline]
fn small_sin_cos_less_one(angle: f64) -> (f64, f64) {
    let z = angle * angle;
    let sin =
        1.0 + z * (-1.0 / 6.0 + z * (1.0 / 120.0 + z * (-1.0 / 5040.0 + z * (1.0 / 362_880.0 - z / 39_916_800.0))));
    let cos_less_one = z
        * (-0.5
            + z * (1.0 / 24.0
                + z * (-1.0 / 720.0 + z * (1.0 / 40320.0 + z * (-1.0 / 3_628_800.0 + z / 479_001_600.0)))));
    (angle * sin, cos_less_one)
}

/// The lesser of two numbers, neither of which is no number.
#[inline(always)]
fn lesser(a: f64, b: f64) -> f64 {
    if a < b { a } else { b }
}

/// Writes a value into each of the first `width` entries, and into a few more: a fixed number of entries is worked out side by side.
#[inline(always)]
fn fill(entries: &mut StateVector, width: usize, value: impl Fn(usize) -> f64) {
    match width {
        0..=6 => fill_first::<6>(entries, value),
        7..=8 => fill_first::<8>(entries, value),
        9..=10 => fill_first::<10>(entries, value),
        11..=12 => fill_first::<12>(entries, value),
        _ => fill_first::<MAX_STATES>(entries, value),
    }
}

#[inline(always)]
fn fill_first<const W: usize>(entries: &mut StateVector, value: impl Fn(usize) -> f64) {
    let entries: &mut [f64; W] = entries.first_chunk_mut().expect("no more entries than there are");
    for (j, entry) in entries.iter_mut().enumerate() {
        *entry = value(j);
    }
}

/// Inner product of vectors of which one is zero from `width` on.
#[inline(always)]
fn dot_first(a: &StateVector, b: &StateVector, width: usize) -> f64 {
    match width {
        // Few entries were written one by one a moment ago; reading them in fours would wait until they have left the core.
        0..=5 => a.iter().zip(b).take(width).map(|(p, q)| p * q).sum(),
        6..=8 => dot_of(&a[..8], &b[..8]),
        9..=12 => dot_of(&a[..12], &b[..12]),
        _ => dot(a, b),
    }
}

/// Largest size that the second derivative may have up to a time.
#[inline]
fn bound_of_curvature(polynomial: &Polynomial, to_s: f64) -> f64 {
    let [_, _, c2, c3, c4, c5, c6] = polynomial.map(f64::abs);
    2.0 * c2 + to_s * (6.0 * c3 + to_s * (12.0 * c4 + to_s * (20.0 * c5 + to_s * 30.0 * c6)))
}

#[inline]
fn horner(polynomial: &Polynomial, t_s: f64) -> f64 {
    polynomial.iter().rev().fold(0.0, |sum, coefficient| sum * t_s + coefficient)
}

fn dense_state(matrix: &DMatrix<f64>, n: usize, flow: &Flow, t_s: f64) -> StateVector {
    let mut z = DVector::zeros(n + 2 * INPUTS);
    (0..n).for_each(|i| z[i] = flow.start[i]);
    for k in 0..INPUTS {
        z[n + k] = flow.settled.inputs[k];
        z[n + INPUTS + k] = flow.settled.input_slopes[k];
    }
    let end = (matrix * t_s).exp() * z;
    std::array::from_fn(|i| if i < n { end[i] } else { 0.0 })
}

/// Diagonal scaling that makes rows and columns of a matrix alike in size (powers of two, so that it rounds nothing).
fn balance(a: &DMatrix<f64>) -> Vec<f64> {
    let n = a.nrows();
    let mut scale = vec![1.0f64; n];
    for _ in 0..50 {
        let mut settled = true;
        for k in 0..n {
            let off = |i: usize, j: usize| (a[(i, j)] * scale[j] / scale[i]).abs();
            let column: f64 = (0..n).filter(|&i| i != k).map(|i| off(i, k)).sum();
            let row: f64 = (0..n).filter(|&j| j != k).map(|j| off(k, j)).sum();
            if column > 0.0 && row > 0.0 {
                let factor = (row / column).sqrt().log2().round().exp2();
                settled &= factor == 1.0;
                scale[k] *= factor;
            }
        }
        if settled {
            break;
        }
    }
    scale
}

/// Eigenvalue, as (real part, imaginary part >= 0).
type Eigenvalue = (f64, f64);

struct Split {
    reals: usize,
    pairs: usize,
    /// Magnitude of the fastest eigenvalue of the slow block in 1/s; 0 where there is none.
    slow_per_s: f64,
    vectors: DMatrix<f64>,
    inverse: DMatrix<f64>,
    block: DMatrix<f64>,
}

impl Split {
    /// Time for which the slow block's eigenvalues are slow, and its powers no larger than what they act on.
    fn slow_holds_s(&self) -> f64 {
        let first = self.reals + 2 * self.pairs;
        let rows = self.block.nrows();
        let norm = (first..rows).map(|i| (first..rows).map(|j| self.block[(i, j)].abs()).sum()).fold(0.0, f64::max);
        (SLOW_PER_CYCLE / self.slow_per_s).min(1.0 / norm)
    }

    /// Whether the split can be trusted: its own residual says so, which costs little, or it reproduces the matrix exponential.
    fn is_accurate(&self, a: &DMatrix<f64>, period_s: f64) -> bool {
        self.leaves_little(a, period_s) || self.reproduces_exponential(a, period_s)
    }

    /// Agreement with the matrix exponential over an eighth of a cycle and over the whole cycle.
    fn reproduces_exponential(&self, a: &DMatrix<f64>, period_s: f64) -> bool {
        [0.125, 1.0].iter().all(|part| {
            let t = part * period_s;
            let direct = (a * t).exp();
            let modal = &self.vectors * (&self.block * t).exp() * &self.inverse;
            let size = direct.amax().max(1.0);
            let worst = (modal - direct).amax();
            worst.is_finite() && worst <= MODAL_ACCURACY * size
        })
    }

    /// Whether what is left of `A V - V B`, through the inverse of V and for as long as it lasts within a cycle, is small, in balanced
    /// units, or no more than the rounding of the entries of A makes of it.
    ///
    /// Directions that are nearly alike have coordinates that cancel; then the matrix exponential has to judge.
    ///
    /// Between two modes of rates a and b an error e adds e (exp(a t) - exp(b t)) / (a - b), which is never above e t nor above e over
    /// the faster decay: what happens to a mode that is gone within picoseconds lasts no longer.
    fn leaves_little(&self, a: &DMatrix<f64>, period_s: f64) -> bool {
        let n = a.nrows();
        let left = &self.inverse * (a * &self.vectors - &self.vectors * &self.block);
        let rounding = self.inverse.abs() * a.abs() * self.vectors.abs() * (n as f64 * f64::EPSILON);
        let cancelling = (self.vectors.abs() * self.inverse.abs()).amax() * n as f64 * f64::EPSILON;
        if cancelling.is_nan() || cancelling > MODAL_ACCURACY {
            return false;
        }
        let fast = self.reals + 2 * self.pairs;
        let decay = |k: usize| if k < fast { (-self.block[(k, k)]).max(0.0) } else { 0.0 };
        let is_small = |i: usize, j: usize| {
            let lasts_s = period_s / (period_s * decay(i).max(decay(j))).max(1.0);
            left[(i, j)].abs() <= rounding[(i, j)].max(MODAL_ACCURACY / lasts_s)
        };
        (0..n).all(|i| (0..n).all(|j| is_small(i, j)))
    }
}

/// Splits of a balanced matrix, the better one first. Where an eigenvalue lies close to the slow block's limit its directions are
/// badly told from the rest: then the block ends where it stands well apart, or there is none. An eigenvalue that is no smaller than the
/// lower limit costs three digits of sixteen as a mode of its own.
fn splits(a: &DMatrix<f64>, period_s: f64) -> impl Iterator<Item = Split> + '_ {
    let schur = Schur::try_new(a.clone(), f64::EPSILON, SCHUR_ITERATIONS);
    let values: Vec<Complex<f64>> = schur.map_or(vec![], |schur| schur.complex_eigenvalues().iter().copied().collect());
    let (least, most) = (LEAST_SLOW_PER_CYCLE / period_s, SLOW_PER_CYCLE / period_s);
    let limits = [most, widest_gap(&values, least, most)];
    limits.into_iter().filter_map(move |limit| if values.is_empty() { None } else { split(a, &values, limit) })
}

/// Where between two limits the magnitudes of eigenvalues leave the widest gap, as their ratio; the lower limit where none is below it.
fn widest_gap(values: &[Complex<f64>], least: f64, most: f64) -> f64 {
    let mut sizes: Vec<f64> = values.iter().map(|value| value.norm()).collect();
    sizes.sort_by(f64::total_cmp);
    if sizes.first().is_none_or(|&smallest| smallest > least) {
        return least;
    }
    let gaps = sizes.windows(2).filter(|pair| pair[0] <= most && pair[1] > least);
    gaps.max_by(|a, b| (a[1] * b[0]).total_cmp(&(b[1] * a[0]))).map_or(most, |pair| pair[0].max(least).min(most))
}

/// Splits a balanced matrix with these eigenvalues; `None` where eigenvectors cannot be found well enough.
fn split(a: &DMatrix<f64>, values: &[Complex<f64>], slow_limit: f64) -> Option<Split> {
    let n = a.nrows();
    let (slow, fast): (Vec<Complex<f64>>, Vec<Complex<f64>>) =
        values.iter().copied().partition(|value| value.norm() <= slow_limit);
    if slow.len() > SLOW_MOST {
        return None;
    }
    let mut reals: Vec<Eigenvalue> = fast.iter().filter(|v| v.im == 0.0).map(|v| (v.re, 0.0)).collect();
    let mut pairs: Vec<Eigenvalue> = fast.iter().filter(|v| v.im > 0.0).map(|v| (v.re, v.im)).collect();
    reals.sort_by(|a, b| b.0.total_cmp(&a.0));
    pairs.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut vectors = DMatrix::zeros(n, n);
    let mut block = DMatrix::zeros(n, n);
    for (j, &(re, _)) in reals.iter().enumerate() {
        let (value, vector) = eigenvector(a, Complex::new(re, 0.0))?;
        block[(j, j)] = value.re;
        (0..n).for_each(|i| vectors[(i, j)] = vector[i].re);
    }
    for (k, &(re, im)) in pairs.iter().enumerate() {
        let (value, vector) = eigenvector(a, Complex::new(re, im))?;
        let j = reals.len() + 2 * k;
        block[(j, j)] = value.re;
        block[(j + 1, j + 1)] = value.re;
        block[(j, j + 1)] = value.im;
        block[(j + 1, j)] = -value.im;
        for i in 0..n {
            vectors[(i, j)] = vector[i].re;
            vectors[(i, j + 1)] = vector[i].im;
        }
    }
    if !slow.is_empty() {
        let first = n - slow.len();
        let fast: Vec<Eigenvalue> = reals.iter().chain(&pairs).copied().collect();
        let basis = slow_subspace(a, slow.len(), slow_limit, &fast)?;
        let inner = basis.transpose() * a * &basis;
        vectors.view_mut((0, first), (n, slow.len())).copy_from(&basis);
        block.view_mut((first, first), (slow.len(), slow.len())).copy_from(&inner);
    }
    let inverse = vectors.clone().try_inverse()?;
    let slow_per_s = slow.iter().map(|value| value.norm()).fold(0.0, f64::max);
    Some(Split { reals: reals.len(), pairs: pairs.len(), slow_per_s, vectors, inverse, block })
}

/// Eigenvector by inverse iteration, with the eigenvalue refined by Rayleigh's quotient.
fn eigenvector(a: &DMatrix<f64>, guess: Complex<f64>) -> Option<(Complex<f64>, Column<Complex<f64>>)> {
    let shift = guess + Complex::new(guess.norm() * 1e-10 + f64::MIN_POSITIVE, 0.0);
    if guess.im == 0.0 {
        let (value, vector) = inverse_iteration(a, guess.re, shift.re)?;
        return Some((Complex::from(value), vector.map(Complex::from)));
    }
    inverse_iteration(a, guess, shift)
}

/// As [`eigenvector`], real or complex; the largest entry of the vector is real.
fn inverse_iteration<T: Number>(a: &DMatrix<f64>, guess: T, shift: T) -> Option<(T, Column<T>)> {
    let n = a.nrows().min(MAX_STATES);
    let factors = Factors::new(a, shift)?;
    let mut vector = [T::from_real(0.0); MAX_STATES];
    (0..n).for_each(|i| vector[i] = T::from_real(1.0 + 0.1 * i as f64));
    for _ in 0..4 {
        factors.solve(&mut vector);
        let norm = vector.iter().map(|v| v.modulus_squared()).sum::<f64>().sqrt();
        if !norm.is_finite() || norm == 0.0 {
            return None;
        }
        vector.iter_mut().for_each(|v| *v = v.scale(1.0 / norm));
    }
    // A common phase is free; taking the largest entry as real keeps a real mode real.
    let largest = vector.iter().copied().max_by(|p, q| p.modulus_squared().total_cmp(&q.modulus_squared()))?;
    let turn = largest.conjugate().scale(1.0 / largest.modulus());
    vector.iter_mut().for_each(|v| *v *= turn);
    let applied = |i: usize| (0..n).fold(T::from_real(0.0), |sum, j| sum + vector[j].scale(a[(i, j)]));
    let value = (0..n).fold(T::from_real(0.0), |sum, i| sum + vector[i].conjugate() * applied(i));
    // A quotient that ran to another eigenvalue is worse than the guess.
    let value = if (value - guess).modulus() <= 1e-6 * guess.modulus() { value } else { guess };
    Some((value, vector))
}

/// A real or complex number.
pub(crate) trait Number: ComplexField<RealField = f64> + Copy {}
impl<T: ComplexField<RealField = f64> + Copy> Number for T {}

/// A column of a matrix; entries beyond its size are zero.
pub(crate) type Column<T> = [T; MAX_STATES];

/// Triangular factors of a shifted matrix, rows exchanged so that no divisor is small.
pub(crate) struct Factors<T> {
    /// Row by row, without what lies beyond the size: that many numbers are cleared and moved at every frequency of a loop gain.
    rows: Vec<T>,
    order: [usize; MAX_STATES],
    n: usize,
}

impl<T: Number> Factors<T> {
    /// Factors of `a` less `shift` times the identity; `None` where that is singular.
    pub(crate) fn new(a: &DMatrix<f64>, shift: T) -> Option<Factors<T>> {
        let n = a.nrows().min(MAX_STATES);
        let mut rows = Vec::with_capacity(n * n);
        for i in 0..n {
            rows.extend((0..n).map(|j| T::from_real(a[(i, j)])));
            rows[i * n + i] -= shift;
        }
        let mut factors = Factors { rows, order: std::array::from_fn(|i| i), n };
        (0..n).all(|k| factors.eliminate(k)).then_some(factors)
    }

    /// Clears a column below its pivot, the largest entry; false where there is none but zeros.
    fn eliminate(&mut self, k: usize) -> bool {
        let n = self.n;
        let size = |row: &[T]| row[k].modulus_squared();
        let (mut largest, mut most) = (k, 0.0);
        for (i, row) in self.rows.chunks_exact(n).enumerate().skip(k) {
            if size(row) >= most {
                (largest, most) = (i, size(row));
            }
        }
        self.order.swap(k, largest);
        let (above, below) = self.rows.split_at_mut((k + 1) * n);
        let pivot = &mut above[k * n..];
        if largest > k {
            pivot.swap_with_slice(&mut below[(largest - k - 1) * n..(largest - k) * n]);
        }
        if pivot[k] == T::from_real(0.0) {
            return false;
        }
        for row in below.chunks_exact_mut(n).filter(|row| row[k] != T::from_real(0.0)) {
            let factor = row[k] / pivot[k];
            row[k] = factor;
            for (entry, of_pivot) in row[k + 1..].iter_mut().zip(&pivot[k + 1..]) {
                *entry -= factor * *of_pivot;
            }
        }
        true
    }

    /// Solves for a right side, in place.
    pub(crate) fn solve(&self, vector: &mut Column<T>) {
        let (n, right) = (self.n, *vector);
        for (i, row) in self.rows.chunks_exact(n).enumerate() {
            vector[i] = row[..i].iter().zip(&*vector).fold(right[self.order[i]], |sum, (entry, x)| sum - *entry * *x);
        }
        for (i, row) in self.rows.chunks_exact(n).enumerate().rev() {
            let known = row[i + 1..].iter().zip(&vector[i + 1..]);
            vector[i] = known.fold(vector[i], |sum, (entry, x)| sum - *entry * *x) / row[i];
        }
    }
}

/// Orthonormal basis of the invariant subspace of the `size` smallest eigenvalues, by inverse iteration; where that does not come to a
/// stand, since an eigenvalue outside is hardly larger than one inside, from what has no share in the fast modes.
fn slow_subspace(a: &DMatrix<f64>, size: usize, slow_limit: f64, fast: &[Eigenvalue]) -> Option<DMatrix<f64>> {
    let n = a.nrows();
    // A shift well away from zero keeps the matrix regular and the slow eigenvalues still the nearest ones.
    let lu = (a - DMatrix::from_diagonal_element(n, n, 0.7 * slow_limit)).lu();
    let mut basis = DMatrix::from_fn(n, size, |i, j| 1.0 / (1.0 + (i + j) as f64) + f64::from(u8::from(i % size == j)));
    for _ in 0..SUBSPACE_STEPS {
        let next = lu.solve(&basis)?.qr().q();
        if next.iter().any(|v| !v.is_finite()) {
            return None;
        }
        // What of the new directions is not among the old ones.
        let turned = (&next - &basis * (basis.transpose() * &next)).amax();
        basis = next;
        if turned <= SUBSPACE_TURN {
            return Some(basis);
        }
    }
    Some(without_share(a, fast, &basis).unwrap_or(basis))
}

/// The part of some directions that has no share in the fast modes: it is at right angles to their left eigenvectors.
fn without_share(a: &DMatrix<f64>, fast: &[Eigenvalue], directions: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    let (n, turned) = (a.nrows(), a.transpose());
    let mut left = vec![];
    for &(re, im) in fast {
        let (_, vector) = eigenvector(&turned, Complex::new(re, im))?;
        left.push(DVector::from_fn(n, |i, _| vector[i].re));
        if im != 0.0 {
            left.push(DVector::from_fn(n, |i, _| vector[i].im));
        }
    }
    let left = DMatrix::from_columns(&left).qr().q();
    let mut basis = directions.clone();
    // Twice, so that nothing of what is taken away is left by rounding.
    for _ in 0..2 {
        basis = (&basis - &left * (left.transpose() * &basis)).qr().q();
    }
    basis.iter().all(|v| v.is_finite()).then_some(basis)
}
