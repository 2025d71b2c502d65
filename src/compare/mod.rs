//! Comparison: limits, changes against the original, verdicts, and the record of it all.

pub mod judge;
pub mod quantities;
pub mod record;
