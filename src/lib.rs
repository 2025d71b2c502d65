//! `presolder` predicts, before any rework, how a buck converter behaves with a substitute inductor.
//!
//! Data flows one way through the rooms below; [`corridor`] calls them in order. With the cargo feature `shell` (on by
//! default) come the rooms that know files: case folders, the record, reports and the command line. Without it this is a
//! library that simulates what it is given as data:
//!
//! ```
//! use presolder::board::{Board, CurrentLimit, LoadStep};
//! use presolder::condition;
//! use presolder::condition::stand::Stand;
//! use presolder::model::case::Case;
//! use presolder::model::corner::CORNERS;
//! use presolder::parts::{CapacitorBranch, Inductor};
//!
//! let bank = vec![CapacitorBranch::new("ceramic", 43e-6, 1.7e-3, 0.4e-9)?];
//! let mut board = Board::peak_current(23.0, 5.1, 2.9, 410e3, bank)?;
//! board.load_step = Some(LoadStep::once(0.6, 2.3, 1.1e6, 310e-6));
//! let part = Inductor::new("Teal-10", 10.3e-6, 37e-3)?;
//! let case = Case::new(board, vec![part])?;
//! let stand = Stand::new(&case, &case.parts[0], CORNERS[0], 23.0);
//! let step = condition::find("load step").expect("it is registered");
//! let place = step.places(&stand)[0];
//! let figures = step.simulate(&stand, place)?.figures;
//! let dip_v = figures.number("dip").expect("every load step has a dip");
//! assert!(dip_v > 0.01 && dip_v < 1.0);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub mod bench;
#[cfg(feature = "shell")]
pub mod case;
#[cfg(feature = "shell")]
pub mod cli;
pub mod condition;
pub mod corridor;
pub mod crosscheck;
pub mod engine;
#[cfg(feature = "shell")]
pub mod error;
pub mod judge;
pub mod loss;
pub mod measure;
pub mod model;
pub mod quantity;
#[cfg(feature = "shell")]
pub mod record;
#[cfg(feature = "shell")]
pub mod report;
#[cfg(feature = "shell")]
pub mod sha256;
pub mod stability;
pub mod units;
#[cfg(feature = "shell")]
pub mod visible;

pub use model::{board, parts};
