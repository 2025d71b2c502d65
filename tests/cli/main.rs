//! The program as a user meets it.

mod edges;
mod new;
mod program;
mod sweep;
mod tables;
mod waveforms;
