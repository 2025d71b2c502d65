//! Affine functions of the state and the inputs: the one language in which the network is written down.

use std::ops::{Add, Mul, Neg, Sub};

/// Largest number of states of a network.
pub const MAX_STATES: usize = 18;

/// Number of inputs, see [`Input`].
pub const INPUTS: usize = 5;

/// State vector; entries beyond the network's number of states are zero.
pub type StateVector = [f64; MAX_STATES];

/// Input vector in the order of [`Input`].
pub type InputVector = [f64; INPUTS];

/// Inputs of the network, constant or a straight line in time within a stretch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Input {
    /// The number one.
    One = 0,
    /// Input voltage in V.
    Source = 1,
    /// Programmed load current in A.
    Load = 2,
    /// Reference of the error amplifier in V.
    Reference = 3,
    /// Slew of the programmed load current in A/s.
    LoadSlew = 4,
}

/// Affine function `x . state + u . inputs`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// Coefficients of the states.
    pub x: StateVector,
    /// Coefficients of the inputs.
    pub u: InputVector,
}

impl Row {
    /// The zero function.
    pub const ZERO: Row = Row { x: [0.0; MAX_STATES], u: [0.0; INPUTS] };

    /// The state with that index.
    pub fn state(index: usize) -> Row {
        let mut row = Row::ZERO;
        row.x[index] = 1.0;
        row
    }

    /// The input.
    pub fn input(input: Input) -> Row {
        let mut row = Row::ZERO;
        row.u[input as usize] = 1.0;
        row
    }

    /// A constant.
    pub fn constant(value: f64) -> Row {
        Row::input(Input::One) * value
    }

    /// Value at a state and input.
    pub fn at(&self, x: &StateVector, u: &InputVector) -> f64 {
        dot(&self.x, x) + dot(&self.u, u)
    }
}

/// Inner product of two arrays of equal length.
#[inline]
pub fn dot<const N: usize>(a: &[f64; N], b: &[f64; N]) -> f64 {
    dot_of(a, b)
}

/// Inner product of two slices of equal length, in four sums side by side: a single sum would wait for each addition.
#[inline]
pub fn dot_of(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    let (fours, rest) = a.as_chunks::<4>();
    let (other_fours, other_rest) = b.as_chunks::<4>();
    for (p, q) in fours.iter().zip(other_fours) {
        for k in 0..4 {
            sums[k] += p[k] * q[k];
        }
    }
    let tail: f64 = rest.iter().zip(other_rest).map(|(p, q)| p * q).sum();
    (sums[0] + sums[1]) + (sums[2] + sums[3]) + tail
}

/// Sum of the columns, each times its factor, into the first `width` entries of `sum` (and a few more, if the columns have them).
#[inline]
pub fn combine(columns: &[StateVector], factors: &[f64], width: usize, sum: &mut StateVector) {
    // A fixed number of entries keeps the sums in registers.
    match width {
        0..=6 => combine_first::<6>(columns, factors, sum),
        7..=8 => combine_first::<8>(columns, factors, sum),
        9..=10 => combine_first::<10>(columns, factors, sum),
        11..=12 => combine_first::<12>(columns, factors, sum),
        13..=14 => combine_first::<14>(columns, factors, sum),
        _ => combine_first::<MAX_STATES>(columns, factors, sum),
    }
}

#[inline]
fn combine_first<const W: usize>(columns: &[StateVector], factors: &[f64], sum: &mut StateVector) {
    let mut sums = [0.0; W];
    for (column, factor) in columns.iter().zip(factors) {
        let entries: &[f64; W] = column.first_chunk().expect("no more entries than a column has");
        for k in 0..W {
            sums[k] += factor * entries[k];
        }
    }
    sum[..W].copy_from_slice(&sums);
}

impl Add for Row {
    type Output = Row;
    fn add(mut self, other: Row) -> Row {
        for (a, b) in self.x.iter_mut().zip(other.x) {
            *a += b;
        }
        for (a, b) in self.u.iter_mut().zip(other.u) {
            *a += b;
        }
        self
    }
}

impl Mul<f64> for Row {
    type Output = Row;
    fn mul(mut self, factor: f64) -> Row {
        self.x.iter_mut().chain(self.u.iter_mut()).for_each(|a| *a *= factor);
        self
    }
}

impl Neg for Row {
    type Output = Row;
    fn neg(self) -> Row {
        self * -1.0
    }
}

impl Sub for Row {
    type Output = Row;
    fn sub(self, other: Row) -> Row {
        self + -other
    }
}
