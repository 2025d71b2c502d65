//! Case files: what is read, and what is refused in which words.

mod errors;
mod reading;
mod ripple;
