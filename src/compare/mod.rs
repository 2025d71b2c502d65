//! Comparison: limits, changes against the original, verdicts, the bench plan, and the record of it all.

pub mod judge;
pub mod plan;
pub mod quantities;
pub mod record;
