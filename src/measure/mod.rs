//! Measures: observers of stretches that more than one condition uses.

pub mod curves;
pub mod edges;
pub mod extremes;
pub mod steady;
