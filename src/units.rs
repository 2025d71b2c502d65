//! Room: units.
