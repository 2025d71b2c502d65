//! Room: measure.
