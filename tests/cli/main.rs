//! The program as a user meets it.

#[path = "../support/folders.rs"]
mod folders;

mod calibrated;
mod diff;
mod edges;
mod impedance;
mod new;
mod program;
mod remedies;
mod screen;
mod settings;
mod specify;
mod sweep;
mod tables;
mod transients;
mod verify;
mod waveforms;
mod worst_load;
