//! Case files: what is read, and what is refused in which words.

mod doubts;
mod errors;
mod reading;
mod ripple;
