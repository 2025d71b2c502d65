//! Case files: what is read, and what is refused in which words.

mod absent;
mod doubts;
mod errors;
mod plausible;
mod reading;
mod ripple;
