//! `presolder` predicts, before any rework, how a buck converter behaves with a substitute inductor.
//!
//! Data flows one way through the rooms below; [`corridor`] calls them in order.

pub mod case;
pub mod cli;
pub mod condition;
pub mod corridor;
pub mod crosscheck;
pub mod engine;
pub mod error;
pub mod judge;
pub mod loss;
pub mod measure;
pub mod model;
pub mod quantity;
pub mod record;
pub mod report;
pub mod stability;
pub mod units;

pub use model::{board, parts};
