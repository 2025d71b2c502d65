//! The engine: exact simulation of the switched converter.

pub mod book;
pub mod cancel;
pub mod compensator;
pub mod crossing;
pub mod error;
pub mod linear;
pub mod machine;
pub mod modal;
pub mod mode;
pub mod network;
pub mod program;
pub mod response;
pub mod row;
pub mod run_book;
pub mod run_state;
pub mod sensitivity;
pub mod steady;
pub mod stretch;
