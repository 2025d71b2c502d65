//! Measures: definitions applied to what the engine does.

pub mod extremes;
