//! Uncertainty of what was measured, and how a prediction stands to it.

use crate::judge::sight::COVERAGE;

/// Half width of a rectangular distribution in standard deviations.
const HALF_WIDTH: f64 = 1.732_050_807_568_877_2;

/// Standard uncertainty of limits of error: anything within them is as likely (JCGM 100, 4.3.7).
pub fn of_limits(error: f64) -> f64 {
    error.abs() / HALF_WIDTH
}

/// Root of the sum of squares.
pub fn root(parts: &[f64]) -> f64 {
    parts.iter().map(|part| part * part).sum::<f64>().sqrt()
}

/// A value with its expanded uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Known {
    /// Value.
    pub value: f64,
    /// Expanded uncertainty, k = 2, in the same unit.
    pub uncertainty: f64,
}

impl Known {
    /// From standard contributions.
    pub fn new(value: f64, parts: &[f64]) -> Known {
        Known { value, uncertainty: COVERAGE * root(parts) }
    }

    /// E_n of ISO/IEC 17043: the difference over the root of both expanded uncertainties squared; within them up to 1. `None` without any.
    pub fn score(&self, measured: &Known) -> Option<f64> {
        let both = root(&[self.uncertainty, measured.uncertainty]);
        (both > 0.0).then(|| (measured.value - self.value) / both)
    }
}

/// Four meters around a converter: values, standard uncertainties, and how much of them input and output have in common.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Meters {
    /// Input in V, input in A, output in V, output in A.
    pub values: [f64; 4],
    /// Standard uncertainty of each.
    pub uncertainties: [f64; 4],
    /// Correlation of the two voltmeters, and of the two ammeters, from -1 to 1.
    pub correlation: f64,
}

impl Meters {
    /// Efficiency with its standard uncertainty (JCGM 100, 5.2.2): relative sensitivities are 1 for the output and -1 for the input, so what
    /// two meters of a kind have in common cancels.
    pub fn efficiency(&self) -> (f64, f64) {
        let [in_v, in_a, out_v, out_a] = self.values;
        let efficiency = out_v * out_a / (in_v * in_a);
        let relative: Vec<f64> = self.values.iter().zip(self.uncertainties).map(|(value, u)| u / value).collect();
        let alone: f64 = relative.iter().map(|part| part * part).sum();
        let common = 2.0 * self.correlation * (relative[0] * relative[2] + relative[1] * relative[3]);
        (efficiency, efficiency.abs() * (alone - common).max(0.0).sqrt())
    }
}
