//! `presolder` predicts, before any rework, how a buck converter behaves with a substitute inductor.
//!
//! Data flows one way through the rooms below; [`run`] is the corridor that calls them in order.

pub mod board;
pub mod case;
pub mod cli;
pub mod compare;
pub mod engine;
pub mod error;
pub mod loss;
pub mod measure;
pub mod parts;
pub mod report;
pub mod run;
pub mod stability;
pub mod units;
pub mod visible;
