//! The bench: files of scopes, and the same figures from a capture as from a simulation.

pub mod analysis;
pub mod calibrate;
pub mod channel;
#[cfg(feature = "shell")]
pub mod files;
pub mod fold;
pub mod instrument;
pub mod layout;
pub mod measured;
pub mod noise;
pub mod predict;
pub mod reading;
pub mod run;
#[cfg(feature = "shell")]
pub mod scope;
pub mod score;
pub mod steady;
pub mod step;
pub mod trace;
pub mod transient;
