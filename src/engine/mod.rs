//! Room: engine.
