//! The program as a user meets it.

mod edges;
mod program;
mod sweep;
mod tables;
