//! The bench: files of scopes, and the same figures from a capture as from a simulation.

#[cfg(feature = "shell")]
pub mod scope;
