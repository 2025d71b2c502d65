//! The engine: exact simulation of the switched converter.

pub mod book;
pub mod cancel;
pub mod compensator;
pub mod crossing;
pub mod error;
pub mod machine;
pub mod modal;
pub mod network;
pub mod program;
pub mod row;
pub mod run_book;
pub mod sensitivity;
pub mod steady;
