//! Case files: what is read, and what is refused in which words.

#[path = "../support/books.rs"]
mod books;
#[path = "../support/folders.rs"]
mod folders;

mod absent;
mod doubts;
mod errors;
mod loads;
mod offers;
mod plausible;
mod reading;
mod ripple;
mod settings;
mod tables;
