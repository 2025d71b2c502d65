//! Room: error.
