//! Room: compare.
