//! Captures of the bench: files of scopes, from samples to figures, predicted against measured.

#[path = "../support/folders.rs"]
mod folders;
#[path = "../support/stepper.rs"]
mod stepper;

mod bad_input;
mod calibrating;
mod documents;
mod figures;
mod invented;
mod measured;
mod shapes;
