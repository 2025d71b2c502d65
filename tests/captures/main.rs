//! Captures of the bench: files of scopes, from samples to figures, predicted against measured.

#[path = "../support/folders.rs"]
mod folders;
#[path = "../support/stepper.rs"]
mod stepper;
#[path = "../support/mod.rs"]
mod support;

mod bad_input;
mod calibrated;
mod calibrating;
mod coverage;
mod documents;
mod duty_sweep;
mod figures;
mod invented;
mod measured;
mod shapes;
