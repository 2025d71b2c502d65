//! Captures of the bench: files of scopes, from samples to figures, predicted against measured.

mod figures;
mod shapes;
