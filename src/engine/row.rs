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
pub fn dot<const N: usize>(a: &[f64; N], b: &[f64; N]) -> f64 {
    a.iter().zip(b).map(|(p, q)| p * q).sum()
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
