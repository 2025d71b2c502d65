//! Room: run.
