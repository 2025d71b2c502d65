//! Measures: definitions applied to what the engine does.

pub mod curves;
pub mod extremes;
pub mod input_step;
pub mod light;
pub mod limit;
pub mod overload;
pub mod short;
pub mod start;
pub mod steady;
pub mod step;
