//! The bench: files of scopes, and the same figures from a capture as from a simulation.

pub mod fold;
pub mod instrument;
pub mod noise;
#[cfg(feature = "shell")]
pub mod scope;
pub mod score;
pub mod step;
pub mod trace;
