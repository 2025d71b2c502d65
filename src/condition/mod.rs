//! Conditions: what is done to a board, one file each. [`CONDITIONS`] registers them; nothing else names one.

pub mod contract;
mod course;
pub mod curves;
pub(crate) mod derating;
pub mod dropout;
pub mod figures;
pub mod known;
pub mod light_load;
pub mod limit;
pub mod line_step;
pub mod load_profile;
pub mod load_step;
pub mod overload;
pub(crate) mod ready;
mod sheet;
pub mod short;
pub mod stand;
pub mod start;
pub mod steady;

use crate::model::corner::Corner;
use contract::Condition;

/// Name of the condition of what the data sheet alone says.
pub const SHEET: &str = "sheet";
/// What stands for the corner of a value that the data sheet alone gives.
pub const DATA_SHEET: Corner = Corner::told("data sheet");

/// Every condition, in the order in which they run.
pub static CONDITIONS: &[&dyn Condition] = &[
    &steady::Steady,
    &load_step::LoadStepAndRelease,
    &load_profile::LoadProfiles,
    &start::Starts,
    &line_step::LineStep,
    &dropout::Dropout,
    &overload::GrowingLoad,
    &short::Short,
    &light_load::LightLoad,
    &limit::AtLimit,
    &sheet::DataSheet,
];

/// The condition of a name.
pub fn find(name: &str) -> Option<&'static dyn Condition> {
    CONDITIONS.iter().copied().find(|condition| condition.name() == name)
}
