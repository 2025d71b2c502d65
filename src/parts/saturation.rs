//! Saturation.
