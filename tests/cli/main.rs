//! The program as a user meets it.

mod edges;
mod new;
mod program;
mod settings;
mod sweep;
mod tables;
mod waveforms;
