//! Measures: definitions applied to what the engine does.

pub mod curves;
pub mod extremes;
pub mod limit;
pub mod steady;
pub mod step;
