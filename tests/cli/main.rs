//! The program as a user meets it.

#[path = "../support/folders.rs"]
mod folders;

mod diff;
mod edges;
mod impedance;
mod new;
mod program;
mod screen;
mod settings;
mod sweep;
mod tables;
mod waveforms;
mod worst_load;
