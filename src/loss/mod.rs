//! Room: loss.
