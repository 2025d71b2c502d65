//! The model: board, parts, corners and the case that holds them, as plain data with SI units.

pub mod between;
pub mod board;
pub mod build;
pub mod capture;
pub mod case;
pub mod corner;
pub mod doubt;
pub mod family;
pub mod load;
pub mod offer;
pub mod parts;
pub mod procedure;
pub mod series;
